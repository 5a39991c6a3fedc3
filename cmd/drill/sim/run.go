package sim

import (
	"context"
	"log/slog"
	"math/rand/v2"
	"runtime"
	"sync"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/store/book"
)

// Result is how a run ended.
type Result struct {
	// Trouble says what was wrong, a line each; empty when nothing was.
	Trouble []string
	// Deliveries and Samples are in the books at the end.
	Deliveries, Samples int
	// Took is how much virtual time passed.
	Took analytics.Millis
}

// Failed reports whether anything was wrong.
func (r Result) Failed() bool { return len(r.Trouble) > 0 }

// Run runs a schedule, with mistakes put in where plants are given.
func Run(s Schedule, plants ...Plant) Result {
	return newRunner().run(s, plants...)
}

// runner runs one schedule after the other. It keeps what is costly to make.
type runner struct{ reader *ingest.Reader }

func newRunner() *runner { return &runner{reader: &ingest.Reader{Profiles: profiles{}}} }

func (x *runner) run(s Schedule, plants ...Plant) Result {
	m := x.machine(s, plants...)
	m.run()
	m.check()
	return m.result()
}

// machine makes the machine of a run.
func (x *runner) machine(s Schedule, plants ...Plant) *machine {
	m := &machine{
		s: &s, ctx: context.Background(), log: slog.New(slog.DiscardHandler), r: rand.New(rand.NewPCG(s.Seed, 0xfade)), now: start,
		reader: x.reader, truth: truth{}, storedAt: map[book.Place][]analytics.Instant{},
	}
	for _, p := range plants {
		p.put(&m.seams)
	}
	m.db = newDatabase(m)
	m.broker = newBroker(m)
	for i := range s.Collectors {
		m.collectors = append(m.collectors, newCollector(m, &s.Collectors[i]))
	}
	return m
}

func (m *machine) result() Result {
	r := Result{Trouble: m.trouble, Deliveries: len(m.db.t.deliveries), Took: analytics.Millis(m.now - start)}
	for _, u := range m.db.t.units {
		r.Samples += int(u.ledger.Samples)
	}
	return r
}

// Failure is a seed at which something was wrong.
type Failure struct {
	Seed    uint64
	Trouble []string
}

// Many runs the random schedules of n seeds on all cores and gives those that
// failed, in order. progress, if not nil, is told now and then how many are
// done.
func Many(from uint64, n int, progress func(done int)) []Failure {
	results := make([]Result, n)
	next := make(chan int)
	var group sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		group.Go(func() {
			x := newRunner()
			for i := range next {
				results[i] = x.run(Random(from + uint64(i)))
			}
		})
	}
	for i := range n {
		next <- i
		if progress != nil && (i+1)%1000 == 0 {
			progress(i + 1)
		}
	}
	close(next)
	group.Wait()
	var failures []Failure
	for i, r := range results {
		if r.Failed() {
			failures = append(failures, Failure{from + uint64(i), r.Trouble})
		}
	}
	return failures
}
