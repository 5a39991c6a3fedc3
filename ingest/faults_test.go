package ingest_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/ingest"
)

var errDown = errors.New("no connection to the database")

type takeFunc = func(context.Context, []analytics.Incoming) ([]analytics.DeliveryTally, error)

// TestWorkerRepeatsPassingFailures: a ledger that is not reached is waited for,
// and nothing is set aside for that.
func TestWorkerRepeatsPassingFailures(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name     string
		failures int64
		deliver  int
		cause    error
	}{
		{"one delivery, once", 1, 1, errDown},
		{"one delivery, as often as an invalid one is tried", 3, 1, errDown},
		{"one delivery, more often", 4, 1, errDown},
		{"many deliveries, once", 1, 6, errDown},
		{"many deliveries, together and then one by one", 6, 6, errDown},
		{"the answer came too late", 1, 6, context.DeadlineExceeded},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b := start(t, 1)
			b.publish(t, "c-07", numbered("HB5-1", c.deliver)...)
			counted := newBook()
			var tries atomic.Int64
			b.run(t, ingest.Config{
				Gather: c.deliver * weight(1, csv("HB5-1", 0, 1)), Linger: time.Minute,
				Ledger: &ledger{take: func(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
					if tries.Add(1) <= c.failures {
						return nil, fmt.Errorf("begin: %w", c.cause)
					}
					return counted.count(ctx, in)
				}},
			})
			got := counted.wait(t, c.deliver)
			b.settled(t)
			wantInOrder(t, got, "c-07", c.deliver)
			for _, in := range got {
				if sampleCount(in) != 1 || len(in.Refused) != 0 {
					t.Errorf("delivery %s: %d samples and refused %+v, want 1 and none", in.Batch, sampleCount(in), in.Refused)
				}
			}
		})
	}
}

// TestWorkerSetsAsideWhatCannotBeCounted has one bad delivery among good ones
// in one transaction.
func TestWorkerSetsAsideWhatCannotBeCounted(t *testing.T) {
	t.Parallel()
	const n, bad = 6, "3"
	fails := func() error { return fmt.Errorf("count unit HB5-1: %w: a gap in the rows", analytics.ErrInvalid) }
	for _, c := range []struct {
		name    string
		fail    func() error
		busy    int64 // how often setting aside fails before it works
		message string
	}{
		{"invalid", fails, 0, "a gap in the rows"},
		{"panic", func() error { panic("index out of range [7]") }, 0, "index out of range [7]"},
		{"invalid, and the database is busy", fails, 2, "a gap in the rows"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b := start(t, 1)
			msgs := numbered("HB5-1", n)
			b.publish(t, "c-07", msgs...)
			counted := newBook()
			var together atomic.Bool
			var busy atomic.Int64
			b.run(t, ingest.Config{
				Gather: n * weight(1, msgs[0].Body), Linger: time.Minute,
				Ledger: &ledger{take: func(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
					for i := range in {
						switch {
						case in[i].Batch == bad && len(in[i].Refused) == 0:
							if len(in) == n {
								together.Store(true)
							}
							return nil, c.fail()
						case in[i].Batch == bad && busy.Add(1) <= c.busy:
							return nil, errDown
						}
					}
					return counted.count(ctx, in)
				}},
			})
			got := counted.wait(t, n)
			b.settled(t)
			wantInOrder(t, got, "c-07", n)
			if !together.Load() {
				t.Error("the deliveries were never in one transaction")
			}
			if sum := counted.transactions(); len(sum) != n {
				t.Errorf("transactions %v that worked, want each delivery once and by itself", sum)
			}
			for i, in := range got {
				if in.Batch != bad {
					if sampleCount(in) != 1 || len(in.Refused) != 0 {
						t.Errorf("delivery %s: %d samples and refused %+v, want 1 and none", in.Batch, sampleCount(in), in.Refused)
					}
					continue
				}
				wantWhole(t, in, msgs[i].Body, ingest.ReasonNotCountable)
				if !bytes.Contains([]byte(in.Refused[0].Message), []byte(c.message)) {
					t.Errorf("message %q, want %q in it", in.Refused[0].Message, c.message)
				}
			}
		})
	}
}

