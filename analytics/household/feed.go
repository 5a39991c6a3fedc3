package household

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"fadeledger/analytics"
)

// FeedConfig describes how one collector delivers.
type FeedConfig struct {
	Collector string
	// Seed fixes which deliveries are late or sent twice.
	Seed uint64
	// Batch is the number of samples in a delivery; zero means 100.
	Batch int
	// Hold is the longest time from the first to the last sample of a
	// delivery, so that a gap does not hold back what came before it; zero
	// means no limit.
	Hold analytics.Millis
	// Until is the instant after which no sample is taken; zero means that
	// the feed goes on for as long as a unit will be heard.
	Until analytics.Instant
	// CopyShare is the share of deliveries that are sent a second time, with
	// the same content, within an hour of the first.
	CopyShare float64
	// LateShare is the share of deliveries held back by up to LateBy; zero
	// LateBy means six hours.
	LateShare float64
	LateBy    analytics.Millis
}

// Nature says how a delivery comes.
type Nature string

// The natures of a delivery.
const (
	OnTime Nature = "on-time"
	Late   Nature = "late"
	Copy   Nature = "copy"
)

// Reading is a sample of a unit.
type Reading struct {
	Serial analytics.Serial
	analytics.Sample
}

// Delivery is one batch of samples that a collector hands over at an instant.
// A copy carries the name of the batch that it repeats.
type Delivery struct {
	Collector string
	Batch     string
	At        analytics.Instant
	Nature    Nature
	// Readings are in order of time, and of the batteries within an instant.
	// A copy shares them with its original: they are to be read only.
	Readings []Reading
}

// FeedTruth is what a feed has handed over so far. It marshals to JSON.
type FeedTruth struct {
	Collector string `json:"collector"`
	// Deliveries = OnTime + Late + Copies.
	Deliveries int64 `json:"deliveries"`
	OnTime     int64 `json:"on_time"`
	Late       int64 `json:"late"`
	Copies     int64 `json:"copies"`
	// Readings are all that were handed over; Samples are those handed over
	// for the first time and Duplicates the others. LateSamples are samples
	// among Samples that were older than the newest one of their unit handed
	// over before.
	Readings    int64 `json:"readings"`
	Samples     int64 `json:"samples"`
	Duplicates  int64 `json:"duplicates"`
	LateSamples int64 `json:"late_samples"`
	// Withheld are samples that no delivery carries.
	Withheld int64 `json:"withheld"`
	// Units holds the truth about each battery.
	Units []Truth `json:"units"`
}

// Feed cuts the samples of a collector's batteries into deliveries. It is made
// by NewFeed.
type Feed struct {
	cfg     FeedConfig
	sources []source
	draws   stream
	number  int
	// waiting are late batches and copies not yet handed over, and the next
	// batch on time.
	waiting []parcel
	next    *parcel
	// handed is the time of the newest batch, had none been late.
	handed analytics.Instant
	truth  FeedTruth
}

// source is a battery and its next sample.
type source struct {
	*Battery
	head analytics.Sample
	open bool
	// newest is the time of the newest sample handed over.
	newest analytics.Instant
	any    bool
}

// parcel is a delivery and, for each reading, the place of its battery.
type parcel struct {
	Delivery
	from []int32
}

// NewFeed gives the feed of a collector before its first delivery. The
// batteries are the feed's from then on: nobody else may draw from them.
//
// It fails where a share is not within 0 to 1, or a span or size negative.
func NewFeed(cfg FeedConfig, batteries ...*Battery) (*Feed, error) {
	if cfg.Batch < 0 || cfg.Hold < 0 || cfg.LateBy < 0 {
		return nil, errors.New("feed: batch and spans must not be negative")
	}
	if !(cfg.CopyShare >= 0 && cfg.CopyShare <= 1 && cfg.LateShare >= 0 && cfg.LateShare <= 1) {
		return nil, errors.New("feed: shares are from 0 to 1")
	}
	cfg.Batch = cmp.Or(cfg.Batch, 100)
	cfg.LateBy = cmp.Or(cfg.LateBy, 6*analytics.Hour)
	f := &Feed{cfg: cfg, draws: newStream(cfg.Seed, 'f'), truth: FeedTruth{Collector: cfg.Collector}}
	for _, b := range batteries {
		f.sources = append(f.sources, source{Battery: b, open: true})
		f.pull(&f.sources[len(f.sources)-1])
	}
	return f, nil
}

