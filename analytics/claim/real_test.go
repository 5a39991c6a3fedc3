package claim

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"fadeledger/analytics"
)

// TestLogarithmDigits compares with published digits (from memory).
func TestLogarithmDigits(t *testing.T) {
	for name, test := range map[string]struct {
		got  *big.Float
		want string
	}{
		"ln 2":  {ln(realOf(ratio(2, 1))), "0.6931471805599453094172321214581765680755001343602552541206800"},
		"ln 10": {ln(realOf(ratio(10, 1))), "2.3025850929940456840179914546843642076011014886287729760333279"},
		"e":     {exp(realOf(ratio(1, 1))), "2.7182818284590452353602874713526624977572470936999595749669676"},
		"ln 1":  {ln(realOf(ratio(1, 1))), "0.0000000000000000000000000000000000000000000000000000000000000"},
		"1/e":   {exp(realOf(ratio(-1, 1))), "0.3678794411714423215955237701614608674458111310317678345078368"},
	} {
		if got := exactly(test.got).FloatString(61); got != test.want {
			t.Errorf("%s: got %s, want %s", name, got, test.want)
		}
	}
}

func TestLogarithmUndoesExponential(t *testing.T) {
	tolerance := big.NewRat(1, 1_000_000_000_000)
	tolerance.Mul(tolerance, tolerance).Mul(tolerance, tolerance) // 1e-48
	rapid.Check(t, func(t *rapid.T) {
		x := ratio(rapid.Int64Range(-40_000_000, 40_000_000).Draw(t, "x"), 1_000_000)
		back := exactly(ln(exp(realOf(x))))
		if d := back.Sub(back, x); d.Abs(d).Cmp(tolerance) > 0 {
			t.Fatalf("ln exp %s is off by %s", x.FloatString(6), d.FloatString(60))
		}
	})
}

// lives draws a cycle life with both forms of it.
func lives(t *rapid.T) (analytics.CycleLife, *Terms) {
	n := rapid.IntRange(1, 4).Draw(t, "points")
	life := analytics.CycleLife{Shallow: rapid.SampledFrom([]analytics.Shallow{analytics.ShallowThroughput, analytics.ShallowSlope}).Draw(t, "shallow")}
	depth, cycles := 0, 100_000
	for range n {
		depth += rapid.IntRange(1, 25).Draw(t, "depth")
		cycles -= rapid.IntRange(1, 20_000).Draw(t, "cycles")
		life.Points = append(life.Points, analytics.LifePoint{Depth: float64(depth) / 100, Cycles: float64(cycles)})
	}
	return life, FreezeTerms(&analytics.Terms{Life: life, Years: 10})
}

// TestSpentAgreesWithTheLedger: the share worked out exactly is the one that
// the ledger gives in floats.
func TestSpentAgreesWithTheLedger(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		life, terms := lives(t)
		var h analytics.HalfCycles
		half := map[int]int64{}
		for range rapid.IntRange(0, 8).Draw(t, "bins") {
			bin := rapid.IntRange(0, analytics.Bins-1).Draw(t, "bin")
			h[bin] = rapid.Int64Range(0, 20_000).Draw(t, "n")
			half[bin] = h[bin]
		}
		w := wearOf(terms)
		got, _ := w.spent(half, w.spends).Float64()
		if want := life.Spent(&h); math.Abs(got-want) > 1e-9*max(1, want) {
			t.Fatalf("got %v, ledger %v", got, want)
		}
	})
}

