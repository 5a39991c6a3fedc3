package analytics

import (
	"fmt"
	"math"
)

// Bins is the number of depth bins: bin k stands for the depth k × 0.5 %.
const Bins = 201

// BinOf gives the depth bin of a range of state of charge in 0.1 %.
func BinOf(r SoC) int { return (int(r) + 2) / 5 }

// BinDepth gives the depth of a bin as a fraction.
func BinDepth(bin int) float64 { return float64(bin) * 0.005 }

// HalfCycles counts half cycles by depth bin.
type HalfCycles [Bins]int64

// Add adds the counts of o.
func (h *HalfCycles) Add(o *HalfCycles) {
	for k, n := range o {
		h[k] += n
	}
}

// LifePoint is a warranted number of full cycles at a depth of discharge.
type LifePoint struct {
	// Depth is a fraction, above 0 and at most 1.
	Depth  float64 `json:"depth"`
	Cycles float64 `json:"cycles"`
}

// Shallow says how warranted life goes on below the shallowest point.
type Shallow string

// The ways to go on below the shallowest point.
const (
	// ShallowThroughput keeps the energy throughput constant: N = N0·d0/d.
	ShallowThroughput Shallow = "throughput"
	// ShallowSlope carries the slope of the first segment on.
	ShallowSlope Shallow = "slope"
)

// DefaultCountedFrom is the depth in percent from which ranges spend life
// where the terms name none.
const DefaultCountedFrom = 2.0

// CycleLife is the warranted cycle life by depth.
type CycleLife struct {
	// Points in ascending order of depth; without points nothing is warranted
	// by cycles.
	Points []LifePoint `json:"points"`
	// Shallow is ShallowThroughput unless set.
	Shallow Shallow `json:"shallow,omitempty"`
	// CountedFromPct is the shallowest depth in percent that spends life; nil
	// means DefaultCountedFrom.
	CountedFromPct *float64 `json:"counted_from_pct,omitempty"`
}

// Validate reports the first point that makes no sense.
func (c CycleLife) Validate() error {
	for i, p := range c.Points {
		switch {
		case !(p.Depth > 0 && p.Depth <= 1):
			return fmt.Errorf("cycle life point %d: depth %g %% is not within 0 to 100 %%", i+1, p.Depth*100)
		case !(p.Cycles > 0) || math.IsInf(p.Cycles, 0):
			return fmt.Errorf("cycle life point %d: %g cycles is not a positive number", i+1, p.Cycles)
		case i > 0 && p.Depth <= c.Points[i-1].Depth:
			return fmt.Errorf("cycle life point %d: depth %g %% is not above the point before it", i+1, p.Depth*100)
		}
	}
	switch c.Shallow {
	case "", ShallowThroughput, ShallowSlope:
		return nil
	}
	return fmt.Errorf("cycle life: shallow %q is neither %q nor %q", c.Shallow, ShallowThroughput, ShallowSlope)
}

func (c CycleLife) countedFrom() float64 {
	if c.CountedFromPct != nil {
		return *c.CountedFromPct
	}
	return DefaultCountedFrom
}

// Cycles gives the warranted number of full cycles at a depth (a fraction).
//
// Special cases:
//   - no points: +Inf, since no cycle spends anything
//   - depth 0 or below: +Inf
//   - between two points: linear in log-log
//   - deeper than the deepest: the slope of the last segment goes on
//   - shallower than the shallowest: constant throughput, or the slope of the
//     first segment where Shallow says so
//   - one point alone: constant throughput on both sides
//
// Linear interpolation in log-log is Basquin's law between two points
// (O. H. Basquin, The exponential law of endurance tests, 1910; cited from
// memory).
func (c CycleLife) Cycles(depth float64) float64 {
	n := len(c.Points)
	if n == 0 || depth <= 0 {
		return math.Inf(1)
	}
	first := c.Points[0]
	if n == 1 || depth < first.Depth && c.Shallow != ShallowSlope {
		return first.Cycles * first.Depth / depth
	}
	i := 1
	for i < n-1 && depth > c.Points[i].Depth {
		i++
	}
	a, b := c.Points[i-1], c.Points[i]
	if depth == a.Depth {
		return a.Cycles
	}
	if depth == b.Depth {
		return b.Cycles
	}
	slope := math.Log(b.Cycles/a.Cycles) / math.Log(b.Depth/a.Depth)
	return a.Cycles * math.Exp(slope*math.Log(depth/a.Depth))
}

// Spent gives the share of the warranted cycle life that the half cycles have
// used, by linear damage summation (A. Palmgren 1924; M. A. Miner 1945):
// the sum over the counted bins of cycles done / cycles warranted.
func (c CycleLife) Spent(h *HalfCycles) float64 {
	from := c.countedFrom()
	var spent float64
	for k, n := range h {
		if n == 0 || float64(k)*0.5 < from {
			continue
		}
		spent += float64(n) / 2 / c.Cycles(BinDepth(k))
	}
	return spent
}
