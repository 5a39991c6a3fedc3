package analytics_test

import (
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"fadeledger/analytics"
	"pgregory.net/rapid"
)

// scaled turns a published series into states of charge: times scale, rounded,
// and shifted so that the lowest is 0. Counting does not see the shift.
func scaled(series []float64, scale float64) []analytics.SoC {
	low := slices.Min(series)
	out := make([]analytics.SoC, len(series))
	for i, v := range series {
		out[i] = analytics.SoC(math.Round((v - low) * scale))
	}
	return out
}

// countedSeries is what a counter says of a series, in half cycles by bin.
type countedSeries struct {
	closed, open, total map[int]int64
}

func countSeries(series []analytics.SoC) countedSeries {
	var r analytics.Rainflow
	var closed, open analytics.HalfCycles
	for _, s := range series {
		r.Push(s, func(bin int) { closed[bin] += 2 })
	}
	r.Open(&open)
	total := closed
	total.Add(&open)
	return countedSeries{sparse(closed), sparse(open), sparse(total)}
}

func sparse(h analytics.HalfCycles) map[int]int64 {
	out := map[int]int64{}
	for k, n := range h {
		if n != 0 {
			out[k] = n
		}
	}
	return out
}

// binned turns half cycles by published range into half cycles by depth bin.
func binned(t *testing.T, ranges map[float64]int64, scale float64) map[int]int64 {
	t.Helper()
	out := map[int]int64{}
	for r, n := range ranges {
		tenths := math.Round(r * scale)
		if math.Mod(tenths, 5) != 0 {
			t.Fatalf("range %g times %g is not a whole bin", r, scale)
		}
		out[int(tenths)/5] += n
	}
	return out
}

var (
	standardSeries = []float64{-2, 1, -3, 5, -1, 3, -4, 4, -2}
	longSeries     = []float64{
		-1.5, 1, -3, 10, -1, 3, -8, 4, -2, 6, -1, -4, -8, 2, 1, -5, 0, 2.5, -4, 1, 0, 2, -0.5,
	}
	mixedSeries = []float64{4, 7, 2, 10, 5, 9, 3, 4, 2, 12, 5, 11, 1, 4, 3, 10, 6, 12, 4, 8, 1, 9, 4, 6}
)

// TestRainflowPublished compares totals with published counts, in half cycles
// by range.
func TestRainflowPublished(t *testing.T) {
	tests := []struct {
		name   string
		series []float64
		scale  float64
		want   map[float64]int64
	}{
		{
			// ASTM E1049-85 §5.4.4, the example of its figure 6, as given in
			// github.com/iamlikeme/rainflow tests/test_rainflow.py @5fc6822.
			"standard example", standardSeries, 100,
			map[float64]int64{3: 1, 4: 3, 6: 1, 8: 2, 9: 1},
		},
		{
			// The second case of github.com/iamlikeme/rainflow
			// tests/test_rainflow.py @5fc6822.
			"long series", longSeries, 50,
			map[float64]int64{1: 2, 2.5: 2, 4: 3, 6: 3, 6.5: 1, 7: 2, 10.5: 1, 13: 1, 14: 2, 18: 1},
		},
		{
			// The standard example turned so that it begins and ends at its
			// extreme: ASTM E1049-85 §5.4.5, simplified for repeating
			// histories (the section is cited from memory).
			"standard example repeating", []float64{5, -1, 3, -4, 4, -2, 1, -3, 5}, 100,
			map[float64]int64{3: 2, 4: 2, 7: 2, 9: 2},
		},
		{
			// Series of github.com/Gunnstein/fatpack fatpack/test.py
			// @951929f; the totals were worked out by the three-point
			// procedure of ASTM E1049-85 §5.4.4.
			"mixed series", mixedSeries, 50,
			map[float64]int64{1: 4, 2: 1, 3: 1, 4: 6, 5: 2, 6: 2, 8: 3, 10: 1, 11: 3},
		},
		{"nothing", nil, 1, nil},
		{"one value", []float64{3}, 1, nil},
		{"constant", []float64{3, 3, 3, 3}, 1, nil},
		{"two values", []float64{1, 8}, 100, map[float64]int64{7: 1}},
		{"monotone", []float64{1, 2, 2, 3, 8}, 100, map[float64]int64{7: 1}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var series []analytics.SoC
			if len(tt.series) > 0 {
				series = scaled(tt.series, tt.scale)
			}
			want := binned(t, tt.want, tt.scale)
			if got := countSeries(series).total; !maps.Equal(got, want) {
				t.Errorf("half cycles by bin: got %v, want %v", got, want)
			}
			var doubled, mirrored []analytics.SoC
			for _, s := range series {
				doubled = append(doubled, s, s)
				mirrored = append(mirrored, 1000-s)
			}
			if got := countSeries(doubled).total; !maps.Equal(got, want) {
				t.Errorf("every value twice: got %v, want %v", got, want)
			}
			if got := countSeries(mirrored).total; !maps.Equal(got, want) {
				t.Errorf("upside down: got %v, want %v", got, want)
			}
		})
	}
}

