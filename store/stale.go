package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// isStale reports whether a stored state is of another version of the counter.
func isStale(state []byte) bool {
	return len(state) > 0 && state[0] != analytics.CounterVersion
}

// freshen counts a unit anew whose state is of another version.
func (db *DB) freshen(ctx context.Context, serial analytics.Serial) error {
	id, err := db.unitID(ctx, serial)
	if err != nil {
		return err
	}
	return db.recountStale(ctx, id)
}

// recountStale counts a unit anew from its samples if its state is of another
// version; otherwise it changes nothing.
func (db *DB) recountStale(ctx context.Context, unit int32) error {
	return db.inTx(ctx, func(tx pgx.Tx) error {
		t := &taking{db: db, tx: tx, now: db.now(), gathered: &gathered{}}
		work, err := lockWork(ctx, tx, `u.unit_id = $1`, unit)
		if err != nil {
			return err
		}
		for _, u := range work {
			if !u.stale {
				continue
			}
			u.changed = true
			if err := u.merge(ctx, t); err != nil {
				return err
			}
			t.units = append(t.units, u)
		}
		return t.write(ctx)
	})
}
