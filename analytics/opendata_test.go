package analytics_test

import (
	"encoding/csv"
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"fadeledger/analytics"
)

// Measured data of one LFP cell (26650, 2.5 Ah nominal), licensed CC BY 4.0:
// Kawakita de Souza, Aloisio (2021), "Lithium-ion Battery OCV and Dynamic Test
// Data of a LiFePO4 cylindrical cell", Mendeley Data V1,
// doi:10.17632/p8kf893yv3.1; from github.com/aloisiohks/A123_26650_m1b_LAB_Dataset
// commit 4fc9320c85f91317ace5d1bc9c40f53aaa2b1140, converted to CSV.
//
// The files are not part of the repository: they are looked for in the folder
// that FADELEDGER_OPEN_DATA names, or else beside the repository.

// cellRow is one row of the cell's record; current is positive while charging.
type cellRow struct {
	seconds, current, voltage float64
	step                      int
}

// openCell reads a record, and reports false where there is none.
func openCell(t *testing.T, name string) ([]cellRow, bool) {
	t.Helper()
	folder := os.Getenv("FADELEDGER_OPEN_DATA")
	if folder == "" {
		folder = filepath.Join("..", "..", "shared", "data")
	}
	f, err := os.Open(filepath.Join(folder, name))
	if errors.Is(err, fs.ErrNotExist) {
		t.Logf("open data absent: %s is not there, so nothing is checked against measurements; name its folder in FADELEDGER_OPEN_DATA", name)
		return nil, false
	}
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	records, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	rows := make([]cellRow, len(records)-1)
	for i, r := range records[1:] {
		var v [4]float64
		for k := range v {
			if v[k], err = strconv.ParseFloat(r[k], 64); err != nil {
				t.Fatalf("%s row %d: %v", name, i+2, err)
			}
		}
		rows[i] = cellRow{seconds: v[0], step: int(v[1]), current: v[2], voltage: v[3]}
	}
	return rows, true
}

// ratedAh is the cell's nominal capacity.
const ratedAh = 2.5

// TestMeasuredDrive counts the cell under an urban driving schedule: 8,326 rows
// a second apart. Without rounding, the states of charge by counting each
// current over the second before it make 134 entries (132 full, 2 half) whose
// ranges, weighted with their counts, sum to 0.863692: the equivalent full
// cycles of the current, 1.100578 Ah in and 3.217881 Ah out.
//
// The counter takes whole tenths of a percent, which moves every range: so the three-point procedure must give 134 entries on the
// unrounded series, and the counter must agree with it on the rounded one.
func TestMeasuredDrive(t *testing.T) {
	rows, ok := openCell(t, "lfp_26650_udds_25c.csv")
	if !ok {
		return
	}
	state := make([]float64, len(rows))
	var in, out float64
	for i := 1; i < len(rows); i++ {
		ah := rows[i].current * (rows[i].seconds - rows[i-1].seconds) / 3600
		in, out = in+max(ah, 0), out+max(-ah, 0)
		state[i] = state[i-1] + ah/ratedAh
	}
	if !near(in, 1.100578, 1e-6) || !near(out, 3.217881, 1e-6) {
		t.Fatalf("%v Ah in and %v out, want 1.100578 and 3.217881", in, out)
	}
	full, half, sum := threePointReal(state)
	if full != 132 || half != 2 || !near(sum, 0.863692, 1e-6) {
		t.Errorf("unrounded: %d full, %d half, sum %v, want 132, 2, 0.863692", full, half, sum)
	}

	// From the full cell down: the state never rises above its start.
	series := make([]analytics.SoC, len(state))
	variation := 0
	for i, s := range state {
		series[i] = analytics.SoC(math.Floor(1000*(1+s) + 0.5))
		if i > 0 {
			d := int(series[i]) - int(series[i-1])
			variation += max(d, -d)
		}
	}
	byRange := threePoint(series)
	want, total := map[int]int64{}, 0
	for r, n := range byRange {
		want[analytics.BinOf(analytics.SoC(r))] += n
		total += r * int(n)
	}
	if total != variation {
		t.Errorf("ranges sum to %d, total variation is %d", total, variation)
	}
	got := countSeries(series).total
	for bin := range analytics.Bins {
		if got[bin] != want[bin] {
			t.Errorf("bin %d: %d half cycles, want %d", bin, got[bin], want[bin])
		}
	}
	// Rounding moves each turning point by half a tenth of a percent at most.
	t.Logf("rounded to 0.1 %%: ranges sum to %.4f, unrounded to %.6f", float64(total)/2000, sum)
	if lost := sum - float64(total)/2000; math.Abs(lost) > 134*0.001 {
		t.Errorf("rounding moved the sum by %v", lost)
	}
}

