package api

import (
	"context"
	"errors"

	"fadeledger/analytics"
)

// Ledger reads what is stored. Errors match analytics.ErrNotFound where there
// is no such unit and analytics.ErrInvalid where a cursor or filter makes no
// sense. Ranges are half open: [from, to).
type Ledger interface {
	Fleet(ctx context.Context) (analytics.FleetSummary, error)
	Units(ctx context.Context, filter analytics.UnitFilter) (analytics.UnitPage, error)
	Unit(ctx context.Context, serial analytics.Serial) (analytics.UnitReport, error)
	// Days gives the days that hold something, in ascending order.
	Days(ctx context.Context, serial analytics.Serial, from, to analytics.Day) ([]analytics.DayCount, error)
	// Samples yields the samples that count, in ascending order of time, until
	// the end or until yield returns an error, which it returns as it is.
	Samples(ctx context.Context, serial analytics.Serial, from, to analytics.Instant, yield func(analytics.Sample) error) error
	Ingest(ctx context.Context) (analytics.IngestSummary, error)
	// Deliveries gives the newest first, those below sequence before (0: from
	// the newest on).
	Deliveries(ctx context.Context, before uint64, limit int) ([]analytics.Delivery, error)
	// Quarantine gives open rows of a reason (empty: all), newest first, those
	// with an ID below after (0: from the newest on).
	Quarantine(ctx context.Context, reason string, after int64, limit int) ([]analytics.Quarantined, error)
	// Disputes gives the instants of a unit at which versions differ and none
	// counts, the newest first.
	Disputes(ctx context.Context, serial analytics.Serial, limit int) ([]analytics.Dispute, error)
	// Versions gives the versions in [from, to) that do not count, in order of
	// time.
	Versions(ctx context.Context, serial analytics.Serial, from, to analytics.Instant, limit int) ([]analytics.Version, error)
	// Corrections gives the corrections of a unit, the newest first.
	Corrections(ctx context.Context, serial analytics.Serial) ([]analytics.Correction, error)
	// Stays gives where a unit was, the newest place first.
	Stays(ctx context.Context, serial analytics.Serial) ([]analytics.Stay, error)
	// Receipt says which deliveries of a series of a collector are committed;
	// it is empty for a series that is not known.
	Receipt(ctx context.Context, collector, series string) (analytics.Receipt, error)
}

// Envelope is a delivery as it came over HTTP, not decoded.
type Envelope struct {
	Collector string
	// ContentType and ContentEncoding are as the sender stated them; the
	// latter is empty, gzip or zstd.
	ContentType, ContentEncoding string
	// MessageID lets the broker filter a delivery that is sent twice within
	// its window; empty for none.
	MessageID string
	// Batch is the collector's name for the delivery, Profile the hash of the
	// profile to read it by; both may be empty.
	Batch, Profile string
	// Series and Number are the collector's count of its deliveries, for
	// receipts; Number is 0 where it does not count them.
	Series string
	Number int64
	// Lines tells where the rows of the body stood in the file that they were
	// cut from, as ingest reads it; empty when they were not.
	Lines string
	// Body is as sent, still compressed.
	Body []byte
}

// Receipt says that the broker has stored a delivery durably.
type Receipt struct {
	Stream   string
	Sequence uint64
	// AlreadyStored: the broker knew the message ID and stored nothing new.
	AlreadyStored bool
	// Samples counts the rows that could be read, Quarantined those that will
	// be quarantined by reason. Both are nil where the body is not read before
	// it is stored.
	Samples     *int64
	Quarantined map[string]int64
	// Notes say in words what was accepted and is still worth telling, such
	// as a sign that seems to be flipped.
	Notes []string
}

// ErrTooLarge: a delivery is larger than the broker takes.
var ErrTooLarge = errors.New("too large")

// Intake hands a delivery to the broker and returns once it is stored. An error
// that matches ErrTooLarge or analytics.ErrInvalid is the sender's; any other means
// that nothing is known to be stored, and the delivery may be sent again.
type Intake interface {
	Publish(ctx context.Context, delivery Envelope) (Receipt, error)
}

// Problem is something wrong in a registration file.
type Problem struct {
	// File is the file's name, Line is counted from 1 (0: the file as a
	// whole), Field names the column or key.
	File  string
	Line  int
	Field string
	// Message says what is wrong, Remedy what to do about it.
	Message, Remedy string
}

// Registration says what was registered.
type Registration struct {
	Models, Terms, Sites, Units int
	// Plan is what was changed.
	Plan analytics.Plan
	// Problems is not empty where something could not be taken; then nothing
	// was registered.
	Problems []Problem
}

// Registrar registers models, terms, sites and units. The files are keyed by
// their name: models.yaml, sites.csv, units.csv; at least one is there.
type Registrar interface {
	Register(ctx context.Context, files map[string][]byte) (Registration, error)
}

// Broker tells the state of the stream that deliveries wait in.
type Broker interface {
	Stream(ctx context.Context) (analytics.StreamState, error)
}

// Release says what became of rows that were to leave quarantine.
type Release struct {
	// Rows left it and brought Samples; Kept stay, for the reasons that
	// Problems tells.
	Rows, Samples, Kept int
	Problems            []string
}

// Upkeep releases rows from quarantine, sets how collectors are read, and tells
// collectors which of their batches are counted.
type Upkeep interface {
	// Release brings rows back by their ids or, without ids, the oldest ones
	// of a reason.
	Release(ctx context.Context, ids []int64, reason string) (Release, error)
	// SetProfile makes a profile the collector's, an empty body none, and
	// gives the profile's hash. analytics.ErrInvalid: it cannot be read.
	SetProfile(ctx context.Context, collector string, body []byte) (hash string, err error)
	// Batches lists the deliveries that were counted of the collector's
	// batches whose names begin with prefix.
	Batches(ctx context.Context, collector, prefix string) ([]analytics.Delivery, error)
	// Correct replaces what counts in a span of a unit's time, and gives the
	// correction as it was made. analytics.ErrInvalid says what is wrong with
	// it, analytics.ErrNotFound that there is no such unit.
	Correct(ctx context.Context, c analytics.Correction) (analytics.Correction, error)
	// ReadSamples reads a file of one unit's samples for a correction, as a
	// delivery of the collector would be read (its profile; empty for the plain
	// contract). analytics.ErrInvalid names line, field and remedy.
	ReadSamples(ctx context.Context, serial analytics.Serial, collector, contentType string, body []byte) ([]analytics.Sample, error)
	// ClearAlarm notes who has seen to an alarm. analytics.ErrNotFound: there
	// is no such open alarm.
	ClearAlarm(ctx context.Context, id int64, by string) error
}
