package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store/block"
)

// HeldByID gives rows in quarantine that are not released yet.
func (db *DB) HeldByID(ctx context.Context, ids []int64) ([]analytics.Held, error) {
	return db.held(ctx, `quarantine_id = ANY ($1)`, ids)
}

// HeldByReason gives at most limit rows of a reason with an id above after,
// oldest first.
func (db *DB) HeldByReason(ctx context.Context, reason string, after int64, limit int) ([]analytics.Held, error) {
	return db.held(ctx, `reason = $1 AND quarantine_id > $2 ORDER BY quarantine_id LIMIT $3`, reason, after, limit)
}

// HeldRegistered gives at most limit rows that waited for units which are
// registered now, oldest first.
func (db *DB) HeldRegistered(ctx context.Context, limit int) ([]analytics.Held, error) {
	return db.held(ctx, `reason = $1 AND serial IN (SELECT serial FROM unit) ORDER BY quarantine_id LIMIT $2`,
		analytics.ReasonUnknownUnit, limit)
}

func (db *DB) held(ctx context.Context, condition string, args ...any) ([]analytics.Held, error) {
	rows, err := db.pool.Query(ctx, `
		SELECT quarantine_id, collector, sequence, batch, line, field, reason, message, remedy, serial, raw, stored_at,
			content_type, content_encoding, header, samples
		FROM quarantine WHERE released_at IS NULL AND `+condition, args...)
	if err != nil {
		return nil, fmt.Errorf("read quarantine: %w", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Held, error) {
		var h analytics.Held
		var body []byte
		err := row.Scan(&h.ID, &h.Collector, &h.Sequence, &h.Batch, &h.Line, &h.Field, &h.Reason, &h.Message,
			&h.Remedy, &h.Serial, &h.Raw, &h.StoredAt, &h.ContentType, &h.ContentEncoding, &h.Header, &body)
		if err == nil && body != nil {
			h.Samples, err = block.Unpack(nil, body)
		}
		return h, err
	})
	if err != nil {
		return nil, fmt.Errorf("read quarantine: %w", err)
	}
	return list, nil
}
