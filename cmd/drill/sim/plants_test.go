package sim

import (
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
				n, trouble := caught(x, p)
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

// caught gives the first schedule that finds a mistake, and what it says.
func caught(x *runner, p Plant) (seed int, trouble string) {
	for seed := 1; seed <= within; seed++ {
		if r := x.run(Random(uint64(seed)), p); r.Failed() {
			return seed, r.Trouble[0]
		}
	}
	return 0, ""
}
