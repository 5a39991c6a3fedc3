package sim

import (
	"bytes"
	"errors"
	"slices"

	"fadeledger/analytics"
	"fadeledger/ingest"
	natsbroker "fadeledger/ingest/broker"
)

// hit lets faults happen at a call of a process, and others go on.
func (m *machine) hit(p *process, call string, after bool) error {
	if p.dead {
		return errDead
	}
	for i, f := range m.armed {
		if f.Call != call || f.After != after {
			continue
		}
		if f.Kind != Cut && f.Target != p.slot {
			continue
		}
		m.armed = slices.Delete(m.armed, i, i+1)
		if err := m.strike(p, f); err != nil {
			return err
		}
		break
	}
	if m.r.IntN(3) == 0 {
		p.sleep(m.between(1, analytics.Millis(m.s.Slow)))
		if p.dead {
			return errDead
		}
	}
	return nil
}

// strike lets a fault that waited for a call happen.
func (m *machine) strike(p *process, f Fault) error {
	d := analytics.Millis(f.For) * analytics.Second
	switch f.Kind {
	case Kill:
		m.workers[p.slot].killFor(d, true)
		return errDead
	case Cut:
		return errCut
	case Pause:
		p.sleep(d)
	}
	if p.dead {
		return errDead
	}
	return nil
}

// fires takes an armed fault that waits for the next chance.
func (m *machine) fires(kind FaultKind) bool {
	i := slices.IndexFunc(m.armed, func(f Fault) bool { return f.Kind == kind })
	if i < 0 {
		return false
	}
	m.armed = slices.Delete(m.armed, i, i+1)
	return true
}

// fault lets a fault happen, or arms it for its call.
func (m *machine) fault(f Fault) {
	if f.Call != "" || f.Kind == Refuse {
		m.armed = append(m.armed, f)
		return
	}
	d := analytics.Millis(f.For) * analytics.Second
	switch f.Kind {
	case Kill:
		m.workers[f.Target%len(m.workers)].killFor(d, false)
	case Pause:
		p := m.workers[f.Target%len(m.workers)].p
		p.paused = max(p.paused, m.now+analytics.Instant(d))
	case DatabaseDown:
		m.db.crash(d)
		m.suspect()
	case Backup:
		m.db.backup = m.db.t
	case Restore:
		if m.db.restore(d) {
			m.suspect()
		}
	case Outdate:
		m.db.outdate()
	case BrokerDown:
		m.broker.down = max(m.broker.down, m.now+analytics.Instant(d))
		m.broker.ids = map[string]analytics.Instant{}
		m.after(d, m.broker.wakeAll)
		m.suspect()
	case AcksLost:
		m.broker.loseAcks += f.N
	case StoredLost:
		m.broker.loseStored += f.N
	case Withhold:
		m.broker.withhold = f
	case Correct:
		m.correct(f)
	case Release:
		for range f.N {
			m.release()
		}
	default:
		m.faultOfStream(f)
	}
}

func (m *machine) faultOfStream(f Fault) {
	switch f.Kind {
	case TailLost:
		m.broker.loseTail(min(f.N, m.spare()))
		m.db.backup = nil
		m.suspect()
	case StreamLost:
		if m.spare() < len(m.broker.list) {
			return
		}
		m.broker.renew()
		m.db.backup = nil
		m.suspect()
	case ConsumerLost:
		m.broker.readers[f.Target%m.s.Partitions] = newConsumer(f.Target % m.s.Partitions)
		m.broker.wakeAll()
	case Early:
		for _, c := range m.broker.readers {
			for s := range c.pending {
				c.pending[s] = m.now
			}
		}
		m.broker.wakeAll()
	case Resend:
		m.collectors[f.Target%len(m.collectors)].resend()
	case Recut:
		m.collectors[f.Target%len(m.collectors)].recut()
	case Share:
		m.share()
	case Trim:
		m.trim()
	}
}

// spare gives how many of the newest deliveries the stream may lose. After a
// restore it may hold the only copy of some: two disasters at once are not to
// be survived.
func (m *machine) spare() (n int) {
	for _, s := range slices.Backward(m.broker.list) {
		if !m.recorded(s) && m.covered(s) {
			break
		}
		n++
	}
	return n
}

// covered reports whether a collector was right to forget a delivery.
func (m *machine) covered(s *stored) bool {
	for _, c := range m.collectors {
		for _, p := range c.handed {
			if p.covered && s.header.Get(natsbroker.HeaderBatch) == p.name && bytes.Equal(s.body, p.body) {
				return true
			}
		}
	}
	return false
}

// register makes a unit known, as long as it takes.
func (m *machine) register(i int) {
	id := int32(i + 1)
	if m.db.down > m.now {
		m.after(analytics.Minute, func() { m.register(i) })
		return
	}
	if m.db.t.units[id] == nil {
		m.db.put(m.db.t.register(id, m.s.Units[i].Serial, models()[m.s.Units[i].Model]))
	}
}

// operate does what somebody does now and then for as long as the run lasts.
func (m *machine) operate() {
	m.after(m.between(20*analytics.Minute, analytics.Hour), func() {
		for i := range m.s.Units {
			at := m.s.Units[i].Registered
			if at >= 0 && start+analytics.Instant(at)*minute <= m.now && m.db.t.units[int32(i+1)] == nil {
				m.register(i) // a restore has forgotten it
			}
		}
		if len(m.db.heldRegistered(1)) > 0 {
			m.release()
		}
		for _, u := range m.db.t.units {
			if u.stale() {
				m.freshen()
				break
			}
		}
		if m.calm || m.r.IntN(4) == 0 {
			m.watch()
		}
		m.operate()
	})
}

