package broker

import (
	"context"
	"fmt"
	"iter"

	"github.com/nats-io/nats.go/jetstream"
)

// PublishMany stores a series of messages of one collector with many under way
// at once, in atomic batches where the publisher works in batches. stored, if
// not nil, is called for each message in their order with its number, counted
// from 0, from the calling goroutine: whatever it was called for need not be
// sent again.
//
// An error in the series ends it after everything before is stored. The error
// of a message is as in Publish. Messages that had to be repeated may be stored
// after later ones.
func (p *Publisher) PublishMany(ctx context.Context, collector string, msgs iter.Seq2[Message, error], stored func(i int, ack Ack)) error {
	if err := CheckCollector(collector); err != nil {
		return fmt.Errorf("publish: %w", err)
	}
	if stored == nil {
		stored = func(int, Ack) {}
	}
	run := &series{p: p, subject: Subject(collector), stored: stored}
	for m, err := range msgs {
		if err == nil {
			err = m.prepare(collector)
		}
		if err == nil {
			err = run.add(ctx, m)
		} else if before := run.finish(ctx); before != nil {
			err = before
		}
		if err != nil {
			return fmt.Errorf("publish for %s, message %d: %w", collector, run.next, err)
		}
	}
	if err := run.finish(ctx); err != nil {
		return fmt.Errorf("publish for %s, message %d: %w", collector, run.next, err)
	}
	return nil
}

// series is one run of PublishMany. It belongs to one goroutine.
type series struct {
	p       *Publisher
	subject string
	stored  func(int, Ack)
	// next is the number of the first message that is not known to be stored;
	// held are it and those after it, size their bytes.
	next int
	held []underway
	size int
}

type underway struct {
	addressed
	// future is nil while the message waits for its batch.
	future jetstream.PubAckFuture
}

// add takes a message on, waiting for earlier ones where too many are under
// way.
func (s *series) add(ctx context.Context, m Message) error {
	u := underway{addressed: addressed{s.subject, m}}
	if s.p.batch > 1 {
		if len(s.held) >= s.p.batch || s.size+len(m.Body) > windowBytes {
			if err := s.flush(ctx); err != nil {
				return err
			}
		}
	} else {
		for len(s.held) >= windowMessages || len(s.held) > 0 && s.size+len(m.Body) > windowBytes {
			if err := s.settleFirst(ctx); err != nil {
				return err
			}
		}
		u.send(s.p)
	}
	s.held = append(s.held, u)
	s.size += len(m.Body)
	return nil
}

// finish waits until everything is stored.
func (s *series) finish(ctx context.Context) error {
	if s.p.batch > 1 {
		return s.flush(ctx)
	}
	return s.settleAll(ctx)
}

// flush stores what is held as one batch, or one by one where that fails or
// is not worth it.
func (s *series) flush(ctx context.Context) error {
	if len(s.held) >= batchLeast {
		msgs := make([]addressed, len(s.held))
		for i, u := range s.held {
			msgs[i] = u.addressed
		}
		if acks, ok := s.p.commit(ctx, msgs); ok {
			for _, ack := range acks {
				s.tick(ack)
			}
			return nil
		}
	}
	// No more under way at once than without batches; settleAll sends the rest.
	for i := range min(len(s.held), windowMessages) {
		s.held[i].send(s.p)
	}
	return s.settleAll(ctx)
}

func (s *series) settleAll(ctx context.Context) error {
	for len(s.held) > 0 {
		if err := s.settleFirst(ctx); err != nil {
			return err
		}
		if len(s.held) >= windowMessages && s.held[windowMessages-1].future == nil {
			s.held[windowMessages-1].send(s.p)
		}
	}
	return nil
}

// send puts a message under way. Where that fails it is left to settleFirst.
func (u *underway) send(p *Publisher) {
	future, err := p.js.PublishMsgAsync(u.wire(u.subject), jetstream.WithStallWait(p.ackWait))
	if err == nil {
		u.future = future
	}
}

// settleFirst waits until the first held message is stored.
func (s *series) settleFirst(ctx context.Context) error {
	u := s.held[0]
	if u.future != nil {
		select {
		case ack := <-u.future.Ok():
			s.tick(Ack{Sequence: ack.Sequence, Duplicate: ack.Duplicate})
			return nil
		case err := <-u.future.Err():
			if err := final(err); err != nil {
				return err
			}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	ack, err := s.p.store(ctx, u.subject, u.Message)
	if err != nil {
		return err
	}
	s.tick(ack)
	return nil
}

// tick reports the first held message as stored.
func (s *series) tick(ack Ack) {
	s.stored(s.next, ack)
	s.next++
	s.size -= len(s.held[0].Body)
	s.held = s.held[1:]
}
