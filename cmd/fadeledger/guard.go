package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/ingest/broker"
	"fadeledger/store"
)

const (
	// guardEvery is how often broker and database are held against each other.
	guardEvery = 15 * time.Second
	// balanceEvery is how often the books are added up, recheckUnits how many
	// units are then counted again from their samples.
	balanceEvery = time.Minute
	recheckUnits = 20
	// anchorsLooked is how many of the newest recorded deliveries the stream
	// must hold: after a roll-back two may stand under one sequence.
	anchorsLooked = 8
	// ackedLooked is how many acknowledged deliveries are looked for at a time,
	// guardFor how long that goes on.
	ackedLooked = 4096
	guardFor    = 5 * time.Second
	// fillingFrom is how full the stream may be before somebody is told.
	fillingFrom = 0.8
)

// guard holds the broker and the database against each other. Each may have
// lost its end: the broker in a power loss, the database when it was restored
// from a backup. Then everything that the broker keeps is read once more, which
// the ledger survives without counting anything twice.
func (s *services) guard(ctx context.Context) error {
	err := s.findRollBack(ctx)
	if err == nil {
		err = s.findRestore(ctx)
	}
	if errors.Is(err, broker.ErrRolledBack) {
		err = s.readAgain(ctx, err)
	}
	if err != nil {
		return err
	}
	used, most, err := broker.Fullness(ctx, s.stream)
	if err != nil {
		return err
	}
	if most > 0 && float64(used) > fillingFrom*float64(most) {
		return s.db.Raise(ctx, analytics.AlarmFilling, "stream",
			fmt.Sprintf("The stream holds %d of at most %d MiB. A full stream refuses deliveries; collectors then keep them.", used>>20, most>>20))
	}
	return s.db.Settle(ctx, analytics.AlarmFilling, "stream")
}

// guardReconnects looks at once when the broker is back: it is in a restart that
// a stream loses its end.
func (s *services) guardReconnects(ctx context.Context) error {
	back := s.nc.StatusChanged(nats.CONNECTED)
	defer s.nc.RemoveStatusListener(back)
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-back:
			if err := s.guard(ctx); err != nil && ctx.Err() == nil {
				s.log.Warn("broker and database not held against each other", "err", err)
			}
		}
	}
}

// findRollBack looks for the newest delivery that is recorded in the stream.
func (s *services) findRollBack(ctx context.Context) error {
	recorded, err := s.db.Anchors(ctx, s.identity, anchorsLooked)
	if err != nil {
		return err
	}
	anchors := make([]broker.Anchor, len(recorded))
	for i, a := range recorded {
		anchors[i] = broker.Anchor(a)
	}
	return broker.CheckAnchors(ctx, s.stream, anchors, ingest.HashOf)
}

// readAgain has a stream that lost its end read from its beginning.
func (s *services) readAgain(ctx context.Context, cause error) error {
	s.log.Error("the stream was rolled back and is read again", "err", cause)
	if err := s.db.Raise(ctx, analytics.AlarmRolledBack, s.identity, fmt.Sprintf(
		"The broker has lost what it stored last: %v. What it keeps is read once more. Collectors that wait for receipts send again what was lost; ask the others for it.", cause)); err != nil {
		return err
	}
	// Noted only after the rewind: if that fails, the next look tries again.
	if err := broker.Rewind(ctx, s.js, s.stream); err != nil {
		return err
	}
	return s.db.RolledBack(ctx, s.identity)
}

// findRestore looks for what is acknowledged in the database, from where the
// last look came to, for a while.
func (s *services) findRestore(ctx context.Context) error {
	for until := time.Now().Add(guardFor); ; {
		more, err := s.findRestoreOnce(ctx)
		if err != nil || !more || time.Now().After(until) {
			return err
		}
	}
}

// findRestoreOnce looks once; more says that there is more to look at.
func (s *services) findRestoreOnce(ctx context.Context) (more bool, err error) {
	mark, err := s.db.Checked(ctx, s.identity)
	if err != nil {
		return false, err
	}
	acked, err := broker.Acked(ctx, s.stream, broker.Anchor(mark), ackedLooked, ingest.HashOf)
	if err != nil || len(acked) == 0 {
		return false, err
	}
	places := make([]store.Anchor, len(acked))
	for i, a := range acked {
		places[i] = store.Anchor(a)
	}
	missing, err := s.db.Unrecorded(ctx, s.identity, places)
	if err != nil {
		return false, err
	}
	if len(missing) == 0 {
		return len(acked) == ackedLooked, s.db.SetChecked(ctx, s.identity, places[len(places)-1])
	}
	s.log.Error("the database lacks deliveries that were acknowledged; the stream is read again", "sequence", missing[0].Sequence)
	if err := s.db.Raise(ctx, analytics.AlarmRestored, s.identity, fmt.Sprintf(
		"The database lacks delivery %d, which it had counted: it seems to be restored from a backup. What the broker keeps is read once more.", missing[0].Sequence)); err != nil {
		return false, err
	}
	return false, broker.Rewind(ctx, s.js, s.stream)
}

// auditor adds up the books and counts some units again each time.
type auditor struct {
	db    *store.DB
	after int32
}

func (a *auditor) run(ctx context.Context) error {
	b, err := a.db.Balance(ctx)
	if err != nil {
		return err
	}
	if len(b.Differences) > 0 {
		err = a.db.Raise(ctx, analytics.AlarmUnbalanced, "books", b.Differences[0])
	} else {
		err = a.db.Settle(ctx, analytics.AlarmUnbalanced, "books")
	}
	if err != nil {
		return err
	}
	differences, next, err := a.db.Recheck(ctx, a.after, recheckUnits)
	a.after = next
	for _, d := range differences {
		if err := a.db.Raise(ctx, analytics.AlarmDiffers, string(d.Serial), "Unit "+string(d.Serial)+": "+d.What+"."); err != nil {
			return err
		}
	}
	return err
}
