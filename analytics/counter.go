package analytics

// Counter is the state of one unit's count: small, serialisable, and complete.
// Stepping it over a unit's samples in time order gives the same state however
// the series is split. The zero value has counted nothing.
type Counter struct {
	samples int64
	first   Instant
	last    Sample // the newest sample, valid when samples > 0
	flow    Rainflow
	closed  HalfCycles
	energy  [Bases]Flow
	covered Millis
	checked Millis
	open    [ExcursionKinds]*episode
	tally   [ExcursionKinds]Tally
	// curtailed counts the cold-charge episodes that ended within the limit.
	curtailed   int64
	window      []socPoint
	day         DayCount
	dayHasCount bool
}

// Effects is what steps leave behind for good: days and episodes that are
// complete, and events. The caller takes them and resets the lengths.
type Effects struct {
	Days       []DayCount
	Excursions []Excursion
	Events     []Event
}

// Samples gives the number of samples counted.
func (c *Counter) Samples() int64 { return c.samples }

// First gives the time of the first sample, valid when Samples is not 0.
func (c *Counter) First() Instant { return c.first }

// Last gives the newest sample, valid when Samples is not 0.
func (c *Counter) Last() Sample { return c.last }

// Covered gives the time between samples no further apart than the gap.
func (c *Counter) Covered() Millis { return c.covered }

// Checked gives the covered time in which limits could be checked.
func (c *Counter) Checked() Millis { return c.checked }

// Energy gives the energies by basis.
func (c *Counter) Energy() [Bases]Flow { return c.energy }

// Total gives the energy over all bases.
func (c *Counter) Total() Flow {
	var f Flow
	for _, e := range c.energy {
		f.Add(e)
	}
	return f
}

// HalfCycles gives closed cycles and residue by depth bin as they stand.
func (c *Counter) HalfCycles() HalfCycles {
	h := c.closed
	c.flow.Open(&h)
	return h
}

// Tallies sums the episodes by kind, open ones as they stand.
func (c *Counter) Tallies() [ExcursionKinds]Tally {
	t := c.tally
	for _, e := range c.open {
		if e != nil {
			t[e.seen.Kind].add(e.seen)
		}
	}
	return t
}

// Curtailed gives the number of cold-charge episodes after which charging went
// on within the limit while the cells were still cold.
func (c *Counter) Curtailed() int64 {
	n := c.curtailed
	if e := c.open[ColdCharge]; e != nil && e.seen.Ending == EndWithinLimit {
		n++
	}
	return n
}

// OpenExcursions gives the episodes that a later sample may still extend.
func (c *Counter) OpenExcursions() []Excursion {
	var out []Excursion
	for _, e := range c.open {
		if e != nil {
			out = append(out, e.seen)
		}
	}
	return out
}

// Today gives the day that is not complete yet; ok is false before any sample.
func (c *Counter) Today() (DayCount, bool) { return c.day, c.dayHasCount }

// Step counts the next sample of the unit. Samples must come in strictly
// ascending order of time; Step panics otherwise, since a wrong order would
// make a wrong ledger.
func (c *Counter) Step(m *Model, s Sample, out *Effects) {
	if c.samples > 0 && s.Time <= c.last.Time {
		panic("analytics: Counter.Step: sample is not newer than the one before")
	}
	s.Rank = 0
	var p pair
	var before *Sample
	if c.samples > 0 {
		before = &c.last
		p = pairOf(m, before, &s)
		if Millis(s.Time-before.Time) > m.Gap() {
			c.window = c.window[:0]
		}
	}
	r := rateOf(m, before, p, &s, c.window)
	if before != nil {
		c.cover(m, &s, r.known && s.Has&HasTemp != 0, out)
	} else {
		c.first = s.Time
		c.openDay(s.Time.Day(), out)
	}
	c.book(p, &s, out)
	c.countCycle(&s)
	c.watch(m, before, p, r, &s, out)
	c.observe(&s)
	c.samples++
	c.last = s
}

// cover adds covered time, and checked time where limits could be checked, both
// split at midnight, and opens the sample's day.
func (c *Counter) cover(m *Model, s *Sample, checked bool, out *Effects) {
	covered := Millis(s.Time-c.last.Time) <= m.Gap()
	from := c.last.Time
	for day := from.Day(); day < s.Time.Day(); day++ {
		if !covered {
			break
		}
		midnight := (day + 1).Start()
		c.addCovered(Millis(midnight-from), checked)
		from = midnight
		c.openDay(day+1, out)
	}
	if covered {
		c.addCovered(Millis(s.Time-from), checked)
	}
	c.openDay(s.Time.Day(), out)
}

func (c *Counter) addCovered(span Millis, checked bool) {
	c.covered += span
	c.day.Covered += span
	if checked {
		c.checked += span
		c.day.Checked += span
	}
}

// openDay completes the current day when a later one begins.
func (c *Counter) openDay(day Day, out *Effects) {
	if c.dayHasCount && c.day.Day == day {
		return
	}
	if c.dayHasCount {
		out.Days = append(out.Days, c.day)
	}
	c.day, c.dayHasCount = DayCount{Day: day}, true
}

// book adds the energy of a pair and tells of counters that jumped.
func (c *Counter) book(p pair, s *Sample, out *Effects) {
	if !p.known {
		return
	}
	c.energy[p.basis].Add(p.flow)
	c.day.Energy[p.basis].Add(p.flow)
	if p.charge.event != "" {
		out.Events = append(out.Events, Event{p.charge.event, s.Time, "charge_mwh"})
	}
	if p.discharge.event != "" {
		out.Events = append(out.Events, Event{p.discharge.event, s.Time, "discharge_mwh"})
	}
}

func (c *Counter) countCycle(s *Sample) {
	if s.Has&HasSoC == 0 {
		return
	}
	c.flow.Push(s.SoC, func(bin int) {
		c.closed[bin] += 2
		if c.day.Closed == nil {
			c.day.Closed = make(map[int]int64, 4)
		}
		c.day.Closed[bin] += 2
	})
}

// observe keeps the day's extremes.
func (c *Counter) observe(s *Sample) {
	d := &c.day
	if d.Samples == 0 {
		d.First = s.Time
	}
	d.Samples++
	d.Last = s.Time
	if s.Has&HasSoC != 0 {
		if !d.HasSoC {
			d.HasSoC, d.MinSoC, d.MaxSoC = true, s.SoC, s.SoC
		}
		d.MinSoC, d.MaxSoC = min(d.MinSoC, s.SoC), max(d.MaxSoC, s.SoC)
	}
	if low, high, ok := s.temps(); ok {
		if !d.HasTemp {
			d.HasTemp, d.MinTemp, d.MaxTemp = true, low, high
		}
		d.MinTemp, d.MaxTemp = min(d.MinTemp, low), max(d.MaxTemp, high)
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
