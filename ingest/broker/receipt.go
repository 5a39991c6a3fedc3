package broker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"fadeledger/analytics"
)

const (
	receiptPrefix = "receipts."
	// receiptQueue lets one of several processes answer each question.
	receiptQueue = "fadeledger-receipts"
	// receiptsAtOnce bounds the questions that are answered at once, over all
	// collectors: each costs the database a query.
	receiptsAtOnce = 8
	// receiptWithin bounds one answer.
	receiptWithin = 5 * time.Second
	// receiptsWaiting bounds the questions that wait; whoever is not answered
	// asks again.
	receiptsWaiting = 1024
	// maxQuestion bounds a question in bytes.
	maxQuestion = 512
	// maxSeries is the longest name of a series in bytes.
	maxSeries = 64
)

// Errors of receipts.
var (
	// ErrSeries: the name of the series cannot be one.
	ErrSeries = errors.New("invalid series")
	// ErrNoReceipt: the question was answered with an error, or by nobody.
	ErrNoReceipt = errors.New("no receipt")
)

// ReceiptSubject gives the subject to ask for the receipts of a collector.
func ReceiptSubject(collector string) string { return receiptPrefix + collector }

// CheckSeries reports whether a name can be that of a series: 1 to 64 bytes of
// printable ASCII. The error wraps ErrSeries.
func CheckSeries(name string) error {
	if name == "" || len(name) > maxSeries || strings.ContainsFunc(name, notPrintable) {
		return fmt.Errorf("%w %.70q: use 1 to %d printable ASCII characters", ErrSeries, name, maxSeries)
	}
	return nil
}

func notPrintable(c rune) bool { return c < ' ' || c > '~' }

