package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Defaults of a publisher.
const (
	// DefaultAckWait is how long one attempt waits for its answer.
	DefaultAckWait = 5 * time.Second
	// DefaultBatchMessages is a size of atomic batches that makes a sync per
	// batch cheap.
	DefaultBatchMessages = 500
	// windowMessages and windowBytes bound what is under way unanswered: a
	// server drops what it cannot queue.
	windowMessages = 512
	windowBytes    = 16 << 20
	// batchLeast is the smallest batch that is worth it: the server makes and
	// removes a store for each, which costs as much as 10 to 15 messages synced
	// one by one (measured: 8 messages a batch are 0.7 times as fast, 32 two
	// to three times, 128 five, 500 ten and more).
	batchLeast = 32
	// batchMost is the largest batch that a server takes unless told
	// otherwise.
	batchMost = 1000

	retryFirst = 100 * time.Millisecond
	retryMost  = 5 * time.Second
)

// PublisherConfig configures a Publisher. Logger is required.
type PublisherConfig struct {
	Logger *slog.Logger
	// AckWait is how long one attempt waits for its answer; 0 means
	// DefaultAckWait.
	AckWait time.Duration
	// BatchMessages lets PublishMany join up to so many messages into one
	// atomic batch, at
	// most 1000; 0 or 1 sends each by itself. Fewer than 32 go one by one even
	// so, since a batch has its price. Batches pay where the server syncs
	// before it answers (SyncAlways), and cost half of the rate where it does
	// not.
	BatchMessages int
	// Health, if not nil, is asked after an attempt without an answer: a
	// server whose disk is full says nothing to a publisher. An error of it
	// that wraps ErrFull or ErrFrozen ends the publishing. Whoever is in one
	// process with the broker gives Healthy; a collector far away waits and
	// repeats.
	Health func(ctx context.Context) error
}

// Publisher stores deliveries in the stream and says when they are stored. An
// attempt without an answer is repeated with the same id and the same bytes
// until the context ends, since no answer does not mean not stored. It is safe
// for concurrent use.
type Publisher struct {
	nc      *nats.Conn
	js      jetstream.JetStream
	logger  *slog.Logger
	ackWait time.Duration
	batch   int
	health  func(ctx context.Context) error

	mu sync.Mutex
	// denied holds the time of the last denial by subject.
	denied map[string]time.Time
}

// NewPublisher makes a publisher on a connection. It adds itself to the
// connection's error handler, where alone a server tells of denied publishes.
func NewPublisher(nc *nats.Conn, cfg PublisherConfig) (*Publisher, error) {
	p := &Publisher{nc: nc, logger: cfg.Logger.With("system", "publisher"), ackWait: cfg.AckWait, health: cfg.Health, denied: map[string]time.Time{}}
	if p.ackWait <= 0 {
		p.ackWait = DefaultAckWait
	}
	p.batch = min(max(cfg.BatchMessages, 1), batchMost)
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncTimeout(p.ackWait), jetstream.WithPublishAsyncMaxPending(2*windowMessages))
	if err != nil {
		return nil, fmt.Errorf("make a publisher: %w", err)
	}
	p.js = js
	next := nc.ErrorHandler()
	nc.SetErrorHandler(func(nc *nats.Conn, sub *nats.Subscription, err error) {
		p.noteDenial(err)
		if next != nil {
			next(nc, sub, err)
		}
	})
	return p, nil
}

// noteDenial remembers the subject of a denied publish, which stands in quotes
// in the server's text.
func (p *Publisher) noteDenial(err error) {
	if !errors.Is(err, nats.ErrPermissionViolation) {
		return
	}
	if _, rest, ok := strings.Cut(err.Error(), `"`); ok {
		subject, _, _ := strings.Cut(rest, `"`)
		p.mu.Lock()
		p.denied[subject] = time.Now()
		p.mu.Unlock()
	}
}

func (p *Publisher) deniedSince(subject string, start time.Time) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	at, ok := p.denied[subject]
	return ok && !at.Before(start)
}