// TestHiddenUseIsBounded: whatever a unit does while it is not seen, the life it
// spends stays within the bound on what was counted.
func TestHiddenUseIsBounded(t *testing.T) {
	walk := func(t *rapid.T, label string, least int) []analytics.SoC {
		// Whole bins, so that no range is rounded.
		steps := rapid.SliceOfN(rapid.IntRange(0, 200), least, 12).Draw(t, label)
		out := make([]analytics.SoC, len(steps))
		for i, s := range steps {
			out[i] = analytics.SoC(s * 5)
		}
		return out
	}
	rapid.Check(t, func(t *rapid.T) {
		_, terms := lives(t)
		w := wearOf(terms)
		before, hidden, after := walk(t, "before", 1), walk(t, "hidden", 0), walk(t, "after", 1)
		seen := append(append([]analytics.SoC{}, before...), after...)
		all := append(append(append([]analytics.SoC{}, before...), hidden...), after...)
		energy := travel(all) - travel(seen) // what went through unseen, in 0.1 % of the rated energy
		bound := new(big.Rat).Mul(w.steepest(), ratio(energy, 2000))
		most := bound.Add(bound, w.spent(halvesOf(seen), every))
		if got := w.spent(halvesOf(all), every); got.Cmp(new(big.Rat).Add(most, big.NewRat(1, 1e11))) > 0 {
			t.Fatalf("spent %s, bound %s", got.FloatString(15), most.FloatString(15))
		}
	})
}

// TestSteepest: between 80 % (9,000) and 95 % (6,200) k = 2.168605, and the slope
// k/(N·d) is steepest at a full cycle: N(100 %) = 6,200 × 0.95^k = 6,200 ×
// e^(-2.168605 × 0.0512933) = 6,200 × 0.8947286 = 5,547.317; k/N = 0.000390929. One point
// of 9,000 at 80 % has the slope 1/7,200 everywhere.
func TestSteepest(t *testing.T) {
	two := wearOf(&Terms{Life: []LifePoint{{"80", "9000"}, {"95", "6200"}}})
	if got := two.steepest().FloatString(9); got != "0.000390929" {
		t.Errorf("two points: %s", got)
	}
	one := wearOf(&Terms{Life: []LifePoint{{"80", "9000"}}})
	if got := one.steepest(); got.Cmp(ratio(1, 7200)) != 0 {
		t.Errorf("one point: %s", got)
	}
}

func every(*big.Rat) bool { return true }

func travel(path []analytics.SoC) (sum int64) {
	for i := 1; i < len(path); i++ {
		sum += int64(max(path[i]-path[i-1], path[i-1]-path[i]))
	}
	return sum
}

func halvesOf(path []analytics.SoC) map[int]int64 {
	var flow analytics.Rainflow
	var h analytics.HalfCycles
	for _, s := range path {
		flow.Push(s, func(bin int) { h[bin] += 2 })
	}
	flow.Open(&h)
	out := map[int]int64{}
	for bin, n := range h {
		out[bin] = n
	}
	return out
}

func TestDecimals(t *testing.T) {
	for f, want := range map[float64]Decimal{0: "0", 80: "80", 0.1: "0.1", -2.5: "-2.5", 1.0 / 3: "0.333333333333", 57.3 / 100: "0.573", 1e-13: "0", -1e-13: "0", 31000: "31000"} {
		if got := DecimalOf(f); got != want || !got.Valid() {
			t.Errorf("%v: got %q, want %q", f, got, want)
		}
	}
	for _, text := range []Decimal{"", "-0", "+1", "01", "1.", "1.50", ".5", "1e3", "0x1", "1_0", " 1", "NaN"} {
		if text.Valid() {
			t.Errorf("%q is taken for a decimal", text)
		}
	}
}

func TestThinIsWhatTheStandingCallsThin(t *testing.T) {
	if EnoughCoverage != analytics.ThinBelow*1_000_000 {
		t.Errorf("claims take %d ppm for enough, standings %v", EnoughCoverage, analytics.ThinBelow)
	}
}

func TestTableFollowsTheRules(t *testing.T) {
	for _, g := range []Ground{GroundDefect, GroundCapacity} {
		rows := Table(g)
		for i, id := range RuleIDs() {
			if rows[i].Rule != id {
				t.Errorf("row %d is %s, want %s", i, rows[i].Rule, id)
			}
		}
	}
}
