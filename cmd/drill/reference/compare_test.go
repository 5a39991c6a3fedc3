package reference_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"unicode"

	"pgregory.net/rapid"

	"fadeledger/analytics"
	"fadeledger/cmd/drill/reference"
	"fadeledger/cmd/drill/reference/convert"
)

// deliveries draws a series that is nasty in every way the rules speak of.
func deliveries(t *rapid.T) []analytics.Sample {
	at := analytics.Instant(rapid.SampledFrom([]int64{0, 86_395_000, 86_000_000, -600_000, -180_000_000}).Draw(t, "start"))
	shape := shapeOf(t)
	steps := rapid.SliceOfN(rapid.Custom(shape.step), 0, 40).Draw(t, "steps")
	var out []analytics.Sample
	var counters [2]analytics.MilliwattHours
	for _, x := range steps {
		at += x.wait
		for _, s := range x.versions {
			for i, field := range []*analytics.MilliwattHours{&s.Charge, &s.Discharge} {
				if s.Has&[]analytics.Fields{analytics.HasCharge, analytics.HasDischarge}[i] != 0 {
					*field = x.counter[i].from(counters[i])
				}
			}
			s.Time = at
			out = append(out, s)
		}
		for i := range counters {
			counters[i] = x.counter[i].from(counters[i])
		}
	}
	if rapid.Bool().Draw(t, "shuffled") {
		return rapid.Permutation(out).Draw(t, "order")
	}
	return out
}

// step is one instant: how long after the one before, its versions without
// their counters, and what the counters did.
type step struct {
	wait     analytics.Instant
	versions []analytics.Sample
	counter  [2]move
}

// move is what a lifetime counter did: rise, or start anew.
type move struct {
	anew bool
	mwh  analytics.MilliwattHours
}

func (m move) from(old analytics.MilliwattHours) analytics.MilliwattHours {
	if m.anew {
		return m.mwh
	}
	return old + m.mwh
}

func (sh shape) step(t *rapid.T) step {
	x := step{wait: analytics.Instant(spacing(t, sh.steady))}
	s := sampleOf(t, sh)
	x.versions = []analytics.Sample{s}
	for range rapid.SampledFrom([]int{0, 0, 0, 0, 0, 1, 2, 3}).Draw(t, "again") {
		x.versions = append(x.versions, again(t, s))
	}
	for i := range x.counter {
		x.counter[i] = moveOf(t)
	}
	return x
}

// shape is what the samples of a series have in common.
type shape struct {
	// often are fields that nearly every sample has, mean that powers are
	// means, steady that the spacing is within the gap.
	often        analytics.Fields
	mean, steady bool
}

func shapeOf(t *rapid.T) shape {
	return shape{
		often: analytics.Fields(rapid.SampledFrom([]int{
			int(analytics.HasSoC),
			int(analytics.HasSoC | analytics.HasTemp),
			int(analytics.HasPower | analytics.HasTemp),
			int(analytics.HasCurrent | analytics.HasVoltage | analytics.HasTemp | analytics.HasTempMax),
			int(analytics.HasCharge | analytics.HasDischarge | analytics.HasTemp),
			int(analytics.HasCharge | analytics.HasDischarge | analytics.HasSoC | analytics.HasTemp),
			int(analytics.Measured),
		}).Draw(t, "often")),
		mean:   rapid.Bool().Draw(t, "mean"),
		steady: rapid.Bool().Draw(t, "steady"),
	}
}

// spacing draws the time to the next sample: around 10 s, 10 min and 15 min,
// where the rules change, and hours.
func spacing(t *rapid.T, steady bool) int64 {
	near := []int64{1, 999, 1000, 9_999, 10_000, 10_001, 60_000, 120_000, 299_999, 300_000, 599_999, 600_000, 600_001, 899_999, 900_000}
	far := []int64{900_001, 1_800_000, 7_200_000, 86_400_000, 200_000_000}
	if !steady && rapid.IntRange(0, 3).Draw(t, "far") == 0 {
		return rapid.SampledFrom(far).Draw(t, "spacing")
	}
	return rapid.SampledFrom(near).Draw(t, "spacing")
}

