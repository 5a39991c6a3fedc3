package analytics

import (
	"math/big"
	"math/bits"
)

// fineBelow is the spacing under which a pair's energy is kept in µWh. At one
// second, half a mWh is 1.8 W: rounding every pair to a whole mWh would bias
// the total of a small or idle battery by a percent and more. From ten seconds
// on a pair is rounded to a whole mWh.
const fineBelow = 10 * Second

// increment is the change of one lifetime counter between two samples.
type increment struct {
	energy MilliwattHours
	event  EventKind // empty when there is nothing to tell
}

// counterIncrement judges a counter's step by the model's power: a step back
// is a reset and counts the new value if that is plausible; a step up that the
// unit cannot have made counts nothing.
func counterIncrement(m *Model, before, now MilliwattHours, elapsed Millis) increment {
	step := now - before
	if step < 0 {
		if !plausible(m, now, elapsed) {
			now = 0
		}
		return increment{energy: now, event: CounterReset}
	}
	if !plausible(m, step, elapsed) {
		return increment{event: CounterImplausible}
	}
	return increment{energy: step}
}

// plausible reports whether energy ≤ 1.2 × max power × elapsed + 100 Wh.
func plausible(m *Model, energy MilliwattHours, elapsed Millis) bool {
	const allowance = 100_000 // mWh
	if energy < 0 {
		return false
	}
	if energy <= allowance {
		return true
	}
	// (energy − allowance) × 3.6e6 ms/h × 10 ≤ 12 × power × elapsed, in 128 bits.
	lh, ll := bits.Mul64(uint64(energy-allowance), 36_000_000)
	rh, rl := bits.Mul64(12*uint64(m.MaxPower), uint64(elapsed))
	return lh < rh || lh == rh && ll <= rl
}

// pair is what two consecutive samples add to the energy.
type pair struct {
	basis Basis
	flow  Flow
	known bool
	// charge and discharge are the counters' steps where basis is ByCounter.
	charge, discharge increment
}

// pairOf computes the energy between two consecutive samples by the best basis
// that they offer.
func pairOf(m *Model, a, b *Sample) pair {
	const counters = HasCharge | HasDischarge
	elapsed := Millis(b.Time - a.Time)
	if a.Has&b.Has&counters == counters {
		p := pair{
			basis: ByCounter, known: true,
			charge:    counterIncrement(m, a.Charge, b.Charge, elapsed),
			discharge: counterIncrement(m, a.Discharge, b.Discharge, elapsed),
		}
		p.flow = Flow{MicrowattHours(p.charge.energy) * 1000, MicrowattHours(p.discharge.energy) * 1000}
		return p
	}
	if elapsed > m.Gap() {
		return pair{}
	}
	if pa, ok := powerOf(a); ok {
		if pb, ok := powerOf(b); ok {
			if b.Has&PowerIsMean != 0 {
				pa = pb
			}
			return pair{basis: ByPower, known: true, flow: trapezoid(pa, pb, elapsed)}
		}
	}
	if a.Has&b.Has&HasSoC != 0 {
		return pair{basis: BySoC, known: true, flow: socFlow(m, a.SoC, b.SoC, elapsed)}
	}
	return pair{}
}

// power is a power in units of 1/scale mW: scale is 1 where it was reported,
// 1000 where it is the product of voltage and current.
type power struct {
	value int64
	scale int64
}

func powerOf(s *Sample) (power, bool) {
	if s.Has&HasPower != 0 {
		return power{int64(s.Power), 1}, true
	}
	if s.Has&(HasVoltage|HasCurrent) == HasVoltage|HasCurrent {
		return power{int64(s.Voltage) * int64(s.Current), 1000}, true
	}
	return power{}, false
}

// trapezoid integrates the straight line between two powers, its charging and
// its discharging part apart, each exact and then rounded once.
func trapezoid(a, b power, elapsed Millis) Flow {
	scale := max(a.scale, b.scale)
	p, q := a.value*(scale/a.scale), b.value*(scale/b.scale)
	// Energy in quanta = power × elapsed / den.
	quantum, den := MicrowattHours(1000), uint64(3_600_000*scale)
	if elapsed < fineBelow {
		quantum, den = 1, uint64(3_600*scale)
	}
	if p >= 0 == (q >= 0) || p == 0 || q == 0 {
		sum := p + q
		e := MicrowattHours(mulDivRound(magnitude(sum), uint64(elapsed), 2*den)) * quantum
		if sum >= 0 {
			return Flow{Charge: e}
		}
		return Flow{Discharge: e}
	}
	up := MicrowattHours(triangle(p, q, elapsed, den)) * quantum
	down := MicrowattHours(triangle(q, p, elapsed, den)) * quantum
	if p > 0 {
		return Flow{Charge: up, Discharge: down}
	}
	return Flow{Charge: down, Discharge: up}
}

// triangle gives p² × elapsed / (2 × |p − q| × den), rounded half up: the area
// on p's side of the zero crossing between p and q of opposite sign.
func triangle(p, q int64, elapsed Millis, den uint64) uint64 {
	height, span := magnitude(p), magnitude(p)+magnitude(q)
	if height < 1<<32 && span < 1<<33 && den < 1<<30 {
		return mulDivRound(height*height, uint64(elapsed), 2*span*den)
	}
	n := new(big.Int).SetUint64(height)
	n.Mul(n, n).Mul(n, new(big.Int).SetUint64(uint64(elapsed))).Lsh(n, 1)
	d := new(big.Int).SetUint64(span)
	d.Mul(d, new(big.Int).SetUint64(den)).Lsh(d, 1)
	n.Add(n, d)
	return n.Quo(n, d.Lsh(d, 1)).Uint64()
}

func magnitude(v int64) uint64 {
	if v < 0 {
		return uint64(-v)
	}
	return uint64(v)
}

// mulDivRound gives a×b/den rounded half up, exactly.
func mulDivRound(a, b, den uint64) uint64 {
	hi, lo := bits.Mul64(a, b)
	q, r := bits.Div64(hi, lo, den)
	if r >= den-r {
		q++
	}
	return q
}

// socFlow takes the change of the state of charge times the rated energy.
func socFlow(m *Model, a, b SoC, elapsed Millis) Flow {
	e := MicrowattHours(rangeOf(a, b)) * MicrowattHours(m.Rated)
	if elapsed >= fineBelow {
		e = MicrowattHours(e.Round()) * 1000
	}
	if b >= a {
		return Flow{Charge: e}
	}
	return Flow{Discharge: e}
}