// Publish stores one delivery. Calls made at the same time do not wait for each
// other; whoever has many deliveries at hand is faster with PublishMany.
//
// Errors: ErrCollector, ErrMessage, ErrTooLarge, ErrFull and ErrDenied as they
// say, the context's error when it ended before an answer came; then the
// delivery may be stored or not, and is to be sent again with the same ID.
func (p *Publisher) Publish(ctx context.Context, collector string, m Message) (Ack, error) {
	if err := CheckCollector(collector); err != nil {
		return Ack{}, fmt.Errorf("publish: %w", err)
	}
	if err := m.prepare(collector); err != nil {
		return Ack{}, fmt.Errorf("publish for %s: %w", collector, err)
	}
	ack, err := p.store(ctx, Subject(collector), m)
	if err != nil {
		return Ack{}, fmt.Errorf("publish for %s: %w", collector, err)
	}
	return ack, nil
}

// store publishes one message until it is answered.
func (p *Publisher) store(ctx context.Context, subject string, m Message) (Ack, error) {
	wait := retryFirst
	for attempt := 1; ; attempt++ {
		start := time.Now()
		ack, err := p.attempt(ctx, subject, m)
		if err == nil {
			return ack, nil
		}
		if ctx.Err() != nil {
			return Ack{}, fmt.Errorf("%w (last answer: %v)", ctx.Err(), err)
		}
		if p.deniedSince(subject, start) {
			return Ack{}, fmt.Errorf("%w: %s", ErrDenied, subject)
		}
		if err := final(err); err != nil {
			return Ack{}, err
		}
		if err := p.hopeless(ctx); err != nil {
			return Ack{}, err
		}
		// The first, second, fourth, eighth… time: a long outage is told, but
		// does not flood.
		if attempt&(attempt-1) == 0 {
			p.logger.Warn("publish unanswered, trying again", "subject", subject, "attempt", attempt, "err", err)
		}
		select {
		case <-time.After(wait):
		case <-ctx.Done():
		}
		wait = min(2*wait, retryMost)
	}
}

// hopeless gives the reason why waiting for an answer is of no use, if there is
// one.
func (p *Publisher) hopeless(ctx context.Context) error {
	if p.health == nil {
		return nil
	}
	if err := p.health(ctx); errors.Is(err, ErrFull) || errors.Is(err, ErrFrozen) {
		return err
	}
	return nil
}

func (p *Publisher) attempt(ctx context.Context, subject string, m Message) (Ack, error) {
	ctx, cancel := context.WithTimeout(ctx, p.ackWait)
	defer cancel()
	ack, err := p.js.PublishMsg(ctx, m.wire(subject))
	if err != nil {
		return Ack{}, err
	}
	return Ack{Sequence: ack.Sequence, Duplicate: ack.Duplicate}, nil
}

// Error codes of the server: the store's own refusal, and the limits of
// server, account and tier.
const (
	codeStoreFailed         = 10077
	codeServerResources     = 10023
	codeAccountResources    = 10002
	codeStorageResources    = 10047
	codeMessageSize         = 10054
	codeHeaderSize          = 10097
	statusServerUnavailable = 503
)

// final gives the error to end with, nil where another attempt may do better.
func final(err error) error {
	var api *jetstream.APIError
	switch {
	case errors.As(err, &api):
		return finalAnswer(api)
	case errors.Is(err, nats.ErrMaxPayload):
		return fmt.Errorf("%w: %v", ErrTooLarge, err)
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, nats.ErrTimeout),
		errors.Is(err, jetstream.ErrAsyncPublishTimeout), errors.Is(err, jetstream.ErrTooManyStalledMsgs),
		errors.Is(err, jetstream.ErrNoStreamResponse), errors.Is(err, nats.ErrNoResponders),
		errors.Is(err, nats.ErrDisconnected), errors.Is(err, nats.ErrConnectionReconnecting),
		errors.Is(err, nats.ErrReconnectBufExceeded):
		return nil
	}
	return err
}

func finalAnswer(api *jetstream.APIError) error {
	switch code := int(api.ErrorCode); {
	case code == codeMessageSize || code == codeHeaderSize:
		return fmt.Errorf("%w: %s", ErrTooLarge, api.Description)
	case code == codeStoreFailed && strings.Contains(api.Description, "maximum"),
		code == codeServerResources, code == codeAccountResources, code == codeStorageResources:
		return fmt.Errorf("%w: %s", ErrFull, api.Description)
	case api.Code == statusServerUnavailable:
		return nil
	}
	return api
}
