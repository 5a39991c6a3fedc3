package analytics_test

import (
	"math/big"
	"slices"
	"testing"

	"fadeledger/analytics"
	"pgregory.net/rapid"
)

const none = analytics.Basis(analytics.Bases)

// flowOf is what two or more samples add to the energy, by basis.
func flowOf(m *analytics.Model, samples ...analytics.Sample) [analytics.Bases]analytics.Flow {
	return analytics.Count(m, samples).Counter.Energy()
}

// only is the energy of one basis, nothing by the others.
func only(b analytics.Basis, charge, discharge analytics.MicrowattHours) (f [analytics.Bases]analytics.Flow) {
	if b != none {
		f[b] = analytics.Flow{Charge: charge, Discharge: discharge}
	}
	return f
}

func TestEnergyOfPair(t *testing.T) {
	const wh = 1_000_000 // µWh
	model := testModel()
	wide := testModel()
	wide.MaxGap = 3 * analytics.Hour
	tests := []struct {
		name              string
		m                 *analytics.Model
		a, b              analytics.Sample
		basis             analytics.Basis
		charge, discharge analytics.MicrowattHours
	}{
		{"counters before power", model,
			at(0, charged(5), discharged(7), power(1), soc(1)),
			at(minute, charged(105), discharged(9), power(1), soc(1)), analytics.ByCounter, 100_000, 2_000},
		{"counters across a gap", model,
			at(0, charged(0), discharged(0), power(1)),
			at(2*hour, charged(9000*1000), discharged(40), power(1)), analytics.ByCounter, 9000 * wh, 40_000},
		{"one counter missing before", model,
			at(0, charged(5), power(60_000)),
			at(minute, charged(105), discharged(9), power(60_000)), analytics.ByPower, wh, 0},
		{"one counter missing after", model,
			at(0, charged(5), discharged(1), power(-60_000)),
			at(minute, discharged(9), power(-60_000)), analytics.ByPower, 0, wh},
		{"one counter missing, then soc", model,
			at(0, charged(5), soc(500)), at(minute, charged(6), soc(501)), analytics.BySoC, 10 * wh, 0},
		{"power before soc", model,
			at(0, power(60_000), soc(100)), at(minute, power(60_000), soc(900)), analytics.ByPower, wh, 0},
		{"power at the longest gap", model,
			at(0, power(4_000_000)), at(15*minute, power(4_000_000)), analytics.ByPower, 1000 * wh, 0},
		{"power past the longest gap", model,
			at(0, power(4_000_000), soc(1)), at(15*minute+1, power(4_000_000), soc(9)), none, 0, 0},
		{"own longest gap", wide,
			at(0, power(1_000_000)), at(3*hour, power(1_000_000)), analytics.ByPower, 3000 * wh, 0},
		{"past the own longest gap", wide,
			at(0, power(1_000_000)), at(3*hour+1, power(1_000_000)), none, 0, 0},
		{"zero crossing down", wide,
			at(0, power(3_000_000)), at(hour, power(-1_000_000)), analytics.ByPower, 1125 * wh, 125 * wh},
		{"zero crossing up", wide,
			at(0, power(-3_000_000)), at(hour, power(1_000_000)), analytics.ByPower, 125 * wh, 1125 * wh},
		// 2² / (2 × 3) Wh = 666.666… mWh and 1² / (2 × 3) Wh = 166.666… mWh.
		{"zero crossing in thirds", wide,
			at(0, power(2_000)), at(hour, power(-1_000)), analytics.ByPower, 667_000, 167_000},
		// The square of 6 MW in mW has no room in 64 bits: 6²/(2 × 7) and 1²/(2 × 7) MWh.
		{"zero crossing from 6 MW", wide,
			at(0, power(6_000_000_000)), at(hour, power(-1_000_000_000)), analytics.ByPower, 2_571_428_571_000, 71_428_571_000},
		{"from zero", wide, at(0, power(0)), at(hour, power(-1_000)), analytics.ByPower, 0, 500_000},
		{"to zero", wide, at(0, power(1_000)), at(hour, power(0)), analytics.ByPower, 500_000, 0},
		{"idle", model, at(0, power(0)), at(minute, power(0)), analytics.ByPower, 0, 0},
		{"voltage and current", model,
			at(0, voltage(51_200), current(10_000)),
			at(15*minute, voltage(51_200), current(10_000)), analytics.ByPower, 128 * wh, 0},
		{"power before voltage and current", model,
			at(0, power(60_000), voltage(51_200), current(10_000)),
			at(minute, power(60_000), voltage(51_200), current(10_000)), analytics.ByPower, wh, 0},
		{"power, then voltage and current", model,
			at(0, power(60_000)), at(minute, voltage(50_000), current(2_400)), analytics.ByPower, 1_500_000, 0},
		{"voltage and current, then power", model,
			at(0, voltage(50_000), current(-2_400)), at(minute, power(-60_000)), analytics.ByPower, 0, 1_500_000},
		{"current without voltage", model,
			at(0, current(10_000), soc(10)), at(minute, current(10_000), soc(9)), analytics.BySoC, 0, 10 * wh},
		{"mean: the later value", model,
			at(0, mean, power(-900_000)), at(minute, mean, power(60_000)), analytics.ByPower, wh, 0},
		{"mean: of voltage and current", model,
			at(0, mean, power(-900_000)), at(minute, mean, voltage(50_000), current(1_200)), analytics.ByPower, wh, 0},
		{"mean: only the earlier sample", model,
			at(0, mean, power(60_000)), at(minute, power(120_000)), analytics.ByPower, 1_500_000, 0},
		{"mean: only the later sample", model,
			at(0, power(60_000)), at(minute, mean, power(120_000)), analytics.ByPower, 2 * wh, 0},
		{"mean: nothing before", model,
			at(0, soc(5)), at(minute, mean, power(120_000), soc(5)), analytics.BySoC, 0, 0},
		{"soc rises", model, at(0, soc(100)), at(15*minute, soc(103)), analytics.BySoC, 30 * wh, 0},
		{"soc falls", model, at(0, soc(103)), at(minute, soc(100)), analytics.BySoC, 0, 30 * wh},
		{"soc past the longest gap", model, at(0, soc(100)), at(15*minute+1, soc(103)), none, 0, 0},
		{"nothing in common", model, at(0, soc(100)), at(minute, power(9)), none, 0, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, want := flowOf(tt.m, tt.a, tt.b), only(tt.basis, tt.charge, tt.discharge)
			if got != want {
				t.Errorf("energy by basis: got %v, want %v", got, want)
			}
		})
	}
}