func sampleOf(t *rapid.T, sh shape) (s analytics.Sample) {
	for f := analytics.HasSoC; f <= analytics.HasDischarge; f <<= 1 {
		odds := rapid.IntRange(0, 9).Draw(t, "field")
		if sh.often&f != 0 && odds > 0 || odds > 8 {
			s.Has |= f
		}
	}
	if sh.mean && rapid.IntRange(0, 4).Draw(t, "not a mean") > 0 {
		s.Has |= analytics.PowerIsMean
	}
	fill(t, &s)
	return s
}

// fill draws the values of the fields that a sample has.
func fill(t *rapid.T, s *analytics.Sample) {
	has := func(f analytics.Fields) bool { return s.Has&f != 0 }
	if has(analytics.HasSoC) {
		s.SoC = analytics.SoC(rapid.SampledFrom([]int{0, 2, 3, 29, 30, 31, 100, 103, 500, 502, 503, 505, 800, 997, 1000}).Draw(t, "soc"))
	}
	if has(analytics.HasPower) {
		s.Power = analytics.Milliwatts(rapid.OneOf(rapid.Int64Range(-3_000_000, 3_000_000), rapid.SampledFrom([]int64{0, 1, -1, 104_000, 104_001, -104_000, 2_652_000, 2_652_001})).Draw(t, "power"))
	}
	if has(analytics.HasCurrent) {
		s.Current = analytics.Milliamps(rapid.OneOf(rapid.Int64Range(-60_000, 60_000), rapid.SampledFrom([]int64{0, 2032, 2033, -2033, 51_816, 51_817, -51_817})).Draw(t, "current"))
	}
	if has(analytics.HasVoltage) {
		s.Voltage = analytics.Millivolts(rapid.Int64Range(40_000, 58_000).Draw(t, "voltage"))
	}
	if has(analytics.HasTemp) {
		s.Temp = temperature(t)
	}
	if has(analytics.HasTempMax) {
		s.TempMax = temperature(t)
		if has(analytics.HasTemp) {
			s.TempMax = max(s.TempMax, s.Temp)
		}
	}
}

func temperature(t *rapid.T) analytics.CentiCelsius {
	return analytics.CentiCelsius(rapid.SampledFrom([]int{
		-2500, -2000, -1999, -1201, -1200, -1199, -600, -1, 0, 1, 777, 1199, 1200, 1201, 2500,
		4400, 4401, 5000, 5001, 5400, 5401, 5500, 5501, 5800, 5801,
	}).Draw(t, "temperature"))
}

// moveOf draws what a lifetime counter did: nothing, a little, about the most
// that is plausible, or a new start.
func moveOf(t *rapid.T) move {
	switch rapid.IntRange(0, 9).Draw(t, "move") {
	case 9:
		return move{true, analytics.MilliwattHours(rapid.SampledFrom([]int64{0, 1, 99_999, 100_000, 100_001, 900_000}).Draw(t, "anew"))}
	case 8:
		return move{false, analytics.MilliwattHours(rapid.SampledFrom([]int64{100_000, 108_666, 108_667, 152_000, 152_001, 620_000, 620_001, 880_000, 880_001, 1 << 40}).Draw(t, "most"))}
	case 7, 6, 5, 4:
		return move{false, analytics.MilliwattHours(rapid.Int64Range(1, 80_000).Draw(t, "rise"))}
	}
	return move{}
}

// again draws another version of a sample: the same, of another rank, or with
// another content.
func again(t *rapid.T, s analytics.Sample) analytics.Sample {
	s.Rank = int8(rapid.IntRange(-1, 1).Draw(t, "rank"))
	if rapid.Bool().Draw(t, "changed") {
		s.Has |= analytics.HasSoC
		s.SoC = analytics.SoC(rapid.IntRange(498, 502).Draw(t, "other soc"))
	}
	return s
}

