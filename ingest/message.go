package ingest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"log/slog"
	"strconv"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/analytics"
	"fadeledger/ingest/broker"
)

// Message is a delivery as the broker hands it to a worker.
type Message interface {
	Subject() string
	// Header gives the first value of a header, empty for none.
	Header(name string) string
	Body() []byte
	Sequence() uint64
	StoredAt() analytics.Instant
	// Ack says that the delivery is counted, InProgress that it still takes.
	Ack() error
	InProgress() error
}

// streamMessage is a Message of the stream.
type streamMessage struct {
	jetstream.Msg
	meta *jetstream.MsgMetadata
}

func messageOf(msg jetstream.Msg) (Message, error) {
	meta, err := msg.Metadata()
	if err != nil {
		return nil, fmt.Errorf("read metadata: %w", err)
	}
	return streamMessage{msg, meta}, nil
}

func (m streamMessage) Header(name string) string   { return m.Headers().Get(name) }
func (m streamMessage) Body() []byte                { return m.Data() }
func (m streamMessage) Sequence() uint64            { return m.meta.Sequence.Stream }
func (m streamMessage) StoredAt() analytics.Instant { return analytics.InstantOf(m.meta.Timestamp) }

// maxSeries bounds the name of a series of numbers, maxNumber the numbers.
const (
	maxSeries = 64
	maxNumber = 1 << 53
)

// HashOf gives the hash by which a stored message is known in the ledger.
func HashOf(subject string, header nats.Header, body []byte) [16]byte {
	e, _ := envelopeOf("", subject, header.Get, body)
	return hashOf(e)
}

// envelopeOf reads subject and headers. A subject that names no possible
// collector is taken for a name made of its hash; ok is false then.
func envelopeOf(stream, subject string, header func(string) string, body []byte) (e Envelope, ok bool) {
	collector, _, ok := broker.CollectorOf(subject)
	if !ok || broker.CheckCollector(collector) != nil {
		sum := sha256.Sum256([]byte(subject))
		collector, ok = "unnamed-"+hex.EncodeToString(sum[:6]), false
	}
	e = Envelope{
		Delivery:    analytics.Delivery{Stream: stream, Collector: collector, Batch: header(broker.HeaderBatch)},
		ContentType: header(broker.HeaderContentType), ContentEncoding: header(broker.HeaderContentEncoding),
		ProfileHash: header(broker.HeaderProfile), Lines: header(broker.HeaderLines), Body: body,
	}
	// A number that is none is left out: a collector that does not get its
	// receipt sends again, and loses nothing.
	if n, err := strconv.ParseInt(header(broker.HeaderNumber), 10, 64); err == nil && n > 0 && n <= maxNumber {
		if s := header(broker.HeaderSeries); len(s) <= maxSeries {
			e.Series, e.Number = s, n
		}
	}
	return e, ok
}

// ReadMessage reads a delivery of a stream. One that makes a decoder panic is
// set aside, or it would end every worker that takes it. The error is as in
// Read.
func (r *Reader) ReadMessage(ctx context.Context, stream string, m Message, log *slog.Logger) (in analytics.Incoming, err error) {
	e, ok := envelopeOf(stream, m.Subject(), m.Header, m.Body())
	e.Sequence, e.StoredAt = m.Sequence(), m.StoredAt()
	if !ok {
		in = incomingOf(e)
		whole(&in, ReasonCollectorName, fmt.Sprintf("the subject %q names no collector", m.Subject()),
			"publish to telemetry.<collector>, with a collector of letters, digits, - and _", e.Body)
		return in, nil
	}
	defer func() {
		if p := recover(); p != nil {
			log.Error("panic while reading a delivery", "sequence", e.Sequence, "panic", p)
			in, err = incomingOf(e), nil
			whole(&in, ReasonNotCountable, fmt.Sprintf("reading it fails: %v", p), remedyNotCountable, e.Body)
		}
	}()
	return r.Read(ctx, e)
}

const remedyNotCountable = "report this to whoever maintains the service; release the delivery once it is mended"

// incomingOf gives a delivery of which nothing is read yet.
func incomingOf(e Envelope) analytics.Incoming {
	in := analytics.Incoming{
		Delivery: e.Delivery, Hash: hashOf(e), Series: e.Series, Number: e.Number,
		ContentType: e.ContentType, ContentEncoding: e.ContentEncoding,
	}
	in.Batch = shortBatch(in.Batch)
	return in
}
