package ingest_test

import (
	"context"
	"crypto/sha256"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/ingest/broker"
)

// patience is how long a test waits for what should happen at once.
const patience = 20 * time.Second

// ledger is a fake: each field that is nil has no profile, or counts all.
type ledger struct {
	take          func(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error)
	profile       func(ctx context.Context, collector string) (body, hash []byte, err error)
	profileByHash func(ctx context.Context, hash []byte) ([]byte, error)
}

func (l *ledger) Take(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
	if l.take == nil {
		return countAll(in), nil
	}
	return l.take(ctx, in)
}

func (l *ledger) Profile(ctx context.Context, collector string) (body, hash []byte, err error) {
	if l.profile == nil {
		return nil, nil, nil
	}
	return l.profile(ctx, collector)
}

func (l *ledger) ProfileByHash(ctx context.Context, hash []byte) ([]byte, error) {
	if l.profileByHash == nil {
		return nil, analytics.ErrNotFound
	}
	return l.profileByHash(ctx, hash)
}

// leases is a fake; nil gives all partitions.
type leases struct {
	partitions func(ctx context.Context, n int) ([]int, error)
}

func (l leases) Partitions(ctx context.Context, n int) ([]int, error) {
	if l.partitions != nil {
		return l.partitions(ctx, n)
	}
	all := make([]int, n)
	for p := range all {
		all[p] = p
	}
	return all, nil
}

// countAll accepts every sample.
func countAll(in []analytics.Incoming) []analytics.DeliveryTally {
	out := make([]analytics.DeliveryTally, len(in))
	for i := range in {
		out[i].Accepted = int64(sampleCount(in[i]))
		out[i].Quarantined = int64(len(in[i].Refused))
		out[i].Read = out[i].Accepted + out[i].Quarantined
	}
	return out
}

func sampleCount(in analytics.Incoming) (n int) {
	for _, u := range in.Units {
		n += len(u.Samples)
	}
	return n
}

// book keeps what a ledger has counted, in its order.
type book struct {
	mu      sync.Mutex
	entries []analytics.Incoming
	batches []int
	changed chan struct{}
}

func newBook() *book { return &book{changed: make(chan struct{}, 1)} }

// count is a Take that writes into the book and always works.
func (b *book) count(_ context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
	b.mu.Lock()
	b.entries = append(b.entries, in...)
	b.batches = append(b.batches, len(in))
	b.mu.Unlock()
	select {
	case b.changed <- struct{}{}:
	default:
	}
	return countAll(in), nil
}

// all gives what is counted, each sequence once, as it was counted first.
func (b *book) all() []analytics.Incoming {
	b.mu.Lock()
	defer b.mu.Unlock()
	var out []analytics.Incoming
	seen := map[uint64]bool{}
	for _, e := range b.entries {
		if !seen[e.Sequence] {
			seen[e.Sequence] = true
			out = append(out, e)
		}
	}
	return out
}

// transactions gives the number of deliveries of each transaction.
func (b *book) transactions() []int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.batches)
}

// wait gives what is counted once it is n different deliveries.
func (b *book) wait(t testing.TB, n int) []analytics.Incoming {
	t.Helper()
	deadline := time.After(patience)
	for {
		if got := b.all(); len(got) >= n {
			return got
		}
		select {
		case <-b.changed:
		case <-deadline:
			t.Fatalf("%d deliveries are counted after %v, want %d", len(b.all()), patience, n)
		}
	}
}

// receive waits for a value.
func receive[T any](t testing.TB, c <-chan T, what string) T {
	t.Helper()
	select {
	case v := <-c:
		return v
	case <-time.After(patience):
		t.Fatalf("waited %v for %s", patience, what)
		panic("unreachable")
	}
}

// quiet takes the logs of a test and shows them when it fails.
func quiet(t testing.TB) *slog.Logger {
	var out logBuffer
	t.Cleanup(func() {
		if t.Failed() {
			t.Log(out.String())
		}
	})
	return slog.New(slog.NewTextHandler(&out, nil))
}

type logBuffer struct {
	mu sync.Mutex
	b  strings.Builder
}

