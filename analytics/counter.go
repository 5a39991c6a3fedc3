package analytics

// Counter is the state of one unit's count: small, serialisable, and complete.
// Stepping it over a unit's samples in time order gives the same state however
// the series is split, and so does Assemble from the unit's days. The zero
// value has counted nothing.
type Counter struct {
	// past sums the complete days, today is the day of the newest sample.
	past  totals
	today Segment
}

// totals is what complete days add up to. Only the flow depends on their
// order.
type totals struct {
	samples          int64
	first            Instant
	energy           [Bases]Flow
	covered, checked Millis
	flow             Rainflow
	closed           HalfCycles
	tally            [ExcursionKinds]Tally
	curtailed        int64
}

// add takes a day that is later than all before.
func (t *totals) add(g *Segment) {
	if t.samples == 0 {
		t.first = g.first
	}
	t.samples += g.samples
	for b := range g.energy {
		t.energy[b].Add(g.energy[b])
	}
	t.covered += g.covered
	t.checked += g.checked
	for bin, n := range g.closed {
		t.closed[bin] += n
	}
	t.flow.join(&g.flow, func(bin int) { t.closed[bin] += 2 })
	for i := range g.tally {
		t.tally[g.tally[i].kind].merge(&g.tally[i].Tally)
	}
	t.curtailed += g.curtailed
}

// Effects is what steps leave behind for good: days and episodes that are
// complete, and events. The caller takes them and resets the lengths.
type Effects struct {
	Days       []Segment
	Excursions []Excursion
	// EndedOn holds for each excursion the day of the sample that ended it.
	EndedOn []Day
	Events  []Event
}

// Reset empties the effects and keeps their room.
func (e *Effects) Reset() {
	*e = Effects{Days: e.Days[:0], Excursions: e.Excursions[:0], EndedOn: e.EndedOn[:0], Events: e.Events[:0]}
}

// Assemble gives the counter of a unit from its days in ascending order. The
// last of them is taken to be still open.
func Assemble(days []Segment) Counter {
	var c Counter
	if len(days) == 0 {
		return c
	}
	last := len(days) - 1
	for i := range days[:last] {
		c.past.add(&days[i])
	}
	c.today = days[last].clone()
	return c
}

// Recounted gives the counter with its open day, which stays the last one,
// counted anew.
func (c *Counter) Recounted(today Segment) Counter {
	return Counter{past: c.past, today: today.clone()}
}

// Samples gives the number of samples counted.
func (c *Counter) Samples() int64 { return c.past.samples + c.today.samples }

// First gives the time of the first sample, valid when Samples is not 0.
func (c *Counter) First() Instant {
	if c.past.samples > 0 {
		return c.past.first
	}
	return c.today.first
}

// Last gives the newest sample, valid when Samples is not 0.
func (c *Counter) Last() Sample { return c.today.carry.last }

// Covered gives the time between samples no further apart than the gap.
func (c *Counter) Covered() Millis { return c.past.covered + c.today.covered }

// Checked gives the covered time in which limits could be checked.
func (c *Counter) Checked() Millis { return c.past.checked + c.today.checked }

// Energy gives the energies by basis.
func (c *Counter) Energy() [Bases]Flow {
	e := c.past.energy
	for b := range e {
		e[b].Add(c.today.energy[b])
	}
	return e
}

// Total gives the energy over all bases.
func (c *Counter) Total() Flow {
	var f Flow
	for _, e := range c.Energy() {
		f.Add(e)
	}
	return f
}

// HalfCycles gives closed cycles and residue by depth bin as they stand.
func (c *Counter) HalfCycles() HalfCycles {
	h := c.past.closed
	for bin, n := range c.today.closed {
		h[bin] += n
	}
	flow := c.past.flow.clone(len(c.today.flow.stack) + 1)
	flow.join(&c.today.flow, func(bin int) { h[bin] += 2 })
	flow.Open(&h)
	return h
}

// Tallies sums the episodes by kind, open ones as they stand.
func (c *Counter) Tallies() [ExcursionKinds]Tally {
	t := c.past.tally
	for i := range c.today.tally {
		t[c.today.tally[i].kind].merge(&c.today.tally[i].Tally)
	}
	for _, e := range c.today.carry.open {
		if e != nil {
			t[e.seen.Kind].add(e.seen)
		}
	}
	return t
}

// Curtailed gives the number of cold-charge episodes after which charging went
// on within the limit while the cells were still cold.
func (c *Counter) Curtailed() int64 {
	n := c.past.curtailed + c.today.curtailed
	if e := c.today.carry.open[ColdCharge]; e != nil && e.seen.Ending == EndWithinLimit {
		n++
	}
	return n
}

// OpenExcursions gives the episodes that a later sample may still extend.
func (c *Counter) OpenExcursions() []Excursion {
	var out []Excursion
	for _, e := range c.today.carry.open {
		if e != nil {
			out = append(out, e.seen)
		}
	}
	return out
}

// Today gives a copy of the day that is not complete yet; ok is false before
// any sample.
func (c *Counter) Today() (g Segment, ok bool) {
	return c.today.clone(), c.today.samples > 0
}

// Step counts the next sample of the unit. Samples must come in strictly
// ascending order of time; Step panics otherwise, since a wrong order would
// make a wrong ledger.
func (c *Counter) Step(m *Model, s Sample, out *Effects) {
	if day := s.Time.Day(); c.today.samples > 0 && day > c.today.day {
		c.past.add(&c.today)
		// The emitted day keeps what it has; the next one goes on from a copy.
		next := Segment{day: day, carry: c.today.carry.clone()}
		out.Days = append(out.Days, c.today)
		c.today = next
	} else if c.today.samples == 0 {
		c.today.day = day
	}
	c.today.step(m, s, out)
}
