package reference

import (
	"maps"
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"
)

func value(v int64) *int64 { return &v }

// home is an invented unit.
func home() *Model {
	return &Model{
		RatedMWh: 5_200_000, RatedMAh: 101_600, MaxPowerMW: 2_600_000, CountedFromPPM: 20_000,
		FloorSoC: value(30), StorageMaxCentiC: value(5500),
		ChargeLimit: []LimitRow{{-1200, 50_000}, {0, 200_000}, {1200, 500_000}, {4400, 500_000}, {5400, 50_000}},
		Life:        []LifePoint{{800_000, 9_000_000}, {950_000, 6_200_000}},
	}
}

// TestThreePoint counts the published example of ASTM E1049-85, section 5.4.4
// (its figure 6), doubled so that every range is whole in bins of five.
func TestThreePoint(t *testing.T) {
	tests := []struct {
		name   string
		series []int64
		want   map[int]int64
	}{
		{"nothing", nil, map[int]int64{}},
		{"one value", []int64{500}, map[int]int64{}},
		{"no change", []int64{500, 500, 500}, map[int]int64{}},
		{"one range", []int64{500, 510, 600}, map[int]int64{20: 1}},
		{"the standard's example", []int64{-10, 5, -15, 25, -5, 15, -20, 20, -10},
			map[int]int64{3: 1, 4: 3, 6: 1, 8: 2, 9: 1}},
		{"its values doubled", []int64{-10, -10, 5, 5, -15, -15, 25, 25, -5, -5, 15, 15, -20, -20, 20, 20, -10, -10},
			map[int]int64{3: 1, 4: 3, 6: 1, 8: 2, 9: 1}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := threePoint(turningPoints(tt.series)); !reflect.DeepEqual(got, tt.want) {
				t.Errorf("got %v, want %v", got, tt.want)
			}
		})
	}
}

// TestClosedAndResidue: the closed cycles and the ranges that are left make
// the totals of the three-point procedure, ties included.
func TestClosedAndResidue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		series := rapid.SliceOfN(rapid.Int64Range(0, rapid.SampledFrom([]int64{2, 5, 1000}).Draw(t, "top")), 0, 60).Draw(t, "series")
		totals := threePoint(turningPoints(series))
		halves, residue := fourPoint(turningPoints(series))
		for i := 1; i < len(residue); i++ {
			halves[bin(span(residue[i-1], residue[i]))]++
		}
		if !maps.Equal(halves, totals) {
			t.Fatalf("closed and residue make %v, the three-point procedure %v", halves, totals)
		}
	})
}

func TestEnergyOfAPair(t *testing.T) {
	tests := []struct {
		name     string
		from, to Sample
		want     Energy
		basis    basis
	}{
		{"a mean holds for the whole pair", Sample{PowerMW: value(0)}, Sample{TimeMs: 3_600, PowerMW: value(1_000_000), PowerIsMean: true},
			Energy{1_000_000, 0}, basisPower},
		{"split where the line crosses zero", Sample{PowerMW: value(-1_000_000)}, Sample{TimeMs: 36_000, PowerMW: value(3_000_000)},
			Energy{11_250_000, 1_250_000}, basisPower},
		{"half a mWh from 10 s on goes away from zero", Sample{PowerMW: value(180)}, Sample{TimeMs: 10_000, PowerMW: value(180)},
			Energy{1000, 0}, basisPower},
		{"less than half does not", Sample{PowerMW: value(-179)}, Sample{TimeMs: 10_000, PowerMW: value(-179)},
			Energy{}, basisPower},
		{"below 10 s to the µWh", Sample{PowerMW: value(-180)}, Sample{TimeMs: 9_999, PowerMW: value(-180)},
			Energy{0, 500}, basisPower}, // 499.95
		{"voltage times current", Sample{VoltageMV: value(50_000), CurrentMA: value(20_000)}, Sample{TimeMs: 36_000, PowerMW: value(1_000_000)},
			Energy{10_000_000, 0}, basisPower},
		{"state of charge", Sample{SoC: value(500)}, Sample{TimeMs: 60_000, SoC: value(497)},
			Energy{0, 15_600_000}, basisSoC},
		{"nothing across a gap", Sample{SoC: value(500), PowerMW: value(1)}, Sample{TimeMs: 900_001, SoC: value(497), PowerMW: value(1)},
			Energy{}, basisNone},
		{"counters across a gap", Sample{ChargeMWh: value(5), DischargeMWh: value(0)}, Sample{TimeMs: 7_200_000, ChargeMWh: value(9), DischargeMWh: value(0)},
			Energy{4000, 0}, basisCounter},
		{"one counter is none", Sample{ChargeMWh: value(5), SoC: value(1)}, Sample{TimeMs: 60_000, ChargeMWh: value(9), SoC: value(2)},
			Energy{5_200_000, 0}, basisSoC},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := home().pair(tt.from, tt.to)
			if p.energy != tt.want || p.basis != tt.basis {
				t.Errorf("got %+v by %d, want %+v by %d", p.energy, p.basis, tt.want, tt.basis)
			}
		})
	}
}