// AskReceipt asks for the receipt of a series of the collector, until ctx ends
// or somebody answers. The error wraps ErrNoReceipt where the answer is an
// error or nobody is there to give one; then the collector keeps what it has
// and asks again.
func AskReceipt(ctx context.Context, nc *nats.Conn, collector, series string) (analytics.Receipt, error) {
	if err := errors.Join(CheckCollector(collector), CheckSeries(series)); err != nil {
		return analytics.Receipt{}, fmt.Errorf("ask for a receipt: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, 2*receiptWithin)
	defer cancel()
	question, err := json.Marshal(receiptQuestion{series})
	if err != nil {
		return analytics.Receipt{}, fmt.Errorf("ask for a receipt: %w", err)
	}
	m, err := nc.RequestWithContext(ctx, ReceiptSubject(collector), question)
	if errors.Is(err, nats.ErrNoResponders) {
		return analytics.Receipt{}, fmt.Errorf("ask for a receipt of %s: %w: nobody answers; the service is not running, or not yet", collector, ErrNoReceipt)
	}
	if err != nil {
		return analytics.Receipt{}, fmt.Errorf("ask for a receipt of %s: %w", collector, err)
	}
	var answer struct {
		analytics.Receipt
		receiptError
	}
	if err := json.Unmarshal(m.Data, &answer); err != nil {
		return analytics.Receipt{}, fmt.Errorf("ask for a receipt of %s: read the answer: %w", collector, err)
	}
	if answer.Error != "" {
		return analytics.Receipt{}, fmt.Errorf("ask for a receipt of %s: %w: %s", collector, ErrNoReceipt, answer.Error)
	}
	if answer.Collector != collector || answer.Series != series {
		return analytics.Receipt{}, fmt.Errorf("ask for a receipt of %s: %w: the answer is of series %q of %q", collector, ErrNoReceipt, answer.Series, answer.Collector)
	}
	return answer.Receipt, nil
}

type receiptQuestion struct {
	Series string `json:"series"`
}

type receiptError struct {
	Error string `json:"error,omitempty"`
}

// ServeReceipts answers questions for receipts with what answer gives, as JSON,
// until stop is called; stop waits for the answers under way. A question is the
// name of a series, or {"series":"…"}. Of an error only what the asker did
// wrong is told (analytics.ErrNotFound, ErrInvalid, ErrSeries); the rest goes
// to the logger. The subject names the collector, and a login lets a collector
// ask for its own only.
func ServeReceipts(ctx context.Context, nc *nats.Conn, answer func(ctx context.Context, collector, series string) (any, error), logger *slog.Logger) (stop func(), err error) {
	r := &receipts{answer: answer, logger: logger.With("system", "receipts"), slots: make(chan struct{}, receiptsAtOnce)}
	ctx, cancel := context.WithCancel(ctx)
	sub, err := nc.QueueSubscribe(receiptPrefix+"*", receiptQueue, func(m *nats.Msg) { r.take(ctx, m) })
	if err == nil {
		err = sub.SetPendingLimits(receiptsWaiting, receiptsWaiting*maxQuestion)
	}
	if err == nil {
		// The server knows of it before anyone is told that it serves.
		err = nc.FlushTimeout(receiptWithin)
	}
	if err != nil {
		cancel()
		return nil, fmt.Errorf("serve receipts: %w", err)
	}
	return func() {
		if err := sub.Unsubscribe(); err != nil && !errors.Is(err, nats.ErrConnectionClosed) {
			r.logger.Warn("receipts are not unsubscribed", "err", err)
		}
		r.close()
		cancel()
	}, nil
}

// receipts answers questions.
type receipts struct {
	answer func(ctx context.Context, collector, series string) (any, error)
	logger *slog.Logger
	slots  chan struct{}

	mu      sync.Mutex
	closed  bool
	running sync.WaitGroup
}

// close waits for the answers under way and lets no other begin.
func (r *receipts) close() {
	r.mu.Lock()
	r.closed = true
	r.mu.Unlock()
	r.running.Wait()
}

// take answers one question once there is room for it. It is called for one
// after the other, so those behind wait with the subscription.
func (r *receipts) take(ctx context.Context, m *nats.Msg) {
	collector := strings.TrimPrefix(m.Subject, receiptPrefix)
	if CheckCollector(collector) != nil || !mayReply(m.Reply, collector) {
		return
	}
	select {
	case r.slots <- struct{}{}:
	case <-ctx.Done():
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		<-r.slots
		return
	}
	r.running.Go(func() {
		defer func() { <-r.slots }()
		r.respond(ctx, m, collector)
	})
}

// mayReply reports whether an answer may go to a subject. This connection may
// publish where the asker may not, such as to another's telemetry or to the
// interface of the stream, so answers go to inboxes only: that of the
// collector, or the common one of those that have no login.
func mayReply(subject, collector string) bool {
	return strings.HasPrefix(subject, InboxPrefix(collector)+".") || strings.HasPrefix(subject, nats.InboxPrefix)
}

func (r *receipts) respond(ctx context.Context, m *nats.Msg, collector string) {
	ctx, cancel := context.WithTimeout(ctx, receiptWithin)
	defer cancel()
	value, err := r.ask(ctx, collector, m.Data)
	if err != nil {
		text := err.Error()
		if !errors.Is(err, analytics.ErrNotFound) && !errors.Is(err, analytics.ErrInvalid) && !errors.Is(err, ErrSeries) {
			r.logger.Warn("receipt not answered", "collector", collector, "err", err)
			text = "the receipt cannot be told now; ask again"
		}
		value = receiptError{text}
	}
	body, err := json.Marshal(value)
	if err == nil {
		err = m.Respond(body)
	}
	if err != nil {
		r.logger.Warn("receipt not sent", "collector", collector, "err", err)
	}
}

// ask reads a question and asks for its answer. A panic must not end the
// process for the sake of a receipt.
func (r *receipts) ask(ctx context.Context, collector string, question []byte) (value any, err error) {
	defer func() {
		if p := recover(); p != nil {
			value, err = nil, fmt.Errorf("panic: %v", p)
		}
	}()
	series, err := parseQuestion(question)
	if err != nil {
		return nil, err
	}
	return r.answer(ctx, collector, series)
}

// parseQuestion reads the name of a series, by itself or in JSON.
func parseQuestion(body []byte) (string, error) {
	if len(body) > maxQuestion {
		return "", fmt.Errorf("%w: the question has %d bytes, at most %d", ErrSeries, len(body), maxQuestion)
	}
	series := string(body)
	if strings.HasPrefix(series, "{") {
		var q receiptQuestion
		if err := json.Unmarshal(body, &q); err != nil {
			return "", fmt.Errorf("%w: the question is no JSON object with a series: %v", ErrSeries, err)
		}
		series = q.Series
	}
	return series, CheckSeries(series)
}
