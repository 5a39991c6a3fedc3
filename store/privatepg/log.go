package privatepg

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
)

const (
	tailLines = 12      // kept to explain a failed start
	lineLimit = 8 << 10 // of a line without an end
)

// logWriter passes Postgres' lines on to a logger and remembers the last ones.
// One goroutine of os/exec writes; any may call tail.
type logWriter struct {
	logger *slog.Logger

	mu      sync.Mutex
	partial []byte
	last    []string
}

func (w *logWriter) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.partial = append(w.partial, p...)
	for {
		i := bytes.IndexByte(w.partial, '\n')
		if i < 0 {
			break
		}
		w.line(string(w.partial[:i]))
		w.partial = w.partial[i+1:]
	}
	if len(w.partial) > lineLimit {
		w.line(string(w.partial))
		w.partial = nil
	}
	return len(p), nil
}

// flush logs a last line that has no end.
func (w *logWriter) flush() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.partial) > 0 {
		w.line(string(w.partial))
		w.partial = nil
	}
}

// tail is the last lines, joined.
func (w *logWriter) tail() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.last) == 0 {
		return "(none)"
	}
	return strings.Join(w.last, " | ")
}

// line is called with mu held.
func (w *logWriter) line(text string) {
	if strings.TrimSpace(text) == "" {
		return
	}
	if len(w.last) == tailLines {
		w.last = w.last[1:]
	}
	w.last = append(w.last, text)
	severity, message, ok := strings.Cut(text, ":")
	if !ok {
		severity, message = "", text
	}
	w.logger.Log(context.Background(), level(severity), "postgres", "line", strings.TrimSpace(message), "severity", severity)
}

// level ranks Postgres' severities by who must act. An ERROR is the answer to
// a statement: whoever sent it has it already. A FATAL ends one session, or the
// start, which Start reports itself.
func level(severity string) slog.Level {
	switch severity {
	case "PANIC":
		return slog.LevelError
	case "FATAL", "WARNING":
		return slog.LevelWarn
	}
	return slog.LevelDebug
}