// TestEnergyRounding: half a unit goes away from zero, the unit being 1 mWh
// for pairs of ten seconds and more and 1 µWh below.
func TestEnergyRounding(t *testing.T) {
	tests := []struct {
		name              string
		span              analytics.Instant
		a, b              analytics.Milliwatts
		charge, discharge analytics.MicrowattHours
	}{
		{"half a mWh charged", 10 * second, 180, 180, 1000, 0},
		{"half a mWh discharged", 10 * second, -180, -180, 0, 1000},
		{"just under half a mWh", 10 * second, 179, 180, 0, 0},
		{"one and a half mWh", 10 * second, 540, 540, 2000, 0},
		{"both halves of a crossing", 10 * second, 720, -720, 1000, 1000}, // 0.5 mWh each
		{"one millisecond less is kept in µWh", 10*second - 1, 180, 180, 500, 0},
		{"half a µWh charged", 1, 1800, 1800, 1, 0},
		{"half a µWh discharged", 1, -1800, -1800, 0, 1},
		{"under half a µWh", 1, 1799, 1799, 0, 0},
		{"one second at one watt", second, 1000, 1000, 278, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := flowOf(testModel(), at(0, power(tt.a)), at(tt.span, power(tt.b)))
			if want := only(analytics.ByPower, tt.charge, tt.discharge); got != want {
				t.Errorf("got %v, want %v", got, want)
			}
		})
	}
	m := testModel()
	m.Rated = 4_500 // 0.1 % is 4.5 mWh
	if got := flowOf(m, at(0, soc(2)), at(10*second, soc(1))); got != only(analytics.BySoC, 0, 5000) {
		t.Errorf("soc, 10 s: got %v, want 5 mWh discharged", got)
	}
	if got := flowOf(m, at(0, soc(2)), at(10*second-1, soc(1))); got != only(analytics.BySoC, 0, 4500) {
		t.Errorf("soc, under 10 s: got %v, want 4500 µWh discharged", got)
	}
	for e, want := range map[analytics.MicrowattHours]analytics.MilliwattHours{
		499: 0, 500: 1, 1499: 1, 1500: 2, -499: 0, -500: -1, -1500: -2, 0: 0,
	} {
		if got := e.Round(); got != want {
			t.Errorf("MicrowattHours(%d).Round() = %d, want %d", e, got, want)
		}
	}
}

