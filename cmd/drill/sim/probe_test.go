package sim

import (
	"encoding/json"
	"os"
	"strconv"
	"testing"
)

func num(name string, def int) int {
	if v := os.Getenv(name); v != "" {
		def, _ = strconv.Atoi(v)
	}
	return def
}

func TestProbe(t *testing.T) {
	n, from := num("N", 0), num("FROM", 1)
	if n == 0 {
		return
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

func TestPlantProbe(t *testing.T) {
	x := newRunner()
	for _, p := range Plants() {
		if p.Name != os.Getenv("PLANT") {
			continue
		}
		for i := range num("N", 0) {
			if r := x.run(Random(uint64(num("FROM", 1)+i)), p); r.Failed() {
				t.Logf("seed %d: %s", num("FROM", 1)+i, r.Trouble[0])
			}
		}
	}
}

func TestShrinkProbe(t *testing.T) {
	seed := num("SEED", 0)
	if seed == 0 {
		return
	}
	x := newRunner()
	var plants []Plant
	for _, p := range Plants() {
		if p.Name == os.Getenv("PLANT") {
			plants = append(plants, p)
		}
	}
	n := 0
	s := Shrink(Random(uint64(seed)), func(s Schedule) bool {
		if n++; n > num("TRIES", 600) {
			return false
		}
		return x.run(s, plants...).Failed()
	})
	b, _ := json.MarshalIndent(s, "", "\t")
	if f := os.Getenv("OUT"); f != "" {
		_ = os.WriteFile(f, append(b, '\n'), 0o644)
	}
	t.Logf("%s", b)
	t.Logf("%v", x.run(s, plants...).Trouble)
}
