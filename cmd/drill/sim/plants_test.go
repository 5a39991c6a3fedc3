package sim

import (
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
)

// within is how many schedules a planted mistake may need.
const within = 200

func TestPlanted(t *testing.T) {
	plants := Plants()
	if len(plants) < 28 {
		t.Fatalf("%d plants, want 28", len(plants))
	}
	next := make(chan Plant)
	var group sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		group.Go(func() {
			x := newRunner()
			for p := range next {
				n, trouble := caught(t, x, p)
				if trouble == "" {
					t.Errorf("%s (%s): not found in %d schedules", p.Name, p.What, within)
					continue
				}
				t.Logf("%-28s found by schedule %3d: %s", p.Name, n, trouble)
			}
		})
	}
	for _, p := range plants {
		next <- p
	}
	close(next)
	group.Wait()
}

// TestSeamsAlone: what only makes room for a mistake is none, or it would be
// what is found.
func TestSeamsAlone(t *testing.T) {
	x := newRunner()
	lax := Plant{put: func(s *seams) { s.lax = true }}
	for seed := uint64(1); seed <= within; seed++ {
		if r := x.run(Random(seed), lax); r.Failed() {
			t.Errorf("schedule %d: %q", seed, r.Trouble)
		}
	}
}

// caught gives the first schedule that finds a mistake, and what it says. Some
// mistakes need a coincidence that is rare by chance: they have a drill of their
// own, of which only the seed changes.
func caught(t *testing.T, x *runner, p Plant) (n int, trouble string) {
	schedule := Random
	drill := filepath.Join("testdata", "drills", p.Name+".json")
	if _, err := os.Stat(drill); err == nil {
		s := read(t, drill)
		schedule = func(seed uint64) Schedule {
			s.Seed = seed
			return s
		}
	}
	for seed := uint64(1); seed <= within; seed++ {
		s := schedule(seed)
		if r := x.run(s, p); r.Failed() {
			if sound := x.run(s); sound.Failed() {
				t.Errorf("%s: schedule %d fails without it: %q", p.Name, seed, sound.Trouble)
			}
			return int(seed), r.Trouble[0]
		}
	}
	return 0, ""
}
