package ingest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"sync"
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
	ready    chan taken
}

// taken is a delivery on its way to the ledger.
type taken struct {
	msg    jetstream.Msg
	in     analytics.Incoming
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
		held: semaphore.NewWeighted(int64(cfg.Held)), reading: semaphore.NewWeighted(readers), ready: make(chan taken, 256),
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
	messages, err := consumer.Messages(jetstream.PullMaxMessages(prefetch), jetstream.PullExpiry(30*time.Second))
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
	meta, err := msg.Metadata()
	if err != nil {
		return fmt.Errorf("read metadata: %w", err)
	}
	if err := w.reading.Acquire(ctx, 1); err != nil {
		return err
	}
	in, err := w.envelope(ctx, msg, meta)
	w.reading.Release(1)
	if err != nil {
		return err
	}
	// The bytes of the message stay in memory until it is acknowledged.
	weight := min(samples(&in)+len(msg.Data())/100+1, w.cfg.Held)
	if err := w.held.Acquire(ctx, int64(weight)); err != nil {
		return err
	}
	select {
	case w.ready <- taken{msg, in, weight, time.Now()}:
		return nil
	case <-ctx.Done():
		w.held.Release(int64(weight))
		return ctx.Err()
	}
}

// envelope reads a delivery. A subject that names no possible collector is
// quarantined under a name made of its hash: an error would stop the partition
// for ever.
func (w *Worker) envelope(ctx context.Context, msg jetstream.Msg, meta *jetstream.MsgMetadata) (analytics.Incoming, error) {
	h := msg.Headers()
	collector, _, ok := broker.CollectorOf(msg.Subject())
	bad := broker.CheckCollector(collector)
	if !ok || bad != nil {
		sum := sha256.Sum256([]byte(msg.Subject()))
		collector = "unnamed-" + hex.EncodeToString(sum[:6])
	}
	e := Envelope{
		Delivery: analytics.Delivery{
			Stream: w.identity, Sequence: meta.Sequence.Stream, Collector: collector,
			Batch: h.Get(broker.HeaderBatch), StoredAt: analytics.InstantOf(meta.Timestamp),
		},
		ContentType: h.Get(broker.HeaderContentType), ContentEncoding: h.Get(broker.HeaderContentEncoding),
		ProfileHash: h.Get(broker.HeaderProfile), Lines: h.Get(broker.HeaderLines), Body: msg.Data(),
	}
	if !ok || bad != nil {
		in := analytics.Incoming{Delivery: e.Delivery, Hash: hashOf(e), ContentType: e.ContentType, ContentEncoding: e.ContentEncoding}
		in.Batch = shortBatch(in.Batch)
		whole(&in, ReasonCollectorName, fmt.Sprintf("the subject %q names no collector", msg.Subject()),
			"publish to telemetry.<collector>, with a collector of letters, digits, - and _", e.Body)
		return in, nil
	}
	return w.readSafely(ctx, e)
}

// readSafely reads a delivery; one that makes a decoder panic is set aside, or
// it would end every worker that takes it.
func (w *Worker) readSafely(ctx context.Context, e Envelope) (in analytics.Incoming, err error) {
	defer func() {
		if p := recover(); p != nil {
			w.cfg.Logger.Error("panic while reading a delivery", "sequence", e.Sequence, "panic", p)
			in = analytics.Incoming{Delivery: e.Delivery, Hash: hashOf(e), ContentType: e.ContentType, ContentEncoding: e.ContentEncoding}
			in.Batch = shortBatch(in.Batch)
			whole(&in, ReasonNotCountable, fmt.Sprintf("reading it fails: %v", p), "report this to whoever maintains the service; release the delivery once it is mended", e.Body)
			err = nil
		}
	}()
	return w.reader.Read(ctx, e)
}

// count gathers deliveries and counts them until ready is closed and empty.
func (w *Worker) count(ctx context.Context) {
	for first := range w.ready {
		batch := w.gather(first)
		w.commit(ctx, batch)
		for _, t := range batch {
			w.held.Release(int64(t.weight))
		}
	}
}

