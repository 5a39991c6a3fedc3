package reference

import (
	"cmp"
	"math/big"
	"slices"
)

// reading is what a sample says about limits. A nil rate is not known; it is
// in C, positive while charging.
type reading struct {
	rate  *big.Rat
	kinds []string // the kinds by which the sample is over a limit
}

// rate gives the signed C-rate of sample i by the best basis it offers, nil
// where it offers none.
func (m *Model) rate(samples []Sample, pairs []pair, i int) *big.Rat {
	s := samples[i]
	if s.CurrentMA != nil && m.RatedMAh > 0 {
		return ratio(*s.CurrentMA, m.RatedMAh)
	}
	if p := powerMW(s); p != nil {
		return p.Quo(p, ratio(m.RatedMWh, 1))
	}
	if i == 0 {
		return nil
	}
	if r := m.rateByCounter(pairs[i-1]); r != nil {
		return r
	}
	return m.rateBySoC(samples, i)
}

// rateByCounter takes the increment of the counter that rose more since the
// previous sample; where both rose alike it went neither way. A counter that started anew
// does not tell how far it rose since then.
func (m *Model) rateByCounter(p pair) *big.Rat {
	if p.basis != basisCounter || !p.rose || p.lengthMs() > m.maxGapMs() {
		return nil
	}
	rise := p.energy.ChargeUWh
	switch {
	case p.energy.DischargeUWh > rise:
		rise = -p.energy.DischargeUWh
	case p.energy.DischargeUWh == rise:
		rise = 0
	}
	return perHour(ratio(rise, 1000*m.RatedMWh), p.lengthMs())
}

// rateBySoC takes the change since the newest sample at least 10 min older.
func (m *Model) rateBySoC(samples []Sample, i int) *big.Rat {
	s := samples[i]
	if s.SoC == nil {
		return nil
	}
	for j := i - 1; j >= 0; j-- {
		old := samples[j]
		if samples[j+1].TimeMs-old.TimeMs > m.maxGapMs() {
			return nil
		}
		if s.TimeMs-old.TimeMs >= 10*minuteMs && old.SoC != nil {
			return perHour(ratio(*s.SoC-*old.SoC, 1000), s.TimeMs-old.TimeMs)
		}
	}
	return nil
}

func perHour(x *big.Rat, ms int64) *big.Rat { return x.Mul(x, ratio(hourMs, ms)) }

// read finds the kinds by which sample i is over a limit.
func (m *Model) read(samples []Sample, pairs []pair, i int) reading {
	s := samples[i]
	r := reading{rate: m.rate(samples, pairs, i)}
	coldest, hottest := s.TempCentiC, s.TempMaxCentiC
	if hottest == nil {
		hottest = coldest
	}
	if r.rate != nil && coldest != nil && r.rate.Sign() != 0 {
		table, way := m.ChargeLimit, "charge"
		if r.rate.Sign() < 0 {
			table, way = m.DischargeLimit, "discharge"
		}
		if kind := overTable(table, *coldest, *hottest, new(big.Rat).Abs(r.rate), way); kind != "" {
			r.kinds = append(r.kinds, kind)
		}
	}
	if s.SoC != nil && m.FloorSoC != nil && *s.SoC < *m.FloorSoC {
		r.kinds = append(r.kinds, "deep-discharge")
	}
	if hottest != nil && m.StorageMaxCentiC != nil && *hottest > *m.StorageMaxCentiC {
		r.kinds = append(r.kinds, "hot-rest")
	}
	return r
}

// overTable names the kind by which a rate is over a table, "" where it is
// not. A unit whose coldest cell is below the flat part is held to the limit
// of that cell; else the hottest cell decides.
func overTable(table []LimitRow, coldest, hottest int64, rate *big.Rat, way string) string {
	if len(table) == 0 || rate.Cmp(ratio(2, 100)) <= 0 {
		return ""
	}
	low, high := flat(table)
	kind, deciding := way+"-rate", hottest
	switch {
	case coldest < low:
		kind, deciding = "cold-"+way, coldest
	case hottest > high:
		kind = "hot-" + way
	}
	allowed := allowedC(table, deciding)
	if rate.Cmp(allowed.Add(allowed, ratio(1, 100))) <= 0 {
		return ""
	}
	return kind
}

// allowedC interpolates a table: zero outside of it.
func allowedC(table []LimitRow, tempCentiC int64) *big.Rat {
	for i, row := range table {
		if row.TempCentiC == tempCentiC {
			return ratio(row.RateMicroC, 1_000_000)
		}
		if i == 0 {
			continue
		}
		before := table[i-1]
		if before.TempCentiC < tempCentiC && tempCentiC < row.TempCentiC {
			share := ratio(tempCentiC-before.TempCentiC, row.TempCentiC-before.TempCentiC)
			rise := share.Mul(share, ratio(row.RateMicroC-before.RateMicroC, 1_000_000))
			return rise.Add(rise, ratio(before.RateMicroC, 1_000_000))
		}
	}
	return new(big.Rat)
}

// flat gives the lowest and the highest temperature with the largest rate.
func flat(table []LimitRow) (low, high int64) {
	top := slices.MaxFunc(table, func(a, b LimitRow) int { return cmp.Compare(a.RateMicroC, b.RateMicroC) })
	var temps []int64
	for _, row := range table {
		if row.RateMicroC == top.RateMicroC {
			temps = append(temps, row.TempCentiC)
		}
	}
	return slices.Min(temps), slices.Max(temps)
}
