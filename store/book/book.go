// Package book decides what deliveries change in the ledger: it is the logic of
// the transactions of package store, without a statement of SQL, so that the
// same code runs on Postgres and on a database that exists only to fail.
//
// Everything happens within one transaction (Tx) and under the locks of the
// units it touches. The result depends on the set of deliveries and corrections
// and on nothing else: neither on their order, nor on how they were gathered,
// nor on how often one of them was taken.
package book

import (
	"context"
	"errors"

	"fadeledger/analytics"
)

// ErrUnbalanced: the rows of a delivery do not add up, or a unit holds more or
// fewer versions than it was given. It is a mistake in the program, and keeps
// the transaction from being committed.
var ErrUnbalanced = errors.New("the books do not balance")

// Tx is one transaction. Reads see what the transaction began with and what was
// committed before a lock was given; Write is called once, at the end.
type Tx interface {
	// Lock locks the ledgers of those units that are registered, in ascending
	// order of ID, and gives them in that order. They stay locked until the
	// transaction ends.
	Lock(ctx context.Context, serials []analytics.Serial) ([]Unit, error)
	// Rules gives what those collectors may deliver that are held to something;
	// any other may deliver every unit.
	Rules(ctx context.Context, collectors []string) (map[string]Rule, error)
	// Recorded gives the tallies of those deliveries that are recorded.
	Recorded(ctx context.Context, places []Place) (map[Place]analytics.DeliveryTally, error)
	// Samples yields the counting samples of a unit in [from, to) in ascending
	// order of time.
	Samples(ctx context.Context, unit int32, from, to analytics.Instant, yield func(analytics.Sample) error) error
	// Others gives the versions in [from, to) that do not count, in ascending
	// order of time.
	Others(ctx context.Context, unit int32, from, to analytics.Instant) ([]analytics.Version, error)
	// Days gives the complete days of a unit in ascending order.
	Days(ctx context.Context, unit int32) ([]analytics.Segment, error)
	// DayBefore gives the last complete day before a day, nil for none.
	DayBefore(ctx context.Context, unit int32, day analytics.Day) (*analytics.Segment, error)
	// Corrections gives the corrections of a unit whose span reaches into
	// [from, to), in the order in which they were made.
	Corrections(ctx context.Context, unit int32, from, to analytics.Instant) ([]analytics.Correction, error)
	// Release marks entries of the quarantine as released and gives for each
	// collector how many rows they stood for. analytics.ErrConflict: one of
	// them is released already.
	Release(ctx context.Context, ids []int64, at analytics.Instant) (map[string]int64, error)
	// Write makes the changes.
	Write(ctx context.Context, changes *Changes) error
}

// Unit is the ledger of a unit as it is stored.
type Unit struct {
	ID     int32
	Serial analytics.Serial
	Model  *analytics.Model
	// State is that of an analytics.Counter, empty before any sample.
	State []byte
	// Newest is the newest instant of any version or correction, nil for none.
	Newest *analytics.Instant
	// Bound are the collectors that the unit is bound to.
	Bound []string
	analytics.Versions
}

// Place tells deliveries apart: the same bytes at the same place of a stream
// are the same delivery. A stream that lost its end gives the same places to
// other bytes.
type Place struct {
	Stream   string
	Sequence uint64
	Hash     [16]byte
}

// PlaceOf gives the place of a delivery.
func PlaceOf(d *analytics.Incoming) Place { return Place{d.Stream, d.Sequence, d.Hash} }

// UnitDay is a UTC day of a unit.
type UnitDay struct {
	Unit int32
	Day  analytics.Day
}

// UnitInstant is an instant of a unit.
type UnitInstant struct {
	Unit int32
	At   analytics.Instant
}

// Ledger is the row of a unit as it is to be.
type Ledger struct {
	Unit    int32
	State   []byte
	Newest  *analytics.Instant
	Samples int64
	// Delivered is how many versions more it knows by deliveries.
	Delivered int64
	analytics.Versions
}

