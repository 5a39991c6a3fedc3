package claim

import (
	"math/big"

	"fadeledger/analytics"
)

// wear is a cycle life by depth, ready to compute with: 1/N(depth) is the life
// that one full cycle spends. Where the terms declare the number of cycles, and
// where the throughput is constant, it is an exact fraction.
type wear struct {
	points []wearPoint
	// exponents are those of the pieces between points, the first of which
	// is the one that ends in point 1.
	exponents []*big.Float
	slope     bool
	counted   *big.Rat // depth from which ranges spend life
}

type wearPoint struct{ depth, cycles *big.Rat }

// shallowest is the smallest range of the charge level that can be counted.
var shallowest = big.NewRat(1, 1000)

func wearOf(t *Terms) wear {
	w := wear{slope: t.Shallow == analytics.ShallowSlope, counted: new(big.Rat).Quo(t.CountedFromPct.rat(), ratio(100, 1))}
	for _, p := range t.Life {
		w.points = append(w.points, wearPoint{new(big.Rat).Quo(p.DepthPct.rat(), ratio(100, 1)), p.Cycles.rat()})
	}
	for i := 1; i < len(w.points); i++ {
		a, b := w.points[i-1], w.points[i]
		k := ln(realOf(new(big.Rat).Quo(a.cycles, b.cycles)))
		w.exponents = append(w.exponents, k.Quo(k, ln(realOf(new(big.Rat).Quo(b.depth, a.depth)))))
	}
	return w
}

// perCycle gives 1/N(depth) by the rules of analytics.CycleLife.Cycles.
func (w *wear) perCycle(depth *big.Rat) *big.Rat {
	n := len(w.points)
	first := w.points[0]
	if n == 1 || depth.Cmp(first.depth) < 0 && !w.slope {
		// N = N₀·d₀/d
		return new(big.Rat).Quo(depth, new(big.Rat).Mul(first.cycles, first.depth))
	}
	i := 1
	for i < n-1 && depth.Cmp(w.points[i].depth) > 0 {
		i++
	}
	for _, p := range w.points[i-1 : i+1] {
		if depth.Cmp(p.depth) == 0 {
			return new(big.Rat).Inv(p.cycles)
		}
	}
	// (1/Nₐ) (d/dₐ)^k
	a := w.points[i-1]
	power := exp(newReal().Mul(w.exponent(i), ln(realOf(new(big.Rat).Quo(depth, a.depth)))))
	return exactly(power.Quo(power, realOf(a.cycles)))
}

// exponent gives k = ln(Nₐ/N_b) / ln(d_b/dₐ) of the piece that ends in point i.
func (w *wear) exponent(i int) *big.Float { return w.exponents[i-1] }

// spends reports whether ranges of a depth spend life by the terms.
func (w *wear) spends(depth *big.Rat) bool { return depth.Cmp(w.counted) >= 0 }

func (w *wear) tooShallow(depth *big.Rat) bool { return !w.spends(depth) }

// spent sums the half cycles over the bins whose depth is taken; rounded to
// twelve decimals.
func (w *wear) spent(half map[int]int64, taken func(depth *big.Rat) bool) *big.Rat {
	sum := new(big.Rat)
	for bin := range analytics.Bins {
		n := half[bin]
		depth := ratio(int64(bin), analytics.Bins-1)
		if n == 0 || bin == 0 || !taken(depth) {
			continue
		}
		sum.Add(sum, new(big.Rat).Mul(ratio(n, 2), w.perCycle(depth)))
	}
	return rounded(sum)
}

// steepest gives the largest slope of 1/N by depth between no range and a full
// one. It bounds what hidden use can spend: a turning point that lies further
// out by δ adds 2δ to the way up and down, and makes one cycle, or two halves,
// deeper by δ.
func (w *wear) steepest() *big.Rat {
	n := len(w.points)
	first, last := w.points[0], w.points[n-1]
	top := new(big.Rat).Inv(new(big.Rat).Mul(first.cycles, first.depth))
	if n == 1 {
		return top
	}
	if w.slope {
		// A slope that goes on may rise without bound towards no range at all;
		// the smallest range that is counted ends it.
		top = new(big.Rat).Quo(w.perCycle(shallowest), shallowest)
		top = maxRat(top, w.slopeAt(1, minRat(shallowest, first.depth)))
	}
	for i := 1; i < n; i++ {
		top = maxRat(top, w.slopeAt(i, w.points[i-1].depth))
		top = maxRat(top, w.slopeAt(i, w.points[i].depth))
	}
	if last.depth.Cmp(ratio(1, 1)) < 0 {
		top = maxRat(top, w.slopeAt(n-1, ratio(1, 1)))
	}
	return top
}

// slopeAt gives the slope k/(N·d) of piece i at a depth.
func (w *wear) slopeAt(i int, depth *big.Rat) *big.Rat {
	k := w.exponent(i)
	return new(big.Rat).Quo(new(big.Rat).Mul(exactly(k), w.perCycle(depth)), depth)
}

func maxRat(a, b *big.Rat) *big.Rat {
	if a.Cmp(b) >= 0 {
		return a
	}
	return b
}

func minRat(a, b *big.Rat) *big.Rat {
	if a.Cmp(b) <= 0 {
		return a
	}
	return b
}
