package broker_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/ingest/broker"
)

// remakeConsumer replaces the consumer of partition 1 by one that is changed.
func (b *bench) remakeConsumer(t *testing.T, change func(*jetstream.ConsumerConfig)) {
	t.Helper()
	c, err := broker.Consumer(t.Context(), b.stream, 1)
	if err != nil {
		t.Fatal(err)
	}
	cfg := c.CachedInfo().Config
	if err := b.stream.DeleteConsumer(t.Context(), cfg.Name); err != nil {
		t.Fatal(err)
	}
	cfg.Metadata = nil
	change(&cfg)
	if _, err := b.stream.CreateConsumer(t.Context(), cfg); err != nil {
		t.Fatal(err)
	}
}

func TestConsumerSettingsAreAsserted(t *testing.T) {
	type config = *jetstream.ConsumerConfig
	for _, tc := range []struct {
		name   string
		change func(config)
		want   broker.Difference
	}{
		{"acknowledges all before", func(c config) { c.AckPolicy = jetstream.AckAllPolicy }, broker.Difference{Name: "ack_policy", Have: "AckAll", Want: "AckExplicit"}},
		{"asks for no acknowledgement", func(c config) { c.AckPolicy = jetstream.AckNonePolicy }, broker.Difference{Name: "ack_policy", Have: "AckNone", Want: "AckExplicit"}},
		{"reads from now on", func(c config) { c.DeliverPolicy = jetstream.DeliverNewPolicy }, broker.Difference{Name: "deliver_policy", Have: "new", Want: "all"}},
		{"another partition", func(c config) { c.FilterSubject = "telemetry.0.*" }, broker.Difference{Name: "filter_subject", Have: "telemetry.0.*", Want: "telemetry.1.*"}},
		{"at the pace of the arrival", func(c config) { c.ReplayPolicy = jetstream.ReplayOriginalPolicy }, broker.Difference{Name: "replay_policy", Have: "original", Want: "instant"}},
		{"in memory", func(c config) { c.MemoryStorage = true }, broker.Difference{Name: "mem_storage", Have: "true", Want: "false"}},
		{"few waiting", func(c config) { c.MaxWaiting = 3 }, broker.Difference{Name: "max_waiting", Have: "3", Want: "64"}},
		{"pinned", func(c config) {
			c.PriorityPolicy, c.PriorityGroups, c.PinnedTTL = jetstream.PriorityPolicyPinned, []string{"g"}, time.Minute
		}, broker.Difference{Name: "priority_groups", Have: "[g]", Want: "[]"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 2})
			b.remakeConsumer(t, tc.change)
			_, err := broker.EnsureStream(t.Context(), b.js, broker.Config{})
			var settings *broker.SettingsError
			if !errors.As(err, &settings) || settings.Consumer != "count-p001" {
				t.Fatalf("got %v", err)
			}
			found := false
			for _, d := range settings.Differences {
				found = found || d == tc.want
			}
			if text := "consumer count-p001 of stream TELEMETRY is set differently:"; !found || !strings.Contains(err.Error(), text) {
				t.Errorf("got %v", err)
			}
			// What the message says to do helps.
			if err := b.stream.DeleteConsumer(t.Context(), settings.Consumer); err != nil {
				t.Fatal(err)
			}
			if _, err := broker.EnsureStream(t.Context(), b.js, broker.Config{}); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestSafeConsumerSettingsAreMended(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 2})
	b.remakeConsumer(t, func(c *jetstream.ConsumerConfig) {
		c.MaxDeliver, c.BackOff, c.MaxAckPending, c.Description = 3, []time.Duration{time.Second, time.Minute}, 10, "by hand"
		c.InactiveThreshold, c.HeadersOnly, c.MaxRequestBatch = time.Hour, true, 5
		c.DeliverPolicy, c.OptStartSeq = jetstream.DeliverByStartSequencePolicy, 7
	})
	if _, err := broker.EnsureStream(t.Context(), b.js, broker.Config{}); err != nil {
		t.Fatal(err)
	}
	c, err := b.stream.Consumer(t.Context(), "count-p001")
	if err != nil {
		t.Fatal(err)
	}
	got := c.CachedInfo().Config
	if got.MaxDeliver != -1 || len(got.BackOff) != 0 || got.AckWait != broker.AckWait || got.MaxAckPending != broker.MaxUnacked ||
		got.InactiveThreshold != 0 || got.HeadersOnly || got.MaxRequestBatch != 0 || got.Description != "workers of partition 1" || got.OptStartSeq != 7 {
		t.Errorf("got %+v", got)
	}
}

func TestEmbeddedServerSyncsAsAsked(t *testing.T) {
	for sync, want := range map[broker.SyncPolicy]bool{broker.SyncAlways: true, broker.SyncLater: false} {
		b := startAs(t, broker.EmbeddedConfig{Sync: sync}, broker.Config{Partitions: 1})
		if got := b.embedded.SyncsAlways(); got != want {
			t.Errorf("policy %d: always %v", sync, got)
		}
	}
}
