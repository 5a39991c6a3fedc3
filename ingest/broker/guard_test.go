package broker

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// TestDiskGuard plays a disk that fills up and empties, step by step.
func TestDiskGuard(t *testing.T) {
	ctx := t.Context()
	logger := slog.New(slog.DiscardHandler)
	e, err := StartEmbedded(ctx, EmbeddedConfig{DataDir: t.TempDir(), Logger: logger, Sync: SyncLater, MaxStore: 1 << 30, DiskCheck: -1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := e.Shutdown(ctx); err != nil {
			t.Error(err)
		}
	})
	nc, err := e.Connect(ctx)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	room := uint64(1)
	g := &diskGuard{e: e, js: js, room: func(string) (uint64, error) { return room, nil }}
	if err := g.look(ctx); err != nil {
		t.Errorf("no stream yet: %v", err)
	}
	const limit = 8 << 20
	stream, err := EnsureStream(ctx, js, Config{Partitions: 1, MaxBytes: limit})
	if err != nil {
		t.Fatal(err)
	}
	p, err := NewPublisher(nc, PublisherConfig{Logger: logger})
	if err != nil {
		t.Fatal(err)
	}
	small := Message{ContentType: "text/csv", Body: []byte(strings.Repeat("x", 1000))}
	if _, err := p.PublishBatch(ctx, "c-07", []Message{small, small, small}); err != nil {
		t.Fatal(err)
	}
	for _, step := range []struct {
		name  string
		room  uint64
		do    func() error
		takes bool
		limit int64 // 0: what the stream holds
	}{
		{"room", LowDisk, nil, true, limit},
		{"nearly full", LowDisk - 1, nil, false, 0},
		{"still nearly full", 5, nil, false, 0},
		{"trimmed", 5, func() error { return Trim(ctx, stream, 2) }, false, 0},
		{"a little room", LowDisk + 1, nil, false, 0},
		{"room again", 2 * LowDisk, nil, true, limit},
		{"full again", 0, nil, false, 0},
		{"the limit is raised meanwhile", 0, func() error { _, err := EnsureStream(ctx, js, Config{MaxBytes: 2 * limit}); return err }, false, 0},
		{"a rewind meanwhile", 0, func() error { return Rewind(ctx, js, stream) }, false, 0},
		{"room for the raised limit", 2 * LowDisk, nil, true, 2 * limit},
		{"all the time", 2 * LowDisk, nil, true, 2 * limit},
	} {
		if step.do != nil {
			if err := step.do(); err != nil {
				t.Fatalf("%s: %v", step.name, err)
			}
		}
		room = step.room
		if err := g.look(ctx); err != nil {
			t.Errorf("%s: %v", step.name, err)
		}
		info, err := stream.Info(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if step.limit == 0 {
			step.limit = int64(info.State.Bytes)
		}
		if info.Config.MaxBytes != step.limit {
			t.Errorf("%s: the limit is %d, want %d", step.name, info.Config.MaxBytes, step.limit)
		}
		_, err = p.Publish(ctx, "c-07", small)
		if step.takes && err != nil || !step.takes && !errors.Is(err, ErrFull) {
			t.Errorf("%s: publish: %v", step.name, err)
		}
	}
	// The limit does not count as a difference, nor does it stop a start.
	room = 0
	if err := g.look(ctx); err != nil {
		t.Fatal(err)
	}
	if _, err := EnsureStream(ctx, js, Config{}); err != nil {
		t.Errorf("set up on a full disk: %v", err)
	}
}
