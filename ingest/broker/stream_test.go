package broker_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/ingest/broker"
)

// remake replaces the stream by one that is changed.
func (b *bench) remake(t *testing.T, change func(*jetstream.StreamConfig)) {
	t.Helper()
	info, err := b.stream.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := b.js.DeleteStream(t.Context(), broker.StreamName); err != nil {
		t.Fatal(err)
	}
	cfg := info.Config
	change(&cfg)
	if _, err := b.js.CreateStream(t.Context(), cfg); err != nil {
		t.Fatal(err)
	}
}

func TestStreamSettingsAreAsserted(t *testing.T) {
	for _, tc := range []struct {
		name   string
		change func(*jetstream.StreamConfig)
		want   []broker.Difference
	}{
		{"drops the oldest", func(c *jetstream.StreamConfig) { c.Discard = jetstream.DiscardOld },
			[]broker.Difference{{Name: "discard", Have: "DiscardOld", Want: "DiscardNew"}}},
		{"forgets by age", func(c *jetstream.StreamConfig) { c.MaxAge = time.Hour },
			[]broker.Difference{{Name: "max_age", Have: "1h0m0s", Want: "0s"}}},
		{"in memory, with roll-ups", func(c *jetstream.StreamConfig) {
			c.Storage, c.AllowRollup, c.MaxBytes = jetstream.MemoryStorage, true, 1<<20
		},
			[]broker.Difference{{Name: "storage", Have: "Memory", Want: "File"}, {Name: "allow_rollup_hdrs", Have: "true", Want: "false"}}},
		{"acknowledges before the sync", func(c *jetstream.StreamConfig) {
			c.PersistMode, c.AllowAtomicPublish = jetstream.AsyncPersistMode, false
		}, []broker.Difference{{Name: "persist_mode", Have: "Async", Want: "Default"}}},
		{"no partitions", func(c *jetstream.StreamConfig) { c.SubjectTransform = nil },
			[]broker.Difference{{Name: "subject_transform", Have: "none", Want: "telemetry.* -> telemetry.{{partition(4,1)}}.{{wildcard(1)}}"}}},
		{"no epoch", func(c *jetstream.StreamConfig) { delete(c.Metadata, "fadeledger_epoch") },
			[]broker.Difference{{Name: "fadeledger_epoch", Have: "none", Want: "an id made with the stream"}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 4})
			b.remake(t, tc.change)
			_, err := broker.EnsureStream(t.Context(), b.js, broker.Config{Partitions: 4})
			var settings *broker.SettingsError
			if !errors.As(err, &settings) {
				t.Fatalf("got %v", err)
			}
			if len(settings.Differences) != len(tc.want) {
				t.Fatalf("got %+v, want %+v", settings.Differences, tc.want)
			}
			for i, want := range tc.want {
				if settings.Differences[i] != want {
					t.Errorf("got %+v, want %+v", settings.Differences[i], want)
				}
				if text := want.Name + " is " + want.Have + ", must be " + want.Want; !strings.Contains(err.Error(), text) {
					t.Errorf("%q does not say %q", err, text)
				}
			}
		})
	}
}

func TestSafeSettingsAreMended(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 4, MaxBytes: 1 << 20})
	before, err := broker.Identity(t.Context(), b.stream)
	if err != nil {
		t.Fatal(err)
	}
	b.remake(t, func(c *jetstream.StreamConfig) {
		c.Duplicates, c.AllowAtomicPublish, c.DenyDelete, c.MaxMsgSize = time.Minute, false, false, 1000
		c.Metadata["note"] = "kept"
	})
	stream, err := broker.EnsureStream(t.Context(), b.js, broker.Config{MaxBytes: 2 << 20})
	if err != nil {
		t.Fatal(err)
	}
	c := stream.CachedInfo().Config
	if c.Duplicates != 10*time.Minute || !c.AllowAtomicPublish || !c.DenyDelete || c.MaxMsgSize != broker.MaxMessageBytes || c.MaxBytes != 2<<20 || c.Metadata["note"] != "kept" {
		t.Errorf("got %+v", c)
	}
	if after, err := broker.Identity(t.Context(), stream); err != nil || after != before {
		t.Errorf("identity %s became %s, %v", before, after, err)
	}
	if n := broker.Partitions(stream); n != 4 {
		t.Errorf("%d partitions", n)
	}
}

func TestAnotherNumberOfPartitionsIsRefused(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 4})
	_, err := broker.EnsureStream(t.Context(), b.js, broker.Config{Partitions: 8})
	if err == nil || !strings.Contains(err.Error(), "fadeledger_partitions is 4, must be 8") {
		t.Errorf("got %v", err)
	}
}

func TestConfigIsValidated(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{})
	for _, cfg := range []broker.Config{{Replicas: 2}, {Replicas: 7}, {Replicas: -1}, {MaxBytes: -1}, {Partitions: -1}, {Partitions: broker.MaxPartitions + 1}} {
		if _, err := broker.EnsureStream(t.Context(), b.js, cfg); err == nil {
			t.Errorf("%+v was taken", cfg)
		}
	}
	if _, err := broker.Consumer(t.Context(), b.stream, broker.DefaultPartitions); err == nil {
		t.Error("a partition beyond the last was taken")
	}
}

func TestFullStreamRefusesAndKeeps(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{MaxBytes: 100 << 10})
	p := b.publisher(t, 0)
	body := strings.Repeat("x", 40<<10)
	publish(t, p, "c-07", csv("", body))
	publish(t, p, "c-07", csv("", body))
	if _, err := p.Publish(t.Context(), "c-07", csv("", body)); !errors.Is(err, broker.ErrFull) {
		t.Errorf("got %v", err)
	}
	if acks, err := b.publisher(t, 500).PublishBatch(t.Context(), "c-07", []broker.Message{csv("", "a"), csv("", body)}); !errors.Is(err, broker.ErrFull) || len(acks) != 1 {
		t.Errorf("batch: %d stored, %v", len(acks), err)
	}
	if err := broker.Trim(t.Context(), b.stream, 2); err != nil {
		t.Fatal(err)
	}
	publish(t, p, "c-07", csv("", "there is room again"))
}

func TestCollectorOf(t *testing.T) {
	for _, tc := range []struct {
		subject, collector string
		p                  int
		ok                 bool
	}{
		{"telemetry.0.c-07", "c-07", 0, true}, {"telemetry.15.c_1", "c_1", 15, true},
		{"telemetry.c-07", "", 0, false}, {"telemetry.1.a.b", "", 0, false}, {"telemetry.x.a", "", 0, false},
		{"other.1.a", "", 0, false}, {"telemetry.1.", "", 0, false}, {"telemetry..a", "", 0, false}, {"telemetry.99999999999999999999.a", "", 0, false},
	} {
		collector, p, ok := broker.CollectorOf(tc.subject)
		if ok != tc.ok || ok && (collector != tc.collector || p != tc.p) {
			t.Errorf("%s: got %s, %d, %v", tc.subject, collector, p, ok)
		}
	}
}
