package claim

import (
	"cmp"
	"slices"

	"fadeledger/analytics"
)

// Versions of what is written and of the rules that it is judged by. Evidence
// keeps both, so that it is judged years later as it would have been then.
const (
	// EvidenceVersion is the form of Evidence.
	EvidenceVersion = 1
	// RulesVersion is the edition of the rules of this package.
	RulesVersion = 1
	// CountingVersion is the edition of the rules that the ledger was counted
	// by.
	CountingVersion = 1
)

// Ground says what is wrong with the unit.
type Ground string

// The grounds of a claim.
const (
	// GroundDefect: the unit does not work, or not as it should.
	GroundDefect Ground = "defect"
	// GroundCapacity: the unit works but holds less than was promised.
	GroundCapacity Ground = "capacity"
)

// Evidence is everything that a claim is judged by, frozen when it was opened.
// It holds integers and decimal texts only. Lists may be in any order; Sorted
// puts them in one.
type Evidence struct {
	// Version is EvidenceVersion, Rules is RulesVersion, Counting is
	// CountingVersion at the time of freezing.
	Version  int `json:"version"`
	Rules    int `json:"rules"`
	Counting int `json:"counting"`
	// Ground is GroundDefect where it is empty.
	Ground Ground          `json:"ground"`
	Unit   Unit            `json:"unit"`
	Model  analytics.Model `json:"model"`
	// Terms is the whole edition; nil for a unit without terms.
	Terms *Terms `json:"terms"`
	AsOf  AsOf   `json:"as_of"`
	// Ledger holds what was counted up to AsOf.
	Ledger Ledger `json:"ledger"`
	// LongestGap is the longest time between two consecutive samples; Gaps
	// are those above a day.
	LongestGap analytics.Millis `json:"longest_gap_ms"`
	Gaps       []Gap            `json:"gaps"`
	Tests      []TestResult     `json:"tests"`
	// Days name the content of every day that the ledger was counted from.
	Days []DayHash `json:"days"`
}

// AsOf is the moment that a claim is judged for.
type AsOf struct {
	Instant analytics.Instant `json:"instant_ms"`
	// Day is the day at the site at that moment: the day that the rules of
	// the warranty count by. The caller, who knows zones, works it out.
	Day Date `json:"day"`
}

// Unit is the battery as registered.
type Unit struct {
	Serial   analytics.Serial `json:"serial"`
	Stack    string           `json:"stack"`
	Position int              `json:"position"`
	Site     string           `json:"site"`
	// Zone is the IANA time zone of the site.
	Zone string `json:"zone"`
	// Shipped, Commissioned and Registered are nil when not known.
	Shipped      *Date `json:"shipped"`
	Commissioned *Date `json:"commissioned"`
	Registered   *Date `json:"registered"`
}

// Ledger is what was counted for the unit, in exact numbers.
type Ledger struct {
	Samples    int64 `json:"samples"`
	Duplicates int64 `json:"duplicates"`
	// Conflicts counts the instants in dispute; Disputes lists them, or the
	// first of them.
	Conflicts  int64               `json:"conflicts"`
	Disputes   []analytics.Instant `json:"disputes_ms"`
	Superseded int64               `json:"superseded"`
	// First and Last are nil without samples.
	First *analytics.Instant `json:"first_ms"`
	Last  *analytics.Instant `json:"last_ms"`
	// HalfCycles counts by depth bin of 0.5 %.
	HalfCycles map[int]int64 `json:"half_cycles"`
	Energy     Energy        `json:"energy"`
	// EFC and Spent are as the ledger stated them, empty where it did not.
	// Judging works them out anew and says where they do not agree.
	EFC   Decimal `json:"efc"`
	Spent []Spent `json:"spent"`
	// Covered, Checked and Elapsed are as in analytics.Ledger. Bridged is the
	// part of the time not covered between two samples whose lifetime
	// counters tell the energy all the same; zero where that is not known.
	Covered     analytics.Millis `json:"covered_ms"`
	Checked     analytics.Millis `json:"checked_ms"`
	Elapsed     analytics.Millis `json:"elapsed_ms"`
	Bridged     analytics.Millis `json:"bridged_ms"`
	Excursions  []Episode        `json:"excursions"`
	Events      []Event          `json:"events"`
	Quarantined []ReasonCount    `json:"quarantined"`
	Corrections []Correction     `json:"corrections"`
}

// Flow is an energy into and out of the battery.
type Flow struct {
	Charge    analytics.MicrowattHours `json:"charge_uwh"`
	Discharge analytics.MicrowattHours `json:"discharge_uwh"`
}

// Energy is the energy by what it was taken from.
type Energy struct {
	Counter Flow `json:"counter"`
	Power   Flow `json:"power"`
	SoC     Flow `json:"soc"`
}

