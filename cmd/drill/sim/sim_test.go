package sim

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// seeds is how many random schedules every run of the tests takes.
const seeds = 2000

func TestSimulation(t *testing.T) {
	n := seeds
	if testing.Short() {
		n = 100
	}
	for _, f := range Many(1, n, nil) {
		t.Errorf("seed %d: %q", f.Seed, f.Trouble)
	}
}

// TestRuns: runs do something, and the same schedule gives the same run.
func TestRuns(t *testing.T) {
	x := newRunner()
	var deliveries, samples int
	for seed := range uint64(20) {
		first := x.run(Random(seed))
		again := newRunner().run(Random(seed))
		if first.Deliveries != again.Deliveries || first.Samples != again.Samples || first.Took != again.Took || !slices.Equal(first.Trouble, again.Trouble) {
			t.Errorf("seed %d: two runs differ: %+v and %+v", seed, first, again)
		}
		deliveries += first.Deliveries
		samples += first.Samples
	}
	if deliveries < 20*15 || samples < 20*100 {
		t.Errorf("20 runs have %d deliveries and %d samples", deliveries, samples)
	}
}

// TestRegressions: schedules that once found something.
func TestRegressions(t *testing.T) {
	files, err := filepath.Glob("testdata/[dr]*/*.json")
	if err != nil || len(files) == 0 {
		t.Fatalf("no schedules: %v", err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			if r := Run(read(t, file)); r.Failed() {
				t.Errorf("%q", r.Trouble)
			}
		})
	}
}

func read(t *testing.T, file string) (s Schedule) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &s); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return s
}

// TestFaultsHappen: over many schedules every kind of fault is there, and those
// that wait for a call find it.
func TestFaultsHappen(t *testing.T) {
	kinds := map[FaultKind]int{}
	for seed := range uint64(500) {
		for _, f := range Random(seed).Faults {
			kinds[f.Kind]++
		}
	}
	for _, k := range []FaultKind{
		Kill, Pause, Cut, Refuse, DatabaseDown, Backup, Restore, Outdate, BrokerDown, TailLost, StreamLost, ConsumerLost, AcksLost,
		StoredLost, Withhold, Early, Resend, Recut, Share, Trim, Correct, Release,
	} {
		if kinds[k] < 10 {
			t.Errorf("%d faults are of the kind %s", kinds[k], k)
		}
	}
}

// TestShrink: what a schedule does not need to fail goes.
func TestShrink(t *testing.T) {
	s := Random(3)
	unit := s.Units[1].Serial
	needs := func(s Schedule) bool {
		return slices.ContainsFunc(s.Units, func(u UnitPlan) bool { return u.Serial == unit }) && len(workload(&s)) > 2
	}
	small := Shrink(s, needs)
	if len(small.Faults) != 0 || small.Workers != 1 || small.Days != 1 || len(small.Units) != 2 || len(workload(&small)) != 3 {
		t.Errorf("left are %d faults, %d workers, %d days, %d units, %d deliveries", len(small.Faults), small.Workers, small.Days, len(small.Units), len(workload(&small)))
	}
	if !needs(small) {
		t.Error("it no longer fails")
	}
}