// TestCounters: the largest plausible step is 1.2 × 5 kW × elapsed + 100 Wh,
// which is 200 Wh in a minute and 100 Wh + 1.67 mWh in a millisecond.
func TestCounters(t *testing.T) {
	const limit = 200_000
	reset, implausible := analytics.CounterReset, analytics.CounterImplausible
	tests := []struct {
		name              string
		span              analytics.Instant
		from, to          [2]analytics.MilliwattHours // charge, discharge
		charge, discharge analytics.MilliwattHours
		events            []analytics.Event
	}{
		{"at the bound", minute, [2]analytics.MilliwattHours{7, 7}, [2]analytics.MilliwattHours{7 + limit, 7 + limit}, limit, limit, nil},
		{"charge over it", minute, [2]analytics.MilliwattHours{7, 7}, [2]analytics.MilliwattHours{8 + limit, 8}, 0, 1,
			[]analytics.Event{{Kind: implausible, At: minute, Field: "charge_mwh"}}},
		{"discharge over it", minute, [2]analytics.MilliwattHours{7, 7}, [2]analytics.MilliwattHours{8, 8 + limit}, 1, 0,
			[]analytics.Event{{Kind: implausible, At: minute, Field: "discharge_mwh"}}},
		{"whole part of a fraction", 1, [2]analytics.MilliwattHours{}, [2]analytics.MilliwattHours{100_001, 0}, 100_001, 0, nil},
		{"past the fraction", 1, [2]analytics.MilliwattHours{}, [2]analytics.MilliwattHours{100_002, 0}, 0, 0,
			[]analytics.Event{{Kind: implausible, At: 1, Field: "charge_mwh"}}},
		{"reset to a plausible value", minute, [2]analytics.MilliwattHours{9e9, 5}, [2]analytics.MilliwattHours{limit, 6}, limit, 1,
			[]analytics.Event{{Kind: reset, At: minute, Field: "charge_mwh"}}},
		{"reset to an implausible value", minute, [2]analytics.MilliwattHours{9e9, 5}, [2]analytics.MilliwattHours{limit + 1, 6}, 0, 1,
			[]analytics.Event{{Kind: reset, At: minute, Field: "charge_mwh"}}},
		{"both reset to zero", minute, [2]analytics.MilliwattHours{9, 9}, [2]analytics.MilliwattHours{}, 0, 0,
			[]analytics.Event{{Kind: reset, At: minute, Field: "charge_mwh"}, {Kind: reset, At: minute, Field: "discharge_mwh"}}},
		{"reset below zero", minute, [2]analytics.MilliwattHours{9, 9}, [2]analytics.MilliwattHours{9, -3}, 0, 0,
			[]analytics.Event{{Kind: reset, At: minute, Field: "discharge_mwh"}}},
		{"a gap allows more", hour, [2]analytics.MilliwattHours{}, [2]analytics.MilliwattHours{6_100_000, 0}, 6_100_000, 0, nil},
		{"but not everything", hour, [2]analytics.MilliwattHours{}, [2]analytics.MilliwattHours{6_100_001, 0}, 0, 0,
			[]analytics.Event{{Kind: implausible, At: hour, Field: "charge_mwh"}}},
		{"standing still", minute, [2]analytics.MilliwattHours{4, 4}, [2]analytics.MilliwattHours{4, 4}, 0, 0, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			a := analytics.Count(testModel(), []analytics.Sample{
				at(0, charged(tt.from[0]), discharged(tt.from[1])),
				at(tt.span, charged(tt.to[0]), discharged(tt.to[1])),
			})
			want := only(analytics.ByCounter, analytics.MicrowattHours(tt.charge)*1000, analytics.MicrowattHours(tt.discharge)*1000)
			if got := a.Counter.Energy(); got != want {
				t.Errorf("energy: got %v, want %v", got, want)
			}
			if !slices.Equal(a.Events, tt.events) {
				t.Errorf("events: got %v, want %v", a.Events, tt.events)
			}
		})
	}
}