func (l *logBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// bench is a running broker with a connection, the stream and a publisher.
type bench struct {
	nc        *nats.Conn
	stream    jetstream.Stream
	publisher *broker.Publisher
	logger    *slog.Logger
}

func start(t *testing.T, partitions int) *bench {
	t.Helper()
	b := &bench{logger: quiet(t)}
	e, err := broker.StartEmbedded(t.Context(), broker.EmbeddedConfig{
		DataDir: t.TempDir(), Logger: b.logger, Sync: broker.SyncLater, MaxStore: 1 << 30,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if b.nc != nil {
			b.nc.Close()
		}
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		if err := e.Shutdown(ctx); err != nil {
			t.Errorf("shutdown: %v", err)
		}
	})
	if b.nc, err = e.Connect(t.Context()); err != nil {
		t.Fatal(err)
	}
	js, err := jetstream.New(b.nc)
	if err != nil {
		t.Fatal(err)
	}
	b.stream, err = broker.EnsureStream(t.Context(), js, broker.Config{Partitions: partitions, MaxBytes: e.StreamBytes()})
	if err != nil {
		t.Fatal(err)
	}
	if b.publisher, err = broker.NewPublisher(b.nc, broker.PublisherConfig{Logger: b.logger}); err != nil {
		t.Fatal(err)
	}
	return b
}

// publish stores deliveries of one collector.
func (b *bench) publish(t *testing.T, collector string, msgs ...broker.Message) {
	t.Helper()
	for _, m := range msgs {
		if m.ContentType == "" {
			m.ContentType = "text/csv"
		}
		if _, err := b.publisher.Publish(t.Context(), collector, m); err != nil {
			t.Fatal(err)
		}
	}
}

// run starts a worker; stop ends it and gives what Run gave.
func (b *bench) run(t *testing.T, cfg ingest.Config) (stop func() error) {
	t.Helper()
	return b.runUntil(t, context.Background(), cfg)
}

// runUntil starts a worker that is told to end with ctx, or by stop.
func (b *bench) runUntil(t *testing.T, ctx context.Context, cfg ingest.Config) (stop func() error) {
	t.Helper()
	cfg.Stream, cfg.Logger = b.stream, b.logger
	if cfg.Leases == nil {
		cfg.Leases = leases{}
	}
	w, err := ingest.NewWorker(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan error, 1)
	go func() { done <- w.Run(ctx) }()
	stop = sync.OnceValue(func() error {
		cancel()
		return receive(t, done, "the worker to end")
	})
	t.Cleanup(func() {
		if err := stop(); err != nil {
			t.Errorf("the worker ended with %v", err)
		}
	})
	return stop
}

// await waits until the stream is as wanted.
func (b *bench) await(t *testing.T, what string, ok func(analytics.StreamState) bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(patience)
	for {
		state, err := broker.State(t.Context(), b.stream)
		if err == nil && ok(state) {
			return
		}
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("waited %v for %s: %+v, %v", patience, what, state, err)
		}
	}
}

// settled waits until all is acknowledged.
func (b *bench) settled(t *testing.T) {
	t.Helper()
	b.await(t, "all deliveries to be acknowledged", func(s analytics.StreamState) bool { return s.Pending == 0 && s.Unacked == 0 })
}

// csv makes a delivery of n rows of a unit, a minute apart from minute first on.
func csv(unit string, first, n int) []byte {
	var out strings.Builder
	out.WriteString("unit,time,soc_pct\n")
	for i := range n {
		at := time.Date(2026, 3, 1, 0, first+i, 0, 0, time.UTC)
		fmt.Fprintf(&out, "%s,%s,%d\n", unit, at.Format(time.RFC3339), 10+(first+i)%80)
	}
	return []byte(out.String())
}

// weight is what a delivery that is read without problems weighs in a worker.
func weight(rows int, body []byte) int { return rows + len(body)/100 + 1 }

// kept is a profile as a database gives it.
func kept(text string) (body, hash []byte) {
	sum := sha256.Sum256([]byte(text))
	return []byte(text), sum[:]
}
