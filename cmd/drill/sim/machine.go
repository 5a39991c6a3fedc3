package sim

import (
	"container/heap"
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/store/book"
)

// event is something that is to happen. Events of one instant happen in an
// order that the seed chooses.
type event struct {
	at    analytics.Instant
	order uint64
	do    func()
}

type events []event

func (e events) Len() int { return len(e) }
func (e events) Less(i, j int) bool {
	return e[i].at < e[j].at || e[i].at == e[j].at && e[i].order < e[j].order
}
func (e events) Swap(i, j int) { e[i], e[j] = e[j], e[i] }
func (e *events) Push(x any)   { *e = append(*e, x.(event)) }
func (e *events) Pop() any {
	last := (*e)[len(*e)-1]
	*e = (*e)[:len(*e)-1]
	return last
}

// machine is one run.
type machine struct {
	s     *Schedule
	seams seams
	ctx   context.Context
	log   *slog.Logger
	r     *rand.Rand
	now   analytics.Instant
	queue events
	// armed are faults that wait for their call.
	armed []Fault
	// calm: no fault is to come.
	calm bool

	reader     *ingest.Reader
	db         *database
	broker     *broker
	collectors []*collector
	workers    []*worker
	processes  []*process
	corrected  int // corrections that are to come
	truth      truth
	// storedAt is when the broker stored what, at each place. The same may
	// have been stored again at its place when the stream had lost it.
	storedAt map[book.Place][]analytics.Instant
	trouble  []string
}

const (
	// settleWithin is how long a run may go on after its last fault.
	settleWithin = 48 * hour
	// tooMany bounds what may happen in a run.
	tooMany = 150_000
)

// after lets something happen later.
func (m *machine) after(d analytics.Millis, do func()) {
	heap.Push(&m.queue, event{m.now + analytics.Instant(d), m.r.Uint64(), do})
}

// at lets something happen at an instant.
func (m *machine) at(t analytics.Instant, do func()) { m.after(analytics.Millis(max(0, t-m.now)), do) }

// between gives a random time.
func (m *machine) between(low, high analytics.Millis) analytics.Millis {
	return low + analytics.Millis(m.r.Int64N(int64(high-low)+1))
}

// fail notes what must not happen.
func (m *machine) fail(format string, args ...any) {
	if len(m.trouble) < 20 {
		m.trouble = append(m.trouble, fmt.Sprintf(format, args...))
	}
}

// run lets everything happen until nothing is left to do.
func (m *machine) run() {
	last := m.plan()
	m.at(last, func() { m.calm, m.armed = true, nil })
	for n := 0; len(m.queue) > 0; n++ {
		e := heap.Pop(&m.queue).(event)
		m.now = e.at
		e.do()
		if m.calm && n%16 == 0 && m.quiet() {
			break
		}
		if n > tooMany || m.now > last+settleWithin {
			m.fail("it does not come to rest: %s", m.unrest())
			break
		}
	}
	for _, p := range m.processes {
		if !p.dead {
			p.kill()
		}
	}
}

// plan puts everything that is planned into the queue and gives the last
// instant of it.
func (m *machine) plan() (last analytics.Instant) {
	for _, d := range workload(m.s) {
		m.at(d.at, func() { m.collectors[d.collector].produce(d) })
		last = max(last, d.at)
	}
	for i := range m.s.Units {
		if u := &m.s.Units[i]; u.Registered >= 0 {
			at := start + analytics.Instant(u.Registered)*minute
			m.at(at, func() { m.register(i) })
			last = max(last, at)
		}
	}
	for _, f := range m.s.Faults {
		at := start + analytics.Instant(f.At)*second
		m.at(at, func() { m.fault(f) })
		last = max(last, at+analytics.Instant(f.For)*second)
	}
	for i := range m.s.Workers {
		w := &worker{m: m, slot: i}
		m.workers = append(m.workers, w)
		w.start()
	}
	m.share()
	m.operate()
	return last + hour
}

// quiet reports that nothing is left to do.
func (m *machine) quiet() bool { return m.unrest() == "" }

// unrest says what is still to be done.
func (m *machine) unrest() string {
	for _, c := range m.collectors {
		if len(c.spool) > 0 {
			return fmt.Sprintf("collector %s keeps %d deliveries", c.plan.Name, len(c.spool))
		}
	}
	if n := m.broker.waiting(); n > 0 {
		return fmt.Sprintf("%d deliveries are not acknowledged", n)
	}
	if n := len(m.db.open); n > 0 {
		return fmt.Sprintf("%d transactions are open", n)
	}
	for i := range m.s.Units {
		if m.s.Units[i].Registered >= 0 && m.db.t.units[int32(i+1)] == nil {
			return "a unit is not registered"
		}
	}
	for _, u := range m.db.t.units {
		if u.stale() {
			return "a state is of another version"
		}
	}
	if n := len(m.db.heldRegistered(1)); n > 0 {
		return "rows of registered units are held"
	}
	if m.corrected > 0 {
		return "corrections are not made"
	}
	if m.broker.rolledBack() {
		return "the stream is to be read again"
	}
	return ""
}