// TestCounterEvents: 1.2 × 2.6 kW for 6 min and 100 Wh are 412 Wh.
func TestCounterEvents(t *testing.T) {
	const field = "charge_mwh"
	tests := []struct {
		name     string
		old, new int64
		want     int64
		events   []Event
	}{
		{"the most that is plausible", 0, 412_000, 412_000_000, nil},
		{"more", 0, 412_001, 0, []Event{{"counter-implausible", 360_000, field}}},
		{"anew, plausible", 500_000, 412_000, 412_000_000, []Event{{"counter-reset", 360_000, field}}},
		{"anew, not plausible", 500_000, 412_001, 0, []Event{{"counter-reset", 360_000, field}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := home().pair(Sample{ChargeMWh: &tt.old, DischargeMWh: value(0)},
				Sample{TimeMs: 360_000, ChargeMWh: &tt.new, DischargeMWh: value(0)})
			if p.energy != (Energy{tt.want, 0}) || !reflect.DeepEqual(p.events, tt.events) {
				t.Errorf("got %+v %v, want %d %v", p.energy, p.events, tt.want, tt.events)
			}
		})
	}
}

func TestFuture(t *testing.T) {
	at := func(time, stored int64) Delivered { return Delivered{Sample{TimeMs: time, SoC: value(500)}, stored} }
	r := Count(home(), []Delivered{at(600_000, 0), at(600_001, 0), at(600_001, 0), at(700_000, 0), at(700_000, 100_000)}, nil)
	if r.Samples != 2 || r.Future != 3 || r.Duplicates != 0 || r.LastMs != 700_000 {
		t.Errorf("got %+v, want 2 samples, 3 rows from the future, no duplicate", r)
	}
}

// TestVersions: what counts at one instant, and what becomes of the rest.
func TestVersions(t *testing.T) {
	v := func(rank int, soc int64) Sample { return Sample{TimeMs: 5000, Rank: rank, SoC: &soc} }
	all := func(versions ...Sample) Correction { return Correction{0, 10_000, versions} }
	tests := []struct {
		name                                       string
		versions                                   []Sample
		corrections                                []Correction
		samples, duplicates, conflicts, superseded int64
	}{
		{"alone", []Sample{v(0, 1)}, nil, 1, 0, 0, 0},
		{"twice the same", []Sample{v(0, 1), v(0, 1), v(0, 1)}, nil, 1, 2, 0, 0},
		{"the same of another rank is another version", []Sample{v(0, 1), v(1, 1)}, nil, 1, 0, 0, 1},
		{"in dispute", []Sample{v(0, 1), v(0, 2), v(0, 1)}, nil, 0, 1, 1, 0},
		{"a dispute below the top", []Sample{v(0, 1), v(0, 2), v(1, 3)}, nil, 1, 0, 0, 2},
		{"a dispute at the top", []Sample{v(0, 1), v(1, 2), v(1, 3)}, nil, 0, 0, 1, 1},
		{"a correction chooses", []Sample{v(0, 1), v(0, 2)}, []Correction{all(v(0, 2))}, 1, 0, 0, 2},
		{"a correction brings its own", []Sample{v(0, 1), v(1, 2)}, []Correction{all(v(0, 3))}, 1, 0, 0, 2},
		{"a correction takes out", []Sample{v(0, 1), v(0, 1)}, []Correction{all()}, 0, 1, 0, 1},
		{"a correction where nothing was", nil, []Correction{all(v(0, 3))}, 1, 0, 0, 0},
		{"the later correction holds", []Sample{v(0, 1)}, []Correction{all(), all(v(0, 1))}, 1, 0, 0, 1},
		{"a correction ends before its end", []Sample{v(0, 1)}, []Correction{{0, 5000, nil}}, 1, 0, 0, 0},
		{"and begins with its beginning", []Sample{v(0, 1)}, []Correction{{5000, 5001, nil}}, 0, 0, 0, 1},
		{"it supersedes the same content too", []Sample{v(0, 1), v(1, 1)}, []Correction{all(v(0, 1))}, 1, 0, 0, 2},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var delivered []Delivered
			for _, s := range tt.versions {
				delivered = append(delivered, Delivered{s, s.TimeMs})
			}
			r := Count(home(), delivered, tt.corrections)
			got := [4]int64{r.Samples, r.Duplicates, r.Conflicts, r.Superseded}
			if want := [4]int64{tt.samples, tt.duplicates, tt.conflicts, tt.superseded}; got != want {
				t.Errorf("samples, duplicates, conflicts, superseded: got %v, want %v", got, want)
			}
		})
	}
}