// Total gives the energy over all bases.
func (e Energy) Total() Flow {
	return Flow{
		Charge:    e.Counter.Charge + e.Power.Charge + e.SoC.Charge,
		Discharge: e.Counter.Discharge + e.Power.Discharge + e.SoC.Discharge,
	}
}

// Spent is the share of a measure that the ledger says is used up.
type Spent struct {
	Measure analytics.Measure `json:"measure"`
	Spent   Decimal           `json:"spent"`
}

// Episode is an excursion of the unit.
type Episode struct {
	Kind    string            `json:"kind"`
	Start   analytics.Instant `json:"start_ms"`
	End     analytics.Instant `json:"end_ms"`
	Samples int64             `json:"samples"`
	// MinTemp and MaxTemp are nil when not known.
	MinTemp   *analytics.CentiCelsius  `json:"min_temp_centi_c"`
	MaxTemp   *analytics.CentiCelsius  `json:"max_temp_centi_c"`
	Peak      analytics.MicroC         `json:"peak_micro_c"`
	Allowed   analytics.MicroC         `json:"allowed_micro_c"`
	Charge    analytics.MicrowattHours `json:"charge_uwh"`
	Discharge analytics.MicrowattHours `json:"discharge_uwh"`
	Ending    string                   `json:"ending"`
}

// Event is something that happened to a lifetime counter.
type Event struct {
	Kind  analytics.EventKind `json:"kind"`
	At    analytics.Instant   `json:"at_ms"`
	Field string              `json:"field"`
}

// ReasonCount counts rows of the unit that wait in quarantine.
type ReasonCount struct {
	Reason string `json:"reason"`
	Rows   int64  `json:"rows"`
}

// Correction is a span of time for which a person has replaced what was
// reported.
type Correction struct {
	From    analytics.Instant `json:"from_ms"`
	To      analytics.Instant `json:"to_ms"`
	At      analytics.Instant `json:"at_ms"`
	By      string            `json:"by"`
	Why     string            `json:"why"`
	Samples int64             `json:"samples"`
}

// Gap is a time between two consecutive samples.
type Gap struct {
	From analytics.Instant `json:"from_ms"`
	To   analytics.Instant `json:"to_ms"`
}

// Length gives the time between the two samples.
func (g Gap) Length() analytics.Millis { return analytics.Millis(g.To - g.From) }

// DayHash names the content of one UTC day of the unit's samples.
type DayHash struct {
	Day Date `json:"day"`
	// SHA256 is hexadecimal.
	SHA256 string `json:"sha256"`
}

// Sorted gives the evidence with its lists in one order and none of them
// missing, its ground spelled out: two that hold the same then have the same
// canonical bytes. What is given is left as it is.
func (e Evidence) Sorted() Evidence {
	e.Ground = cmp.Or(e.Ground, GroundDefect)
	e.Model.ChargeLimit = append(analytics.LimitTable{}, e.Model.ChargeLimit...)
	e.Model.DischargeLimit = append(analytics.LimitTable{}, e.Model.DischargeLimit...)
	if e.Terms != nil {
		t := e.Terms.sorted()
		e.Terms = &t
	}
	e.Gaps = ordered(e.Gaps, func(a, b Gap) int { return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To)) })
	e.Days = ordered(e.Days, func(a, b DayHash) int { return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.SHA256, b.SHA256)) })
	e.Tests = ordered(e.Tests, func(a, b TestResult) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.RecordSHA256, b.RecordSHA256))
	})
	e.Ledger = e.Ledger.sorted()
	return e
}

func (l Ledger) sorted() Ledger {
	if l.HalfCycles == nil {
		l.HalfCycles = map[int]int64{}
	}
	l.Disputes = ordered(l.Disputes, cmp.Compare)
	l.Spent = ordered(l.Spent, func(a, b Spent) int { return cmp.Compare(a.Measure, b.Measure) })
	l.Excursions = ordered(l.Excursions, func(a, b Episode) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.End, b.End), cmp.Compare(a.Charge, b.Charge))
	})
	l.Events = ordered(l.Events, func(a, b Event) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Field, b.Field), cmp.Compare(a.Kind, b.Kind))
	})
	l.Quarantined = ordered(l.Quarantined, func(a, b ReasonCount) int {
		return cmp.Or(cmp.Compare(a.Reason, b.Reason), cmp.Compare(a.Rows, b.Rows))
	})
	l.Corrections = ordered(l.Corrections, func(a, b Correction) int {
		return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.At, b.At), cmp.Compare(a.To, b.To), cmp.Compare(a.Why, b.Why))
	})
	return l
}

// ordered gives a sorted copy, never nil.
func ordered[E any](list []E, compare func(a, b E) int) []E {
	out := append(make([]E, 0, len(list)), list...)
	slices.SortStableFunc(out, compare)
	return out
}
