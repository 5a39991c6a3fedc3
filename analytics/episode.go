package analytics

// episode is an excursion that may still go on. What lies after its last
// sample over the limit waits aside: it belongs to the episode only if another
// sample over the limit joins it.
type episode struct {
	seen Excursion
	// waiting sums the pairs after seen.End, waitTemp their temperatures.
	waiting          Flow
	waitSamples      int64
	waitHasTemp      bool
	waitMin, waitMax CentiCelsius
}

// over is one kind by which a sample is over a limit.
type over struct {
	kind          ExcursionKind
	rate, allowed MicroC
}

// watch checks the sample against every limit and moves the episodes on.
func (g *Segment) watch(m *Model, before *Sample, p pair, r rate, s *Sample, out *Effects) {
	var found [3]over
	n := 0
	if s.Has&HasTemp != 0 && r.known {
		if j, ok := judge(m, s, r); ok && j.over {
			found[n] = over{j.kind, r.micro(), j.allowed}
			n++
		}
	}
	if m.Floor != nil && s.Has&HasSoC != 0 && s.SoC < *m.Floor {
		found[n] = over{kind: DeepDischarge}
		n++
	}
	if _, high, ok := s.temps(); ok && m.StorageMax != nil && high > *m.StorageMax {
		found[n] = over{kind: HotRest}
		n++
	}
	g.moveOn(m, before, p, s, r, found[:n], out)
	g.remember(s)
}

func (g *Segment) moveOn(m *Model, before *Sample, p pair, s *Sample, r rate, found []over, out *Effects) {
	for kind, e := range g.carry.open {
		if e == nil {
			continue
		}
		if o := find(found, ExcursionKind(kind)); o != nil {
			if e.joins(m, before, s) {
				e.extend(s, p.flow, *o)
				continue
			}
			e.leave(m, s, r)
			g.finish(ExcursionKind(kind), out)
			continue
		}
		e.leave(m, s, r)
		if Millis(s.Time-e.seen.End) > episodeJoin {
			g.finish(ExcursionKind(kind), out)
			continue
		}
		e.wait(s, p.flow)
	}
	for _, o := range found {
		if g.carry.open[o.kind] == nil {
			g.carry.open[o.kind] = begin(s, o)
		}
	}
}

func find(found []over, kind ExcursionKind) *over {
	for i := range found {
		if found[i].kind == kind {
			return &found[i]
		}
	}
	return nil
}

func (g *Segment) finish(kind ExcursionKind, out *Effects) {
	seen := g.carry.open[kind].seen
	g.carry.open[kind] = nil
	g.tallyOf(kind).add(seen)
	if kind == ColdCharge && seen.Ending == EndWithinLimit {
		g.curtailed++
	}
	out.Excursions = append(out.Excursions, seen)
	out.EndedOn = append(out.EndedOn, g.day)
}

func begin(s *Sample, o over) *episode {
	e := &episode{seen: Excursion{
		Kind: o.kind, Start: s.Time, End: s.Time, Samples: 1, Peak: o.rate, AllowedAtPeak: o.allowed,
	}}
	if low, high, ok := s.temps(); ok {
		e.seen.HasTemp, e.seen.MinTemp, e.seen.MaxTemp = true, low, high
	}
	return e
}

// joins reports whether a sample over the limit belongs to the episode: it
// follows the last one directly within the gap, or within ten minutes.
func (e *episode) joins(m *Model, before *Sample, s *Sample) bool {
	since := Millis(s.Time - e.seen.End)
	return since <= episodeJoin || before.Time == e.seen.End && since <= m.Gap()
}

// extend takes the sample, and what waited, into the episode.
func (e *episode) extend(s *Sample, f Flow, o over) {
	e.wait(s, f)
	x := &e.seen
	x.End = s.Time
	x.Samples++
	x.Charge += e.waiting.Charge
	x.Discharge += e.waiting.Discharge
	x.Ending = EndOpen
	if o.rate > x.Peak {
		x.Peak, x.AllowedAtPeak = o.rate, o.allowed
	}
	if e.waitHasTemp {
		if !x.HasTemp {
			x.HasTemp, x.MinTemp, x.MaxTemp = true, e.waitMin, e.waitMax
		}
		x.MinTemp, x.MaxTemp = min(x.MinTemp, e.waitMin), max(x.MaxTemp, e.waitMax)
	}
	*e = episode{seen: *x}
}

