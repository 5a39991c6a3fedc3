package ingest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"fadeledger/analytics"
)

// Taken is a delivery that was read, on its way to the ledger.
type Taken struct {
	Message
	In analytics.Incoming
}

// Lane counts deliveries, step by step: it does not wait, it says how long to
// pause. It is not safe for concurrent use.
type Lane struct {
	Ledger Ledger
	Logger *slog.Logger
	// Counted, if not nil, is told what every transaction counted.
	Counted func(deliveries int, tally analytics.DeliveryTally)

	// batches are what is to be counted, each in one transaction.
	batches  [][]Taken
	attempts int // at the first of them
}

const (
	// togetherAttempts is how often deliveries are tried in one transaction
	// before each is tried by itself: one of them may be what fails.
	togetherAttempts = 3
	shortestPause    = 100 * time.Millisecond
	longestPause     = 5 * time.Second
)

// Load hands deliveries to the lane, to be counted in one transaction.
func (l *Lane) Load(batch []Taken) {
	if len(batch) > 0 {
		l.batches = append(l.batches, batch)
	}
}

// Step tries once to count what is at the front and acknowledges it. done says
// that nothing is left. Otherwise the next step may come after the pause. What
// is not counted when the caller gives up comes again.
func (l *Lane) Step(ctx context.Context) (pause time.Duration, done bool) {
	if len(l.batches) == 0 {
		return 0, true
	}
	batch := l.batches[0]
	err := l.count(ctx, batch)
	if err == nil {
		return 0, l.next()
	}
	l.attempts++
	l.Logger.Warn("counting is tried again", "deliveries", len(batch), "attempt", l.attempts, "err", err)
	if l.attempts >= togetherAttempts {
		if len(batch) > 1 {
			l.split()
			return 0, false
		}
		if l.setAside(ctx, batch[0], err) {
			return 0, l.next()
		}
	}
	return min(shortestPause<<min(l.attempts-1, 6), longestPause), false
}

// Failing gives how often the deliveries at the front have been tried in vain.
func (l *Lane) Failing() int { return l.attempts }

// next turns to what is behind the front.
func (l *Lane) next() (done bool) {
	l.batches, l.attempts = l.batches[1:], 0
	return len(l.batches) == 0
}

// split has each delivery of the front tried by itself.
func (l *Lane) split() {
	front := l.batches[0]
	alone := make([][]Taken, 0, len(front)+len(l.batches)-1)
	for i := range front {
		alone = append(alone, front[i:i+1:i+1])
	}
	l.batches, l.attempts = append(alone, l.batches[1:]...), 0
}

// count tries once to count deliveries in one transaction.
func (l *Lane) count(ctx context.Context, batch []Taken) (err error) {
	defer func() {
		// A panic in the counting of one unit must not end the worker: the
		// transaction is rolled back, and the delivery is found and set aside.
		if p := recover(); p != nil {
			err = fmt.Errorf("%w: %v", errPanic, p)
		}
	}()
	in := make([]analytics.Incoming, len(batch))
	for i := range batch {
		in[i] = batch[i].In
	}
	tallies, err := l.Ledger.Take(ctx, in)
	if err != nil {
		return err
	}
	var sum analytics.DeliveryTally
	for i, t := range batch {
		sum.Add(tallies[i])
		// A lost acknowledgement brings a redelivery that changes nothing.
		if err := t.Ack(); err != nil {
			l.Logger.Warn("acknowledgement not sent", "sequence", t.In.Sequence, "err", err)
		}
	}
	if l.Counted != nil {
		l.Counted(len(batch), sum)
	}
	return nil
}

var errPanic = errors.New("panic while counting")

// setAside puts a delivery that cannot be counted into quarantine as a whole.
// It does so only for a failure of the counting itself: a database that is not
// reached is waited for.
func (l *Lane) setAside(ctx context.Context, t Taken, cause error) bool {
	if !errors.Is(cause, errPanic) && !errors.Is(cause, analytics.ErrInvalid) {
		return false
	}
	in := &t.In
	whole(in, ReasonNotCountable, cause.Error(), remedyNotCountable, t.Body())
	in.Header, in.Notes, in.ContentType, in.ContentEncoding = nil, nil, shortBatch(in.ContentType), shortBatch(in.ContentEncoding)
	err := l.count(ctx, []Taken{t})
	if err != nil {
		l.Logger.Error("a delivery can neither be counted nor set aside", "sequence", in.Sequence, "err", err)
	}
	return err == nil
}
