package claim

import (
	"math/big"

	"fadeledger/analytics"
)

// coverageFactor is k of the expanded uncertainty, about 95 % (JCGM 100:2008,
// 6.2.1 and 6.3.3, cited from memory).
const coverageFactor = 2

// measure sets the energy, its reference and its uncertainty.
func (t *TestResult) measure(d *discharge) {
	energy := energyOf(d.m, d.samples)
	t.Energy = energy
	t.Reference = analytics.MicrowattHours(d.m.Rated) * 1000
	if d.endedBy == "soc" {
		t.Reference -= analytics.MicrowattHours(int64(d.m.Rated) * int64(d.p.EndSoC))
	}
	span := analytics.Millis(t.End - t.Start)
	if span > 0 && d.m.Rated > 0 {
		rate := new(big.Int).Mul(big.NewInt(int64(energy)), big.NewInt(int64(analytics.Hour)*1000))
		t.MeanRate = analytics.MicroC(rate.Quo(rate, new(big.Int).Mul(big.NewInt(int64(span)), big.NewInt(int64(d.m.Rated)))).Int64())
	}
	t.Components = d.components(energy, span)
	sum := new(big.Int)
	for _, c := range t.Components {
		u := big.NewInt(int64(c.Standard))
		sum.Add(sum, u.Mul(u, u))
	}
	// k·√Σu² = √(k²·Σu²), rounded up.
	t.Expanded = rootUp(sum.Mul(sum, big.NewInt(coverageFactor*coverageFactor)))
}

// components gives the standard uncertainties of the energy.
func (d *discharge) components(energy analytics.MicrowattHours, span analytics.Millis) []Component {
	gain := func(ppm int64) *big.Rat { return new(big.Rat).Mul(ratio(int64(energy), 1_000_000), ratio(ppm, 1)) }
	n := len(d.samples)
	s := d.p.Sensors
	out := []Component{}
	if d.samples[n-1].Has&analytics.HasPower != 0 {
		out = append(out, Component{"power", rectangular(gain(s.Power))})
	} else {
		out = append(out, Component{"voltage", rectangular(gain(s.Voltage))}, Component{"current", rectangular(gain(s.Current))})
	}
	// mW × ms = 1/3600 µWh
	offset := new(big.Rat).Mul(ratio(int64(s.Offset), 3600), ratio(int64(span), 1))
	out = append(out, Component{"offset", rectangular(offset)})
	// The power came on somewhere between the first two samples, and the limit
	// was crossed somewhere between the last two.
	first, last := energyOf(d.m, d.samples[:min(2, n)]), energyOf(d.m, d.samples[max(0, n-2):])
	out = append(out, Component{"start", rectangular(ratio(int64(first), 1))}, Component{"end", rectangular(ratio(int64(last), 1))})
	if d.endedBy == "soc" && d.p.EndSoC > 0 {
		out = append(out, Component{"state of charge", rectangular(ratio(int64(d.m.Rated)*int64(s.SoC), 1))})
	}
	return out
}

// energyOf integrates the discharged power, exactly as the ledger does.
func energyOf(m analytics.Model, samples []analytics.Sample) analytics.MicrowattHours {
	// Gaps are judged apart, so none is left out here.
	m.MaxGap = analytics.DayLength
	a := analytics.Count(&m, samples)
	return a.Counter.Energy()[analytics.ByPower].Discharge
}

// rectangular gives the standard uncertainty a/√3 of a largest error of a µWh,
// rounded up.
func rectangular(a *big.Rat) analytics.MicrowattHours {
	third := new(big.Rat).Mul(a, a)
	third.Mul(third, ratio(1, 3))
	q, rest := new(big.Int).QuoRem(third.Num(), third.Denom(), new(big.Int))
	if rest.Sign() > 0 {
		q.Add(q, big.NewInt(1))
	}
	return rootUp(q)
}

// rootUp gives the square root of n, rounded up.
func rootUp(n *big.Int) analytics.MicrowattHours {
	root := new(big.Int).Sqrt(n)
	if new(big.Int).Mul(root, root).Cmp(n) < 0 {
		root.Add(root, big.NewInt(1))
	}
	return analytics.MicrowattHours(root.Int64())
}
