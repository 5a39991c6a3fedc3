package analytics

import (
	"cmp"
	"slices"
)

// Incoming is one delivery as it was read, ready to be counted.
type Incoming struct {
	Delivery
	// Hash is a hash of the delivery's bytes and headers; with the sequence
	// it tells a redelivery from another message.
	Hash [16]byte
	// Series and Number are the collector's count of its deliveries: 1, 2, 3
	// and so on within a series; Number is 0 where it does not count them.
	Series string
	Number int64
	// ContentType and ContentEncoding are those of the delivery.
	ContentType, ContentEncoding string
	// Header is what a row of the delivery needs to be read alone.
	Header []byte
	Units  []UnitSamples
	// Refused are the rows that could not be read. Their Raw is complete
	// where the row is at most 4 KiB, or the whole delivery (Line 0).
	Refused []Quarantined
	// Notes are what was accepted and is still worth telling.
	Notes []DeliveryNote
	// Releases are quarantined rows that this delivery brings back.
	Releases []int64
}

// DeliveryNote is something about a delivery that was accepted and is still
// worth telling, such as a sign that seems to be flipped.
type DeliveryNote struct {
	// Code names it, Detail the column or unit that it is about (may be
	// empty), Text says it in words.
	Code, Detail, Text string
	// Count is how many rows it concerns.
	Count int64
}

// UnitSamples are the samples of one unit in a delivery, in its order.
type UnitSamples struct {
	Serial  Serial
	Samples []Sample
	// Lines are the lines that the samples stood on; empty when not known.
	Lines []int32
}

// ReleaseStream names the stream that released rows are recorded under; the
// sequence is the id of the row.
const ReleaseStream = "release"

// FutureSkew is how far a sample's time may lie after the time at which its
// delivery was stored.
const FutureSkew = 10 * Minute

// Reasons for quarantine that depend on more than the row itself.
const (
	ReasonUnknownUnit       = "unknown-unit"
	ReasonFuture            = "from-the-future"
	ReasonConflictingSample = "conflicting-sample"
)

// Held is a quarantined row with all that reading it again needs.
type Held struct {
	Quarantined
	ContentType, ContentEncoding string
	// Header is the header line of a CSV delivery.
	Header []byte
	// Samples are what could be read but not counted; empty for rows that
	// could not be read.
	Samples []Sample
}

// Receipt says which of a collector's numbered deliveries the ledger holds for
// good. A collector that keeps what has no receipt loses nothing, whatever
// becomes of the broker.
type Receipt struct {
	Collector string `json:"collector"`
	Series    string `json:"series"`
	// Through: every number from 1 to this one is committed; 0 for none.
	Through int64 `json:"through"`
	// Last is the highest number that is committed.
	Last int64 `json:"last"`
	// Holes are the spans of numbers between that are not, from and to.
	Holes [][2]int64 `json:"holes"`
	// At is when the newest of them was committed.
	At Instant `json:"-"`
}

// Version is a version of a sample that does not count, with where it came
// from, as far as that is known: of one that counted before a dispute it is
// not, and Collector is empty.
type Version struct {
	Sample
	// Disputed: another version of the same rank differs. Otherwise a higher
	// rank or a correction has outdone it.
	Disputed  bool
	Collector string
	Sequence  uint64
	Line      int32
	StoredAt  Instant
}

// Correction replaces what a unit's sources said of a span of time: within it
// only the correction's samples count. Of several corrections of an instant the
// one that was made last holds. It stays in force for samples that come later.
type Correction struct {
	ID     int64
	Serial Serial
	// From and To are the span [From, To).
	From, To Instant
	// Samples are what counts within the span, in strictly ascending order of
	// time; none says that nothing there is to count.
	Samples []Sample
	By, Why string
	At      Instant
}

// Sample gives the sample that counts at an instant of the span, nil for none.
func (c *Correction) Sample(at Instant) *Sample {
	i, ok := slices.BinarySearchFunc(c.Samples, at, func(s Sample, at Instant) int { return cmp.Compare(s.Time, at) })
	if !ok {
		return nil
	}
	return &c.Samples[i]
}
