package claim

import (
	"fmt"
	"strings"

	"fadeledger/analytics"
)

// Procedure says how a capacity test is done and with what instruments. Its
// numbers are integers, so that it is kept with the result.
type Procedure struct {
	Name string `json:"name"`
	// Rate is the discharge power over the rated energy; RateTolerance is the
	// share of it in parts per million by which it may be off.
	Rate          analytics.MicroC `json:"rate_micro_c"`
	RateTolerance int64            `json:"rate_tolerance_ppm"`
	// MostOutside is the share of the discharge in parts per million that may
	// lie outside the tolerance; Ramp is the time at its beginning and at its
	// end that is not looked at.
	MostOutside int64            `json:"most_outside_ppm"`
	Ramp        analytics.Millis `json:"ramp_ms"`
	// Full is the state of charge from which the unit counts as full; Rest is
	// how long it has to rest full, at RestRate at most, before the discharge.
	Full     analytics.SoC    `json:"full_soc_permille"`
	Rest     analytics.Millis `json:"rest_ms"`
	RestRate analytics.MicroC `json:"rest_rate_micro_c"`
	// The discharge ends at the first sample at or below EndVoltage or EndSoC;
	// a zero EndVoltage is not looked at.
	EndVoltage analytics.Millivolts `json:"end_voltage_mv"`
	EndSoC     analytics.SoC        `json:"end_soc_permille"`
	// MinTemp and MaxTemp are the range of the cells' temperature.
	MinTemp analytics.CentiCelsius `json:"min_temp_centi_c"`
	MaxTemp analytics.CentiCelsius `json:"max_temp_centi_c"`
	// MaxGap is the longest time between two samples.
	MaxGap  analytics.Millis `json:"max_gap_ms"`
	Sensors Sensors          `json:"sensors"`
}

// Sensors are the largest errors that the instruments may have by their class.
type Sensors struct {
	// Power, Voltage and Current are parts per million of the reading. Power
	// counts where the record carries a power, the other two where it does
	// not.
	Power   int64 `json:"power_ppm"`
	Voltage int64 `json:"voltage_ppm"`
	Current int64 `json:"current_ppm"`
	// Offset is the error of the power at zero.
	Offset analytics.Milliwatts `json:"offset_mw"`
	// SoC is the error of the state of charge; it counts where the discharge
	// ends by it.
	SoC analytics.SoC `json:"soc_permille"`
}

// DefaultProcedure gives a procedure for a model: full and rested for an hour,
// discharged at a fifth of its rated energy an hour at cells from 20 to 30 °C,
// down to the lowest state of charge that the model allows, sampled at least
// once a minute, with instruments of class 1. The numbers are common practice,
// no source.
func DefaultProcedure(m analytics.Model) Procedure {
	p := Procedure{
		Name: "fifth-hour discharge", Rate: 200_000, RateTolerance: 50_000, MostOutside: 20_000, Ramp: 2 * analytics.Minute,
		Full: 990, Rest: analytics.Hour, RestRate: 20_000, MinTemp: 2000, MaxTemp: 3000, MaxGap: analytics.Minute,
		Sensors: Sensors{Power: 10_000, Voltage: 5_000, Current: 10_000, Offset: 2_000, SoC: 10},
	}
	if m.Floor != nil {
		p.EndSoC = *m.Floor
	}
	return p
}

// cautions stand before the steps.
const cautions = `Before you begin
  - A lithium battery can burn and give off toxic gas. Do not test a unit that is swollen, leaking, hot, wet, damaged or smells of solvent: leave it, keep people away and call the fire service.
  - The terminals carry a direct voltage that can kill, and a short circuit makes an arc. They cannot be made dead by switching the unit off.
  - Work on the wiring is for people who are trained and licensed for it. Local code and the authority having jurisdiction decide who may do it and how; the unit's own manual comes before this page.
  - Do not open the unit, do not bypass its protection, do not leave the test alone. Stop at any alarm.
`

// Text prints the steps of a procedure for the person who does it.
func Text(p Procedure) string {
	var b strings.Builder
	fmt.Fprintf(&b, "Capacity test: %s\n\n%s\nSteps\n", p.Name, cautions)
	low, high := celsius(p.MinTemp), celsius(p.MaxTemp)
	steps := []string{
		fmt.Sprintf("Bring the unit to a place where its cells stay between %s and %s °C until the end of the test.", low, high),
		fmt.Sprintf("Start recording time, power (or current and voltage), charge level and cell temperature, at least every %s. Do not stop recording until the last step.", spell(p.MaxGap)),
		fmt.Sprintf("Charge the unit until it shows at least %s %%.", tenths(int64(p.Full))),
		fmt.Sprintf("Let it rest for at least %s. Nothing may charge or discharge it.", spell(p.Rest)),
		fmt.Sprintf("Discharge it with a steady power of %s %% of its rated energy per hour (%s kW for a unit of 5 kWh), held to within %s %% of that.",
			scaled(int64(p.Rate), 10_000), scaled(5*int64(p.Rate), 1_000_000), scaled(p.RateTolerance, 10_000)),
		"Stop the discharge " + endWords(p) + ".",
		"Stop recording, hand in the record as a CSV file, and charge the unit again soon.",
	}
	for i, s := range steps {
		fmt.Fprintf(&b, "  %d. %s\n", i+1, s)
	}
	fmt.Fprintf(&b, "\nInstruments\n  Power to within %s %% (or voltage to %s %% and current to %s %%), and at zero to within %s W.\n",
		scaled(p.Sensors.Power, 10_000), scaled(p.Sensors.Voltage, 10_000), scaled(p.Sensors.Current, 10_000), scaled(int64(p.Sensors.Offset), 1000))
	b.WriteString("  Better instruments make the answer clearer. Write down which were used.\n")
	b.WriteString("\nThe test counts only if every step was kept. Nothing is corrected for temperature or rate.\n")
	return b.String()
}

func endWords(p Procedure) string {
	soc := fmt.Sprintf("as soon as the charge level is down to %s %%", tenths(int64(p.EndSoC)))
	if p.EndVoltage > 0 {
		return soc + fmt.Sprintf(" or the voltage to %s V, whichever comes first", scaled(int64(p.EndVoltage), 1000))
	}
	return soc
}

func celsius(t analytics.CentiCelsius) string { return scaled(int64(t), 100) }

func tenths(n int64) string { return scaled(n, 10) }

// scaled writes n / per without zeros that say nothing.
func scaled(n, per int64) string { return string(decimalOf(ratio(n, per), 6)) }

// spell writes a time in the largest unit that it is a whole number of.
func spell(m analytics.Millis) string {
	switch {
	case m > 0 && m%analytics.Hour == 0:
		return counted(int64(m/analytics.Hour), "hour")
	case m > 0 && m%analytics.Minute == 0:
		return counted(int64(m/analytics.Minute), "minute")
	}
	return scaled(int64(m), 1000) + " seconds"
}