// TestDays: a pair across midnight covers both days, and its energy is the
// later one's.
func TestDays(t *testing.T) {
	r := Count(home(), []Delivered{
		{Sample{TimeMs: -60_000, PowerMW: value(1_000_000)}, 0},
		{Sample{TimeMs: 300_000, PowerMW: value(1_000_000)}, 0},
	}, nil)
	want := map[int32]DayResult{
		-1: {Samples: 1, CoveredMs: 60_000},
		0:  {Samples: 1, CoveredMs: 300_000, Energy: Energy{100_000_000, 0}},
	}
	if !reflect.DeepEqual(r.Days, want) {
		t.Errorf("got %+v, want %+v", r.Days, want)
	}
}

// TestEpisodes: an unbroken run is one episode up to the longest gap; with a
// sample within the limit between, up to 10 min.
func TestEpisodes(t *testing.T) {
	cold := func(ms, powerMW int64) Delivered {
		return Delivered{Sample{TimeMs: ms, TempCentiC: value(-1000 - ms/1_000_000), PowerMW: &powerMW}, ms}
	}
	const over, rest = 1_000_000, 0
	tests := []struct {
		name    string
		samples []Delivered
		n       []int64 // of each episode
	}{
		{"one sample", []Delivered{cold(0, over)}, []int64{1}},
		{"up to the gap", []Delivered{cold(0, over), cold(900_000, over)}, []int64{2}},
		{"past the gap", []Delivered{cold(0, over), cold(900_001, over)}, []int64{1, 1}},
		{"10 min and a rest between", []Delivered{cold(0, over), cold(300_000, rest), cold(600_000, over)}, []int64{2}},
		{"a little more", []Delivered{cold(0, over), cold(300_000, rest), cold(600_001, over)}, []int64{1, 1}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var n []int64
			for _, e := range Count(home(), tt.samples, nil).Excursions {
				if e.Kind != "cold-charge" || math.Abs(e.PeakC-over/5_200_000.0) > 1e-12 {
					t.Errorf("got %+v", e)
				}
				n = append(n, e.N)
			}
			if !reflect.DeepEqual(n, tt.n) {
				t.Errorf("got episodes of %v samples, want %v", n, tt.n)
			}
		})
	}
}

func TestWarrantedCycles(t *testing.T) {
	m := home()
	tests := []struct {
		name  string
		ppm   float64
		slope bool
		want  float64
	}{
		{"a declared point", 800_000, false, 9000},
		{"the other", 950_000, false, 6200},
		{"shallower, constant throughput", 400_000, false, 18_000},
		{"shallower, the slope goes on", 400_000, true, 9000 * math.Pow(0.5, math.Log(6200.0/9000)/math.Log(0.95/0.8))},
		{"between", 870_000, false, 9000 * math.Pow(0.87/0.8, math.Log(6200.0/9000)/math.Log(0.95/0.8))},
		{"deeper", 1_000_000, false, 9000 * math.Pow(1/0.8, math.Log(6200.0/9000)/math.Log(0.95/0.8))},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m.ShallowSlope = tt.slope
			if got := m.warrantedCycles(tt.ppm); math.Abs(got-tt.want) > 1e-9*tt.want {
				t.Errorf("got %v, want %v", got, tt.want)
			}
		})
	}
}
