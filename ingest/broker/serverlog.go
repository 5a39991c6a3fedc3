package broker

import (
	"fmt"
	"log/slog"
	"sync"
)

// serverLog hands the server's lines to slog. Notices tell the server's own
// lifecycle in some thirty lines a start, so they are of level Debug.
type serverLog struct {
	logger *slog.Logger

	mu sync.Mutex
	// fatal is the first line that would have ended a server of its own.
	fatal string
}

func (l *serverLog) Noticef(format string, args ...any) { l.logger.Debug(fmt.Sprintf(format, args...)) }
func (l *serverLog) Warnf(format string, args ...any)   { l.logger.Warn(fmt.Sprintf(format, args...)) }
func (l *serverLog) Errorf(format string, args ...any)  { l.logger.Error(fmt.Sprintf(format, args...)) }
func (l *serverLog) Debugf(format string, args ...any)  {}
func (l *serverLog) Tracef(format string, args ...any)  {}

func (l *serverLog) Fatalf(format string, args ...any) {
	line := fmt.Sprintf(format, args...)
	l.mu.Lock()
	if l.fatal == "" {
		l.fatal = line
	}
	l.mu.Unlock()
	l.logger.Error(line)
}

func (l *serverLog) firstFatal() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.fatal
}
