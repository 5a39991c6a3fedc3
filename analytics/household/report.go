package household

import (
	"math"

	"fadeledger/analytics"
)

// What is reported has the resolution of an ordinary management system: 0.1 °C,
// 10 mA, 10 mV, 1 W, 1 Wh.
func deciCelsius(c float64) analytics.CentiCelsius {
	return analytics.CentiCelsius(math.Floor(c*10+0.5)) * 10
}

func centiAmps(a float64) analytics.Milliamps {
	return analytics.Milliamps(math.Floor(a*100+0.5)) * 10
}

// report makes the sample of what the sensors show, with their faults.
func (b *Battery) report() analytics.Sample {
	b.reset()
	s := analytics.Sample{
		Time:      b.at,
		Has:       b.cfg.Report,
		SoC:       analytics.SoC(b.soc*1000 + 0.5),
		Temp:      deciCelsius(b.thermal.coldest()),
		TempMax:   deciCelsius(b.thermal.hottest()),
		Power:     analytics.Milliwatts(b.watts) * 1000,
		Current:   centiAmps(b.amps),
		Voltage:   analytics.Millivolts(b.volts*100+0.5) * 10,
		Charge:    analytics.MilliwattHours((b.charged-b.chargedBefore)/1000) * 1000,
		Discharge: analytics.MilliwattHours((b.discharged-b.dischargedBefore)/1000) * 1000,
	}
	if f := b.cfg.Faults.SignFlip; f != nil && b.at >= *f {
		s.Power, s.Current = -s.Power, -s.Current
		b.tally.show(flipAt, b.at)
	}
	if f := b.cfg.Faults.Stuck; f != nil {
		b.stick(&s, f)
	}
	if s.Has != AllFields {
		blank(&s, AllFields&^s.Has)
	}
	b.samples++
	b.hear()
	return s
}

// reset begins the counters at zero where a reset has come.
func (b *Battery) reset() {
	resets := b.cfg.Faults.Resets
	for b.nextReset < len(resets) && b.at >= resets[b.nextReset] {
		b.chargedBefore, b.dischargedBefore = b.charged, b.discharged
		// A reset before the first sample shows nowhere.
		if b.samples > 0 {
			b.tally.happen(resetAt, b.at)
		}
		b.nextReset++
	}
}

// stick repeats the last value of a stuck sensor. A sensor that is stuck from
// the first sample repeats that.
func (b *Battery) stick(s *analytics.Sample, f *Stuck) {
	if !f.Holds(b.at) || b.samples == 0 {
		b.held = *s
		return
	}
	copyFields(s, &b.held, f.Fields)
	b.tally.show(stuckAt, b.at)
}

// hear follows outages and silence.
func (b *Battery) hear() {
	f := &b.cfg.Faults
	was := b.inOutage
	for b.nextOutage < len(f.Outages) && b.at >= f.Outages[b.nextOutage].From && !f.Outages[b.nextOutage].Holds(b.at) {
		b.nextOutage++
		was = false
	}
	b.inOutage = b.nextOutage < len(f.Outages) && f.Outages[b.nextOutage].Holds(b.at)
	b.inSilence = f.Silent != nil && b.at >= *f.Silent
	switch {
	case b.inSilence:
		b.tally.show(silenceAt, b.at)
	case b.inOutage:
		if !was {
			b.tally.happen(outageAt, b.at)
		}
		b.tally.show(outageAt, b.at)
	default:
		return
	}
	b.withheld++
}

// copyFields copies the named fields.
func copyFields(to, from *analytics.Sample, fields analytics.Fields) {
	has := func(f analytics.Fields) bool { return fields&f != 0 }
	if has(analytics.HasSoC) {
		to.SoC = from.SoC
	}
	if has(analytics.HasPower) {
		to.Power = from.Power
	}
	if has(analytics.HasCurrent) {
		to.Current = from.Current
	}
	if has(analytics.HasVoltage) {
		to.Voltage = from.Voltage
	}
	if has(analytics.HasTemp) {
		to.Temp = from.Temp
	}
	if has(analytics.HasTempMax) {
		to.TempMax = from.TempMax
	}
	if has(analytics.HasCharge) {
		to.Charge = from.Charge
	}
	if has(analytics.HasDischarge) {
		to.Discharge = from.Discharge
	}
}

// blank sets the named fields to zero, as absent fields are.
func blank(s *analytics.Sample, fields analytics.Fields) {
	copyFields(s, &analytics.Sample{}, fields)
}

// Truth gives what really happened up to the newest sample.
func (b *Battery) Truth() Truth {
	t := Truth{
		Serial:       b.cfg.Serial,
		Samples:      b.samples,
		Withheld:     b.withheld,
		First:        b.cfg.Start,
		Last:         b.at,
		Health:       b.pack.ah / b.pack.ratedAh,
		CalendarLoss: b.ageing.Calendar,
		CycleLoss:    b.ageing.Cycle,
		Charge:       analytics.MilliwattHours(b.charged + 0.5),
		Discharge:    analytics.MilliwattHours(b.discharged + 0.5),
		ColdCharge:   analytics.MilliwattHours(b.coldCharged + 0.5),
		Faults:       b.tally.list(),
	}
	t.Capacity = analytics.MilliwattHours(t.Health*float64(b.cfg.Model.Rated) + 0.5)
	return t
}
