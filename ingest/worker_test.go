package ingest_test

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/ingest/broker"
)

// numbered makes deliveries of one row each with the batches 0, 1, …
func numbered(unit string, n int) []broker.Message {
	out := make([]broker.Message, n)
	for i := range out {
		out[i] = broker.Message{Batch: fmt.Sprint(i), Body: csv(unit, i, 1)}
	}
	return out
}

// wantInOrder checks that all of numbered was counted first in its order.
func wantInOrder(t *testing.T, got []analytics.Incoming, collector string, n int) {
	t.Helper()
	var batches []string
	for _, in := range got {
		if in.Collector == collector {
			batches = append(batches, in.Batch)
		}
	}
	want := make([]string, n)
	for i := range want {
		want[i] = fmt.Sprint(i)
	}
	if !slices.Equal(batches, want) {
		t.Errorf("%s: batches %v are counted, want 0 to %d in their order", collector, batches, n-1)
	}
}

func TestNewWorkerNeedsItsParts(t *testing.T) {
	t.Parallel()
	if _, err := ingest.NewWorker(t.Context(), ingest.Config{Ledger: &ledger{}, Leases: leases{}, Logger: quiet(t)}); err == nil {
		t.Error("a worker without a stream")
	}
}

func TestWorkerCountsInOrder(t *testing.T) {
	t.Parallel()
	b := start(t, 4)
	const n = 20
	collectors := []string{"c-01", "c-02", "c-03", "c-04", "c-05"}
	half := n / 2
	for _, c := range collectors {
		b.publish(t, c, numbered("HB5-"+c, n)[:half]...)
	}
	counted := newBook()
	var tally analytics.DeliveryTally
	var deliveries int
	stop := b.run(t, ingest.Config{
		Ledger: &ledger{take: counted.count}, Linger: 5 * time.Millisecond, Gather: 17,
		Counted: func(n int, sum analytics.DeliveryTally) { deliveries += n; tally.Add(sum) },
	})
	for _, c := range collectors {
		b.publish(t, c, numbered("HB5-"+c, n)[half:]...)
	}
	got := counted.wait(t, n*len(collectors))
	b.settled(t)
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	identity, err := broker.Identity(t.Context(), b.stream)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range collectors {
		wantInOrder(t, got, c, n)
	}
	for _, in := range got {
		if in.Stream != identity || in.StoredAt == 0 || sampleCount(in) != 1 || string(in.Units[0].Serial) != "HB5-"+in.Collector {
			t.Errorf("counted %+v with %+v", in.Delivery, in.Units)
		}
	}
	if deliveries != len(got) || tally.Accepted != int64(len(got)) || tally.Read != tally.Accepted {
		t.Errorf("told of %d deliveries and %+v, want %d", deliveries, tally, len(got))
	}
}

func TestWorkerPassesHeadersOn(t *testing.T) {
	t.Parallel()
	b := start(t, 1)
	text, hash := kept(scaled("x", "0.1"))
	body := []byte("unit,time,x\nHB5-1,2026-03-01T00:00:00Z,500\n")
	b.publish(t, "c-07", broker.Message{
		ContentEncoding: "gzip", Batch: "march", Profile: hex.EncodeToString(hash), Lines: "1:70", Body: pack(t, body),
	})
	counted := newBook()
	b.run(t, ingest.Config{Ledger: &ledger{take: counted.count, profileByHash: func(context.Context, []byte) ([]byte, error) { return text, nil }}})
	in := counted.wait(t, 1)[0]
	if in.Batch != "march" || in.ContentType != "text/csv" || in.ContentEncoding != "gzip" || sampleCount(in) != 1 {
		t.Fatalf("counted %+v", in)
	}
	if u := in.Units[0]; u.Samples[0].SoC != 500 || u.Lines[0] != 70 {
		t.Errorf("state of charge %d on line %d, want 500 on 70", u.Samples[0].SoC, u.Lines[0])
	}
}

