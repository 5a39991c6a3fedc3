package analytics

import "slices"

// Segment is one UTC day of one unit, counted by itself: its sums, what its
// states of charge leave open, and what the next day needs of it. The days of a
// unit determine its ledger (Assemble, DaysOf), and a day depends on the days
// before it through their carry alone. So a sample that comes late costs its
// own day, and further ones only until the carry is what it was.
//
// A pair of samples belongs to the day of its later sample, a closed cycle to
// the day of the sample that confirmed it. What closes within the day is in the
// segment; what it closes together with earlier days shows when they are
// joined: the four-point rule gives the same cycles whether the turning points
// come one by one or as the residues of pieces.
type Segment struct {
	day         Day
	samples     int64
	first       Instant
	energy      [Bases]Flow
	covered     Millis
	checked     Millis
	link        Millis // the part of covered that lies before the day
	linkChecked bool
	flow        Rainflow
	closed      map[int]int64
	tally       []kindTally // in order of kind; most days have none
	curtailed   int64
	hasSoC      bool
	minSoC      SoC
	maxSoC      SoC
	hasTemp     bool
	minTemp     CentiCelsius
	maxTemp     CentiCelsius
	carry       carry
}

// kindTally sums the episodes of a kind that ended in the day.
type kindTally struct {
	kind ExcursionKind
	Tally
}

// tallyOf gives the sum of a kind, to be added to.
func (g *Segment) tallyOf(kind ExcursionKind) *Tally {
	i, there := slices.BinarySearchFunc(g.tally, kind, func(t kindTally, k ExcursionKind) int { return int(t.kind) - int(k) })
	if !there {
		g.tally = slices.Insert(g.tally, i, kindTally{kind: kind})
	}
	return &g.tally[i].Tally
}

// carry is what the samples so far mean to the next one.
type carry struct {
	known  bool
	last   Sample
	window []socPoint
	open   [ExcursionKinds]*episode
}

// CountDay counts the samples of one UTC day, at least one and in strictly
// ascending order, after the day before (nil: there is none). Excursions and
// events go to out.
func CountDay(m *Model, before *Segment, samples []Sample, out *Effects) Segment {
	g := Segment{day: samples[0].Time.Day()}
	if before != nil {
		g.carry = before.carry.clone()
	}
	for i := range samples {
		g.step(m, samples[i], out)
	}
	return g
}

// Day gives the day.
func (g *Segment) Day() Day { return g.day }

// Samples gives the number of samples that count.
func (g *Segment) Samples() int64 { return g.samples }

// Covered gives the covered time of the pairs that end in the day.
func (g *Segment) Covered() Millis { return g.covered }

// Total gives the energy of the day over all bases.
func (g *Segment) Total() Flow {
	var f Flow
	for _, e := range g.energy {
		f.Add(e)
	}
	return f
}

// SameCarry reports whether both days mean the same to the day after them.
func (g *Segment) SameCarry(o *Segment) bool {
	a, b := &g.carry, &o.carry
	if a.known != b.known || a.last != b.last || !slices.Equal(a.window, b.window) {
		return false
	}
	for k := range a.open {
		x, y := a.open[k], b.open[k]
		if (x == nil) != (y == nil) || x != nil && *x != *y {
			return false
		}
	}
	return true
}

func (g *Segment) clone() Segment {
	c := *g
	c.flow = g.flow.clone(0)
	c.tally = slices.Clone(g.tally)
	if g.closed != nil {
		c.closed = make(map[int]int64, len(g.closed))
		for bin, n := range g.closed {
			c.closed[bin] = n
		}
	}
	c.carry = g.carry.clone()
	return c
}

func (c *carry) clone() carry {
	n := *c
	n.window = slices.Clone(c.window)
	for k, e := range c.open {
		if e != nil {
			copied := *e
			n.open[k] = &copied
		}
	}
	return n
}

// step counts the day's next sample.
func (g *Segment) step(m *Model, s Sample, out *Effects) {
	if g.carry.known && s.Time <= g.carry.last.Time {
		panic("analytics: a sample is not newer than the one before")
	}
	s.Rank = 0
	var p pair
	var before *Sample
	if g.carry.known {
		before = &g.carry.last
		p = pairOf(m, before, &s)
		if Millis(s.Time-before.Time) > m.Gap() {
			g.carry.window = g.carry.window[:0]
		}
	}
	r := rateOf(m, before, p, &s, g.carry.window)
	if before != nil {
		g.cover(m, before, &s, r.known && s.Has&HasTemp != 0)
	}
	g.book(p, &s, out)
	g.countCycle(&s)
	g.watch(m, before, p, r, &s, out)
	g.observe(&s)
	g.carry.known, g.carry.last = true, s
}

// cover adds covered time, and checked time where limits could be checked.
func (g *Segment) cover(m *Model, before, s *Sample, checked bool) {
	span := Millis(s.Time - before.Time)
	if span > m.Gap() {
		return
	}
	g.covered += span
	if checked {
		g.checked += span
	}
	if start := g.day.Start(); before.Time < start {
		g.link, g.linkChecked = Millis(start-before.Time), checked
	}
}

// book adds the energy of a pair and tells of counters that jumped.
func (g *Segment) book(p pair, s *Sample, out *Effects) {
	if !p.known {
		return
	}
	g.energy[p.basis].Add(p.flow)
	if p.charge.event != "" {
		out.Events = append(out.Events, Event{p.charge.event, s.Time, "charge_mwh"})
	}
	if p.discharge.event != "" {
		out.Events = append(out.Events, Event{p.discharge.event, s.Time, "discharge_mwh"})
	}
}

func (g *Segment) countCycle(s *Sample) {
	if s.Has&HasSoC == 0 {
		return
	}
	g.flow.Push(s.SoC, func(bin int) {
		if g.closed == nil {
			g.closed = make(map[int]int64, 4)
		}
		g.closed[bin] += 2
	})
}

// observe keeps the day's extremes.
func (g *Segment) observe(s *Sample) {
	if g.samples == 0 {
		g.first = s.Time
	}
	g.samples++
	if s.Has&HasSoC != 0 {
		if !g.hasSoC {
			g.hasSoC, g.minSoC, g.maxSoC = true, s.SoC, s.SoC
		}
		g.minSoC, g.maxSoC = min(g.minSoC, s.SoC), max(g.maxSoC, s.SoC)
	}
	if low, high, ok := s.temps(); ok {
		if !g.hasTemp {
			g.hasTemp, g.minTemp, g.maxTemp = true, low, high
		}
		g.minTemp, g.maxTemp = min(g.minTemp, low), max(g.maxTemp, high)
	}
}

// temps gives the coldest and the hottest cell.
func (s *Sample) temps() (low, high CentiCelsius, ok bool) {
	switch s.Has & (HasTemp | HasTempMax) {
	case HasTemp:
		return s.Temp, s.Temp, true
	case HasTempMax:
		return s.TempMax, s.TempMax, true
	case HasTemp | HasTempMax:
		return s.Temp, max(s.Temp, s.TempMax), true
	}
	return 0, 0, false
}
