package store

import (
	"context"
	"errors"
	"fmt"

	"fadeledger/analytics"
	"fadeledger/store/book"
)

// counterOf reads a stored state. analytics.ErrStateVersion: the unit has to be
// counted anew (freshen).
func counterOf(state []byte) (c analytics.Counter, err error) {
	if len(state) == 0 {
		return c, nil
	}
	if err := c.UnmarshalBinary(state); err != nil {
		return c, fmt.Errorf("read state: %w", err)
	}
	return c, nil
}

// freshen counts a unit anew if its state is of another version.
func (db *DB) freshen(ctx context.Context, serial analytics.Serial) error {
	err := db.keepBooks(ctx, func(tx book.Tx, room *book.Room, now analytics.Instant) error {
		return book.Freshen(ctx, tx, room, now, serial)
	})
	if err != nil {
		return fmt.Errorf("count unit %s anew: %w", serial, err)
	}
	return nil
}

// fresh reads something of a unit, after counting it anew where its state is of
// another version.
func fresh[T any](ctx context.Context, db *DB, serial analytics.Serial, read func(context.Context) (T, error)) (T, error) {
	v, err := read(ctx)
	if errors.Is(err, analytics.ErrStateVersion) {
		// It was found among what the asker may see.
		if err = db.freshen(asKeeper(ctx), serial); err == nil {
			v, err = read(ctx)
		}
	}
	return v, err
}
