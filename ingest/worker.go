package ingest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/sync/semaphore"

	"fadeledger/analytics"
	"fadeledger/ingest/broker"
)

// Defaults of a worker.
const (
	// DefaultGather is the number of samples that fill a transaction.
	DefaultGather = 60_000
	// DefaultLinger is how long a transaction waits to be filled.
	DefaultLinger = 250 * time.Millisecond
	// DefaultHeld bounds the decoded samples in memory, at about 80 bytes
	// each.
	DefaultHeld = 400_000
	// drainFor is how long a worker that is to end counts what it has read.
	drainFor = 15 * time.Second
	// readers is how many deliveries are read at once: each may unpack to
	// many times its size.
	readers = 4
	// prefetch is how many deliveries of a partition wait in memory to be
	// read, at half a megabyte at most each. A limit in bytes would be closer
	// to the point, but the client then stalls until its request expires.
	prefetch = 64
)

// Ledger counts deliveries.
type Ledger interface {
	Profiles
	// Take counts deliveries in one transaction, all or none. Deliveries that
	// were taken before change nothing.
	Take(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error)
}

// Leases share the partitions among workers. A lease saves work; it is not
// what keeps the ledger right.
type Leases interface {
	// Partitions gives those that this worker holds from now on, out of n,
	// taking and giving back as other workers come and go.
	Partitions(ctx context.Context, n int) ([]int, error)
}

// Config configures a Worker. Ledger, Leases, Stream and Logger are required.
type Config struct {
	Ledger Ledger
	Leases Leases
	Stream jetstream.Stream
	Logger *slog.Logger
	// Gather, Linger and Held have the defaults of the same names.
	Gather int
	Linger time.Duration
	Held   int
	// Rebalance is how often the leases are looked at; 0 means 2 s.
	Rebalance time.Duration
	// Counted, if not nil, is told what every transaction counted.
	Counted func(deliveries int, tally analytics.DeliveryTally)
}

// Worker moves deliveries from the broker into the ledger.
type Worker struct {
	cfg      Config
	reader   *Reader
	identity string
	held     *semaphore.Weighted
	reading  *semaphore.Weighted
	ready    chan gathered
	trouble  atomic.Pointer[string]
}

// gathered is a delivery with what it weighs.
type gathered struct {
	Taken
	weight int
	since  time.Time
}

// NewWorker checks the configuration and makes a worker.
func NewWorker(ctx context.Context, cfg Config) (*Worker, error) {
	if cfg.Ledger == nil || cfg.Leases == nil || cfg.Stream == nil || cfg.Logger == nil {
		return nil, errors.New("worker: Ledger, Leases, Stream and Logger are required")
	}
	if cfg.Gather <= 0 {
		cfg.Gather = DefaultGather
	}
	if cfg.Linger <= 0 {
		cfg.Linger = DefaultLinger
	}
	if cfg.Held <= 0 {
		cfg.Held = DefaultHeld
	}
	if cfg.Rebalance <= 0 {
		cfg.Rebalance = 2 * time.Second
	}
	cfg.Logger = cfg.Logger.With("system", "worker")
	identity, err := broker.Identity(ctx, cfg.Stream)
	if err != nil {
		return nil, fmt.Errorf("worker: %w", err)
	}
	return &Worker{
		cfg: cfg, reader: &Reader{Profiles: cfg.Ledger}, identity: identity,
		held: semaphore.NewWeighted(int64(cfg.Held)), reading: semaphore.NewWeighted(readers), ready: make(chan gathered, 256),
	}, nil
}

// Run works until ctx ends, then counts what it has gathered and returns nil.
func (w *Worker) Run(ctx context.Context) error {
	var lane sync.WaitGroup
	// What was read is still counted after ctx ends, but not for ever: what is
	// not acknowledged comes again.
	counting, giveUp := context.WithCancel(context.WithoutCancel(ctx))
	defer giveUp()
	context.AfterFunc(ctx, func() { time.AfterFunc(drainFor, giveUp) })
	lane.Go(func() { w.count(counting) })
	err := w.follow(ctx)
	close(w.ready)
	lane.Wait()
	return err
}

