package sim

import (
	"context"

	"fadeledger/analytics"
	"fadeledger/ingest"
)

// worker moves deliveries from the broker to the ledger by the code of package
// ingest. It may be killed and started again.
type worker struct {
	m    *machine
	slot int
	p    *process
	// partitions are those that it reads.
	partitions []int
	// most is how many deliveries it takes into one transaction.
	most int
}

// start starts the worker.
func (w *worker) start() {
	w.most = 1 + w.m.r.IntN(6)
	w.p = w.m.spawn("worker", w.slot, w.work)
}

// killFor ends the worker and starts it again later.
func (w *worker) killFor(d analytics.Millis, itself bool) {
	if w.p.dead {
		return
	}
	if itself {
		w.p.dead = true
	} else {
		w.p.kill()
	}
	w.m.after(d, func() {
		w.start()
		w.m.suspect()
	})
}

// work is the life of the process.
func (w *worker) work(p *process) {
	client := w.m.db.client(p)
	lane := &ingest.Lane{Ledger: client, Logger: w.m.log}
	for !p.dead {
		if w.m.hit(p, "pull", false) != nil {
			continue
		}
		batch := w.pull(p)
		if w.m.hit(p, "pull", true) != nil || len(batch) == 0 {
			w.wait(p)
			continue
		}
		lane.Load(batch)
		for !p.dead {
			pause, done := lane.Step(w.m.ctx)
			if done {
				break
			}
			if w.m.r.IntN(4) > 0 {
				for _, t := range batch {
					_ = t.InProgress()
				}
			}
			p.sleep(analytics.Millis(pause.Milliseconds()) + w.m.between(0, 100))
		}
	}
}

// pull takes deliveries from the partitions and reads them.
func (w *worker) pull(p *process) []ingest.Taken {
	var batch []ingest.Taken
	for _, partition := range w.partitions {
		for _, msg := range w.m.broker.pull(p, partition, w.most-len(batch)) {
			var taken ingest.Message = msg
			if w.m.seams.message != nil {
				if taken = w.m.seams.message(w, msg); taken == nil {
					continue
				}
			}
			in, err := w.m.reader.ReadMessage(w.m.ctx, w.m.broker.identity, taken, w.m.log)
			if err != nil {
				w.m.fail("a delivery cannot be read: %v", err)
				continue
			}
			batch = append(batch, ingest.Taken{Message: taken, In: in})
			if w.m.r.IntN(40) == 0 { // it came again while it was being read
				batch = append(batch, ingest.Taken{Message: taken, In: in})
			}
		}
	}
	return batch
}

// wait sleeps until there may be something to do.
func (w *worker) wait(p *process) {
	var first analytics.Instant
	known := false
	for _, partition := range w.partitions {
		if at, ok := w.m.broker.due(partition); ok && (!known || at < first) {
			first, known = at, true
		}
	}
	if !known {
		p.sleep(park)
		return
	}
	p.parked = true // what is stored meanwhile wakes it
	p.sleep(analytics.Millis(max(0, first-w.m.now)) + w.m.between(1, 2000))
}

// share gives partitions to workers: each to one at least, some to several.
func (m *machine) share() {
	for _, w := range m.workers {
		w.partitions = nil
	}
	for partition := range m.s.Partitions {
		first := m.r.IntN(len(m.workers))
		for i, w := range m.workers {
			if i == first || m.r.IntN(4) == 0 {
				w.partitions = append(w.partitions, partition)
			}
		}
	}
	m.broker.wakeAll()
}

var _ ingest.Ledger = (*client)(nil)

// profiles answers a reader that lives longer than one run.
type profiles struct{}

func (profiles) Profile(_ context.Context, collector string) (body, hash []byte, err error) {
	return profileOf(collector)
}

func (profiles) ProfileByHash(context.Context, []byte) ([]byte, error) {
	return nil, analytics.ErrNotFound
}

// profileOf gives the profile of a collector: the meter's is of a higher rank.
func profileOf(collector string) (body, hash []byte, err error) {
	if collector == "meter" {
		return []byte("rank: 1\n"), []byte("rank-one"), nil
	}
	return nil, nil, nil
}
