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

// caught gives the first schedule that finds a mistake, and what it says. Some
// mistakes need a coincidence that is rare by chance: they have a drill of their
// own, which counts as schedule 0.
func caught(t *testing.T, x *runner, p Plant) (seed int, trouble string) {
	drill := filepath.Join("testdata", "drills", p.Name+".json")
	if _, err := os.Stat(drill); err == nil {
		if r := x.run(read(t, drill), p); r.Failed() {
			return 0, r.Trouble[0]
		}
		t.Errorf("%s: its drill does not find it", p.Name)
	}
	for seed := 1; seed <= within; seed++ {
		if r := x.run(Random(uint64(seed)), p); r.Failed() {
			return seed, r.Trouble[0]
		}
	}
	return 0, ""
}
