package sim

import (
	"errors"
	"iter"

	"fadeledger/analytics"
)

// errDead: the process was killed. Nothing that it does has an effect any more.
var errDead = errors.New("the process is dead")

// process is something that runs and waits in turns: it goes on only when the
// machine resumes it, so that one thing happens at a time.
type process struct {
	m     *machine
	name  string
	slot  int // of a worker, else -1
	next  func() (analytics.Millis, bool)
	stop  func()
	yield func(analytics.Millis) bool
	dead  bool
	// parked: it waits and may be woken.
	parked bool
	turn   int // tells a wake-up from those before it
	paused analytics.Instant
}

// park is the sleep that only wake ends.
const park analytics.Millis = -1

// spawn starts a process at the present instant.
func (m *machine) spawn(name string, slot int, body func(*process)) *process {
	p := &process{m: m, name: name, slot: slot}
	p.next, p.stop = iter.Pull(func(yield func(analytics.Millis) bool) {
		p.yield = yield
		defer func() {
			if x := recover(); x != nil {
				m.fail("%s: panic: %v", name, x)
			}
		}()
		body(p)
	})
	m.processes = append(m.processes, p)
	m.wakeIn(p, 0)
	return p
}

// sleep lets time pass; it returns at once in a process that was killed.
func (p *process) sleep(d analytics.Millis) {
	if !p.dead && !p.yield(d) {
		p.dead = true
	}
}

// wakeIn resumes a process after a time, unless it was resumed before.
func (m *machine) wakeIn(p *process, d analytics.Millis) {
	p.turn++
	turn := p.turn
	m.after(d, func() {
		if p.turn == turn {
			m.resume(p)
		}
	})
}

// wake resumes a process that waits to be woken.
func (m *machine) wake(p *process) {
	if p != nil && p.parked && !p.dead {
		p.parked = false
		m.wakeIn(p, analytics.Millis(m.r.IntN(3000)))
	}
}

func (m *machine) resume(p *process) {
	if p.dead {
		return
	}
	if p.paused > m.now {
		m.wakeIn(p, analytics.Millis(p.paused-m.now))
		return
	}
	p.parked = false
	d, ok := p.next()
	switch {
	case !ok:
		p.dead = true
	case d == park:
		p.parked = true
	default:
		m.wakeIn(p, d)
	}
}

// kill ends a process where it stands. Its transaction is rolled back.
func (p *process) kill() {
	p.dead = true
	p.stop()
}