// TestWorkerAcknowledgesAfterTake listens to the acknowledgements that the
// worker sends.
func TestWorkerAcknowledgesAfterTake(t *testing.T) {
	t.Parallel()
	b := start(t, 1)
	acks, err := b.nc.SubscribeSync("$JS.ACK.>")
	if err != nil {
		t.Fatal(err)
	}
	const n = 5
	b.publish(t, "c-07", numbered("HB5-1", n)...)
	entered, gate := make(chan int, n), make(chan struct{})
	counted := newBook()
	b.run(t, ingest.Config{
		Gather: n * weight(1, csv("HB5-1", 0, 1)), Linger: time.Minute,
		Ledger: &ledger{take: func(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
			entered <- len(in)
			<-gate
			return counted.count(ctx, in)
		}},
	})
	if got := receive(t, entered, "the transaction"); got != n {
		t.Fatalf("a transaction of %d deliveries, want %d", got, n)
	}
	if err := b.nc.Flush(); err != nil {
		t.Fatal(err)
	}
	if sent, _, err := acks.Pending(); err != nil || sent != 0 {
		t.Errorf("%d acknowledgements before the transaction has ended, error %v", sent, err)
	}
	b.await(t, "all to be unacknowledged", func(s analytics.StreamState) bool { return s.Unacked == n && s.Pending == 0 })
	if first, err := broker.Settled(t.Context(), b.stream); err != nil || first != 1 {
		t.Errorf("settled before %d, %v; want nothing settled", first, err)
	}
	close(gate)
	b.settled(t)
	for range n {
		if _, err := acks.NextMsg(patience); err != nil {
			t.Fatalf("acknowledgement: %v", err)
		}
	}
	if got := counted.transactions(); !slices.Equal(got, []int{n}) {
		t.Errorf("transactions %v, want one", got)
	}
}

// TestWorkerGathersBehindASlowTake counts readings by the profile that each
// delivery asks for and nobody has.
func TestWorkerGathersBehindASlowTake(t *testing.T) {
	t.Parallel()
	b := start(t, 1)
	const n = 201
	_, hash := kept("rank: 1")
	msgs := numbered("HB5-1", n)
	for i := range msgs {
		msgs[i].Profile = hex.EncodeToString(hash)
	}
	b.publish(t, "c-07", msgs[0])
	readings, entered, gate := make(chan struct{}, n), make(chan struct{}, n), make(chan struct{})
	counted := newBook()
	b.run(t, ingest.Config{
		Linger: time.Millisecond,
		Ledger: &ledger{
			profileByHash: func(context.Context, []byte) ([]byte, error) {
				readings <- struct{}{}
				return nil, analytics.ErrNotFound
			},
			take: func(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
				entered <- struct{}{}
				<-gate
				return counted.count(ctx, in)
			},
		},
	})
	receive(t, entered, "the first transaction")
	b.publish(t, "c-07", msgs[1:]...)
	for range n {
		receive(t, readings, "the readings")
	}
	close(gate)
	wantInOrder(t, counted.wait(t, n), "c-07", n)
	// The last one that was read may not have been handed on yet.
	if got := counted.transactions(); got[0] != 1 || len(got) < 2 || got[1] < n-2 {
		t.Errorf("transactions of %v deliveries, want 1 and then all %d that waited", got, n-1)
	}
}

// TestWorkerBoundsWhatIsHeld lets the ledger block until no more is handed to
// it, and adds up what it has.
func TestWorkerBoundsWhatIsHeld(t *testing.T) {
	t.Parallel()
	b := start(t, 2)
	body := csv("HB5-1", 0, 10)
	const fit = 3
	bound := fit*weight(10, body) + 5
	const n = 20
	for i := range n {
		b.publish(t, fmt.Sprintf("c-%02d", i%4), broker.Message{Batch: fmt.Sprint(i / 4), Body: csv("HB5-1", i, 10)})
	}
	// Heavier than all that may be held: comes alone, but comes.
	heavy := csv("HB5-1", 0, 500)
	b.publish(t, "c-00", broker.Message{Batch: "5", Body: heavy})
	counted := newBook()
	var atOnce atomic.Int64
	b.run(t, ingest.Config{
		Held: bound, Linger: 10 * time.Millisecond,
		Ledger: &ledger{take: func(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
			sum := 0
			for _, d := range in {
				size := body
				if sampleCount(d) == 500 {
					size = heavy
				}
				sum += min(weight(sampleCount(d), size), bound)
			}
			if held := atOnce.Add(int64(sum)); held > int64(bound) {
				t.Errorf("the ledger has %d at once, in %d deliveries; want at most %d", held, len(in), bound)
			}
			defer atOnce.Add(-int64(sum))
			return counted.count(ctx, in)
		}},
	})
	got := counted.wait(t, n+1)
	b.settled(t)
	wantInOrder(t, got, "c-00", n/4+1)
	wantInOrder(t, got, "c-03", n/4)
	if largest := slices.Max(counted.transactions()); largest > fit {
		t.Errorf("a transaction of %d deliveries, want at most %d", largest, fit)
	}
}

