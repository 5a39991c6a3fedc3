package privatepg

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
)

func TestLogWriter(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	w := &logWriter{logger: slog.New(slog.NewTextHandler(&out, &slog.HandlerOptions{Level: slog.LevelWarn}))}
	for _, part := range []string{"LOG:  start", "ing\nWARNING:  disk is sl", "ow\n\nPANIC:  no more", " room"} {
		if n, err := w.Write([]byte(part)); n != len(part) || err != nil {
			t.Fatalf("wrote %d, %v", n, err)
		}
	}
	w.flush()
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	if len(lines) != 2 || !strings.Contains(lines[0], "level=WARN") || !strings.Contains(lines[0], `line="disk is slow"`) ||
		!strings.Contains(lines[1], "level=ERROR") || !strings.Contains(lines[1], `line="no more room"`) {
		t.Errorf("logged:\n%s", out.String())
	}
	if got, want := w.tail(), "LOG:  starting | WARNING:  disk is slow | PANIC:  no more room"; got != want {
		t.Errorf("tail is %q, want %q", got, want)
	}
	for range 2 * tailLines {
		w.Write([]byte("LOG:  again\n"))
	}
	if got := strings.Count(w.tail(), "again"); got != tailLines {
		t.Errorf("the tail keeps %d lines, want %d", got, tailLines)
	}
}