// TestWorkerWaitsForProfiles: a delivery whose profile cannot be loaded is read
// again later, as are those behind it.
func TestWorkerWaitsForProfiles(t *testing.T) {
	t.Parallel()
	b := start(t, 1)
	const n = 5
	for i := range n {
		b.publish(t, "c-01", numbered("HB5-1", n)[i])
		b.publish(t, "c-02", numbered("HB5-2", n)[i])
	}
	var asked atomic.Int64
	counted := newBook()
	b.run(t, ingest.Config{
		Linger: time.Millisecond,
		Ledger: &ledger{
			take: counted.count,
			profile: func(_ context.Context, collector string) ([]byte, []byte, error) {
				// c-01's first delivery is on its way when c-02's is not read.
				if collector == "c-02" && asked.Add(1) <= 2 {
					return nil, nil, errDown
				}
				return nil, nil, nil
			},
		},
	})
	got := counted.wait(t, 2*n)
	b.settled(t)
	wantInOrder(t, got, "c-01", n)
	wantInOrder(t, got, "c-02", n)
	for _, in := range got {
		if sampleCount(in) != 1 || len(in.Refused) != 0 {
			t.Errorf("delivery %s of %s: %d samples and refused %+v, want 1 and none", in.Batch, in.Collector, sampleCount(in), in.Refused)
		}
	}
	if asked.Load() < 3 {
		t.Errorf("the profile was asked for %d times, want it to have failed twice", asked.Load())
	}
}

// TestWorkerEndsWhileCountingFails takes as long as a worker counts on after it
// is told to end, for all cases at once.
func TestWorkerEndsWhileCountingFails(t *testing.T) {
	t.Parallel()
	const n = 3
	cases := []struct {
		name string
		take takeFunc
	}{
		{"fails", func(context.Context, []analytics.Incoming) ([]analytics.DeliveryTally, error) { return nil, errDown }},
		{"hangs", func(ctx context.Context, _ []analytics.Incoming) ([]analytics.DeliveryTally, error) {
			<-ctx.Done()
			return nil, ctx.Err()
		}},
		{"invalid and cannot be set aside", func(context.Context, []analytics.Incoming) ([]analytics.DeliveryTally, error) {
			return nil, analytics.ErrInvalid
		}},
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	benches, stops := make([]*bench, len(cases)), make([]func() error, len(cases))
	for i, c := range cases {
		benches[i] = start(t, 1)
		benches[i].publish(t, "c-07", numbered("HB5-1", n)...)
		entered := make(chan struct{}, 1)
		stops[i] = benches[i].runUntil(t, ctx, ingest.Config{
			Gather: n * weight(1, csv("HB5-1", 0, 1)), Linger: time.Minute,
			Ledger: &ledger{take: func(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
				select {
				case entered <- struct{}{}:
				default:
				}
				return c.take(ctx, in)
			}},
		})
		receive(t, entered, "the first try")
	}
	cancel()
	for i, c := range cases {
		if err := stops[i](); err != nil { // fails the test after 20 s
			t.Errorf("%s: the worker ended with %v", c.name, err)
		}
		b := benches[i]
		b.await(t, "all to be unacknowledged", func(s analytics.StreamState) bool { return s.Unacked == n && s.Pending == 0 })
		// The next worker has them at once.
		counted := newBook()
		b.run(t, ingest.Config{Ledger: &ledger{take: counted.count}})
		wantInOrder(t, counted.wait(t, n), "c-07", n)
		b.settled(t)
	}
}

// TestWorkerCountsWhatItHasReadBeforeItEnds tells a worker to end while its
// transaction is under way.
func TestWorkerCountsWhatItHasReadBeforeItEnds(t *testing.T) {
	t.Parallel()
	b := start(t, 1)
	const n = 4
	b.publish(t, "c-07", numbered("HB5-1", n)...)
	entered, gate := make(chan struct{}, n), make(chan struct{})
	counted := newBook()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	stop := b.runUntil(t, ctx, ingest.Config{
		Gather: n * weight(1, csv("HB5-1", 0, 1)), Linger: time.Minute,
		Ledger: &ledger{take: func(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
			entered <- struct{}{}
			<-gate
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			return counted.count(ctx, in)
		}},
	})
	receive(t, entered, "the transaction")
	cancel()
	close(gate)
	if err := stop(); err != nil {
		t.Errorf("the worker ended with %v", err)
	}
	if got := counted.transactions(); !slices.Equal(got, []int{n}) {
		t.Errorf("transactions %v, want one of %d", got, n)
	}
	b.settled(t)
}

// TestWorkerFindsConsumerRemoved: someone removes the consumer of a partition
// under the worker's hands.
func TestWorkerFindsConsumerRemoved(t *testing.T) {
	t.Parallel()
	b := start(t, 1)
	counted := newBook()
	b.run(t, ingest.Config{Linger: time.Millisecond, Ledger: &ledger{take: counted.count}})
	all := numbered("HB5-1", 6)
	b.publish(t, "c-07", all[:3]...)
	counted.wait(t, 3)
	for name := range b.stream.ConsumerNames(t.Context()).Name() {
		if err := b.stream.DeleteConsumer(t.Context(), name); err != nil {
			t.Fatal(err)
		}
	}
	b.publish(t, "c-07", all[3:]...)
	wantInOrder(t, counted.wait(t, 6), "c-07", 6)
	b.settled(t)
}