// TestWorkerQuarantinesStrangeSubjects publishes as anyone who reaches the
// broker can.
func TestWorkerQuarantinesStrangeSubjects(t *testing.T) {
	t.Parallel()
	b := start(t, 1)
	subjects := map[string]string{
		"bytes":   "telemetry.\xff\xfe",
		"long":    "telemetry." + strings.Repeat("x", 65),
		"longer":  "telemetry." + strings.Repeat("x", 2000),
		"letters": "telemetry.räume",
		"markup":  "telemetry.<script>",
	}
	body := csv("HB5-1", 0, 3)
	bodies := map[string]string{}
	for name, subject := range subjects {
		m := nats.NewMsg(subject)
		m.Data = append(slices.Clone(body), name...)
		m.Header.Set(broker.HeaderBatch, strings.Repeat("long ", 100))
		answer, err := b.nc.RequestMsg(m, patience)
		if err != nil || strings.Contains(string(answer.Data), "error") {
			t.Fatalf("%s: %v, %+v", name, err, answer)
		}
		bodies[string(m.Data)] = subject
	}
	b.publish(t, "c-07", broker.Message{Body: body})
	counted := newBook()
	b.run(t, ingest.Config{Ledger: &ledger{take: counted.count}})
	got := counted.wait(t, len(subjects)+1)
	b.settled(t)
	seen := map[string]bool{}
	for _, in := range got[:len(subjects)] {
		if err := broker.CheckCollector(in.Collector); err != nil || seen[in.Collector] || len(in.Batch) > 128 {
			t.Errorf("set aside under %q (seen %v) with a batch of %d bytes: %v", in.Collector, seen[in.Collector], len(in.Batch), err)
		}
		seen[in.Collector] = true
		raw := in.Refused[0].Raw
		wantWhole(t, in, raw, ingest.ReasonCollectorName)
		if bodies[string(raw)] == "" {
			t.Errorf("set aside with other bytes: %q", raw)
		}
		delete(bodies, string(raw))
	}
	if last := got[len(subjects)]; last.Collector != "c-07" || sampleCount(last) != 3 {
		t.Errorf("after them comes %+v, want the 3 samples of c-07", last.Delivery)
	}
}

// grant is a lease on partition 0 that a test gives and takes.
type grant struct {
	given atomic.Pointer[error] // nil: not given; else what Partitions answers with
	asked chan struct{}
}

func (g *grant) Partitions(context.Context, int) ([]int, error) {
	err := g.given.Load()
	select {
	case g.asked <- struct{}{}:
	default:
	}
	switch {
	case err == nil:
		return nil, nil
	case *err != nil:
		return []int{0}, *err
	}
	return []int{0}, nil
}

// set answers so from now on and returns once the worker has acted on it.
func (g *grant) set(t *testing.T, answer *error) {
	t.Helper()
	g.given.Store(answer)
	// One answer may be on its way, one more may have been asked for before.
	for range 4 {
		receive(t, g.asked, "the leases to be looked at")
	}
}

func TestWorkerFollowsLeases(t *testing.T) {
	t.Parallel()
	var given error
	down := errors.New("no connection")
	for _, c := range []struct {
		name string
		away *error
	}{{"taken away", nil}, {"not reached", &down}} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b := start(t, 1)
			counted, lease := newBook(), &grant{asked: make(chan struct{}, 1)}
			entered, gate := make(chan struct{}, 100), make(chan struct{})
			b.run(t, ingest.Config{
				Leases: lease, Rebalance: 10 * time.Millisecond, Linger: time.Millisecond, Held: 8,
				Ledger: &ledger{take: func(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
					entered <- struct{}{}
					<-gate
					return counted.count(ctx, in)
				}},
			})
			all := numbered("HB5-1", 30)
			lease.set(t, &given)
			b.publish(t, "c-07", all[:10]...)
			// Some are with the ledger, some wait in the worker and some in the
			// broker's client when the lease goes.
			receive(t, entered, "the first transaction")
			lease.set(t, c.away)
			close(gate)
			b.publish(t, "c-07", all[10:20]...)
			lease.set(t, c.away)
			b.await(t, "the second ten to wait", func(s analytics.StreamState) bool { return s.Pending >= 10 })
			if got := len(counted.all()); got >= 10 {
				t.Errorf("%d deliveries are counted without the lease, want fewer than the 10 of before", got)
			}
			lease.set(t, &given)
			b.publish(t, "c-07", all[20:]...)
			wantInOrder(t, counted.wait(t, 30), "c-07", 30)
			b.settled(t)
		})
	}
}
