package analytics

import "fmt"

// Basis says what an energy was taken from, best first.
type Basis uint8

// The bases of an energy.
const (
	ByCounter Basis = iota
	ByPower
	BySoC
	Bases int = iota
)

var basisNames = [Bases]string{"counter", "power", "soc"}

func (b Basis) String() string { return basisNames[b] }

// Flow is an energy into and out of a battery.
type Flow struct {
	Charge, Discharge MicrowattHours
}

// Add adds o.
func (f *Flow) Add(o Flow) { f.Charge += o.Charge; f.Discharge += o.Discharge }

// DayCount is what one UTC day of one unit added to its ledger. A pair of
// samples and a closed cycle belong to the day of their later sample; covered
// time is split at midnight.
type DayCount struct {
	Day     Day
	Samples int64
	// Covered is the time between samples no further apart than the model's
	// gap; Checked the part of it for which rate and temperature were known,
	// so that limits could be checked.
	Covered, Checked Millis
	Energy           [Bases]Flow
	// Closed are the half cycles of cycles that closed on this day.
	Closed map[int]int64
	// HasSoC and HasTemp say whether the extremes exist.
	HasSoC, HasTemp  bool
	MinSoC, MaxSoC   SoC
	MinTemp, MaxTemp CentiCelsius
	// First and Last are the times of the day's first and last sample.
	First, Last Instant
}

// Total gives the day's energy over all bases.
func (d *DayCount) Total() Flow {
	var f Flow
	for _, e := range d.Energy {
		f.Add(e)
	}
	return f
}

// Tally sums the episodes of one kind.
type Tally struct {
	Episodes, Samples int64
	Charge, Discharge MicrowattHours
	Time              Millis
	HasTemp           bool
	MinTemp, MaxTemp  CentiCelsius
	Peak              MicroC
	First, Last       Instant
}

// FlagKind names a reason to look at a unit.
type FlagKind string

// The flags, in order of weight.
const (
	// FlagAhead: the unit spends its warranted life faster than its term.
	FlagAhead FlagKind = "ahead"
	// FlagCold: the unit was charged below its cold limit.
	FlagCold FlagKind = "cold"
	// FlagSilent: no telemetry for longer than SilentAfter.
	FlagSilent FlagKind = "silent"
	// FlagThin: too little of the time is covered to tell.
	FlagThin FlagKind = "thin"
)

// FlagKinds lists the flags in order of weight.
var FlagKinds = [...]FlagKind{FlagAhead, FlagCold, FlagSilent, FlagThin}

// Flag is a reason to look at a unit, with a sentence that holds its numbers.
type Flag struct {
	Kind FlagKind
	// Title is a few words, Sentence the explanation.
	Title, Sentence string
}

// Measure is one way in which the terms limit use.
type Measure string

// The measures that terms may use.
const (
	MeasureCycleLife Measure = "cycle-life"
	MeasureEFC       Measure = "efc"
	MeasureEnergy    Measure = "energy"
)

// SpentBy is the share of one measure that is used up.
type SpentBy struct {
	Measure Measure `json:"measure"`
	// Spent is used/limit; Used and Limit are in the measure's own unit
	// (spent life 0..1 of 1, equivalent full cycles, or kWh discharged).
	Spent float64 `json:"spent"`
	Used  float64 `json:"used"`
	Limit float64 `json:"limit"`
	// Pace is Spent over the share of the term that has passed; nil while it
	// is unknown.
	Pace *float64 `json:"pace,omitempty"`
	// EndsOn is the day on which the measure is used up at this rate; nil
	// while the pace is unknown or zero.
	EndsOn *Day `json:"ends_on_day,omitempty"`
}

// Standing is where a unit stands against its terms at an instant: everything
// that depends on the clock.
type Standing struct {
	AsOf Instant
	// Governing is the measure with the largest spent; Measures holds all.
	// Both are empty when the unit has no terms.
	Governing *SpentBy
	Measures  []SpentBy
	// WarrantyStart and WarrantyEnd are nil when not known; WarrantyEnd is
	// the first day after the warranty.
	WarrantyStart, WarrantyEnd *Day
	// TermPassed is the share of the term that has passed, 0 when not known.
	TermPassed float64
	// Coverage is covered time over the time from the warranty start (or the
	// first sample where no start is known) to AsOf; CoveredDays the covered
	// time in days.
	Coverage    float64
	CoveredDays float64
	// PaceObserved relates what was spent to the covered time alone: what
	// the pace would be had the unit worked as in the covered time
	// throughout. Nil below 30 covered days.
	PaceObserved *float64
	// PaceUnknown says why Pace is nil, empty when it is known.
	PaceUnknown string
	Flags       []Flag
	// Verdict is the standing in one sentence.
	Verdict string
}

