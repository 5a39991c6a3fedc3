package rig

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"fadeledger/cmd/drill/proxy"
)

// worker is a worker process and its two ways out.
type worker struct {
	process
	// database and broker are its ways to Postgres and to the broker; the
	// locks are held by the fault that has set rules on them.
	database, broker           *proxy.Proxy
	databaseFault, brokerFault sync.Mutex
}

// deliveries notes which worker was handed which sequence of the stream.
type deliveries struct {
	mu   sync.Mutex
	seen map[uint64]map[int]bool
	// last is the worker of the latest delivery.
	last int
	// again counts deliveries of a sequence beyond the first.
	again int
}

// note reads the reply subject $JS.ACK.stream.consumer.delivered.stream_seq.….
func (d *deliveries) note(worker int, reply string) {
	parts := strings.Split(reply, ".")
	if len(parts) < 9 {
		return
	}
	// Newer servers put domain and account before the stream.
	at := 5
	if len(parts) > 9 {
		at = 7
	}
	sequence, err := strconv.ParseUint(parts[at], 10, 64)
	if err != nil {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.seen == nil {
		d.seen = map[uint64]map[int]bool{}
	}
	if d.seen[sequence] == nil {
		d.seen[sequence] = map[int]bool{}
	} else {
		d.again++
	}
	d.seen[sequence][worker] = true
	d.last = worker
}

// latest gives the worker that was handed the latest delivery.
func (d *deliveries) latest() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.last
}

// shared counts the sequences that more than one worker was handed.
func (d *deliveries) shared() (shared, again int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, workers := range d.seen {
		if len(workers) > 1 {
			shared++
		}
	}
	return shared, d.again
}

// newWorker prepares a worker behind its two proxies.
func (m *machine) newWorker(ctx context.Context, number int) (*worker, error) {
	w := &worker{}
	w.name = fmt.Sprintf("worker %d", number+1)
	seed := m.schedule.Seed<<8 + uint64(number)*2
	var err error
	if w.database, err = proxy.Listen(ctx, proxy.Config{Target: m.cluster.target(), Protocol: proxy.Postgres, Seed: seed}); err != nil {
		return nil, err
	}
	w.broker, err = proxy.Listen(ctx, proxy.Config{
		Target: m.broker.address, Protocol: proxy.NATS, Seed: seed + 1,
		Delivered: func(reply string) { m.handed.note(number, reply) },
	})
	if err != nil {
		_ = w.database.Close()
		return nil, err
	}
	if w.log, err = os.Create(filepath.Join(m.dir, fmt.Sprintf("worker-%d.log", number+1))); err != nil {
		return nil, fmt.Errorf("open the log of %s: %w", w.name, err)
	}
	w.command = func() *exec.Cmd {
		args := append([]string{"work",
			"--database", through(w.database.Address(), m.database), "--broker", "nats://" + w.broker.Address(),
			"--health", "127.0.0.1:0", "--gather", strconv.Itoa(m.schedule.Workload.Gather)}, m.cfg.WorkerArgs...)
		cmd := exec.Command(m.cfg.Program, args...)
		cmd.Dir = m.dir
		return cmd
	}
	return w, nil
}

// close lets go of what the worker had; the process has ended.
func (w *worker) close() {
	_ = w.database.Close()
	_ = w.broker.Close()
	_ = w.log.Close()
}

// upWithin is how long workers are waited for before the first delivery.
const upWithin = 20 * time.Second

// upSign stands in the log of a worker that has reached broker and database.
const upSign = "health is answered"

// awaitWorkers waits until all workers have reached what they need, so that a
// slow machine does not play its faults before anybody works.
func (m *machine) awaitWorkers(ctx context.Context) {
	within(ctx, upWithin, func() bool {
		for _, w := range m.workers {
			b, err := os.ReadFile(w.log.Name())
			if err != nil || !bytes.Contains(b, []byte(upSign)) {
				return false
			}
		}
		return true
	})
}