// TestRainflowTwoSines counts the third case of github.com/iamlikeme/rainflow
// tests/test_rainflow.py @5fc6822: 15 entries, of which two full cycles of
// range 0.0255598505 and two of 0.0902063199; the largest half cycle is
// 1.9942872897. At 500 states of charge to 1 these are 12.8, 45.1 and 997.1
// tenths of a percent, and rounding moves a turning point by one at most.
func TestRainflowTwoSines(t *testing.T) {
	series := make([]float64, 1001)
	for i := range series {
		x := math.Pi * float64(i)
		series[i] = 0.8*math.Sin(0.01*x) + 0.2*math.Sin(0.032*x)
	}
	got := countSeries(scaled(series, 500)).total
	var halves int64
	for _, n := range got {
		halves += n
	}
	if halves != 4*2+11 {
		t.Errorf("half cycles: got %d, want 19 (4 full and 11 half)", halves)
	}
	if n := got[2] + got[3]; n != 4 {
		t.Errorf("half cycles of range 0.0256: got %d, want 4", n)
	}
	if n := got[9]; n != 4 {
		t.Errorf("half cycles of range 0.0902: got %d, want 4", n)
	}
	if deepest := slices.Max(slices.Collect(maps.Keys(got))); deepest != 199 {
		t.Errorf("deepest bin: got %d, want 199 (a range of 997)", deepest)
	}
}

// TestRainflowResidue compares closed cycles and residue with published
// four-point counts. A value one tenth of a percent back confirms the last one
// as a turning point; its own range falls into bin 0 and is left out.
func TestRainflowResidue(t *testing.T) {
	repeat := func(s []float64, n int) (out []float64) {
		for range n {
			out = append(out, s...)
		}
		return out
	}
	residue := []float64{4, 7, 2, 12, 1, 9, 4, 6}
	tests := []struct {
		name    string
		series  []float64
		scale   float64
		closed  map[float64]int64 // full cycles by range
		residue []float64
	}{
		// The next five: github.com/a-ma72/rainflow test/rfc_test.c @688ffff.
		{"rise", []float64{1, 3, 2, 4}, 100, map[float64]int64{1: 1}, []float64{1, 4}},
		{"fall", []float64{4, 2, 3, 1}, 100, map[float64]int64{1: 1}, []float64{4, 1}},
		{"uneven", []float64{2, 5, 3, 7}, 100, map[float64]int64{2: 1}, []float64{2, 7}},
		{
			"seven cycles", []float64{2, 5, 3, 6, 2, 4, 1, 6, 1, 4, 1, 5, 3, 6, 3, 6, 1, 5, 2}, 100,
			map[float64]int64{2: 3, 3: 2, 5: 2}, []float64{2, 6, 1, 5, 2},
		},
		{
			"three times over", append(repeat([]float64{2, 3, 1, 4, 1, 3, 2, 3}, 3), 1.9), 100,
			map[float64]int64{2: 2, 1: 5, 3: 2}, []float64{2, 3, 1, 4, 1, 3, 1.9},
		},
		// The last two: github.com/Gunnstein/fatpack fatpack/test.py @951929f.
		{
			// 5-9, 3-4, 10-2, 5-11, 4-3, 10-6, 4-8 and 1-12 close.
			"mixed series", mixedSeries, 50,
			map[float64]int64{4: 3, 1: 2, 8: 1, 6: 1, 11: 1}, residue,
		},
		{
			"residue twice", repeat(residue, 2), 50,
			map[float64]int64{2: 1, 3: 1, 7: 1, 11: 1}, residue,
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			series := scaled(tt.series, tt.scale)
			end, before := series[len(series)-1], series[len(series)-2]
			back := analytics.SoC(1)
			if end > before {
				back = -1
			}
			got := countSeries(append(series, end+back))
			want := binned(t, tt.closed, tt.scale)
			for k := range want {
				want[k] *= 2
			}
			if !maps.Equal(got.closed, want) {
				t.Errorf("closed half cycles: got %v, want %v", got.closed, want)
			}
			left := map[float64]int64{}
			for i := 1; i < len(tt.residue); i++ {
				left[math.Abs(tt.residue[i]-tt.residue[i-1])]++
			}
			delete(got.open, 0)
			if want := binned(t, left, tt.scale); !maps.Equal(got.open, want) {
				t.Errorf("residue: got %v, want %v", got.open, want)
			}
		})
	}
}

