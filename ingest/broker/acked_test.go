package broker_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/ingest/broker"
)

// small publishes n deliveries of random collectors.
func (b *bench) small(t *testing.T, r *rand.Rand, n int) {
	t.Helper()
	p := b.publisher(t, 0)
	for i := range n {
		publish(t, p, fmt.Sprintf("c-%02d", r.IntN(9)), csv("", fmt.Sprintf("%d of %d", i, r.Int())))
	}
}

// TestAckedGivesWhatIsAcknowledgedInARow acknowledges a random part of each
// partition, in any order, trims, and compares with a walk over all deliveries;
// then it goes on behind each of them as behind a mark.
func TestAckedGivesWhatIsAcknowledgedInARow(t *testing.T) {
	for seed := range uint64(6) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			r := rand.New(rand.NewPCG(seed, 5))
			b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 4})
			const stored = 200
			b.small(t, r, stored)
			acked := map[uint64]bool{}
			for p := range 4 {
				for _, m := range b.take(t, p, b.count(t, p)) {
					meta, err := m.Metadata()
					if err != nil {
						t.Fatal(err)
					}
					if s := meta.Sequence.Stream; s < 60+uint64(seed)*20 || r.IntN(3) > 0 {
						if err := m.DoubleAck(t.Context()); err != nil {
							t.Fatal(err)
						}
						acked[s] = true
					}
				}
			}
			trim := uint64(1 + r.IntN(30))
			if err := broker.Trim(t.Context(), b.stream, trim); err != nil {
				t.Fatal(err)
			}
			var want []uint64
			for s := trim; acked[s]; s++ {
				want = append(want, s)
			}
			check := func(mark broker.Anchor, most int, want []uint64) {
				t.Helper()
				list, err := broker.Acked(t.Context(), b.stream, mark, most, hashOf)
				if err != nil {
					t.Fatal(err)
				}
				var got []uint64
				for _, a := range list {
					got = append(got, a.Sequence)
					if b.anchor(t, a.Sequence) != a {
						t.Errorf("%d has another hash", a.Sequence)
					}
				}
				if !slices.Equal(got, want) {
					t.Errorf("behind %d: got %v, want %v (trimmed before %d)", mark.Sequence, got, want, trim)
				}
			}
			check(broker.Anchor{}, stored, want)
			check(broker.Anchor{}, 7, want[:7])
			check(b.anchor(t, want[4]), stored, want[5:])
			check(b.anchor(t, want[len(want)-1]), stored, nil)
			other := b.anchor(t, want[4])
			other.Hash[0]++
			check(other, stored, want)
		})
	}
}

// count gives how many deliveries a partition has.
func (b *bench) count(t *testing.T, p int) int {
	t.Helper()
	c, err := broker.Consumer(t.Context(), b.stream, p)
	if err != nil {
		t.Fatal(err)
	}
	info, err := c.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return int(info.NumPending)
}

// ahead makes a consumer that stands beyond the end of the stream, as one of a
// replicated stream that lost its end.
func (b *bench) ahead(t *testing.T, p int, at uint64) {
	t.Helper()
	c, err := broker.Consumer(t.Context(), b.stream, p)
	if err != nil {
		t.Fatal(err)
	}
	cfg := c.CachedInfo().Config
	if err := b.stream.DeleteConsumer(t.Context(), cfg.Name); err != nil {
		t.Fatal(err)
	}
	cfg.DeliverPolicy, cfg.OptStartSeq, cfg.Metadata = jetstream.DeliverByStartSequencePolicy, at, nil
	if _, err := b.stream.CreateConsumer(t.Context(), cfg); err != nil {
		t.Fatal(err)
	}
}

func TestConsumerAheadOfTheStreamStartsAnew(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 1})
	b.small(t, rand.New(rand.NewPCG(1, 1)), 5)
	b.ahead(t, 0, 40)
	if _, err := broker.Acked(t.Context(), b.stream, broker.Anchor{}, 10, hashOf); !errors.Is(err, broker.ErrRolledBack) {
		t.Errorf("last acknowledged: %v", err)
	}
	if got := b.takeAll(t, 0, all); !slices.Equal(got, []uint64{1, 2, 3, 4, 5}) {
		t.Errorf("read %v", got)
	}
}