// models draws a model: the invented one, or one that lacks something.
func models(t *rapid.T) *analytics.Model {
	floor, storage := analytics.SoC(30), analytics.CentiCelsius(5500)
	m := &analytics.Model{
		Name: "HB-5", Rated: 5_200_000, RatedCharge: 101_600, MaxPower: 2_600_000,
		Floor: &floor, StorageMax: &storage,
		ChargeLimit:    analytics.LimitTable{{Temp: -1200, Rate: 50_000}, {Temp: 0, Rate: 200_000}, {Temp: 1200, Rate: 500_000}, {Temp: 4400, Rate: 500_000}, {Temp: 5400, Rate: 50_000}},
		DischargeLimit: analytics.LimitTable{{Temp: -2000, Rate: 500_000}, {Temp: 5000, Rate: 500_000}, {Temp: 5800, Rate: 100_000}},
	}
	switch rapid.IntRange(0, 9).Draw(t, "model") {
	case 0:
		m.RatedCharge = 0
	case 1:
		m.Floor, m.StorageMax = nil, nil
	case 2:
		m.ChargeLimit = nil
	case 3:
		m.MaxGap = 5 * analytics.Minute
	case 4:
		m.MaxGap = 36 * analytics.Hour
	case 5:
		m.Rated, m.MaxPower = 5_333_333, 2_718_281
	}
	return m
}

// terms draws terms, nil at times.
func terms(t *rapid.T) *analytics.Terms {
	points := []analytics.LifePoint{{Depth: 0.5, Cycles: 15_000.5}, {Depth: 0.8, Cycles: 9000}, {Depth: 0.95, Cycles: 6200}}
	from := rapid.SampledFrom([]float64{0, 0.5, 2, 2.5, 50}).Draw(t, "counted from")
	x := &analytics.Terms{Name: "terms", Years: 10}
	x.Life.Points = points[rapid.IntRange(0, 3).Draw(t, "points"):]
	if rapid.Bool().Draw(t, "from set") {
		x.Life.CountedFromPct = &from
	}
	if rapid.Bool().Draw(t, "slope") {
		x.Life.Shallow = analytics.ShallowSlope
	}
	switch rapid.IntRange(0, 5).Draw(t, "terms") {
	case 0:
		return nil
	case 1:
		x.EFCCap = 4000.5
	case 2:
		x.EFCCap, x.EFCBasis = 4000, analytics.BasisDischarge
	case 3:
		x.EnergyCap, x.EFCCap = 31_000_000_000, 3000
	}
	return x
}

// told writes samples a line each, with the fields they have.
func told(samples []analytics.Sample) string {
	var b strings.Builder
	for _, s := range samples {
		fmt.Fprintf(&b, "%d:", s.Time)
		for f, v := range map[analytics.Fields]any{
			analytics.HasSoC: s.SoC, analytics.HasTemp: s.Temp, analytics.HasTempMax: s.TempMax,
			analytics.HasPower: s.Power, analytics.HasCurrent: s.Current, analytics.HasVoltage: s.Voltage,
			analytics.HasCharge: s.Charge, analytics.HasDischarge: s.Discharge, analytics.PowerIsMean: true,
		} {
			if s.Has&f != 0 {
				fmt.Fprintf(&b, " %s=%v", fieldNames[f], v)
			}
		}
		b.WriteByte('\n')
	}
	return b.String()
}

var fieldNames = map[analytics.Fields]string{
	analytics.HasSoC: "soc", analytics.HasTemp: "temp", analytics.HasTempMax: "temp_max",
	analytics.HasPower: "power", analytics.HasCurrent: "current", analytics.HasVoltage: "voltage",
	analytics.HasCharge: "charge", analytics.HasDischarge: "discharge", analytics.PowerIsMean: "mean",
}

// differences counts deliveries twice, by analytics and by the reference, and
// gives where the ledgers and the days differ, with the series that counts.
func differences(m *analytics.Model, x *analytics.Terms, delivered []analytics.Sample) (found []string, series string) {
	var set analytics.SampleSet
	for _, s := range delivered {
		set.Add(s)
	}
	resolved := set.Resolve()
	a := analytics.Count(m, resolved.Counting)
	ledger := analytics.LedgerOf(m, x, &a.Counter, a.Excursions, a.Events, analytics.Versions{
		Duplicates: resolved.Duplicates, Conflicts: resolved.Conflicts, Superseded: resolved.Superseded})

	r := reference.Count(convert.Model(m, x), convert.Delivered(delivered, 1<<50), nil)
	return slices.Concat(convert.Compare(ledger, r), convert.CompareDays(a.AllDays(), r)), told(resolved.Counting)
}

