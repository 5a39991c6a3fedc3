package rig

import (
	"log/slog"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"fadeledger/ingest/broker"
)

func TestStoredConfirmsUpToTheFirstHole(t *testing.T) {
	t.Parallel()
	var s stored
	for _, step := range []struct{ number, through int64 }{{2, 0}, {1, 2}, {4, 2}, {1, 2}, {3, 4}} {
		s.note("c-01", "r", step.number)
		if got, err := s.Confirm(t.Context(), "c-01", "r"); err != nil || got != step.through {
			t.Errorf("after %d confirmed through %d, %v, want %d", step.number, got, err, step.through)
		}
	}
	if got, err := s.Confirm(t.Context(), "c-02", "r"); err != nil || got != 0 {
		t.Errorf("another collector is confirmed through %d, %v", got, err)
	}
}

func TestReceiptsAreAskedForOverNATS(t *testing.T) {
	t.Parallel()
	e, err := broker.StartEmbedded(t.Context(), broker.EmbeddedConfig{DataDir: t.TempDir(), Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	nc, err := e.Connect(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		nc.Close()
		_ = e.Shutdown(t.Context())
	})
	answers := map[string]string{
		`{"series":"r"}`:     `{"collector":"c-01","series":"r","through":7,"last":9,"holes":[[8,8]]}`,
		`{"series":"other"}`: `{"series":"r","through":7}`,
		`{"series":"empty"}`: `{"series":"empty"}`,
		`{"series":"error"}`: `no`,
	}
	_, err = nc.Subscribe("receipts.c-01", func(m *nats.Msg) { _ = m.Respond([]byte(answers[string(m.Data)])) })
	if err != nil {
		t.Fatal(err)
	}
	r := Receipts{Conn: nc, Within: time.Second}
	if got, err := r.Confirm(t.Context(), "c-01", "r"); err != nil || got != 7 {
		t.Errorf("confirmed through %d, %v", got, err)
	}
	for _, series := range []string{"other", "empty", "error"} {
		if got, err := r.Confirm(t.Context(), "c-01", series); err == nil {
			t.Errorf("%s is confirmed through %d", series, got)
		}
	}
	if _, err := r.Confirm(t.Context(), "c-02", "r"); err == nil {
		t.Error("nobody answers, and still it is confirmed")
	}
}

func TestCollectorRefusesAConfirmationThatGoesBack(t *testing.T) {
	t.Parallel()
	c := &collector{name: "c-01"}
	c.confirmed("r", 5)
	c.confirmed("r", 4)
	if len(c.backwards) != 1 || c.through["r"] != 5 {
		t.Errorf("noted %q, confirmed through %d", c.backwards, c.through["r"])
	}
}