// threePointReal is the three-point procedure (ASTM E1049-85 §5.4.4) on real
// numbers: full and half cycles, and the sum of ranges times counts.
func threePointReal(series []float64) (full, half int, sum float64) {
	var read []float64
	take := func(p float64) {
		read = append(read, p)
		for n := len(read); n >= 3; n = len(read) {
			x, y := math.Abs(read[n-1]-read[n-2]), math.Abs(read[n-2]-read[n-3])
			if x < y {
				return
			}
			if n == 3 {
				half, sum, read = half+1, sum+y/2, read[1:]
				continue
			}
			full, sum, read = full+1, sum+y, append(read[:n-3], read[n-1])
		}
	}
	last, direction := series[0], 0.0
	take(last)
	for _, v := range series[1:] {
		if d := v - last; d != 0 {
			if d*direction < 0 {
				take(last)
			}
			last, direction = v, math.Copysign(1, d)
		}
	}
	take(last)
	for i := 1; i < len(read); i++ {
		half, sum = half+1, sum+math.Abs(read[i]-read[i-1])/2
	}
	return full, half, sum
}

// TestMeasuredPulses integrates square pulses of 20 A, ten seconds each way and
// sampled once a second: steps 5 and 6 take in 51.7838 Wh and give 47.0871 Wh.
// The value of a row holds for the second before it, so the mean over the
// interval finds both to 0.1 %. The trapezoid cuts the edges: of ten seconds a
// plain one, with each second booked by the sign of its mean, loses one (16.2595
// and 15.0147 Ah become 14.7386 and 13.5069); split at the zero crossing, as the
// counter has it, it still loses half of one.
func TestMeasuredPulses(t *testing.T) {
	const wantIn, wantOut = 51.7838, 47.0871
	rows, ok := openCell(t, "lfp_26650_pulses_25c.csv")
	if !ok {
		return
	}
	m := &analytics.Model{Name: "cell", Rated: 8_000, RatedCharge: 2_500, MaxPower: 500_000}
	energy := func(fields ...field) (in, out float64, samples int64) {
		a := &analytics.Account{}
		for _, r := range rows {
			if r.step != 5 && r.step != 6 {
				continue
			}
			s := at(analytics.Instant(math.Round(r.seconds*1000)), append(fields,
				voltage(analytics.Millivolts(math.Round(r.voltage*1000))),
				current(analytics.Milliamps(math.Round(r.current*1000))))...)
			a.Counter.Step(m, s, &a.Effects)
		}
		f := a.Counter.Energy()[analytics.ByPower]
		return float64(f.Charge) / 1e6, float64(f.Discharge) / 1e6, a.Counter.Samples()
	}
	in, out, samples := energy(mean)
	t.Logf("mean over the interval, %d rows: %.4f Wh in, %.4f Wh out", samples, in, out)
	if !near(in, wantIn, 1e-3) || !near(out, wantOut, 1e-3) {
		t.Errorf("mean over the interval: %.4f Wh in and %.4f out, want %v and %v to 0.1 %%", in, out, wantIn, wantOut)
	}
	in, out, _ = energy()
	t.Logf("trapezoid: %.4f Wh in (%.1f %%), %.4f Wh out (%.1f %%)", in, 100*(in/wantIn-1), out, 100*(out/wantOut-1))
	if !near(in/wantIn, 0.95, 0.01) || !near(out/wantOut, 0.95, 0.01) {
		t.Errorf("trapezoid: %.4f Wh in and %.4f out, want a twentieth less than %v and %v", in, out, wantIn, wantOut)
	}
	held, plain := [2]float64{}, [2]float64{}
	for i := 1; i < len(rows); i++ {
		span := (rows[i].seconds - rows[i-1].seconds) / 3600
		book(&held, rows[i].current*span)
		book(&plain, (rows[i].current+rows[i-1].current)/2*span)
	}
	if !near(held[0], 15.0147, 1e-5) || !near(held[1], 16.2595, 1e-5) || !near(plain[0], 13.5069, 1e-5) || !near(plain[1], 14.7386, 1e-5) {
		t.Errorf("whole record in Ah: held %v, plain trapezoid %v", held, plain)
	}
}

// book adds a charge to the sum of its sign: in, out.
func book(sums *[2]float64, charge float64) {
	sums[0] += max(charge, 0)
	sums[1] += max(-charge, 0)
}