// TestAcknowledgementOfAnEarlierReadingCountsForNothing holds a delivery over a
// rewind and acknowledges it then.
func TestAcknowledgementOfAnEarlierReadingCountsForNothing(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 1})
	b.small(t, rand.New(rand.NewPCG(1, 1)), 3)
	held := b.take(t, 0, 3)
	if err := broker.Rewind(t.Context(), b.js, b.stream); err != nil {
		t.Fatal(err)
	}
	again := b.take(t, 0, 3)
	for _, m := range held {
		if err := m.Ack(); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.nc.FlushTimeout(5 * time.Second); err != nil {
		t.Fatal(err)
	}
	time.Sleep(50 * time.Millisecond)
	state, err := broker.State(t.Context(), b.stream)
	if err != nil || state.Unacked != 3 {
		t.Errorf("state %+v, %v", state, err)
	}
	for _, m := range again {
		if err := m.DoubleAck(t.Context()); err != nil {
			t.Error(err)
		}
	}
	if s, err := broker.Settled(t.Context(), b.stream); err != nil || s != 4 {
		t.Errorf("settled before %d, %v", s, err)
	}
}

// TestHalfARewindIsFinished: a process that dies after the first step leaves
// the consumers of the reading before, which the next start removes.
func TestHalfARewindIsFinished(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 2})
	b.small(t, rand.New(rand.NewPCG(1, 1)), 20)
	for p := range 2 {
		b.takeAll(t, p, all)
	}
	config := b.stream.CachedInfo().Config
	config.Metadata["fadeledger_reading"] = "another"
	if _, err := b.js.UpdateStream(t.Context(), config); err != nil {
		t.Fatal(err)
	}
	if _, err := broker.State(t.Context(), b.stream); !errors.Is(err, broker.ErrResuming) {
		t.Errorf("state meanwhile: %v", err)
	}
	if _, err := broker.EnsureStream(t.Context(), b.js, broker.Config{}); err != nil {
		t.Fatal(err)
	}
	n := 0
	for p := range 2 {
		n += len(b.takeAll(t, p, all))
	}
	names := 0
	for range b.stream.ConsumerNames(t.Context()).Name() {
		names++
	}
	if n != 20 || names != 2 {
		t.Errorf("%d read, %d consumers", n, names)
	}
}

// TestPullFromARemovedConsumerEnds: a worker that resumed right before a rewind
// and asks after it is told so, too.
func TestPullFromARemovedConsumerEnds(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 1})
	c, err := broker.Resume(t.Context(), b.stream, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := broker.Rewind(t.Context(), b.js, b.stream); err != nil {
		t.Fatal(err)
	}
	messages, err := c.Messages(jetstream.PullMaxMessages(64), jetstream.PullExpiry(4*time.Second))
	if err != nil {
		t.Fatal(err)
	}
	defer messages.Stop()
	ended := make(chan error, 1)
	begin := time.Now()
	go func() {
		_, err := messages.Next()
		ended <- err
	}()
	select {
	case err := <-ended:
		if err == nil {
			t.Error("a delivery of a removed consumer")
		}
		t.Logf("after %s: %v", time.Since(begin).Round(100*time.Millisecond), err)
	case <-time.After(20 * time.Second):
		t.Error("it waits for ever")
	}
}

// TestRewindWhileOthersResume rewinds again and again while workers resume: in
// the end everything has come again.
func TestRewindWhileOthersResume(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 1})
	b.small(t, rand.New(rand.NewPCG(1, 1)), 30)
	stop := make(chan struct{})
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-stop:
				return
			default:
			}
			c, err := broker.Resume(t.Context(), b.stream, 0)
			if err != nil {
				continue // as a worker, which tries again
			}
			batch, err := c.FetchNoWait(7)
			if err != nil {
				continue
			}
			i := 0
			for m := range batch.Messages() {
				if i++; i < 4 { // leaves some, so that the next one remakes the consumer
					_ = m.Ack()
				}
			}
		}
	}()
	for range 15 {
		if err := broker.Rewind(t.Context(), b.js, b.stream); err != nil {
			t.Fatal(err)
		}
		time.Sleep(20 * time.Millisecond)
	}
	close(stop)
	<-done
	if err := broker.Rewind(t.Context(), b.js, b.stream); err != nil {
		t.Fatal(err)
	}
	if got := b.takeAll(t, 0, all); len(got) != 30 || got[0] != 1 {
		t.Errorf("read %v", got)
	}
}