// rat is a×b/c as an exact fraction.
func rat(a, b, c int64) *big.Rat {
	r := new(big.Rat).SetFrac(big.NewInt(a), big.NewInt(c))
	return r.Mul(r, new(big.Rat).SetInt64(b))
}

// roundAway rounds r ≥ 0 to a whole number, halves up.
func roundAway(r *big.Rat) int64 {
	r = new(big.Rat).Add(r, big.NewRat(1, 2))
	return new(big.Int).Quo(r.Num(), r.Denom()).Int64()
}

// exactPair is rule by rule, in fractions of a mWh, what a pair adds.
func exactPair(m *analytics.Model, a, b analytics.Sample) (basis analytics.Basis, charge, discharge *big.Rat) {
	span := int64(b.Time - a.Time)
	zero := new(big.Rat)
	both := func(f analytics.Fields) bool { return a.Has&f == f && b.Has&f == f }
	if both(analytics.HasCharge | analytics.HasDischarge) {
		return analytics.ByCounter, exactStep(m, a.Charge, b.Charge, span), exactStep(m, a.Discharge, b.Discharge, span)
	}
	if span > int64(m.Gap()) {
		return none, zero, zero
	}
	p, q := exactPower(a), exactPower(b)
	hours := rat(span, 1, 3_600_000)
	if p != nil && q != nil {
		if b.Has&analytics.PowerIsMean != 0 {
			p = q
		}
		charge, discharge = exactLine(p, q)
		return analytics.ByPower, charge.Mul(charge, hours), discharge.Mul(discharge, hours)
	}
	if !both(analytics.HasSoC) {
		return none, zero, zero
	}
	rise := rat(int64(b.SoC)-int64(a.SoC), int64(m.Rated), 1000)
	if rise.Sign() > 0 {
		return analytics.BySoC, rise, zero
	}
	return analytics.BySoC, zero, rise.Neg(rise)
}

func exactStep(m *analytics.Model, old, now analytics.MilliwattHours, span int64) *big.Rat {
	step := int64(now - old)
	if step < 0 {
		step = int64(now)
	}
	bound := rat(int64(m.MaxPower), span*12, 36_000_000)
	bound.Add(bound, rat(100_000, 1, 1))
	r := new(big.Rat).SetInt64(step)
	if step < 0 || r.Cmp(bound) > 0 {
		return new(big.Rat)
	}
	return r
}

func exactPower(s analytics.Sample) *big.Rat {
	switch {
	case s.Has&analytics.HasPower != 0:
		return new(big.Rat).SetInt64(int64(s.Power))
	case s.Has&analytics.HasVoltage != 0 && s.Has&analytics.HasCurrent != 0:
		return rat(int64(s.Voltage), int64(s.Current), 1000)
	}
	return nil
}

// exactLine is the mean of the part above zero, and of the part below, of the
// straight line from p to q.
func exactLine(p, q *big.Rat) (above, below *big.Rat) {
	mid := new(big.Rat).Add(p, q)
	mid.Quo(mid, big.NewRat(2, 1))
	if p.Sign()*q.Sign() >= 0 {
		if mid.Sign() >= 0 {
			return mid, new(big.Rat)
		}
		return new(big.Rat), mid.Neg(mid)
	}
	// The line is above zero for the share hi/(hi−lo), at hi/2 on average.
	hi, lo := p, q
	if p.Sign() < 0 {
		hi, lo = q, p
	}
	span := new(big.Rat).Sub(hi, lo)
	above = new(big.Rat).Mul(hi, hi)
	above.Quo(above, span).Quo(above, big.NewRat(2, 1))
	below = new(big.Rat).Mul(lo, lo)
	below.Quo(below, span).Quo(below, big.NewRat(2, 1))
	return above, below
}