// Next gives the next delivery in order of At; ok is false when there will be
// none any more.
func (f *Feed) Next() (d Delivery, ok bool) {
	// A batch that is late leaves its place to the one after it, unless one
	// that waits is due before anything new can be.
	for f.next == nil && !f.waitingFirst() {
		p := f.gather()
		if p == nil {
			break
		}
		if p.Nature == Late {
			f.wait(*p)
			continue
		}
		f.next = p
	}
	if n := len(f.waiting); n > 0 && (f.next == nil || f.waiting[n-1].At <= f.next.At) {
		p := f.waiting[n-1]
		f.waiting = f.waiting[:n-1]
		return f.hand(p), true
	}
	if f.next == nil {
		return Delivery{}, false
	}
	p := *f.next
	f.next = nil
	return f.hand(p), true
}

// waitingFirst reports whether the next parcel that waits is due before any
// sample that has not been gathered.
func (f *Feed) waitingFirst() bool {
	n := len(f.waiting)
	if n == 0 {
		return false
	}
	i := f.earliest()
	return i < 0 || f.waiting[n-1].At <= f.sources[i].head.Time
}

// Truth gives what was handed over so far, and the truth about each battery,
// which may be a batch ahead.
func (f *Feed) Truth() FeedTruth {
	t := f.truth
	t.Units = make([]Truth, 0, len(f.sources))
	for i := range f.sources {
		t.Units = append(t.Units, f.sources[i].Truth())
	}
	return t
}

// pull draws the source's next sample that is heard of; without an end of the
// feed, a unit in its final silence is not drawn from any more.
func (f *Feed) pull(s *source) {
	for {
		if f.cfg.Until != 0 && s.due() > f.cfg.Until || f.cfg.Until == 0 && s.inSilence {
			s.open = false
			return
		}
		s.head = s.Next()
		if s.Heard() {
			return
		}
		f.truth.Withheld++
	}
}

// due is the instant of the sample that Next will yield.
func (b *Battery) due() analytics.Instant {
	if b.begun {
		return b.at + analytics.Instant(b.cfg.Cadence)
	}
	return b.at
}

// earliest gives the place of the source with the earliest sample, -1 for none.
func (f *Feed) earliest() int {
	best := -1
	for i := range f.sources {
		s := &f.sources[i]
		if s.open && (best < 0 || s.head.Time < f.sources[best].head.Time) {
			best = i
		}
	}
	return best
}

// gather fills the next batch, nil when no sample is left.
func (f *Feed) gather() *parcel {
	first := f.earliest()
	if first < 0 {
		return nil
	}
	start := f.sources[first].head.Time
	p := &parcel{from: make([]int32, 0, f.cfg.Batch)}
	p.Readings = make([]Reading, 0, f.cfg.Batch)
	for len(p.Readings) < f.cfg.Batch {
		i := f.earliest()
		if i < 0 || f.cfg.Hold > 0 && f.sources[i].head.Time > start+analytics.Instant(f.cfg.Hold) {
			break
		}
		s := &f.sources[i]
		p.Readings = append(p.Readings, Reading{Serial: s.cfg.Serial, Sample: s.head})
		p.from = append(p.from, int32(i))
		f.pull(s)
	}
	f.number++
	p.Collector, p.Nature = f.cfg.Collector, OnTime
	p.Batch = fmt.Sprintf("%s-%06d", f.cfg.Collector, f.number)
	// The way from the unit to the service takes half a second to a few.
	// Those on time do not overtake each other.
	p.At = max(f.handed, p.Readings[len(p.Readings)-1].Time+analytics.Instant(f.draws.between(500, 4000)))
	f.handed = p.At
	if f.draws.unit() < f.cfg.LateShare {
		p.Nature = Late
		p.At += analytics.Instant(f.draws.between(0.1, 1) * float64(f.cfg.LateBy))
	}
	return p
}

// wait keeps a parcel until its time; waiting is in falling order of At.
func (f *Feed) wait(p parcel) {
	i, _ := slices.BinarySearchFunc(f.waiting, p.At, func(w parcel, at analytics.Instant) int {
		return cmp.Compare(at, w.At)
	})
	f.waiting = slices.Insert(f.waiting, i, p)
}

// hand counts a parcel as handed over and draws whether it will come again.
func (f *Feed) hand(p parcel) Delivery {
	t := &f.truth
	t.Deliveries++
	t.Readings += int64(len(p.Readings))
	switch p.Nature {
	case Copy:
		t.Copies++
		t.Duplicates += int64(len(p.Readings))
		return p.Delivery
	case Late:
		t.Late++
	default:
		t.OnTime++
	}
	t.Samples += int64(len(p.Readings))
	for i, at := range p.from {
		s, time := &f.sources[at], p.Readings[i].Time
		if s.any && time < s.newest {
			t.LateSamples++
		}
		if !s.any || time > s.newest {
			s.newest, s.any = time, true
		}
	}
	if f.draws.unit() < f.cfg.CopyShare {
		again := p
		again.Nature = Copy
		again.At += analytics.Instant(f.draws.between(5e3, 3.6e6))
		f.wait(again)
	}
	return p.Delivery
}
