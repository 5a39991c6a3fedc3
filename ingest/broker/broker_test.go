package broker_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/ingest/broker"
)

// quiet takes the logs of a test and shows them when it fails.
func quiet(t testing.TB) *slog.Logger {
	var out logBuffer
	t.Cleanup(func() {
		if t.Failed() {
			t.Log(out.String())
		}
	})
	return slog.New(slog.NewTextHandler(&out, &slog.HandlerOptions{Level: slog.LevelDebug}))
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

// bench is a running broker with a connection and the stream.
type bench struct {
	embedded *broker.Embedded
	nc       *nats.Conn
	js       jetstream.JetStream
	stream   jetstream.Stream
	dir      string
}

// start leaves the syncing to the operating system, which makes the tests ten
// times as fast on a busy disk.
func start(t testing.TB, cfg broker.EmbeddedConfig, streamCfg broker.Config) *bench {
	t.Helper()
	cfg.Sync = broker.SyncLater
	return startAs(t, cfg, streamCfg)
}

// startAs starts as cfg says.
func startAs(t testing.TB, cfg broker.EmbeddedConfig, streamCfg broker.Config) *bench {
	t.Helper()
	if cfg.DataDir == "" {
		cfg.DataDir = t.TempDir()
	}
	cfg.Logger = quiet(t)
	cfg.MaxStore = 1 << 30
	ctx := t.Context()
	e, err := broker.StartEmbedded(ctx, cfg)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{embedded: e, dir: cfg.DataDir}
	t.Cleanup(b.stop)
	if b.nc, err = e.Connect(ctx); err != nil {
		t.Fatal(err)
	}
	if b.js, err = jetstream.New(b.nc); err != nil {
		t.Fatal(err)
	}
	if streamCfg.MaxBytes == 0 {
		streamCfg.MaxBytes = e.StreamBytes()
	}
	if b.stream, err = broker.EnsureStream(ctx, b.js, streamCfg); err != nil {
		t.Fatal(err)
	}
	return b
}

// stop is safe to call twice.
func (b *bench) stop() {
	if b.embedded == nil {
		return
	}
	if b.nc != nil {
		b.nc.Close()
	}
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := b.embedded.Shutdown(ctx); err != nil {
		fmt.Fprintln(os.Stderr, err)
	}
	b.embedded = nil
}

func (b *bench) publisher(t testing.TB, batch int) *broker.Publisher {
	t.Helper()
	p, err := broker.NewPublisher(b.nc, broker.PublisherConfig{Logger: quiet(t), BatchMessages: batch})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func csv(id, body string) broker.Message {
	return broker.Message{ContentType: "text/csv", ID: id, Body: []byte(body)}
}

func publish(t testing.TB, p *broker.Publisher, collector string, m broker.Message) broker.Ack {
	t.Helper()
	ack, err := p.Publish(t.Context(), collector, m)
	if err != nil {
		t.Fatal(err)
	}
	return ack
}

// take fetches n messages of a partition without acknowledging them.
func (b *bench) take(t testing.TB, p, n int) []jetstream.Msg {
	t.Helper()
	c, err := broker.Consumer(t.Context(), b.stream, p)
	if err != nil {
		t.Fatal(err)
	}
	batch, err := c.Fetch(n, jetstream.FetchMaxWait(5*time.Second))
	if err != nil {
		t.Fatal(err)
	}
	var msgs []jetstream.Msg
	for m := range batch.Messages() {
		msgs = append(msgs, m)
	}
	if err := batch.Error(); err != nil {
		t.Fatal(err)
	}
	if len(msgs) != n {
		t.Fatalf("took %d messages of partition %d, want %d", len(msgs), p, n)
	}
	return msgs
}

// partitionOf finds where the server stored a sequence.
func (b *bench) partitionOf(t testing.TB, sequence uint64) (collector string, p int) {
	t.Helper()
	m, err := b.stream.GetMsg(t.Context(), sequence)
	if err != nil {
		t.Fatal(err)
	}
	collector, p, ok := broker.CollectorOf(m.Subject)
	if !ok {
		t.Fatalf("stored as %s", m.Subject)
	}
	return collector, p
}

func TestDeliveryIsStoredTakenAndAcknowledged(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{})
	p := b.publisher(t, 0)
	m := csv("", "unit,time\n")
	m.ContentEncoding = "gzip"
	ack := publish(t, p, "c-07", m)
	if ack.Sequence != 1 || ack.Duplicate {
		t.Fatalf("ack %+v", ack)
	}
	collector, partition := b.partitionOf(t, 1)
	if collector != "c-07" {
		t.Errorf("collector %s", collector)
	}
	state, err := broker.State(t.Context(), b.stream)
	if err != nil || state.Messages != 1 || state.Pending != 1 || state.Unacked != 0 || state.LastSequence != 1 || state.LastStoredAt == nil {
		t.Errorf("before: %+v, %v", state, err)
	}
	got := b.take(t, partition, 1)[0]
	if string(got.Data()) != "unit,time\n" || got.Headers().Get(broker.HeaderContentType) != "text/csv" ||
		got.Headers().Get(broker.HeaderContentEncoding) != "gzip" || got.Headers().Get(broker.HeaderID) == "" {
		t.Errorf("got %q with %v", got.Data(), got.Headers())
	}
	if state, err = broker.State(t.Context(), b.stream); err != nil || state.Pending != 0 || state.Unacked != 1 {
		t.Errorf("taken: %+v, %v", state, err)
	}
	if err := got.DoubleAck(t.Context()); err != nil {
		t.Fatal(err)
	}
	if state, err = broker.State(t.Context(), b.stream); err != nil || state.Pending != 0 || state.Unacked != 0 || state.Messages != 1 {
		t.Errorf("acknowledged: %+v, %v", state, err)
	}
}

func TestUnacknowledgedDeliveryComesAgain(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 1})
	publish(t, b.publisher(t, 0), "c-07", csv("", "x"))
	first := b.take(t, 0, 1)[0]
	if err := first.Nak(); err != nil {
		t.Fatal(err)
	}
	second := b.take(t, 0, 1)[0]
	meta, err := second.Metadata()
	if err != nil || meta.NumDelivered != 2 || meta.Sequence.Stream != 1 {
		t.Errorf("second delivery %+v, %v", meta, err)
	}

	// A worker that dies says nothing: with a short wait the server notices.
	c, err := b.stream.CreateConsumer(t.Context(), jetstream.ConsumerConfig{AckPolicy: jetstream.AckExplicitPolicy, AckWait: 100 * time.Millisecond, FilterSubject: "telemetry.0.*"})
	if err != nil {
		t.Fatal(err)
	}
	for want := uint64(1); want <= 2; want++ {
		m, err := c.Next(jetstream.FetchMaxWait(5 * time.Second))
		if err != nil {
			t.Fatal(err)
		}
		if meta, err := m.Metadata(); err != nil || meta.NumDelivered != want {
			t.Errorf("delivery %d: %+v, %v", want, meta, err)
		}
	}
}

