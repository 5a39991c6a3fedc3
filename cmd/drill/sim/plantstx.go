package sim

import (
	"context"
	"errors"
	"slices"

	"fadeledger/analytics"
	"fadeledger/store/book"
)

// retryBlindly makes the changes of a commit that answered nothing once more.
func retryBlindly(tx *transaction, err error) error {
	if !errors.Is(err, errCut) || tx.changes == nil || tx.p.dead {
		return err
	}
	now(tx, tx.changes)
	return nil
}

func unknownIsSuccess(tx *transaction, err error) error {
	if errors.Is(err, errCut) && !tx.p.dead {
		return nil
	}
	return err
}

func quarantineOutside(tx *transaction, c *book.Changes) {
	now(tx, &book.Changes{Quarantine: c.Quarantine})
	c.Quarantine = nil
}

func totalsOutside(tx *transaction, c *book.Changes) {
	now(tx, &book.Changes{Collectors: c.Collectors})
	c.Collectors = nil
}

// ledgersLater commits everything but the ledgers, and the ledgers afterwards.
func ledgersLater(tx *transaction, c *book.Changes) {
	rest := *c
	rest.Ledgers = nil
	t, err := tx.db.t.apply(&rest, tx.released, passes{})
	if err != nil {
		return
	}
	tx.db.t = t
	tx.released = nil
	*c = book.Changes{Now: c.Now, Ledgers: c.Ledgers}
}

// noReceiptForDuplicates numbers only what brought something new.
func noReceiptForDuplicates(_ *transaction, c *book.Changes) {
	c.Numbered = slices.DeleteFunc(c.Numbered, func(n book.Numbered) bool {
		return slices.ContainsFunc(c.Deliveries, func(d book.Recorded) bool {
			return d.Delivery.Collector == n.Collector && d.Delivery.Series == n.Series && d.Delivery.Number == n.Number && d.Tally.Accepted == 0
		})
	})
}

// releasedTwice forgets which rows were released.
func releasedTwice(s *seams) {
	s.lax, s.laxRelease = true, true
	s.tx = wrap(func(t *transaction) *forgetfulTx { return &forgetfulTx{t} })
}

type forgetfulTx struct{ *transaction }

func (tx *forgetfulTx) Recorded(ctx context.Context, places []book.Place) (map[book.Place]analytics.DeliveryTally, error) {
	out, err := tx.transaction.Recorded(ctx, places)
	for p := range out {
		if p.Stream == analytics.ReleaseStream {
			delete(out, p)
		}
	}
	return out, err
}

// duplicatesAccepted tells duplicates as accepted rows.
func duplicatesAccepted(_ *transaction, c *book.Changes) {
	for i := range c.Deliveries {
		t := &c.Deliveries[i].Tally
		t.Accepted, t.Duplicates = t.Accepted+t.Duplicates, 0
	}
	for i := range c.Collectors {
		t := &c.Collectors[i].Tally
		t.Accepted, t.Duplicates = t.Accepted+t.Duplicates, 0
	}
}

func disputeForgotten(_ *transaction, c *book.Changes) {
	c.Others = slices.DeleteFunc(c.Others, func(o book.Other) bool { return o.Disputed })
}

func reopenedKept(_ *transaction, c *book.Changes) { c.Reopened = nil }

// recountAdds leaves what days that are counted again had.
func recountAdds(_ *transaction, c *book.Changes) { c.Again = nil }

// stopsEarly leaves the last of several recounted days as it was.
func stopsEarly(tx *transaction, c *book.Changes) {
	if len(c.Again) < 2 {
		return
	}
	last := c.Again[len(c.Again)-1]
	old := slices.ContainsFunc(tx.db.t.units[last.Unit].days, func(r dayRow) bool { return r.day == last.Day })
	i := slices.IndexFunc(c.Days, func(d book.Day) bool { return d.Unit == last.Unit && d.Segment.Day() == last.Day })
	if !old || i < 0 {
		return
	}
	c.Days = slices.Delete(c.Days, i, i+1)
	c.Again = c.Again[:len(c.Again)-1]
	c.Excursions = slices.DeleteFunc(c.Excursions, func(x book.Excursion) bool { return x.Unit == last.Unit && x.EndedOn == last.Day })
	c.Events = slices.DeleteFunc(c.Events, func(e book.Event) bool { return e.Unit == last.Unit && e.At.Day() == last.Day })
}