// Has reports whether the standing carries a flag.
func (s *Standing) Has(kind FlagKind) bool {
	for _, f := range s.Flags {
		if f.Kind == kind {
			return true
		}
	}
	return false
}

// UnitRow is a unit in a list: what pages sort and filter by.
type UnitRow struct {
	Unit
	Samples      int64
	First, Last  *Instant
	Energy       Flow
	EFC          float64
	Spent, Pace  *float64
	Governing    Measure
	EndsOn       *Day
	Coverage     float64
	ColdEpisodes int64
	ColdCharge   MicrowattHours
	// ColdestCharge is the lowest cell temperature in a cold-charge episode.
	ColdestCharge *CentiCelsius
	Flags         []FlagKind
	StandingAsOf  *Instant
}

// SortKey names an order of the fleet list.
type SortKey string

// The orders of the fleet list. Units without the value come last.
const (
	SortPace     SortKey = "pace"
	SortSpent    SortKey = "spent"
	SortEFC      SortKey = "efc"
	SortCold     SortKey = "cold"
	SortCoverage SortKey = "coverage"
	SortLast     SortKey = "last"
	SortSerial   SortKey = "serial"
)

// UnitFilter selects and orders units. The zero value lists all by pace,
// fastest first.
type UnitFilter struct {
	// Serial matches the beginning of a serial, Site a whole site, Model a
	// whole model.
	Serial, Site, Model string
	Flag                FlagKind
	Sort                SortKey
	// Ascending turns the natural order (worst first; serials A to Z) around.
	Ascending bool
	// After is the cursor of the page before, empty for the first.
	After string
	// Limit is the page size; 0 means 50, at most 500.
	Limit int
}

// UnitPage is one page of a list of units.
type UnitPage struct {
	Units []UnitRow
	// Next is the cursor of the next page, empty on the last.
	Next string
}

// PaceBin counts units with a pace in [From, To); the last bin has no end.
type PaceBin struct {
	From, To float64
	Units    int64
}

// FleetSummary is the fleet in a few numbers.
type FleetSummary struct {
	AsOf Instant
	// Units are registered, Reporting have at least one sample.
	Units, Reporting, Stacks, Sites int64
	Samples                         int64
	Energy                          Flow
	// EFC is summed over units; MeanCoverage is over reporting units.
	EFC, MeanCoverage float64
	Flagged           map[FlagKind]int64
	Pace              []PaceBin
	PaceUnknown       int64
}

// Delivery is one message that the broker stored and a worker took.
type Delivery struct {
	Stream    string
	Sequence  uint64
	Collector string
	Batch     string
	StoredAt  Instant
	CountedAt Instant
	Tally     DeliveryTally
}

// DeliveryTally says what became of the rows of a delivery:
// Read = Accepted + Duplicates + Disputed + Superseded + Quarantined.
type DeliveryTally struct {
	Read        int64 `json:"read"`
	Accepted    int64 `json:"accepted"`
	Duplicates  int64 `json:"duplicates"`
	Disputed    int64 `json:"disputed"`
	Superseded  int64 `json:"superseded"`
	Quarantined int64 `json:"quarantined"`
}

// Add adds o.
func (t *DeliveryTally) Add(o DeliveryTally) {
	t.Read += o.Read
	t.Accepted += o.Accepted
	t.Duplicates += o.Duplicates
	t.Disputed += o.Disputed
	t.Superseded += o.Superseded
	t.Quarantined += o.Quarantined
}

// Tell counts a row by what became of it.
func (t *DeliveryTally) Tell(v Verdict) {
	switch v {
	case Counts:
		t.Accepted++
	case Disputed:
		t.Disputed++
	case Superseded:
		t.Superseded++
	}
}

// Balanced reports whether every row read is accounted for.
func (t DeliveryTally) Balanced() bool {
	return t.Read == t.Accepted+t.Duplicates+t.Disputed+t.Superseded+t.Quarantined
}

