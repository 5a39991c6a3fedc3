package sim

import (
	"encoding/json"
	"os"
	"strconv"
	"testing"
)

func TestProbe(t *testing.T) {
	n := 100
	if v := os.Getenv("N"); v != "" {
		n, _ = strconv.Atoi(v)
	}
	from := 1
	if v := os.Getenv("FROM"); v != "" {
		from, _ = strconv.Atoi(v)
	}
	f := Many(uint64(from), n, nil)
	t.Logf("%d of %d fail", len(f), n)
	for _, x := range f[:min(len(f), 8)] {
		t.Logf("seed %d:", x.Seed)
		for _, s := range x.Trouble[:min(len(x.Trouble), 4)] {
			t.Logf("    %s", s)
		}
	}
}

func TestShrinkProbe(t *testing.T) {
	seed, _ := strconv.Atoi(os.Getenv("SEED"))
	if seed == 0 {
		return
	}
	x := newRunner()
	n := 0
	s := Shrink(Random(uint64(seed)), func(s Schedule) bool {
		if n++; n > 600 {
			return false
		}
		return x.run(s).Failed()
	})
	b, _ := json.Marshal(s)
	t.Logf("%s", b)
	t.Logf("%v", x.run(s).Trouble)
}
