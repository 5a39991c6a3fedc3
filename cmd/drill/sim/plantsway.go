package sim

import (
	"context"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/store/book"
)

// wrap makes a seam of a transaction that is changed in some calls.
func wrap[T book.Tx](make func(*transaction) T) func(*transaction) book.Tx {
	return func(t *transaction) book.Tx { return make(t) }
}

// acknowledged is a delivery that is acknowledged as soon as it is taken.
func ackFirst(_ *worker, msg *message) ingest.Message {
	if msg.Ack() != nil {
		return nil
	}
	return msg
}

// now makes changes at once, in the midst of a transaction.
func now(tx *transaction, c *book.Changes) {
	if t, err := tx.db.t.apply(c, nil, passes{lax: true}); err == nil {
		tx.db.t = t
	}
}

func receiptFirst(tx *transaction, c *book.Changes) { now(tx, &book.Changes{Numbered: c.Numbered}) }

func highestOnly(r analytics.Receipt) analytics.Receipt {
	r.Through, r.Holes = r.Last, nil
	return r
}

// watermarkTx knows every delivery up to the highest that is recorded.
type watermarkTx struct{ *transaction }

func (tx *watermarkTx) Recorded(ctx context.Context, places []book.Place) (map[book.Place]analytics.DeliveryTally, error) {
	out, err := tx.transaction.Recorded(ctx, places)
	highest := map[string]uint64{}
	for p := range tx.db.t.deliveries {
		highest[p.Stream] = max(highest[p.Stream], p.Sequence)
	}
	for _, p := range places {
		if _, known := out[p]; !known && p.Sequence <= highest[p.Stream] && p.Stream != analytics.ReleaseStream && out != nil {
			out[p] = analytics.DeliveryTally{}
		}
	}
	return out, err
}

// sequenceTx knows deliveries by their sequence, in their stream or in any.
type sequenceTx struct {
	*transaction
	stream bool
}

func (tx *sequenceTx) Recorded(ctx context.Context, places []book.Place) (map[book.Place]analytics.DeliveryTally, error) {
	out, err := tx.transaction.Recorded(ctx, places)
	for _, p := range places {
		for known, r := range tx.db.t.deliveries {
			sameStream := known.Stream == p.Stream || !tx.stream && (known.Stream == analytics.ReleaseStream) == (p.Stream == analytics.ReleaseStream)
			if known.Sequence == p.Sequence && sameStream && out != nil {
				out[p] = r.tally
			}
		}
	}
	return out, err
}

// rememberSequences makes workers skip what they believe to have counted.
func rememberSequences(s *seams) {
	had := map[*process]map[uint64]bool{}
	s.message = func(w *worker, msg *message) ingest.Message {
		if had[w.p] == nil {
			had[w.p] = map[uint64]bool{}
		}
		if had[w.p][msg.sequence] {
			_ = msg.Ack() // it is believed to be counted
			return nil
		}
		return &rememberedMessage{msg, had[w.p]}
	}
}

// rememberedMessage is noted when it is acknowledged.
type rememberedMessage struct {
	*message
	had map[uint64]bool
}

func (r *rememberedMessage) Ack() error {
	r.had[r.sequence] = true
	return r.message.Ack()
}

// dedupeInMemory makes each worker know only its own deliveries.
func dedupeInMemory(s *seams) {
	s.lax = true
	own := map[*process]map[book.Place]bool{}
	s.tx = wrap(func(t *transaction) *memoryTx { return &memoryTx{t, own} })
	s.committed = func(t *transaction) {
		if own[t.p] == nil {
			own[t.p] = map[book.Place]bool{}
		}
		for i := range t.in {
			own[t.p][book.PlaceOf(&t.in[i])] = true
		}
	}
}

type memoryTx struct {
	*transaction
	own map[*process]map[book.Place]bool
}

func (tx *memoryTx) Recorded(ctx context.Context, places []book.Place) (map[book.Place]analytics.DeliveryTally, error) {
	out, err := tx.transaction.Recorded(ctx, places)
	for p := range out {
		if !tx.own[tx.p][p] {
			delete(out, p)
		}
	}
	return out, err
}