// Quarantined is a row (or a whole delivery, then Line is 0) that could not be
// counted, with its bytes and the reason.
type Quarantined struct {
	ID        int64
	Collector string
	Sequence  uint64
	Batch     string
	// Line is counted from 1 in the delivery; Column names the field.
	Line  int
	Field string
	// Rows is how many rows the entry stands for, 1 unless many rows of one
	// unit are held for the same reason.
	Rows int64
	// Reason is a code; Message says what is wrong and Remedy what to do.
	Reason, Message, Remedy string
	Serial                  Serial
	// Raw holds the bytes of the row, or the first part of them.
	Raw        []byte
	StoredAt   Instant
	ReleasedAt *Instant
}

// ReasonCount counts open quarantined rows by reason.
type ReasonCount struct {
	Reason string
	Rows   int64
}

// CollectorRow sums the deliveries of a collector.
type CollectorRow struct {
	Collector    string
	Deliveries   int64
	Tally        DeliveryTally
	LastStoredAt Instant
}

// RateBin counts the samples that were taken in one minute.
type RateBin struct {
	At         Instant
	Deliveries int64
	Tally      DeliveryTally
}

// CollectorNote is something about a collector's deliveries that was accepted
// and is still worth telling.
type CollectorNote struct {
	Collector, Code, Detail string
	// Text says it in words.
	Text string
	// Deliveries counts the deliveries that it was noted of.
	Deliveries      int64
	FirstAt, LastAt Instant
}

// IngestSummary is the state of the way in.
type IngestSummary struct {
	AsOf       Instant
	Deliveries int64
	Tally      DeliveryTally
	// Quarantine counts open rows by reason, most first.
	Quarantine []ReasonCount
	Collectors []CollectorRow
	// Rate covers the last hour, oldest first.
	Rate []RateBin
	// Notes tell what was accepted and is still worth a look, newest first.
	Notes []CollectorNote
	// Recounts is the number of times days of a unit were counted again.
	Recounts int64
	// Holes are the receipts of series in which numbers are missing.
	Holes []Receipt
	// Alarms are the open ones first, then those that were cleared last.
	Alarms  []Alarm
	Balance Balance
}

// StreamState is the broker's side of the way in.
type StreamState struct {
	Name string
	// Messages and Bytes are stored in the stream; Pending are not yet taken
	// by a worker, Unacked taken but not yet acknowledged.
	Messages, Bytes, Pending, Unacked uint64
	// MaxBytes is what it may hold before it refuses deliveries.
	MaxBytes     uint64
	LastSequence uint64
	LastStoredAt *Instant
}

// AlarmKind names something that somebody has to look at.
type AlarmKind string

// The kinds of alarms.
const (
	// AlarmRolledBack: the broker's stream lost its end.
	AlarmRolledBack AlarmKind = "stream-rolled-back"
	// AlarmRestored: the database is older than what the broker has had
	// acknowledged.
	AlarmRestored AlarmKind = "database-restored"
	// AlarmUnbalanced: the books do not add up.
	AlarmUnbalanced AlarmKind = "unbalanced"
	// AlarmDiffers: a unit's stored ledger is not that of its samples.
	AlarmDiffers AlarmKind = "ledger-differs"
	// AlarmFilling: the broker's stream is nearly full.
	AlarmFilling AlarmKind = "stream-filling"
)

// Alarm is something that somebody has to look at.
type Alarm struct {
	ID      int64
	Kind    AlarmKind
	Subject string
	Message string
	// RaisedAt is when it was first seen, LastAt when last, Times how often.
	RaisedAt, LastAt Instant
	Times            int64
	// ClearedAt is nil while it is open.
	ClearedAt *Instant
	ClearedBy string
}

// Balance is the books added up at one moment.
type Balance struct {
	AsOf       Instant
	Collectors int64
	// Rows is what all collectors' deliveries held. Taken are the distinct
	// versions of samples among them, Known the versions that the units know,
	// Counting the samples that count (those of corrections too), Others the
	// versions that do not.
	Rows, Taken, Known, Counting, Others int64
	// Differences say in words what does not add up.
	Differences []string
}

// Differ notes a difference.
func (b *Balance) Differ(format string, args ...any) {
	b.Differences = append(b.Differences, fmt.Sprintf(format, args...))
}

// Difference says how the stored ledger of a unit differs from a count of its
// samples.
type Difference struct {
	Serial Serial
	What   string
}

// Dispute is an instant of a unit at which versions differ and none counts.
type Dispute struct {
	Serial   Serial
	At       Instant
	Versions []Version
}

// Stay is where a unit was from an instant on.
type Stay struct {
	Since       Instant
	Stack, Site string
	Position    int
}
