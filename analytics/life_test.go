package analytics_test

import (
	"math"
	"testing"

	"fadeledger/analytics"
	"pgregory.net/rapid"
)

// near reports whether both numbers agree to the relative tolerance.
func near(got, want, tolerance float64) bool {
	return got == want || math.Abs(got-want) <= tolerance*math.Abs(want)
}

// fromZero counts every depth.
func fromZero(life analytics.CycleLife) analytics.CycleLife {
	life.CountedFromPct = new(float64)
	return life
}

// fullCycles sets n full cycles at each depth in percent.
func fullCycles(byDepth map[float64]float64) *analytics.HalfCycles {
	h := new(analytics.HalfCycles)
	for pct, n := range byDepth {
		h[int(math.Round(pct*2))] += int64(math.Round(2 * n))
	}
	return h
}

// Two points as terms commonly give them (common practice, no source).
var twoPoints = analytics.CycleLife{Points: []analytics.LifePoint{{Depth: 0.80, Cycles: 10_000}, {Depth: 0.96, Cycles: 6_000}}}

// fivePoints is an invented curve.
var fivePoints = analytics.CycleLife{Points: []analytics.LifePoint{
	{Depth: 0.1, Cycles: 60_000}, {Depth: 0.2, Cycles: 25_000}, {Depth: 0.5, Cycles: 8_000},
	{Depth: 0.8, Cycles: 4_500}, {Depth: 1, Cycles: 3_500},
}}

func TestCycles(t *testing.T) {
	one := analytics.CycleLife{Points: []analytics.LifePoint{{Depth: 0.8, Cycles: 6_000}}}
	sloped := func(c analytics.CycleLife) analytics.CycleLife { c.Shallow = analytics.ShallowSlope; return c }
	tests := []struct {
		name  string
		life  analytics.CycleLife
		depth float64
		want  float64
		tol   float64
	}{
		// 10000 × (0.88/0.80)^(ln 0.6 / ln 1.2) = 7656 to the nearest cycle.
		{"two points between", twoPoints, 0.88, 7656, 0.5 / 7656},
		{"two points, the shallower", twoPoints, 0.80, 10_000, 0},
		{"two points, the deeper", twoPoints, 0.96, 6_000, 0},
		{"two points, deeper", twoPoints, 1, 10_000 * math.Pow(1.25, math.Log(0.6)/math.Log(1.2)), 1e-12},
		{"two points, shallower", twoPoints, 0.40, 20_000, 1e-12},
		{"two points, shallower by the slope", sloped(twoPoints), 0.40, 10_000 * math.Pow(0.5, math.Log(0.6)/math.Log(1.2)), 1e-12},
		{"five points at 0.3", fivePoints, 0.3, 15099.598, 1e-7},
		{"five points at 0.9", fivePoints, 0.9, 3940.962, 1e-7},
		{"five points, end slope", sloped(fivePoints), 0.05, 144_000, 1e-12},
		{"five points, throughput", fivePoints, 0.05, 120_000, 1e-12},
		{"five points on the third", fivePoints, 0.5, 8_000, 0},
		{"one point, itself", one, 0.8, 6_000, 0},
		{"one point, deeper", one, 1, 4_800, 1e-12},
		{"one point, shallower", one, 0.2, 24_000, 1e-12},
		{"one point, slope has none", sloped(one), 0.2, 24_000, 1e-12},
		{"no points", analytics.CycleLife{}, 0.5, math.Inf(1), 0},
		{"depth zero", twoPoints, 0, math.Inf(1), 0},
		{"depth below zero", twoPoints, -0.1, math.Inf(1), 0},
	}
	for _, tt := range tests {
		if got := tt.life.Cycles(tt.depth); !near(got, tt.want, tt.tol) {
			t.Errorf("%s: Cycles(%g) = %v, want %v", tt.name, tt.depth, got, tt.want)
		}
	}
}

func TestSpent(t *testing.T) {
	from := func(pct float64) analytics.CycleLife {
		life := twoPoints
		life.CountedFromPct = &pct
		return life
	}
	slope := fromZero(fivePoints)
	slope.Shallow = analytics.ShallowSlope
	tests := []struct {
		name string
		life analytics.CycleLife
		done map[float64]float64 // full cycles by depth in percent
		want float64
		tol  float64
	}{
		// 1000/4500 + 5000/25000 + 100/8000
		{"five points", slope, map[float64]float64{80: 1000, 20: 5000, 50: 100}, 0.4347222, 2e-7},
		{"all life between the points", twoPoints, map[float64]float64{88: 7656}, 1, 1e-4},
		{"half the life at each of two depths", twoPoints, map[float64]float64{80: 5_000, 96: 3_000}, 1, 1e-12},
		{"one half cycle", twoPoints, map[float64]float64{80: 0.5}, 0.5 / 10_000, 1e-12},
		{"too shallow to count", twoPoints, map[float64]float64{1.5: 1e6}, 0, 0},
		{"two percent counts", twoPoints, map[float64]float64{2: 1000}, 1000 * 2 / (80 * 10_000.0), 1e-12},
		{"counted from 50 %", from(50), map[float64]float64{49.5: 1e6, 50: 160}, 0.01, 1e-12},
		{"counted from 0 %", from(0), map[float64]float64{0: 1e6, 0.5: 16_000}, 0.01, 1e-12},
		{"counted from between bins", from(79.9), map[float64]float64{79.5: 1e6, 80: 100}, 0.01, 1e-12},
		{"nothing warranted", analytics.CycleLife{}, map[float64]float64{80: 1e6}, 0, 0},
		{"nothing done", twoPoints, nil, 0, 0},
	}
	for _, tt := range tests {
		if got := tt.life.Spent(fullCycles(tt.done)); !near(got, tt.want, tt.tol) {
			t.Errorf("%s: spent %v, want %v", tt.name, got, tt.want)
		}
	}
	left := (1 - slope.Spent(fullCycles(map[float64]float64{80: 1000, 20: 5000, 50: 100}))) * slope.Cycles(0.8)
	if !near(left, 2543.75, 1e-9) {
		t.Errorf("cycles left at 80 %%: %v, want 2543.75", left)
	}
}

