package rig

import (
	"context"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/ingest"
)

// profiles knows the profile of the meter alone.
type profiles struct{}

func (profiles) Profile(_ context.Context, collector string) (body, hash []byte, err error) {
	if collector == meter {
		return []byte(meterProfile), []byte("m"), nil
	}
	return nil, nil, nil
}

func (profiles) ProfileByHash(context.Context, []byte) ([]byte, error) {
	return nil, analytics.ErrNotFound
}

// TestPlannedDeliveriesReadAsIntended reads every delivery of some plans with
// the service's own reader: rows, samples and refusals are those of the truth.
func TestPlannedDeliveriesReadAsIntended(t *testing.T) {
	t.Parallel()
	kinds := map[string]int{}
	for seed := uint64(1); seed <= 6; seed++ {
		s := Random(seed)
		s.Workload.End, s.Workload.Hostile, s.Workload.Superseded, s.Workload.Future = "2026-06-01", 0.3, 0.1, 0.1
		p, err := newPlan(s, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		chance := rand.New(rand.NewPCG(seed, 1))
		reader := &ingest.Reader{Profiles: profiles{}}
		for _, name := range p.names {
			for i, d := range p.deliveries[name] {
				truth := truthOf(name, d, chance)
				in, err := reader.Read(t.Context(), ingest.Envelope{
					Delivery:    analytics.Delivery{Collector: name, Sequence: uint64(i)},
					ContentType: truth.ContentType, ContentEncoding: truth.ContentEncoding, Body: truth.Body,
				})
				if err != nil {
					t.Fatal(err)
				}
				kinds[truth.ContentType+truth.ContentEncoding+d.attack]++
				compareRead(t, truth, in)
			}
		}
	}
	if len(kinds) < 4+len(attacks) {
		t.Errorf("the plans hold only %v", kinds)
	}
}

func compareRead(t *testing.T, truth *Truth, in analytics.Incoming) {
	t.Helper()
	var got []household.Reading
	strangers := 0
	for _, u := range in.Units {
		if u.Serial == "HB5-999999" {
			strangers += len(u.Samples)
			continue
		}
		for _, s := range u.Samples {
			got = append(got, household.Reading{Serial: u.Serial, Sample: s})
		}
	}
	want := slices.Clone(truth.Readings)
	for _, r := range truth.Future {
		r.Rank = truth.Rank
		want = append(want, r)
	}
	order := func(a, b household.Reading) int {
		if a.Serial != b.Serial {
			if a.Serial < b.Serial {
				return -1
			}
			return 1
		}
		return int(a.Time - b.Time)
	}
	slices.SortStableFunc(got, order)
	slices.SortStableFunc(want, order)
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%s: read %d samples, want %d\n%s", truth.ContentType, len(got), len(want), truth.Body)
	}
	if n := len(in.Refused) + strangers; n != truth.Refused {
		t.Errorf("%s: %d refused, want %d: %+v\n%.200s", truth.ContentType, n, truth.Refused, in.Refused, truth.Body)
	}
}

func TestRandomSchedulesAreValidAndTheirOwn(t *testing.T) {
	t.Parallel()
	seen := map[Kind]int{}
	for seed := range uint64(300) {
		s := Random(seed)
		if err := s.Validate(); err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		if !reflect.DeepEqual(s, Random(seed)) {
			t.Fatalf("seed %d gives two schedules", seed)
		}
		kinds := map[Kind]bool{}
		for _, f := range s.Faults {
			kinds[f.Kind] = true
			seen[f.Kind]++
		}
		if len(kinds) < leastKinds {
			t.Errorf("seed %d has only %d kinds of faults", seed, len(kinds))
		}
	}
	if len(seen) != len(weights) || len(weights) != len(strikes) {
		t.Errorf("%d kinds are drawn and %d weighed of %d", len(seen), len(weights), len(strikes))
	}
}

func TestScheduleSurvivesItsFile(t *testing.T) {
	t.Parallel()
	s := Random(7)
	path, err := s.save(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	if got, err := Load(path); err != nil || !reflect.DeepEqual(got, s) {
		t.Errorf("got %+v, %v", got, err)
	}
}

func TestSchedulesThatCannotBePlayed(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(*Schedule){
		"no units":                    func(s *Schedule) { s.Workload.Units = 0 },
		"no workers":                  func(s *Schedule) { s.Workload.Workers = 0 },
		"an unknown fault":            func(s *Schedule) { s.Faults = []Fault{{Kind: "flood"}} },
		"a time before the start":     func(s *Schedule) { s.Faults = []Fault{{Kind: KillWorker, At: -1}} },
		"a bad network without rules": func(s *Schedule) { s.Faults = []Fault{{Kind: SpoilDatabase}} },
		"an end that is no day":       func(s *Schedule) { s.Workload.End = "soon" },
		"an unknown confirmation":     func(s *Schedule) { s.Workload.Confirm = "hoped" },
		"a rewind under confirmation by storing": func(s *Schedule) {
			s.Workload.Confirm, s.Faults = ByStored, []Fault{{Kind: RewindBroker}}
		},
	} {
		s := Random(1)
		s.Faults = nil
		change(&s)
		if s.Validate() == nil {
			t.Errorf("%s is taken", name)
		}
	}
}

func TestMultisetHoldsWhatWasNotCounted(t *testing.T) {
	t.Parallel()
	at := func(i int64) household.Reading {
		return household.Reading{Serial: "HB5-1", Sample: analytics.Sample{Time: analytics.Instant(i), Has: analytics.HasSoC}}
	}
	sets := Multiset([]Truth{
		{Readings: []household.Reading{at(1), at(2)}, Counted: 2},
		{Readings: []household.Reading{at(2), at(3)}},
	})
	r := sets["HB5-1"].Resolve()
	if len(r.Counting) != 3 || r.Duplicates != 2 {
		t.Errorf("%d count and %d are duplicates, want 3 and 2", len(r.Counting), r.Duplicates)
	}
}