// release brings back the rows of units that are registered now, and those
// from the future whose time has come.
func (m *machine) release() {
	m.spawn("release", -1, func(p *process) {
		rows := m.db.heldRegistered(20)
		rows = append(rows, m.db.held(5, func(h *heldRow) bool {
			return h.Reason == analytics.ReasonFuture && len(h.Samples) > 0 && h.Samples[len(h.Samples)-1].Time < m.now-hour
		})...)
		r := &ingest.Releaser{Ledger: m.db.client(p), Reader: m.reader}
		_, err := r.Release(m.ctx, rows)
		for _, passing := range []error{nil, errDead, errCut, errDown, errUnique, errRefused, analytics.ErrConflict} {
			if errors.Is(err, passing) {
				return
			}
		}
		m.fail("release: %v", err)
	})
}

// freshen counts units anew whose states are of another version.
func (m *machine) freshen() {
	m.spawn("freshen", -1, func(p *process) {
		client := m.db.client(p)
		for i := range m.s.Units {
			_ = client.Freshen(m.ctx, m.s.Units[i].Serial) // the next time tries again
		}
	})
}

// correct makes a correction of a unit, trying again until it is made. What
// became of a try that failed nobody knows: it may be made twice.
func (m *machine) correct(f Fault) {
	u := &m.s.Units[f.Target%len(m.s.Units)]
	if u.Registered < 0 {
		return
	}
	c := analytics.Correction{Serial: u.Serial, By: "somebody", Why: "the source was wrong"}
	c.To = m.now - analytics.Instant(m.between(0, 2*analytics.Hour))
	c.From = max(start, c.To-analytics.Instant(f.For)*second)
	if f.N < 35 { // nothing of the last day or two is to count
		c.To = m.now
		if back := (m.now.Day() - analytics.Day(f.For%3)).Start(); f.For%3 > 0 && back > start {
			c.To = back // a day before that
		}
		c.From = max(start, (c.To-1).Day().Start()-analytics.Instant(f.For%2)*analytics.Instant(analytics.DayLength))
		f.N = f.N % 2 * 90
	}
	if c.From >= c.To {
		return
	}
	c.Samples = m.samplesFor(&c, f.N)
	m.corrected++
	m.spawn("correction", -1, func(p *process) {
		client := m.db.client(p)
		for !p.dead {
			attempt := c
			err := client.Correct(m.ctx, &attempt)
			if err == nil {
				m.corrected--
				return
			}
			if errors.Is(err, analytics.ErrInvalid) {
				m.fail("correction: %v", err)
			}
			p.sleep(m.between(analytics.Second, 10*analytics.Minute))
		}
	})
}

// samplesFor makes the samples of a correction from those that count: some of
// them, changed or as they are. keep is the share of them in percent.
func (m *machine) samplesFor(c *analytics.Correction, keep int) []analytics.Sample {
	var out []analytics.Sample
	for _, u := range m.db.t.units {
		if u.serial != c.Serial {
			continue
		}
		for _, s := range u.samples(c.From, c.To) {
			if m.r.IntN(100) >= keep {
				continue
			}
			switch m.r.IntN(3) {
			case 0:
				s.Has, s.SoC = s.Has|analytics.HasSoC, analytics.SoC(10+m.r.IntN(980))
			case 1:
				s.Time += 500
			}
			if s.Time < c.To && (len(out) == 0 || s.Time > out[len(out)-1].Time) {
				out = append(out, s)
			}
		}
	}
	if last := c.To - 1 - analytics.Instant(m.r.IntN(60_000)); m.r.IntN(2) == 0 && last >= c.From && (len(out) == 0 || last > out[len(out)-1].Time) {
		// One that no source has.
		out = append(out, analytics.Sample{Time: last, Has: analytics.HasSoC, SoC: analytics.SoC(10 + m.r.IntN(980))})
	}
	return out
}

// trim removes from the stream what is counted and acknowledged. A backup that
// lacks some of it is of no use from then on.
func (m *machine) trim() {
	b := m.broker
	before := b.last + 1
	for _, s := range b.list {
		if !b.readers[s.partition].acked[s.sequence] || !m.recorded(s) {
			before = s.sequence
			break
		}
	}
	if m.seams.trimAcked {
		before = 0
		for _, s := range b.list {
			if b.readers[s.partition].acked[s.sequence] {
				before = s.sequence
			}
		}
	}
	if m.db.backup != nil {
		for _, s := range b.list {
			if s.sequence < before && m.db.backup.deliveries[b.place(s)] == nil {
				m.db.backup = nil
				break
			}
		}
	}
	for _, s := range b.list {
		if s.sequence < before && !m.recorded(s) {
			m.fail("delivery %d of %s is trimmed and not recorded", s.sequence, b.identity)
		}
	}
	b.trim(before)
}

// suspect looks for what the stream or the database may have lost, soon.
func (m *machine) suspect() { m.after(m.between(0, analytics.Minute), m.watch) }

// watch has everything read again where the stream or the database has lost
// what it had.
func (m *machine) watch() {
	if m.broker.down > m.now || m.db.down > m.now {
		m.suspect()
		return
	}
	if m.broker.rolledBack() && !m.seams.noRewind {
		m.broker.readAgain()
	}
}