// TestRainflowRangePairs takes the range pairs of DIN 45667 from the count:
// of 4.9 6 4 7 3 9 5 8 6.9 they are 4, 3, 2 and 1, one each
// (github.com/a-ma72/rainflow test/rfc_test.c @688ffff, whose classes are one
// wide). Nothing closes, so all turning points are residue; the rising and the
// falling ranges, each in descending order, pair up by the smaller of both.
func TestRainflowRangePairs(t *testing.T) {
	series := scaled([]float64{4.9, 6, 4, 7, 3, 9, 5, 8, 6.9}, 100)
	got := countSeries(series)
	if len(got.closed) != 0 {
		t.Fatalf("closed: got %v, want none", got.closed)
	}
	if want := map[int]int64{22: 2, 40: 1, 60: 2, 80: 2, 120: 1}; !maps.Equal(got.open, want) {
		t.Fatalf("residue: got %v, want %v", got.open, want)
	}
	// Residue turns around at each point: every range is rising or falling in
	// turn, and prefixes of the series tell which bin came when.
	var rising, falling []int
	before := map[int]int64{}
	for n := 2; n <= len(series); n++ {
		now := countSeries(series[:n]).open
		for bin, count := range now {
			if count > before[bin] {
				if series[n-1] > series[n-2] {
					rising = append(rising, bin)
				} else {
					falling = append(falling, bin)
				}
			}
		}
		before = now
	}
	slices.Sort(rising)
	slices.Sort(falling)
	pairs := map[int]int{}
	for len(rising) > 0 && len(falling) > 0 {
		pair := min(rising[len(rising)-1], falling[len(falling)-1])
		pairs[pair*5/100]++
		rising, falling = rising[:len(rising)-1], falling[:len(falling)-1]
	}
	if want := map[int]int{4: 1, 3: 1, 2: 1, 1: 1}; !maps.Equal(pairs, want) {
		t.Errorf("range pairs: got %v, want %v", pairs, want)
	}
}

// threePoint counts half cycles by range the way the text of ASTM E1049-85
// §5.4.4 goes: from the starting point S on, the newest range X against the
// one before it, Y.
func threePoint(series []analytics.SoC) map[int]int64 {
	reversals := slices.Compact(slices.Clone(series))
	for i := 1; i+1 < len(reversals); {
		a, b, c := reversals[i-1], reversals[i], reversals[i+1]
		if (a < b) == (b < c) {
			reversals = slices.Delete(reversals, i, i+1)
			continue
		}
		i++
	}
	width := func(a, b analytics.SoC) int { return max(int(a)-int(b), int(b)-int(a)) }
	counts := map[int]int64{}
	var read []analytics.SoC
	for _, p := range reversals {
		read = append(read, p)
		for len(read) >= 3 {
			n := len(read)
			x, y := width(read[n-1], read[n-2]), width(read[n-2], read[n-3])
			if x < y {
				break
			}
			if n == 3 { // Y holds the starting point, which moves on
				counts[y]++
				read = read[1:]
				continue
			}
			counts[y] += 2
			read = slices.Delete(read, n-3, n-1)
		}
	}
	for i := 1; i < len(read); i++ {
		counts[width(read[i], read[i-1])]++
	}
	return counts
}

