package main

import (
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"fadeledger/cmd/drill/rig"
	"fadeledger/cmd/drill/sim"
)

func TestMain(m *testing.M) {
	rig.Child()
	os.Exit(m.Run())
}

// failures is where the schedules and logs of runs that fail are kept; they are
// in the test's output as well.
func failures(t *testing.T) string {
	if dir := os.Getenv("FADELEDGER_DRILL_FAILURES"); dir != "" {
		return dir
	}
	return t.TempDir()
}

// TestTwentyRealSchedules plays random schedules against real processes. Whether
// faults struck is part of it: a machine that breaks nothing proves nothing.
func TestTwentyRealSchedules(t *testing.T) {
	const schedules, lanes = 20, 4
	strikes, samples := map[rig.Kind]int{}, 0
	err := playReal(t.Context(), slog.New(slog.DiscardHandler), "", failures(t), lanes, 1, schedules, func(r rig.Result) {
		samples += r.Samples
		for _, s := range r.Strikes {
			if s.Struck {
				strikes[s.Fault.Kind]++
			}
		}
		if r.Failed() {
			t.Error(r)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	total := 0
	for _, n := range strikes {
		total += n
	}
	if len(strikes) < 12 || total < 2*schedules || samples < 500*schedules {
		t.Errorf("too little happened: %d samples, %d faults of %d kinds: %v", samples, total, len(strikes), strikes)
	}
	t.Logf("%d schedules, %d samples, %d faults of %d kinds", schedules, samples, total, len(strikes))
}

// TestSoak kills one of two workers every second, for a short while.
func TestSoak(t *testing.T) {
	table, err := lay(t.Context(), slog.New(slog.DiscardHandler), "", failures(t))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := table.clear(); err != nil {
			t.Error(err)
		}
	}()
	r, err := rig.Run(t.Context(), table.Config, soakSchedule(1, 12))
	if err != nil {
		t.Fatal(err)
	}
	struck := 0
	for _, s := range r.Strikes {
		if s.Struck {
			struck++
		}
	}
	if r.Failed() || struck < 8 {
		t.Errorf("%d kills: %s", struck, r)
	}
}

// TestScheduleFiles: a schedule that is kept is read as what it was.
func TestScheduleFiles(t *testing.T) {
	dir := t.TempDir()
	simulated, real := filepath.Join(dir, "a.json"), filepath.Join(dir, "b.json")
	if err := writeJSON(simulated, sim.Random(7)); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(real, rig.Random(7).JSON(), 0o600); err != nil {
		t.Fatal(err)
	}
	a, err := loadStored(simulated)
	if err != nil || a.sim == nil || a.real != nil || a.sim.Seed != 7 {
		t.Errorf("simulated: %+v, %v", a, err)
	}
	b, err := loadStored(real)
	if err != nil || b.real == nil || b.sim != nil || b.real.Seed != 7 {
		t.Errorf("real: %+v, %v", b, err)
	}
	if err := os.WriteFile(real, []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := loadStored(real); err == nil {
		t.Error("half a file is taken")
	}
}
