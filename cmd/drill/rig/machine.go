package rig

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/analytics"
	"fadeledger/cmd/drill/proxy"
	"fadeledger/ingest/broker"
	"fadeledger/store"
)

// machine is everything that runs in one run.
type machine struct {
	cfg      Config
	schedule Schedule
	dir      string
	log      *slog.Logger

	cluster    *Cluster
	database   string
	db         *store.DB
	broker     *brokerProcess
	conn       *nats.Conn
	stream     jetstream.Stream
	identity   string
	plan       *plan
	workers    []*worker
	collectors []*collector
	handed     deliveries
	rewound    atomic.Int64
	healed     atomic.Bool

	closers []func()
}

func (m *machine) onClose(f func()) { m.closers = append(m.closers, f) }

// close ends everything in the reverse order.
func (m *machine) close() {
	for i := len(m.closers) - 1; i >= 0; i-- {
		m.closers[i]()
	}
}

// prepare starts everything but the collectors.
func (m *machine) prepare(ctx context.Context) error {
	var err error
	if m.plan, err = newPlan(m.schedule, time.Now()); err != nil {
		return err
	}
	for _, step := range []func(context.Context) error{m.openCluster, m.openDatabase, m.openBroker, m.register, m.openWorkers, m.openCollectors} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (m *machine) openCluster(ctx context.Context) error {
	if m.cluster = m.cfg.Cluster; m.cluster != nil {
		return nil
	}
	// Postgres runs as another user when this process is root.
	if err := os.Chmod(m.dir, 0o755); err != nil {
		return fmt.Errorf("open the folder of the run: %w", err)
	}
	c, err := StartCluster(ctx, filepath.Join(m.dir, "postgres"), m.cfg.Logger)
	if err != nil {
		return err
	}
	m.cluster = c
	m.onClose(func() { _ = c.Stop(context.Background()) })
	return nil
}

// openDatabase makes a database and lets the program bring it up to date.
func (m *machine) openDatabase(ctx context.Context) error {
	name, err := m.cluster.create(ctx)
	if err != nil {
		return err
	}
	m.database = name
	m.onClose(func() { _ = m.cluster.drop(context.Background(), name) })
	out, err := exec.CommandContext(ctx, m.cfg.Program, "migrate", "--database", m.cluster.direct(name)).CombinedOutput()
	if err != nil {
		return fmt.Errorf("migrate: %w: %s", err, out)
	}
	if m.db, err = store.Open(ctx, m.cluster.direct(name), m.log); err != nil {
		return err
	}
	m.onClose(m.db.Close)
	return nil
}

func (m *machine) openBroker(ctx context.Context) error {
	log, err := os.Create(filepath.Join(m.dir, "broker.log"))
	if err != nil {
		return fmt.Errorf("open the broker's log: %w", err)
	}
	m.onClose(func() { log.Close() })
	if m.broker, err = newBroker(filepath.Join(m.dir, "broker"), m.schedule.Workload.SyncLater, log); err != nil {
		return err
	}
	if err := m.broker.startReady(ctx); err != nil {
		return err
	}
	m.onClose(func() { m.broker.kill() })
	if m.conn, err = broker.Connect(ctx, m.broker.url(), "drill", m.log); err != nil {
		return err
	}
	m.onClose(m.conn.Close)
	js, err := jetstream.New(m.conn)
	if err != nil {
		return fmt.Errorf("use JetStream: %w", err)
	}
	cfg := broker.Config{Partitions: m.schedule.Workload.Partitions, MaxBytes: 512 << 20}
	if m.stream, err = broker.EnsureStream(ctx, js, cfg); err != nil {
		return err
	}
	m.identity, err = broker.Identity(ctx, m.stream)
	return err
}

func (m *machine) register(ctx context.Context) error {
	fleet := m.plan.fleet
	r := store.Registration{Models: fleet.Models, Terms: fleet.Terms, Sites: fleet.Sites}
	for _, h := range fleet.Homes {
		r.Units = append(r.Units, h.Unit)
	}
	if _, err := m.db.Register(ctx, r); err != nil {
		return fmt.Errorf("register the fleet: %w", err)
	}
	if _, err := m.db.SetProfile(ctx, meter, []byte(meterProfile)); err != nil {
		return fmt.Errorf("set the profile of %s: %w", meter, err)
	}
	return nil
}

func (m *machine) openWorkers(ctx context.Context) error {
	for i := range m.schedule.Workload.Workers {
		w, err := m.newWorker(ctx, i)
		if err != nil {
			return err
		}
		m.workers = append(m.workers, w)
		m.onClose(func() {
			w.kill()
			w.close()
		})
		if err := w.start(); err != nil {
			return err
		}
	}
	m.awaitWorkers(ctx)
	for _, w := range m.workers {
		m.set(w.database, proxy.Rules{})
	}
	return nil
}

func (m *machine) openCollectors(ctx context.Context) error {
	w := m.schedule.Workload
	shared := &stored{}
	for i, name := range m.plan.names {
		way, err := proxy.Listen(ctx, proxy.Config{Target: m.broker.address, Protocol: proxy.NATS, Seed: m.schedule.Seed<<16 + uint64(i)})
		if err != nil {
			return err
		}
		m.onClose(func() { _ = way.Close() })
		conn, err := broker.Connect(ctx, "nats://"+way.Address(), name, m.log)
		if err != nil {
			return err
		}
		m.onClose(conn.Close)
		c := &collector{
			name: name, freshIDs: w.FreshIDs, batch: w.Batch, conn: conn, way: way, log: m.log,
			stored: shared, confirmer: shared, inbox: nats.NewInbox(),
			chance: rand.New(rand.NewPCG(m.schedule.Seed, uint64(i)+77)), plan: m.plan.deliveries[name],
			serial: m.plan.fleet.Homes[i%len(m.plan.fleet.Homes)].Unit.Serial,
		}
		if w.Confirm == ByCounted {
			c.confirmer = recorded{m.db}
			if m.cfg.Receipts != nil {
				c.confirmer = m.cfg.Receipts(conn)
			}
		}
		c.every = time.Duration(w.Seconds / float64(max(len(c.plan), 1)) * float64(time.Second))
		c.every = max(c.every, time.Microsecond)
		m.collectors = append(m.collectors, c)
	}
	return nil
}

// collect lets all collectors work until the context ends.
func (m *machine) collect(ctx context.Context) (wait func() error) {
	var running sync.WaitGroup
	errs := make([]error, len(m.collectors))
	for i, c := range m.collectors {
		running.Go(func() { errs[i] = c.run(ctx) })
	}
	return func() error {
		running.Wait()
		return errors.Join(errs...)
	}
}

// supervise starts workers again that have ended by themselves, as whoever runs
// the service would.
func (m *machine) supervise(ctx context.Context) {
	for ctx.Err() == nil {
		for _, w := range m.workers {
			if w.running() || !w.fault.TryLock() {
				continue
			}
			if !w.running() {
				if err := w.start(); err != nil {
					m.log.Warn("worker not started again", "err", err)
				}
			}
			w.fault.Unlock()
		}
		rest(ctx, 300)
	}
}

// state asks how much waits in the stream.
func (m *machine) state(ctx context.Context) (analytics.StreamState, error) {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	return broker.State(ctx, m.stream)
}
