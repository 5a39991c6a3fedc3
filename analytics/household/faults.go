package household

import (
	"errors"
	"fmt"
	"slices"

	"fadeledger/analytics"
)

// Span is a stretch of time from From, inclusive, for Length; a Length of zero
// means for good.
type Span struct {
	From   analytics.Instant
	Length analytics.Millis
}

// Holds reports whether the span holds an instant.
func (s Span) Holds(at analytics.Instant) bool {
	return at >= s.From && (s.Length == 0 || at < s.From+analytics.Instant(s.Length))
}

// Stuck is a sensor that repeats its last value.
type Stuck struct {
	// Fields are the fields of the sensor.
	Fields analytics.Fields
	Span
}

// Faults are what is wrong with one unit. The zero value is a sound unit.
type Faults struct {
	// ColdCharging: the management system charges at the full rate below the
	// flat part of the charge table.
	ColdCharging bool
	// Outages are the times from which no sample is ever heard of. They do
	// not overlap, are in order of time and end.
	Outages []Span
	// Silent is the instant from which the unit is never heard again.
	Silent *analytics.Instant
	// Resets are the instants at which both lifetime counters begin at zero
	// again, in order of time.
	Resets []analytics.Instant
	// SignFlip is the instant from which power and current carry the wrong
	// sign.
	SignFlip *analytics.Instant
	Stuck    *Stuck
}

func (f *Faults) validate() error {
	for i, o := range f.Outages {
		if o.Length <= 0 {
			return fmt.Errorf("outage %d has no end: what is never heard again is silent", i+1)
		}
		if i > 0 && o.From < f.Outages[i-1].From+analytics.Instant(f.Outages[i-1].Length) {
			return fmt.Errorf("outage %d begins before the one before it ends", i+1)
		}
	}
	if !slices.IsSorted(f.Resets) {
		return errors.New("counter resets are not in order of time")
	}
	if s := f.Stuck; s != nil && (s.Fields == 0 || s.Fields&^AllFields != 0) {
		return errors.New("a stuck sensor must name the fields of measurements")
	}
	return nil
}

// RandomOutages draws about perYear outages a year between two instants, each
// from shortest to longest long (short ones more often), without overlap and
// in order of time.
func RandomOutages(seed uint64, from, to analytics.Instant, perYear float64, shortest, longest analytics.Millis) []Span {
	draws := newStream(seed, 'o')
	if perYear <= 0 || to <= from || shortest <= 0 || longest < shortest {
		return nil
	}
	mean := yearDays * float64(analytics.DayLength) / perYear
	var spans []Span
	for at := from; ; {
		at += analytics.Instant(2 * mean * draws.unit())
		x := draws.unit()
		length := shortest + analytics.Millis(float64(longest-shortest)*x*x)
		if at >= to {
			return spans
		}
		spans = append(spans, Span{From: at, Length: length})
		at += analytics.Instant(length)
	}
}

// FaultKind names an injected fault or an extreme habit.
type FaultKind string

// The kinds of faults.
const (
	HeavyCycling FaultKind = "heavy-cycling"
	ColdCharging FaultKind = "cold-charging"
	Outage       FaultKind = "outage"
	Silence      FaultKind = "silence"
	CounterReset FaultKind = "counter-reset"
	SignFlip     FaultKind = "sign-flip"
	StuckSensor  FaultKind = "stuck-sensor"
)

// Fault is the truth about one fault that has shown itself.
type Fault struct {
	Kind FaultKind `json:"kind"`
	// Since is the instant of the first sample that shows it.
	Since analytics.Instant `json:"since_ms"`
	// Samples counts the samples that show it: withheld ones for outages and
	// silence, samples charged too fast in the cold for cold charging.
	Samples int64 `json:"samples"`
	// Times counts how often it happened: outages, resets, trades begun.
	Times int64 `json:"times"`
}

// Truth is what really happened in a home up to its newest sample. It
// marshals to JSON.
type Truth struct {
	Serial analytics.Serial `json:"unit"`
	// Samples counts all samples yielded, Withheld those of them that an
	// outage or silence keeps from everybody.
	Samples  int64             `json:"samples"`
	Withheld int64             `json:"withheld"`
	First    analytics.Instant `json:"first_ms"`
	Last     analytics.Instant `json:"last_ms"`
	// Health is the capacity now over the rated one; a new pack may be a
	// little above 1. Capacity is the energy that goes with it.
	Health   float64                  `json:"health"`
	Capacity analytics.MilliwattHours `json:"capacity_mwh"`
	// CalendarLoss and CycleLoss are the shares of the first capacity lost.
	// Cells age once a day, at midnight UTC.
	CalendarLoss float64 `json:"calendar_loss"`
	CycleLoss    float64 `json:"cycle_loss"`
	// Charge and Discharge are the energies at the terminals since Start,
	// whatever the counters say.
	Charge    analytics.MilliwattHours `json:"charge_mwh"`
	Discharge analytics.MilliwattHours `json:"discharge_mwh"`
	// ColdCharge is the energy charged in steps that end at a sample charged
	// too fast in the cold.
	ColdCharge analytics.MilliwattHours `json:"cold_charge_mwh"`
	// Faults are in the order of the kinds; a fault that has not shown itself
	// is absent.
	Faults []Fault `json:"faults"`
}

// Fault gives the truth about one kind; its Samples and Times are zero where
// the fault is absent.
func (t Truth) Fault(kind FaultKind) Fault {
	for _, f := range t.Faults {
		if f.Kind == kind {
			return f
		}
	}
	return Fault{Kind: kind}
}

// faultKinds fixes the order of Truth.Faults.
var faultKinds = [...]FaultKind{HeavyCycling, ColdCharging, Outage, Silence, CounterReset, SignFlip, StuckSensor}

// Places of the kinds in a tally.
const (
	heavyAt = iota
	coldAt
	outageAt
	silenceAt
	resetAt
	flipAt
	stuckAt
)

// faultTally counts faults while samples are drawn.
type faultTally [len(faultKinds)]Fault

// show counts a sample at an instant that shows a fault.
func (t *faultTally) show(kind int, at analytics.Instant) {
	if t[kind].Samples == 0 && t[kind].Times == 0 {
		t[kind].Since = at
	}
	t[kind].Samples++
}

// happen counts an occurrence at an instant.
func (t *faultTally) happen(kind int, at analytics.Instant) {
	if t[kind].Samples == 0 && t[kind].Times == 0 {
		t[kind].Since = at
	}
	t[kind].Times++
}

func (t *faultTally) list() []Fault {
	faults := []Fault{}
	for i, f := range t {
		if f.Samples > 0 || f.Times > 0 {
			f.Kind = faultKinds[i]
			faults = append(faults, f)
		}
	}
	return faults
}
