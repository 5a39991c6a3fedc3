package household

import (
	"reflect"
	"testing"

	"fadeledger/analytics"
)

type reading struct {
	serial analytics.Serial
	at     analytics.Instant
}

// threeUnits are two sound units and one with outages that falls silent.
func threeUnits(t *testing.T) []*Battery {
	a, b, c := sound(), sound(), sound()
	b.Serial, b.Seed, b.Start = "HB5-T2", 21, b.Start+45_000
	c.Serial, c.Seed, c.Cadence = "HB5-T3", 31, 7*analytics.Minute
	c.Faults.Outages = []Span{{c.Start + analytics.Instant(20*analytics.Hour), 30 * analytics.Hour}}
	silent := c.Start + analytics.Instant(15*analytics.DayLength)
	c.Faults.Silent = &silent
	return []*Battery{mustNew(t, a), mustNew(t, b), mustNew(t, c)}
}

func collect(t *testing.T, cfg FeedConfig, batteries ...*Battery) ([]Delivery, FeedTruth) {
	t.Helper()
	f, err := NewFeed(cfg, batteries...)
	if err != nil {
		t.Fatal(err)
	}
	var all []Delivery
	for d, ok := f.Next(); ok; d, ok = f.Next() {
		all = append(all, d)
	}
	return all, f.Truth()
}

func TestFeedDeliversWhatItsTruthSays(t *testing.T) {
	until := sound().Start + analytics.Instant(20*analytics.DayLength)
	cfg := FeedConfig{Collector: "c-09", Seed: 5, Batch: 40, Until: until, CopyShare: 0.1, LateShare: 0.15}
	deliveries, truth := collect(t, cfg, threeUnits(t)...)

	want := map[reading]analytics.Sample{}
	var withheld int64
	for _, b := range threeUnits(t) {
		for s := b.Next(); s.Time <= until; s = b.Next() {
			if b.Heard() {
				want[reading{b.cfg.Serial, s.Time}] = s
			} else {
				withheld++
			}
		}
	}
	var got FeedTruth
	got.Collector, got.Withheld, got.Units = "c-09", withheld, truth.Units
	seen, newest := map[reading]bool{}, map[analytics.Serial]analytics.Instant{}
	contents := map[string][]Reading{}
	var last analytics.Instant
	for _, d := range deliveries {
		got.Deliveries++
		switch d.Nature {
		case OnTime:
			got.OnTime++
		case Late:
			got.Late++
		case Copy:
			got.Copies++
			if !reflect.DeepEqual(contents[d.Batch], d.Readings) {
				t.Fatalf("the copy of %s has other readings", d.Batch)
			}
		}
		if d.At < last || d.Collector != "c-09" || len(d.Readings) == 0 || len(d.Readings) > 40 {
			t.Fatalf("delivery %s at %d after %d with %d readings", d.Batch, d.At, last, len(d.Readings))
		}
		last = d.At
		contents[d.Batch] = d.Readings
		for i, r := range d.Readings {
			key := reading{r.Serial, r.Time}
			got.Readings++
			switch {
			case r.Sample != want[key]:
				t.Fatalf("%v is not what the unit yielded", r)
			case r.Time > d.At || i > 0 && r.Time < d.Readings[i-1].Time:
				t.Fatalf("%v out of order in a delivery at %d", r, d.At)
			case seen[key]:
				got.Duplicates++
				continue
			}
			seen[key] = true
			got.Samples++
			if r.Time < newest[r.Serial] {
				got.LateSamples++
			}
			newest[r.Serial] = max(newest[r.Serial], r.Time)
		}
	}
	if !reflect.DeepEqual(got, truth) {
		t.Errorf("saw %+v\ntruth %+v", got, truth)
	}
	if len(seen) != len(want) {
		t.Errorf("%d samples delivered of %d", len(seen), len(want))
	}
	if truth.Copies < 20 || truth.Late < 30 || truth.LateSamples < 500 || withheld < 1000 {
		t.Errorf("too little happened: %+v", truth)
	}
}

func TestFeedIsTheSameForTheSameSeed(t *testing.T) {
	cfg := FeedConfig{Collector: "c", Seed: 5, Until: sound().Start + analytics.Instant(5*analytics.DayLength), CopyShare: 0.2, LateShare: 0.2}
	one, _ := collect(t, cfg, threeUnits(t)...)
	two, _ := collect(t, cfg, threeUnits(t)...)
	if !reflect.DeepEqual(one, two) {
		t.Error("two feeds of one seed differ")
	}
}

func TestFeedWithoutEnd(t *testing.T) {
	t.Run("goes on though everything is late", func(t *testing.T) {
		f, err := NewFeed(FeedConfig{Collector: "c", Batch: 1, LateShare: 1}, mustNew(t, sound()))
		if err != nil {
			t.Fatal(err)
		}
		for i := range 5000 {
			d, ok := f.Next()
			if !ok || d.Nature != Late {
				t.Fatalf("delivery %d: %v, %v", i, d.Nature, ok)
			}
		}
		// Six hours hold 72 samples at this cadence.
		if len(f.waiting) > 80 {
			t.Errorf("%d deliveries wait", len(f.waiting))
		}
	})
	t.Run("ends when the last unit is silent", func(t *testing.T) {
		c := sound()
		silent := c.Start + analytics.Instant(analytics.DayLength)
		c.Faults.Silent = &silent
		_, truth := collect(t, FeedConfig{Collector: "c"}, mustNew(t, c))
		if truth.Samples != 288 {
			t.Errorf("%d samples before the silence, want 288", truth.Samples)
		}
	})
	t.Run("without batteries there is nothing", func(t *testing.T) {
		if all, _ := collect(t, FeedConfig{Collector: "c"}); len(all) != 0 {
			t.Errorf("%d deliveries", len(all))
		}
	})
}

func TestFeedHoldsNothingBackForLongerThanAsked(t *testing.T) {
	cfg := FeedConfig{Collector: "c", Batch: 1000, Hold: analytics.Hour, Until: sound().Start + analytics.Instant(4*analytics.DayLength)}
	all, _ := collect(t, cfg, threeUnits(t)...)
	for _, d := range all {
		if span := d.Readings[len(d.Readings)-1].Time - d.Readings[0].Time; span > analytics.Instant(analytics.Hour) {
			t.Errorf("%s spans %v", d.Batch, analytics.Millis(span).Duration())
		}
	}
	if len(all) < 80 {
		t.Errorf("%d deliveries in four days", len(all))
	}
}

func TestNewFeedRefusesNonsense(t *testing.T) {
	for name, cfg := range map[string]FeedConfig{
		"negative batch": {Batch: -1}, "share above one": {CopyShare: 1.1}, "negative share": {LateShare: -0.1}, "negative hold": {Hold: -1},
	} {
		if f, err := NewFeed(cfg); err == nil || f != nil {
			t.Errorf("%s: got %v, %v", name, f, err)
		}
	}
}

// BenchmarkFeed measures a delivery of 500 samples of twelve units.
func BenchmarkFeed(b *testing.B) {
	var batteries []*Battery
	for i := range 12 {
		c := sound()
		c.Seed += uint64(i)
		batteries = append(batteries, mustNew(b, c))
	}
	f, err := NewFeed(FeedConfig{Collector: "c", Batch: 500, CopyShare: 0.01, LateShare: 0.01}, batteries...)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		f.Next()
	}
}