// wait keeps aside what a sample adds until the episode goes on or ends.
func (e *episode) wait(s *Sample, f Flow) {
	e.waitSamples++
	e.waiting.Add(f)
	low, high, ok := s.temps()
	if !ok {
		return
	}
	if !e.waitHasTemp {
		e.waitHasTemp, e.waitMin, e.waitMax = true, low, high
	}
	e.waitMin, e.waitMax = min(e.waitMin, low), max(e.waitMax, high)
}

// leave notes how the episode ended, by the first sample after its last sample
// over the limit.
func (e *episode) leave(m *Model, s *Sample, r rate) {
	if e.waitSamples > 0 || e.seen.Ending != EndOpen {
		return
	}
	e.seen.Ending = ending(m, e.seen, s, r)
}

func ending(m *Model, x Excursion, s *Sample, r rate) Ending {
	if Millis(s.Time-x.End) > m.Gap() {
		return EndUnseen
	}
	switch x.Kind {
	case DeepDischarge:
		if s.Has&HasSoC == 0 {
			return EndUnseen
		}
		return EndLeft
	case HotRest:
		if _, _, ok := s.temps(); !ok {
			return EndUnseen
		}
		return EndLeft
	}
	if !r.known || s.Has&HasTemp == 0 {
		return EndUnseen
	}
	charging := x.Kind == ColdCharge || x.Kind == HotCharge || x.Kind == ChargeRate
	table := m.DischargeLimit
	if charging {
		table = m.ChargeLimit
	}
	where, _ := sideOf(table, s)
	if rateKind(charging, where) != x.Kind {
		return EndLeft
	}
	if r.dir > 0 == charging && r.dir != 0 && r.above(0, 1, restRate) {
		return EndWithinLimit
	}
	return EndStopped
}

// remember keeps the states of charge that later rates are taken against: all
// younger than ten minutes and the newest one that is older.
func (g *Segment) remember(s *Sample) {
	if s.Has&HasSoC == 0 {
		return
	}
	old := 0
	for old+1 < len(g.carry.window) && Millis(s.Time-g.carry.window[old+1].at) >= rateWindow {
		old++
	}
	g.carry.window = g.carry.window[old:]
	g.carry.window = append(g.carry.window, socPoint{s.Time, s.SoC})
}

// merge adds the sums of later episodes.
func (t *Tally) merge(o *Tally) {
	if o.Episodes == 0 {
		return
	}
	if t.Episodes == 0 {
		*t = *o
		return
	}
	t.Episodes += o.Episodes
	t.Samples += o.Samples
	t.Charge += o.Charge
	t.Discharge += o.Discharge
	t.Time += o.Time
	t.Last = o.Last
	t.Peak = max(t.Peak, o.Peak)
	if !o.HasTemp {
		return
	}
	if !t.HasTemp {
		t.HasTemp, t.MinTemp, t.MaxTemp = true, o.MinTemp, o.MaxTemp
	}
	t.MinTemp, t.MaxTemp = min(t.MinTemp, o.MinTemp), max(t.MaxTemp, o.MaxTemp)
}

// add sums one episode into the tally.
func (t *Tally) add(e Excursion) {
	if t.Episodes == 0 {
		t.First = e.Start
	}
	t.Episodes++
	t.Samples += e.Samples
	t.Charge += e.Charge
	t.Discharge += e.Discharge
	t.Time += e.Length()
	t.Last = e.End
	t.Peak = max(t.Peak, e.Peak)
	if !e.HasTemp {
		return
	}
	if !t.HasTemp {
		t.HasTemp, t.MinTemp, t.MaxTemp = true, e.MinTemp, e.MaxTemp
	}
	t.MinTemp, t.MaxTemp = min(t.MinTemp, e.MinTemp), max(t.MaxTemp, e.MaxTemp)
}