// gather collects deliveries for one transaction: until it is full, or its
// first delivery has waited long enough.
func (w *Worker) gather(first taken) []taken {
	batch, total := []taken{first}, first.weight
	linger := time.NewTimer(w.cfg.Linger - time.Since(first.since))
	defer linger.Stop()
	for total < w.cfg.Gather {
		// What is there already is taken however long the first has waited:
		// behind a slow transaction the next one is to be large.
		var t taken
		var ok bool
		select {
		case t, ok = <-w.ready:
		default:
			select {
			case t, ok = <-w.ready:
			case <-linger.C:
				return batch
			}
		}
		if !ok {
			return batch
		}
		batch = append(batch, t)
		total += t.weight
	}
	return batch
}

// commit counts a batch and acknowledges it, however long that takes.
func (w *Worker) commit(ctx context.Context, batch []taken) {
	stop := w.keepAlive(ctx, batch)
	defer stop()
	for attempt := 0; ; attempt++ {
		err := w.count1(ctx, batch)
		if err == nil {
			return
		}
		w.cfg.Logger.Warn("counting is tried again", "deliveries", len(batch), "attempt", attempt+1, "err", err)
		if attempt >= 2 && len(batch) > 1 {
			// One of them may be what fails: find it out one by one.
			for _, t := range batch {
				w.commit(ctx, []taken{t})
			}
			return
		}
		if attempt >= 2 && w.setAside(ctx, batch[0], err) {
			return
		}
		if ctx.Err() != nil {
			return // what is not acknowledged comes again
		}
		pause(ctx, min(time.Duration(1<<min(attempt, 6))*100*time.Millisecond, 5*time.Second))
	}
}

// count1 tries once to count a batch.
func (w *Worker) count1(ctx context.Context, batch []taken) (err error) {
	defer func() {
		// A panic in the counting of one unit must not end the worker: the
		// transaction is rolled back, and the delivery is found and set aside.
		if p := recover(); p != nil {
			err = fmt.Errorf("%w: %v", errPanic, p)
		}
	}()
	in := make([]analytics.Incoming, len(batch))
	for i := range batch {
		in[i] = batch[i].in
	}
	tallies, err := w.cfg.Ledger.Take(ctx, in)
	if err != nil {
		return err
	}
	var sum analytics.DeliveryTally
	for i, t := range batch {
		sum.Add(tallies[i])
		// A lost acknowledgement brings a redelivery that changes nothing.
		if err := t.msg.Ack(); err != nil {
			w.cfg.Logger.Warn("acknowledgement not sent", "sequence", t.in.Sequence, "err", err)
		}
	}
	if w.cfg.Counted != nil {
		w.cfg.Counted(len(batch), sum)
	}
	return nil
}

var errPanic = errors.New("panic while counting")

// setAside puts a delivery that cannot be counted into quarantine as a whole.
// It does so only for a failure of the counting itself: a database that is not
// reached is waited for.
func (w *Worker) setAside(ctx context.Context, t taken, cause error) bool {
	if !errors.Is(cause, errPanic) && !errors.Is(cause, analytics.ErrInvalid) {
		return false
	}
	in := t.in
	whole(&in, ReasonNotCountable, cause.Error(), "report this to whoever maintains the service; release the delivery once it is mended", t.msg.Data())
	in.Header, in.Notes, in.ContentType, in.ContentEncoding = nil, nil, shortBatch(in.ContentType), shortBatch(in.ContentEncoding)
	t.in = in
	err := w.count1(ctx, []taken{t})
	if err != nil {
		w.cfg.Logger.Error("a delivery can neither be counted nor set aside", "sequence", in.Sequence, "err", err)
	}
	return err == nil
}

// keepAlive tells the broker that the batch is still being worked on.
func (w *Worker) keepAlive(ctx context.Context, batch []taken) (stop func()) {
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
					_ = t.msg.InProgress() // the next tick tries again
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