// keptMicro is a fraction of a mWh as the counter keeps it, in µWh.
func keptMicro(r *big.Rat, span analytics.Millis) analytics.MicrowattHours {
	if span < 10*analytics.Second {
		return analytics.MicrowattHours(roundAway(new(big.Rat).Mul(r, big.NewRat(1000, 1))))
	}
	return analytics.MicrowattHours(roundAway(r) * 1000)
}

func drawSample(t *rapid.T, when analytics.Instant) analytics.Sample {
	s := at(when)
	big := rapid.SampledFrom([]int64{1, 1_000, 5_000_000, 60_000_000, 8_000_000_000}).Draw(t, "scale")
	val := func(name string) int64 { return rapid.Int64Range(-big, big).Draw(t, name) }
	has := analytics.Fields(rapid.Uint16Range(0, 1<<9-1).Draw(t, "fields"))
	for _, f := range []struct {
		bit analytics.Fields
		set func() field
	}{
		{analytics.HasSoC, func() field { return soc(analytics.SoC(rapid.IntRange(0, 1000).Draw(t, "soc"))) }},
		{analytics.HasPower, func() field { return power(analytics.Milliwatts(val("power"))) }},
		{analytics.HasVoltage, func() field { return voltage(analytics.Millivolts(rapid.Int64Range(0, 900_000).Draw(t, "voltage"))) }},
		{analytics.HasCurrent, func() field { return current(analytics.Milliamps(val("current") / 100)) }},
		{analytics.HasTemp, func() field { return coldest(analytics.CentiCelsius(rapid.IntRange(-3000, 7000).Draw(t, "temp"))) }},
		{analytics.HasTempMax, func() field { return hottest(analytics.CentiCelsius(rapid.IntRange(-3000, 7000).Draw(t, "hot"))) }},
		{analytics.HasCharge, func() field { return charged(analytics.MilliwattHours(max(val("charge"), 0))) }},
		{analytics.HasDischarge, func() field { return discharged(analytics.MilliwattHours(max(val("discharge"), 0))) }},
		{analytics.PowerIsMean, func() field { return mean }},
	} {
		if has&f.bit != 0 {
			f.set()(&s)
		}
	}
	return s
}

var spans = rapid.OneOf(
	rapid.SampledFrom([]analytics.Instant{1, 9_999, 10_000, 10_001, minute, 10 * minute, 10*minute + 1, 15 * minute, 15*minute + 1, 3 * hour}),
	rapid.Map(rapid.Int64Range(1, 20*60_000), func(v int64) analytics.Instant { return analytics.Instant(v) }),
)

// drawWalk draws samples in ascending order of time with any fields.
func drawWalk(t *rapid.T, most int) []analytics.Sample {
	walk := make([]analytics.Sample, rapid.IntRange(1, most).Draw(t, "samples"))
	now := analytics.Instant(rapid.Int64Range(-int64(day), 20_000*int64(day)).Draw(t, "start"))
	for i := range walk {
		walk[i] = drawSample(t, now)
		now += spans.Draw(t, "span")
	}
	return walk
}

// TestEnergyExact compares whole series with exact fractions.
func TestEnergyExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := testModel()
		m.MaxGap = rapid.SampledFrom([]analytics.Millis{0, 5 * analytics.Minute, 2 * analytics.Hour}).Draw(t, "gap")
		walk := drawWalk(t, 12)
		var want [analytics.Bases]analytics.Flow
		for i := 1; i < len(walk); i++ {
			basis, charge, discharge := exactPair(m, walk[i-1], walk[i])
			if basis == none {
				continue
			}
			span := analytics.Millis(walk[i].Time - walk[i-1].Time)
			want[basis].Add(analytics.Flow{Charge: keptMicro(charge, span), Discharge: keptMicro(discharge, span)})
		}
		if got := flowOf(m, walk...); got != want {
			t.Fatalf("energy by basis: got %v, want %v", got, want)
		}
	})
}