// randomSeries draws a series in whole bins: few levels make many ties.
func randomSeries(rng *rand.Rand) []analytics.SoC {
	levels := []int{2, 3, 4, 6, 11, 201}[rng.IntN(6)]
	series := make([]analytics.SoC, rng.IntN(120))
	for i := range series {
		series[i] = analytics.SoC(5 * rng.IntN(levels))
	}
	return series
}

func TestRainflowAgainstThreePoint(t *testing.T) {
	rng := rand.New(rand.NewPCG(10, 49))
	for n := range 20_000 {
		series := randomSeries(rng)
		want := map[int]int64{}
		for r, count := range threePoint(series) {
			want[r/5] = count
		}
		if got := countSeries(series).total; !maps.Equal(got, want) {
			t.Fatalf("series %d, %v:\ngot  %v\nwant %v", n, series, got, want)
		}
	}
}

// TestRainflowKeepsVariation: half cycles times their range add up to the
// total variation of the series.
func TestRainflowKeepsVariation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		levels := rapid.SliceOfN(rapid.IntRange(0, 200), 0, 300).Draw(t, "levels")
		series := make([]analytics.SoC, len(levels))
		variation := 0
		for i, v := range levels {
			series[i] = analytics.SoC(5 * v)
			if i > 0 {
				variation += 5 * max(v-levels[i-1], levels[i-1]-v)
			}
		}
		sum := 0
		for bin, n := range countSeries(series).total {
			sum += int(n) * 5 * bin
		}
		if sum != variation {
			t.Errorf("sum of ranges %d, total variation %d", sum, variation)
		}
	})
}

// TestRainflowReadAnywhere: reading the count after every value gives what
// counting that much of the series afresh gives, and changes nothing.
func TestRainflowReadAnywhere(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 4))
	for range 200 {
		series := randomSeries(rng)
		var r analytics.Rainflow
		var closed analytics.HalfCycles
		for i, s := range series {
			r.Push(s, func(bin int) { closed[bin] += 2 })
			total := closed
			r.Open(&total)
			if want := countSeries(series[:i+1]).total; !maps.Equal(sparse(total), want) {
				t.Fatalf("after %d of %v: got %v, want %v", i+1, series, sparse(total), want)
			}
		}
	}
}

// TestRainflowSplit: a series cut anywhere, its state written and read in
// between, gives the state of the whole.
func TestRainflowSplit(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 1))
	m := testModel()
	for range 300 {
		series := randomSeries(rng)
		var whole, split analytics.Counter
		var out analytics.Effects
		for i, s := range series {
			x := at(analytics.Instant(i)*minute, soc(s))
			whole.Step(m, x, &out)
			if rng.IntN(4) == 0 {
				split = *decode(t, encode(t, &split))
			}
			split.Step(m, x, &out)
		}
		if string(encode(t, &whole)) != string(encode(t, &split)) {
			t.Fatalf("%v: the state depends on where the series is split", series)
		}
		if got, want := sparse(split.HalfCycles()), countSeries(series).total; !maps.Equal(got, want) {
			t.Fatalf("%v: got %v, want %v", series, got, want)
		}
	}
}

func TestBinOf(t *testing.T) {
	for _, tt := range []struct {
		width analytics.SoC
		bin   int
	}{{0, 0}, {2, 0}, {3, 1}, {5, 1}, {7, 1}, {8, 2}, {10, 2}, {997, 199}, {998, 200}, {1000, 200}} {
		if got := analytics.BinOf(tt.width); got != tt.bin {
			t.Errorf("BinOf(%d) = %d, want %d", tt.width, got, tt.bin)
		}
	}
	if got := analytics.BinDepth(176); math.Abs(got-0.88) > 1e-15 {
		t.Errorf("BinDepth(176) = %g, want 0.88", got)
	}
}