// TestAlternatingUnit counts a unit that goes down to 4 % and to 20 % by turns
// from full: the deep cycles spend by 6,000, the shallow ones by 10,000.
func TestAlternatingUnit(t *testing.T) {
	const rounds = 300
	var samples []analytics.Sample
	now := analytics.Instant(0)
	for range rounds {
		for _, v := range []analytics.SoC{1000, 40, 1000, 200} {
			samples = append(samples, at(now, soc(v)))
			now += hour
		}
	}
	samples = append(samples, at(now, soc(1000)))
	m := testModel()
	m.Floor = nil
	a := analytics.Count(m, samples)
	h := a.Counter.HalfCycles()
	if h[192] != 2*rounds || h[160] != 2*rounds {
		t.Fatalf("half cycles: %v, want %d at 96 %% and at 80 %%", sparse(h), 2*rounds)
	}
	const want = rounds/6_000.0 + rounds/10_000.0
	if got := twoPoints.Spent(&h); !near(got, want, 1e-12) {
		t.Errorf("spent %v, want %v", got, want)
	}
}

// TestMinerIsEFC: where warranted cycles fall with 1/depth, what is spent times
// the cycles at full depth is the number of equivalent full cycles.
func TestMinerIsEFC(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const full = 4_000
		life := fromZero(analytics.CycleLife{Points: []analytics.LifePoint{
			{Depth: 0.25, Cycles: 4 * full}, {Depth: 0.5, Cycles: 2 * full}, {Depth: 1, Cycles: full},
		}})
		life.Shallow = rapid.SampledFrom([]analytics.Shallow{"", analytics.ShallowThroughput, analytics.ShallowSlope}).Draw(t, "shallow")
		var samples []analytics.Sample
		for i, v := range rapid.SliceOfN(rapid.IntRange(0, 200), 2, 100).Draw(t, "levels") {
			samples = append(samples, at(analytics.Instant(i)*minute, soc(analytics.SoC(5*v))))
		}
		m := testModel()
		a := analytics.Count(m, samples)
		h := a.Counter.HalfCycles()
		efc := analytics.EFC(m, nil, a.Counter.Total())
		if got := life.Spent(&h) * full; !near(got, efc, 1e-9) && math.Abs(got-efc) > 1e-12 {
			t.Errorf("spent × cycles = %v, EFC = %v", got, efc)
		}
	})
}

// TestEFC: 10 kWh rated, 3.2 MWh in and 2.9 MWh out are 305 equivalent full
// cycles by throughput and 290 by discharge.
func TestEFC(t *testing.T) {
	m := testModel()
	f := analytics.Flow{Charge: 3_200_000_000_000, Discharge: 2_900_000_000_000}
	for _, tt := range []struct {
		name  string
		m     *analytics.Model
		terms *analytics.Terms
		want  float64
	}{
		{"no terms", m, nil, 305},
		{"terms without a basis", m, &analytics.Terms{}, 305},
		{"throughput", m, &analytics.Terms{EFCBasis: analytics.BasisThroughput}, 305},
		{"discharge", m, &analytics.Terms{EFCBasis: analytics.BasisDischarge}, 290},
		{"not rated", &analytics.Model{}, nil, 0},
	} {
		if got := analytics.EFC(tt.m, tt.terms, f); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
}

func TestCycleLifeValidate(t *testing.T) {
	points := func(p ...analytics.LifePoint) analytics.CycleLife { return analytics.CycleLife{Points: p} }
	for _, tt := range []struct {
		name string
		life analytics.CycleLife
		want string
	}{
		{"no points", analytics.CycleLife{}, ""},
		{"two points", twoPoints, ""},
		{"slope", analytics.CycleLife{Shallow: analytics.ShallowSlope}, ""},
		{"depth zero", points(analytics.LifePoint{Cycles: 5}), "cycle life point 1: depth 0 % is not within 0 to 100 %"},
		{"too deep", points(analytics.LifePoint{Depth: 1.5, Cycles: 5}), "cycle life point 1: depth 150 % is not within 0 to 100 %"},
		{"depth not a number", points(analytics.LifePoint{Depth: math.NaN(), Cycles: 5}), "cycle life point 1: depth NaN % is not within 0 to 100 %"},
		{"no cycles", points(analytics.LifePoint{Depth: 1}), "cycle life point 1: 0 cycles is not a positive number"},
		{"endless", points(analytics.LifePoint{Depth: 1, Cycles: math.Inf(1)}), "cycle life point 1: +Inf cycles is not a positive number"},
		{"not ascending", points(analytics.LifePoint{Depth: 0.5, Cycles: 5}, analytics.LifePoint{Depth: 0.5, Cycles: 4}),
			"cycle life point 2: depth 50 % is not above the point before it"},
		{"unknown shallow", analytics.CycleLife{Shallow: "flat"}, `cycle life: shallow "flat" is neither "throughput" nor "slope"`},
	} {
		got := ""
		if err := tt.life.Validate(); err != nil {
			got = err.Error()
		}
		if got != tt.want {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
		}
	}
}
