package broker

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"strconv"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// The headers of an atomic batch.
const (
	headerBatchID       = "Nats-Batch-Id"
	headerBatchSequence = "Nats-Batch-Sequence"
	headerBatchCommit   = "Nats-Batch-Commit"
)

// addressed is a message with its subject.
type addressed struct {
	subject string
	Message
}

// PublishBatch stores messages of one collector, all under one sync where the
// publisher works in batches. A batch is stored whole or not at all; where the
// server refuses one (it holds an id that is stored already, say) its messages
// are sent one by one, so that each gets an answer of its own.
//
// It gives the answers in the order of the messages. With an error they are
// those of the messages before the first that failed.
func (p *Publisher) PublishBatch(ctx context.Context, collector string, msgs []Message) ([]Ack, error) {
	acks := make([]Ack, 0, len(msgs))
	err := p.PublishMany(ctx, collector, func(yield func(Message, error) bool) {
		for _, m := range msgs {
			if !yield(m, nil) {
				return
			}
		}
	}, func(_ int, ack Ack) { acks = append(acks, ack) })
	return acks, err
}

// commit tries once to store messages as one atomic batch. ok is false where
// that did not come off or is not known; the messages may be stored then, and
// sending each by itself with the same ids settles it.
func (p *Publisher) commit(ctx context.Context, msgs []addressed) (acks []Ack, ok bool) {
	last, err := p.tryCommit(ctx, msgs)
	if err != nil {
		p.logger.Debug("batch not taken, sending one by one", "messages", len(msgs), "err", err)
		return nil, false
	}
	acks = make([]Ack, len(msgs))
	for i := range acks {
		// A batch is stored without a gap and without another in between.
		acks[i].Sequence = last - uint64(len(msgs)-1-i)
	}
	return acks, true
}

// batchAnswer is the server's answer to the commit of a batch.
type batchAnswer struct {
	Error    *jetstream.APIError `json:"error"`
	Stream   string              `json:"stream"`
	Sequence uint64              `json:"seq"`
	Batch    string              `json:"batch"`
	Count    int                 `json:"count"`
}

// tryCommit gives the sequence of the last message.
func (p *Publisher) tryCommit(ctx context.Context, msgs []addressed) (uint64, error) {
	ctx, cancel := context.WithTimeout(ctx, p.ackWait)
	defer cancel()
	// Unguessable: whoever knew it could add to the batch or break it.
	id := rand.Text()
	var answer *nats.Msg
	for i, m := range msgs {
		out := m.wire(m.subject)
		out.Header.Set(headerBatchID, id)
		out.Header.Set(headerBatchSequence, strconv.Itoa(i+1))
		if i < len(msgs)-1 {
			// No answer asked for: the commit fails if one of them did.
			if err := p.nc.PublishMsg(out); err != nil {
				return 0, err
			}
			continue
		}
		out.Header.Set(headerBatchCommit, "1")
		var err error
		if answer, err = p.nc.RequestMsgWithContext(ctx, out); err != nil {
			return 0, err
		}
	}
	var a batchAnswer
	if err := json.Unmarshal(answer.Data, &a); err != nil {
		return 0, fmt.Errorf("read the answer: %w", err)
	}
	if a.Error != nil {
		return 0, a.Error
	}
	if a.Batch != id || a.Count != len(msgs) || a.Sequence < uint64(len(msgs)) {
		return 0, fmt.Errorf("the answer is of batch %q with %d messages, want %q with %d", a.Batch, a.Count, id, len(msgs))
	}
	return a.Sequence, nil
}
