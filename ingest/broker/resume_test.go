package broker_test

import (
	"strconv"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/ingest/broker"
)

// TestResumeGivesWhatWasTakenAndNotAcknowledged lets one worker take three of
// five deliveries, acknowledge the first and die; the next begins at the
// second at once, in order, and a restart finds the consumer in order.
func TestResumeGivesWhatWasTakenAndNotAcknowledged(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 1})
	p := b.publisher(t, 0)
	for i := range 5 {
		publish(t, p, "c-07", csv("", strconv.Itoa(i)))
	}
	if err := b.take(t, 0, 3)[0].DoubleAck(t.Context()); err != nil {
		t.Fatal(err)
	}
	c, err := broker.Resume(t.Context(), b.stream, 0)
	if err != nil {
		t.Fatal(err)
	}
	for want := 1; want < 5; want++ {
		m, err := c.Next(jetstream.FetchMaxWait(5 * time.Second))
		if err != nil || string(m.Data()) != strconv.Itoa(want) {
			t.Fatalf("delivery %d: %v, %v", want, m, err)
		}
		if err := m.DoubleAck(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := broker.EnsureStream(t.Context(), b.js, broker.Config{}); err != nil {
		t.Errorf("set up again: %v", err)
	}
	if c, err = broker.Resume(t.Context(), b.stream, 0); err != nil {
		t.Fatal(err)
	}
	info, err := c.Info(t.Context())
	if err != nil || info.NumPending != 0 || info.NumAckPending != 0 {
		t.Errorf("all acknowledged: %+v, %v", info, err)
	}
}
