package store

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store/block"
	"fadeledger/store/book"
)

// takeAttempts is how often a transaction is tried anew when another worker
// recorded the same delivery first, or a deadlock was broken.
const takeAttempts = 5

// longestTransaction is many times what the largest transaction takes.
const longestTransaction = 2 * time.Minute

// Take counts deliveries in one transaction: samples, ledgers, days,
// excursions, quarantine, receipts and the record of the deliveries are all
// there afterwards, or nothing is. A delivery that is already recorded changes
// nothing and answers what was recorded. The answers stand in the order of in.
//
// An error leaves nothing behind, except that after an error of the commit
// itself the outcome is unknown: taking the same deliveries again settles it.
func (db *DB) Take(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
	for i := range in {
		if _, err := db.streamID(ctx, in[i].Stream); err != nil {
			return nil, err
		}
	}
	var tallies []analytics.DeliveryTally
	err := db.keepBooks(ctx, func(tx book.Tx, room *book.Room, now analytics.Instant) (err error) {
		if tallies, err = book.Take(ctx, tx, room, now, in); err != nil {
			return err
		}
		return db.recordReleases(ctx, tx.(*bookTx).tx, in)
	})
	if err != nil {
		return nil, fmt.Errorf("count %d deliveries: %w", len(in), err)
	}
	return tallies, nil
}

// recordReleases tells who brought rows back from quarantine. What the service
// releases by itself follows from what somebody has set, which is told there.
func (db *DB) recordReleases(ctx context.Context, tx pgx.Tx, in []analytics.Incoming) error {
	if analytics.PrincipalOf(ctx).Nobody() {
		return nil
	}
	var released []int64
	for i := range in {
		released = append(released, in[i].Releases...)
	}
	if len(released) == 0 {
		return nil
	}
	return db.record(ctx, tx, analytics.DeedReleased, "quarantine", fmt.Sprintf("entries %d", released))
}

// keepBooks runs one transaction of package book, again where that helps.
func (db *DB) keepBooks(ctx context.Context, fn func(tx book.Tx, room *book.Room, now analytics.Instant) error) error {
	for attempt := 1; ; attempt++ {
		err := db.keepBooksOnce(ctx, fn)
		if err == nil || !retryable(err) || attempt == takeAttempts {
			return uncountable(err)
		}
		// A partition that was there may have been dropped, or the database
		// restored to a time before it.
		db.forgetPartitions()
	}
}

func (db *DB) keepBooksOnce(ctx context.Context, fn func(tx book.Tx, room *book.Room, now analytics.Instant) error) error {
	// One clock for all: partitions are made for the days of now. They must not
	// be made inside the transaction.
	now := db.now()
	if err := db.EnsurePartitions(ctx, now.Day()-hotDays, now.Day()+1); err != nil {
		return err
	}
	desk := db.desks.get()
	defer db.desks.put(desk)
	// A connection that hangs must not hold the worker for ever. What became
	// of the transaction shows when the same deliveries are taken again.
	ctx, cancel := context.WithTimeout(ctx, longestTransaction)
	defer cancel()
	return db.inTx(ctx, func(tx pgx.Tx) error {
		return fn(&bookTx{db: db, tx: tx, now: now, desk: desk}, &desk.room, now)
	})
}

// bookTx is a transaction as package book wants it.
type bookTx struct {
	db  *DB
	tx  pgx.Tx
	now analytics.Instant
	*desk
}

var _ book.Tx = (*bookTx)(nil)

// desk is the room of one transaction at a time.
type desk struct {
	room   book.Room
	rows   [copyTables]copyRows
	packer block.Packer
	states []byte
}

// desks keeps the rooms of past transactions for later ones.
type desks struct{ pool sync.Pool }

func (d *desks) get() *desk {
	if k, ok := d.pool.Get().(*desk); ok {
		for i := range k.rows {
			k.rows[i] = copyRows{b: k.rows[i].b[:0]}
		}
		k.states = k.states[:0]
		return k
	}
	return &desk{}
}

func (d *desks) put(k *desk) { d.pool.Put(k) }