// TestAgreesWithAnalytics counts random nasty series by both, and wants the
// same ledger and the same days.
func TestAgreesWithAnalytics(t *testing.T) {
	for range 20 { // times the number of checks that rapid makes
		rapid.Check(t, func(t *rapid.T) {
			m, x := models(t), terms(t)
			found, series := differences(m, x, deliveries(t))
			if len(found) == 0 {
				return
			}
			// The failure names no values, so that a smaller series with
			// other values still shrinks it.
			t.Logf("%s\nmodel %+v\n%s", strings.Join(found, "\n"), *m, series)
			field, _, _ := strings.Cut(found[0], ":")
			t.Fatalf("analytics and the reference differ in %s", strings.Map(func(r rune) rune {
				if unicode.IsDigit(r) {
					return -1
				}
				return r
			}, field))
		})
	}
}

// TestAgreesOnLongSeries walks at random through days, with the state of
// charge in small steps, so that the residue grows deep and ties are many.
func TestAgreesOnLongSeries(t *testing.T) {
	for seed := range uint64(12) {
		rng := rand.New(rand.NewPCG(seed, 9))
		grain := []int{1, 5, 40}[seed%3]
		s := analytics.Sample{SoC: 500, Temp: 300, Charge: 1_000_000, Discharge: 1_000_000}
		var delivered []analytics.Sample
		for range 3000 {
			s.Time += analytics.Instant(rng.IntN(180_000) + 1)
			if rng.IntN(300) == 0 {
				s.Time += 4 * 3_600_000
			}
			s.SoC = analytics.SoC(min(max(int(s.SoC)+grain*(rng.IntN(7)-3), 0), 1000))
			s.Temp = min(max(s.Temp+analytics.CentiCelsius(rng.IntN(101)-50), -1500), 6000)
			s.Power = analytics.Milliwatts(rng.IntN(5_000_000) - 2_500_000)
			s.Charge += analytics.MilliwattHours(rng.IntN(20_000))
			s.Discharge += analytics.MilliwattHours(rng.IntN(20_000))
			if rng.IntN(500) == 0 {
				s.Charge = 0
			}
			sent := s
			sent.Has = analytics.HasSoC | analytics.HasTemp
			if seed%4 > 0 && rng.IntN(50) > 0 {
				sent.Has |= analytics.HasPower
			}
			if seed%4 > 1 && rng.IntN(50) > 0 {
				sent.Has |= analytics.HasCharge | analytics.HasDischarge
			}
			delivered = append(delivered, onlyWhatItHas(sent))
		}
		m := &analytics.Model{
			Rated: 5_200_000, RatedCharge: 101_600, MaxPower: 2_600_000,
			ChargeLimit:    analytics.LimitTable{{Temp: -1200, Rate: 50_000}, {Temp: 0, Rate: 200_000}, {Temp: 1200, Rate: 500_000}, {Temp: 4400, Rate: 500_000}, {Temp: 5400, Rate: 50_000}},
			DischargeLimit: analytics.LimitTable{{Temp: -2000, Rate: 500_000}, {Temp: 5000, Rate: 500_000}, {Temp: 5800, Rate: 100_000}},
		}
		if found, _ := differences(m, nil, delivered); len(found) > 0 {
			t.Errorf("seed %d: %s", seed, strings.Join(found[:min(len(found), 5)], "\n"))
		}
	}
}

// onlyWhatItHas clears the fields that a sample does not have.
func onlyWhatItHas(s analytics.Sample) analytics.Sample {
	if s.Has&analytics.HasPower == 0 {
		s.Power = 0
	}
	if s.Has&analytics.HasCharge == 0 {
		s.Charge, s.Discharge = 0, 0
	}
	return s
}
