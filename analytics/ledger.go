package analytics

import (
	"encoding/json"
	"fmt"
	"strconv"
)

// Ledger is the account of one unit: the answer of the service and of an
// offline count, the same object from the same samples. All of it follows
// from the samples, the model and the terms; nothing depends on the clock.
type Ledger struct {
	Unit  Serial `json:"unit,omitempty"`
	Model string `json:"model"`
	Terms string `json:"terms,omitempty"`
	// Samples counts the instants that count, Duplicates the deliveries equal
	// to one already known, Conflicts the instants in dispute, Superseded the
	// versions that a source of higher rank outdid.
	Samples    int64 `json:"samples"`
	Duplicates int64 `json:"duplicates"`
	Conflicts  int64 `json:"conflicts"`
	Superseded int64 `json:"superseded"`
	// First and Last are the first and last instant that count, in epoch
	// seconds; nil without samples.
	First *float64 `json:"first"`
	Last  *float64 `json:"last"`
	// HalfCycles holds closed cycles (two halves each) and the residue (one
	// half a range) by depth bin of 0.5 %.
	HalfCycles HalfCycles `json:"half_cycles"`
	// Spent is the share of the warranted cycle life that is used; where the
	// terms warrant no cycles by depth, the governing measure's. Nil without
	// terms.
	Spent *float64 `json:"spent"`
	// Governing is the measure with the largest spent; Measures are all.
	Governing Measure        `json:"governing,omitempty"`
	Measures  []SpentBy      `json:"measures,omitempty"`
	Charge    MilliwattHours `json:"charge_mwh"`
	Discharge MilliwattHours `json:"discharge_mwh"`
	// ByBasis splits both energies by what they were taken from.
	ByBasis BasisEnergy `json:"energy_by_basis"`
	EFC     float64     `json:"efc"`
	// Covered, Elapsed and Checked are in seconds: time between samples no
	// further apart than the model's gap; time from the first to the last
	// sample; covered time in which limits could be checked.
	Covered    float64     `json:"covered_s"`
	Elapsed    float64     `json:"elapsed_s"`
	Checked    float64     `json:"checked_s"`
	Events     []Event     `json:"events"`
	Excursions []Excursion `json:"excursions"`
}

// BasisEnergy holds charge and discharge by basis.
type BasisEnergy [Bases][2]MilliwattHours

// MarshalJSON writes {"counter":[charge,discharge],…}.
func (b BasisEnergy) MarshalJSON() ([]byte, error) {
	return []byte(fmt.Sprintf(`{"counter":[%d,%d],"power":[%d,%d],"soc":[%d,%d]}`,
		b[0][0], b[0][1], b[1][0], b[1][1], b[2][0], b[2][1])), nil
}

// MarshalJSON writes the bins that are not empty as {"bin":count,…} in
// ascending order.
func (h HalfCycles) MarshalJSON() ([]byte, error) {
	out := []byte{'{'}
	for k, n := range h {
		if n == 0 {
			continue
		}
		if len(out) > 1 {
			out = append(out, ',')
		}
		out = append(out, '"')
		out = strconv.AppendInt(out, int64(k), 10)
		out = append(out, '"', ':')
		out = strconv.AppendInt(out, n, 10)
	}
	return append(out, '}'), nil
}

// MarshalJSON writes [kind, epoch seconds, field].
func (e Event) MarshalJSON() ([]byte, error) {
	return json.Marshal([]any{e.Kind, jsonSeconds(int64(e.At)), e.Field})
}

// MarshalJSON writes the episode with its energies in mWh, its times in epoch
// seconds and its temperatures in °C.
func (e Excursion) MarshalJSON() ([]byte, error) {
	type answer struct {
		Kind      ExcursionKind  `json:"kind"`
		Start     json.Number    `json:"start"`
		End       json.Number    `json:"end"`
		N         int64          `json:"n"`
		MinTemp   *float64       `json:"min_temp_c"`
		MaxTemp   *float64       `json:"max_temp_c"`
		Charge    MilliwattHours `json:"charge_mwh"`
		Discharge MilliwattHours `json:"discharge_mwh"`
		Peak      *float64       `json:"peak_c_rate,omitempty"`
		Allowed   *float64       `json:"allowed_c_rate,omitempty"`
		Ending    Ending         `json:"ending"`
	}
	a := answer{
		Kind: e.Kind, Start: jsonSeconds(int64(e.Start)), End: jsonSeconds(int64(e.End)), N: e.Samples,
		Charge: e.Charge.Round(), Discharge: e.Discharge.Round(), Ending: e.Ending,
	}
	if e.HasTemp {
		low, high := e.MinTemp.Celsius(), e.MaxTemp.Celsius()
		a.MinTemp, a.MaxTemp = &low, &high
	}
	if e.Kind < DeepDischarge {
		peak, allowed := e.Peak.C(), e.AllowedAtPeak.C()
		a.Peak, a.Allowed = &peak, &allowed
	}
	return json.Marshal(a)
}

// jsonSeconds writes milliseconds as seconds, without a fraction when whole.
func jsonSeconds(ms int64) json.Number {
	if ms%1000 == 0 {
		return json.Number(strconv.FormatInt(ms/1000, 10))
	}
	return json.Number(strconv.FormatFloat(float64(ms)/1000, 'f', -1, 64))
}

// UnitReport is everything the unit page shows.
type UnitReport struct {
	Unit Unit
	// Site and Terms are nil when not registered.
	Site     *Site
	Model    *Model
	Terms    *Terms
	Ledger   Ledger
	Standing Standing
	// Tallies sums the excursions by kind.
	Tallies [ExcursionKinds]Tally
	// Recounts are the newest first.
	Recounts []Recount
	// Quarantined counts the unit's rows that wait in quarantine.
	Quarantined int64
}

// Recount says that a unit was counted anew, and why.
type Recount struct {
	At Instant
	// From is the first instant that was counted again.
	From   Instant
	Reason string
	// Days is how many days were counted again.
	Days int
}