func TestSameIDIsStoredOnce(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{})
	p := b.publisher(t, 0)
	first := publish(t, p, "c-07", csv("id-1", "x"))
	second := publish(t, p, "c-07", csv("id-1", "x"))
	if second.Sequence != first.Sequence || !second.Duplicate || first.Duplicate {
		t.Errorf("first %+v, second %+v", first, second)
	}
}

func TestCollectorKeepsItsPartition(t *testing.T) {
	dir := t.TempDir()
	b := start(t, broker.EmbeddedConfig{DataDir: dir}, broker.Config{Partitions: 8})
	where := map[string]int{}
	used := map[int]bool{}
	for round := range 2 {
		p := b.publisher(t, 0)
		for i := range 40 {
			name := fmt.Sprintf("c-%02d", i)
			collector, partition := b.partitionOf(t, publish(t, p, name, csv("", "x")).Sequence)
			if collector != name {
				t.Fatalf("%s stored as %s", name, collector)
			}
			if before, ok := where[name]; ok && before != partition {
				t.Errorf("%s moved from %d to %d", name, before, partition)
			}
			where[name], used[partition] = partition, true
		}
		if round == 0 {
			b.stop()
			// The number is the stream's own from now on.
			b = start(t, broker.EmbeddedConfig{DataDir: dir}, broker.Config{})
		}
	}
	if broker.Partitions(b.stream) != 8 || len(used) != 8 {
		t.Errorf("%d partitions, %d used by 40 collectors", broker.Partitions(b.stream), len(used))
	}
}

func TestPublisherCannotChooseThePartition(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{})
	if _, err := b.js.Publish(t.Context(), "telemetry.3.c-07", []byte("x")); !errors.Is(err, jetstream.ErrNoStreamResponse) {
		t.Errorf("got %v", err)
	}
}

func TestHostileHeadersDoNothing(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{})
	p := b.publisher(t, 0)
	publish(t, p, "c-07", csv("", "x"))
	for header, value := range map[string]string{
		"Nats-Rollup": "all", "Nats-TTL": "1s", "Nats-Incr": "+1", "Nats-Schedule": "@at 2030-01-01T00:00:00Z",
	} {
		t.Run(header, func(t *testing.T) {
			m := nats.NewMsg(broker.Subject("c-66"))
			m.Header.Set(header, value)
			ack, err := b.js.PublishMsg(t.Context(), m)
			var api *jetstream.APIError
			if err != nil && !errors.As(err, &api) {
				t.Fatalf("got %+v, %v", ack, err)
			}
			if err == nil {
				t.Errorf("%s was taken", header)
			}
		})
	}
	if _, err := b.stream.GetMsg(t.Context(), 1); err != nil {
		t.Errorf("the first delivery is gone: %v", err)
	}
}