// follow reads the partitions that the leases give, as they change.
func (w *Worker) follow(ctx context.Context) error {
	reading := map[int]func(){} // stops the reading of a partition
	defer func() {
		for _, stop := range reading {
			stop()
		}
	}()
	for {
		mine, err := w.cfg.Leases.Partitions(ctx, broker.Partitions(w.cfg.Stream))
		if err != nil && ctx.Err() == nil {
			w.cfg.Logger.Warn("leases not reached, reading pauses", "err", err)
			mine = nil
		}
		keep := map[int]bool{}
		for _, p := range mine {
			keep[p] = true
		}
		for p, stop := range reading {
			if !keep[p] {
				stop()
				delete(reading, p)
			}
		}
		for p := range keep {
			if reading[p] == nil {
				reading[p] = w.start(ctx, p)
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(w.cfg.Rebalance):
		}
	}
}

// tell notes how the counting goes.
func (w *Worker) tell(failures int) {
	if failures == 0 {
		w.trouble.Store(nil)
		return
	}
	text := fmt.Sprintf("counting has failed %d times in a row and is tried again; nothing is lost, the broker keeps what waits", failures)
	w.trouble.Store(&text)
}

// Trouble says why the worker does not count, empty when it does.
func (w *Worker) Trouble() string {
	if text := w.trouble.Load(); text != nil {
		return *text
	}
	return ""
}

// start begins to read a partition and gives the function that ends it.
func (w *Worker) start(ctx context.Context, p int) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for ctx.Err() == nil {
			if err := w.read(ctx, p); err != nil && ctx.Err() == nil {
				w.cfg.Logger.Warn("reading a partition goes on", "partition", p, "err", err)
				pause(ctx, time.Second)
			}
		}
	}()
	return func() { cancel(); <-done }
}

// read reads deliveries of a partition until ctx ends or something fails.
func (w *Worker) read(ctx context.Context, p int) error {
	consumer, err := broker.Resume(ctx, w.cfg.Stream, p)
	if err != nil {
		return err
	}
	messages, err := consumer.Messages(jetstream.PullMaxMessages(prefetch), jetstream.PullExpiry(30*time.Second),
		// A request to a consumer that is gone is noticed after two of these.
		jetstream.PullHeartbeat(5*time.Second))
	if err != nil {
		return fmt.Errorf("pull from partition %d: %w", p, err)
	}
	end := context.AfterFunc(ctx, messages.Stop)
	defer end()
	defer messages.Stop()
	for {
		msg, err := messages.Next()
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return fmt.Errorf("pull from partition %d: %w", p, err)
		}
		if err := w.take(ctx, msg); err != nil {
			return err
		}
	}
}

// take reads one delivery and hands it on. It waits while too many samples are
// held: a slow database slows the reading, and the broker keeps the rest.
func (w *Worker) take(ctx context.Context, msg jetstream.Msg) error {
	m, err := messageOf(msg)
	if err != nil {
		return err
	}
	if err := w.reading.Acquire(ctx, 1); err != nil {
		return err
	}
	in, err := w.reader.ReadMessage(ctx, w.identity, m, w.cfg.Logger)
	w.reading.Release(1)
	if err != nil {
		return err
	}
	// The bytes of the message stay in memory until it is acknowledged.
	weight := min(samples(&in)+len(m.Body())/100+1, w.cfg.Held)
	if err := w.held.Acquire(ctx, int64(weight)); err != nil {
		return err
	}
	select {
	case w.ready <- gathered{Taken{m, in}, weight, time.Now()}:
		return nil
	case <-ctx.Done():
		w.held.Release(int64(weight))
		return ctx.Err()
	}
}

// count gathers deliveries and counts them until ready is closed and empty.
func (w *Worker) count(ctx context.Context) {
	lane := &Lane{Ledger: w.cfg.Ledger, Logger: w.cfg.Logger, Counted: w.cfg.Counted}
	for first := range w.ready {
		batch, weight := w.gather(first)
		w.settle(ctx, lane, batch)
		w.held.Release(int64(weight))
	}
}

// settle counts a batch, however long that takes.
func (w *Worker) settle(ctx context.Context, lane *Lane, batch []Taken) {
	stop := w.keepAlive(ctx, batch)
	defer stop()
	lane.Load(batch)
	for {
		wait, done := lane.Step(ctx)
		w.tell(lane.Failing())
		if done || ctx.Err() != nil {
			return // what is not acknowledged comes again
		}
		pause(ctx, wait)
	}
}

// gather collects deliveries for one transaction: until it is full, or its
// first delivery has waited long enough.
func (w *Worker) gather(first gathered) (batch []Taken, weight int) {
	batch, weight = []Taken{first.Taken}, first.weight
	linger := time.NewTimer(w.cfg.Linger - time.Since(first.since))
	defer linger.Stop()
	for weight < w.cfg.Gather {
		// What is there already is taken however long the first has waited:
		// behind a slow transaction the next one is to be large.
		var t gathered
		var ok bool
		select {
		case t, ok = <-w.ready:
		default:
			select {
			case t, ok = <-w.ready:
			case <-linger.C:
				return batch, weight
			}
		}
		if !ok {
			return batch, weight
		}
		batch = append(batch, t.Taken)
		weight += t.weight
	}
	return batch, weight
}

// keepAlive tells the broker that the batch is still being worked on.
func (w *Worker) keepAlive(ctx context.Context, batch []Taken) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	go func() {
		tick := time.NewTicker(broker.AckWait / 3)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				for _, t := range batch {
					_ = t.InProgress() // the next tick tries again
				}
			}
		}
	}()
	return cancel
}

func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}
