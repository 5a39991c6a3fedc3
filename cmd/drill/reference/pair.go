package reference

import (
	"cmp"
	"math/big"
)

type basis int

const (
	basisNone basis = iota
	basisCounter
	basisPower
	basisSoC
)

// pair is two consecutive samples and the energy that flowed between them.
type pair struct {
	from, to Sample
	basis    basis
	energy   Energy
	// rose says that both counters went on from where they were, by no more
	// than is plausible.
	rose   bool
	events []Event
}

func (p pair) lengthMs() int64 { return p.to.TimeMs - p.from.TimeMs }

// pair takes the energy by the best basis that two consecutive samples offer.
func (m *Model) pair(a, b Sample) pair {
	p := pair{from: a, to: b}
	near := p.lengthMs() <= m.maxGapMs()
	pa, pb := powerMW(a), powerMW(b)
	switch {
	case hasCounters(a) && hasCounters(b):
		p.basis = basisCounter
		p.byCounter(m)
	case near && pa != nil && pb != nil:
		p.basis = basisPower
		p.byPower(pa, pb)
	case near && a.SoC != nil && b.SoC != nil:
		p.basis = basisSoC
		p.bySoC(m)
	}
	return p
}

func hasCounters(s Sample) bool { return s.ChargeMWh != nil && s.DischargeMWh != nil }

// powerMW gives the power of a sample, the exact product of voltage and
// current where no power is reported, nil where neither is.
func powerMW(s Sample) *big.Rat {
	switch {
	case s.PowerMW != nil:
		return ratio(*s.PowerMW, 1)
	case s.VoltageMV != nil && s.CurrentMA != nil:
		product := new(big.Rat).Mul(ratio(*s.VoltageMV, 1), ratio(*s.CurrentMA, 1))
		return product.Quo(product, ratio(1000, 1)) // mV × mA is µW
	}
	return nil
}

func (p *pair) byCounter(m *Model) {
	count := func(field string, oldMWh, newMWh int64) (uwh int64) {
		mwh, event := newMWh-oldMWh, ""
		if mwh < 0 {
			mwh, event = newMWh, "counter-reset"
		}
		if !m.plausible(mwh, p.lengthMs()) {
			mwh = 0
			event = cmp.Or(event, "counter-implausible")
		}
		if event != "" {
			p.events = append(p.events, Event{event, p.to.TimeMs, field})
		}
		return mwh * 1000
	}
	p.energy.ChargeUWh = count("charge_mwh", *p.from.ChargeMWh, *p.to.ChargeMWh)
	p.energy.DischargeUWh = count("discharge_mwh", *p.from.DischargeMWh, *p.to.DischargeMWh)
	p.rose = len(p.events) == 0
}

// plausible reports whether an increment is at most 1.2 times what the model
// can do in the time, and 100 Wh.
func (m *Model) plausible(mwh, elapsedMs int64) bool {
	most := new(big.Rat).Mul(ratio(12, 10), ratio(m.MaxPowerMW, 1))
	most.Mul(most, ratio(elapsedMs, hourMs))
	most.Add(most, ratio(100_000, 1))
	return ratio(mwh, 1).Cmp(most) <= 0
}

// byPower integrates the straight line between both powers, its part above
// zero as charge and its part below as discharge; or takes the later power
// throughout where it is a mean.
func (p *pair) byPower(a, b *big.Rat) {
	if p.to.PowerIsMean {
		a = b
	}
	hours := ratio(p.lengthMs(), hourMs)
	area := func(left, right *big.Rat) *big.Rat { // of the part above zero
		half := new(big.Rat).Mul(hours, ratio(1, 2))
		switch {
		case left.Sign() <= 0 && right.Sign() <= 0:
			return new(big.Rat)
		case left.Sign() >= 0 && right.Sign() >= 0:
			return half.Mul(half, new(big.Rat).Add(left, right))
		}
		high, low := left, right
		if high.Sign() < 0 {
			high, low = right, left
		}
		// A triangle: its height is high, its base the share of the time that
		// the line is above zero.
		share := new(big.Rat).Quo(high, new(big.Rat).Sub(high, low))
		return half.Mul(half, share).Mul(half, high)
	}
	p.energy = Energy{
		ChargeUWh:    p.roundUWh(area(a, b)),
		DischargeUWh: p.roundUWh(area(new(big.Rat).Neg(a), new(big.Rat).Neg(b))),
	}
}

func (p *pair) bySoC(m *Model) {
	delta := *p.to.SoC - *p.from.SoC
	mwh := new(big.Rat).Mul(ratio(delta, 1000), ratio(m.RatedMWh, 1))
	if delta > 0 {
		p.energy.ChargeUWh = p.roundUWh(mwh)
	} else {
		p.energy.DischargeUWh = p.roundUWh(mwh.Neg(mwh))
	}
}

// roundUWh rounds an energy in mWh once: to the nearest mWh, or to the nearest
// µWh where the samples are less than 10 s apart, so that many short pairs do
// not add up to a bias.
func (p *pair) roundUWh(mwh *big.Rat) int64 {
	if p.lengthMs() >= 10_000 {
		return round(mwh) * 1000
	}
	return round(new(big.Rat).Mul(mwh, ratio(1000, 1)))
}

// round rounds to the nearest integer, half away from zero.
func round(x *big.Rat) int64 {
	twice := new(big.Int).Mul(x.Num(), big.NewInt(2))
	if x.Sign() >= 0 {
		twice.Add(twice, x.Denom())
	} else {
		twice.Sub(twice, x.Denom())
	}
	return twice.Quo(twice, new(big.Int).Mul(x.Denom(), big.NewInt(2))).Int64() // towards zero
}

func ratio(num, den int64) *big.Rat { return big.NewRat(num, den) }