// Piece are counting samples of a unit in ascending order of time, all of one
// UTC day.
type Piece struct {
	Unit    int32
	Samples []analytics.Sample
	// Rewritten: they are all the day's samples, in the place of those that
	// were kept.
	Rewritten bool
}

// Day is a complete day of a unit.
type Day struct {
	Unit    int32
	Segment analytics.Segment
}

// Excursion is a complete episode with the day of the sample that ended it.
type Excursion struct {
	Unit    int32
	EndedOn analytics.Day
	analytics.Excursion
}

// Event is an event of a unit.
type Event struct {
	Unit int32
	analytics.Event
}

// Other is a version that does not count.
type Other struct {
	Unit int32
	analytics.Version
}

// Recount says that days of a unit were counted again.
type Recount struct {
	Unit   int32
	From   analytics.Instant
	Days   int
	Reason string
}

// Held is an entry for the quarantine.
type Held struct {
	Delivery *analytics.Incoming
	*analytics.Quarantined
	// Rows is how many rows it stands for. Samples are what could be read of
	// them, in ascending order of time; nil where nothing could.
	Rows    int
	Samples []analytics.Sample
}

// Collector is what deliveries add to the totals of their collector.
type Collector struct {
	Name       string
	Deliveries int64
	Tally      analytics.DeliveryTally
	LastStored analytics.Instant
}

// Numbered is a delivery that its collector has numbered.
type Numbered struct {
	Collector, Series string
	Number            int64
}

// Recorded is a delivery with what became of it.
type Recorded struct {
	Delivery *analytics.Incoming
	Tally    analytics.DeliveryTally
}

// Changes is everything that a transaction writes. First what is dropped goes,
// then the rest comes.
type Changes struct {
	Now analytics.Instant

	// Anew are units of which all days, excursions and events are dropped;
	// Again are unit-days of which the day, the excursions that ended on it
	// and its events are.
	Anew  []int32
	Again []UnitDay
	// Reopened are unit-days of which only the day is dropped: it is open again.
	Reopened []UnitDay
	// Rewritten are unit-days whose samples are dropped.
	Rewritten []UnitDay
	// Moved are instants whose versions that do not count are dropped.
	Moved []UnitInstant

	Ledgers     []Ledger
	Pieces      []Piece
	Days        []Day
	Excursions  []Excursion
	Events      []Event
	Others      []Other
	Recounts    []Recount
	Corrections []Made
	Quarantine  []Held
	Deliveries  []Recorded
	// Collectors and Notes are in ascending order of their keys, so that two
	// transactions cannot block each other.
	Collectors []Collector
	Notes      []Note
	Numbered   []Numbered
	// Asking is in ascending order of unit and collector.
	Asking []Asking
}

// Made is a correction of a unit.
type Made struct {
	Unit int32
	*analytics.Correction
}

// Note is a note of a collector with the number of deliveries that gave it.
type Note struct {
	Collector, Code, Detail, Text string
	Deliveries                    int64
	LastAt                        analytics.Instant
}

// Reset empties the changes and keeps their room.
func (c *Changes) Reset() {
	*c = Changes{
		Anew: c.Anew[:0], Again: c.Again[:0], Reopened: c.Reopened[:0], Rewritten: c.Rewritten[:0], Moved: c.Moved[:0], Ledgers: c.Ledgers[:0], Pieces: c.Pieces[:0],
		Days: c.Days[:0], Excursions: c.Excursions[:0], Events: c.Events[:0], Others: c.Others[:0],
		Recounts: c.Recounts[:0], Corrections: c.Corrections[:0], Quarantine: c.Quarantine[:0],
		Deliveries: c.Deliveries[:0], Collectors: c.Collectors[:0], Notes: c.Notes[:0], Numbered: c.Numbered[:0], Asking: c.Asking[:0],
	}
}