func TestRestartKeepsDeliveriesAndIdentity(t *testing.T) {
	dir := t.TempDir()
	b := startAs(t, broker.EmbeddedConfig{DataDir: dir}, broker.Config{Partitions: 2})
	publish(t, b.publisher(t, 0), "c-07", csv("", "kept"))
	publish(t, b.publisher(t, 0), "c-07", csv("", "kept too"))
	_, partition := b.partitionOf(t, 1)
	if err := b.take(t, partition, 1)[0].DoubleAck(t.Context()); err != nil {
		t.Fatal(err)
	}
	before, err := broker.Identity(t.Context(), b.stream)
	if err != nil || !strings.HasPrefix(before, "TELEMETRY/") || len(before) < 30 {
		t.Fatalf("identity %q, %v", before, err)
	}
	b.stop()

	b = start(t, broker.EmbeddedConfig{DataDir: dir}, broker.Config{})
	after, err := broker.Identity(t.Context(), b.stream)
	if err != nil || after != before {
		t.Errorf("identity %q became %q, %v", before, after, err)
	}
	if got := b.take(t, partition, 1)[0]; string(got.Data()) != "kept too" {
		t.Errorf("got %q", got.Data())
	}
	other := start(t, broker.EmbeddedConfig{}, broker.Config{})
	if id, err := broker.Identity(t.Context(), other.stream); err != nil || id == before {
		t.Errorf("another stream has identity %q, %v", id, err)
	}
}

func TestTwoServersOnOneDirectory(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{})
	_, err := broker.StartEmbedded(t.Context(), broker.EmbeddedConfig{DataDir: b.dir, Logger: quiet(t)})
	if !errors.Is(err, broker.ErrDirInUse) || !strings.Contains(err.Error(), fmt.Sprintf("held by process %d", os.Getpid())) {
		t.Errorf("got %v", err)
	}
	b.stop()
	again, err := broker.StartEmbedded(t.Context(), broker.EmbeddedConfig{DataDir: b.dir, Logger: quiet(t)})
	if err != nil {
		t.Fatalf("after the first has stopped: %v", err)
	}
	if err := again.Shutdown(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestAddressInUseIsSaid(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{Listen: "127.0.0.1:0"}, broker.Config{})
	address := strings.TrimPrefix(b.embedded.ClientURL(), "nats://")
	dir := t.TempDir()
	_, err := broker.StartEmbedded(t.Context(), broker.EmbeddedConfig{DataDir: dir, Listen: address, Logger: quiet(t)})
	if err == nil || !strings.Contains(err.Error(), "address already in use") {
		t.Errorf("got %v", err)
	}
	if _, err := broker.StartEmbedded(t.Context(), broker.EmbeddedConfig{DataDir: dir, Listen: "7000", Logger: quiet(t)}); err == nil {
		t.Error("an address without a host was taken")
	}
}

func TestConnectOverTCP(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{Listen: "127.0.0.1:0"}, broker.Config{Partitions: 1})
	nc, err := broker.Connect(t.Context(), b.embedded.ClientURL(), "collector c-07", quiet(t))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	p, err := broker.NewPublisher(nc, broker.PublisherConfig{Logger: quiet(t)})
	if err != nil {
		t.Fatal(err)
	}
	publish(t, p, "c-07", csv("", "x"))
	if got := b.take(t, 0, 1)[0]; string(got.Data()) != "x" {
		t.Errorf("got %q", got.Data())
	}

	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if _, err := broker.Connect(ctx, "nats://127.0.0.1:1", "nobody", quiet(t)); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("no server: got %v", err)
	}
}

func TestTrimTakesOnlyWhatIsBefore(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{})
	p := b.publisher(t, 0)
	for range 3 {
		publish(t, p, "c-07", csv("", "x"))
	}
	if err := broker.Trim(t.Context(), b.stream, 3); err != nil {
		t.Fatal(err)
	}
	info, err := b.stream.Info(t.Context())
	if err != nil || info.State.FirstSeq != 3 || info.State.Msgs != 1 {
		t.Errorf("state %+v, %v", info.State, err)
	}
	if err := b.stream.DeleteMsg(t.Context(), 3); err == nil {
		t.Error("a delivery was cut out of the stream")
	}
}
