package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store/block"
	"fadeledger/store/book"
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

// HeldRegistered gives at most limit rows that may be counted now, oldest first:
// those that waited for units which are registered now, and those of units which
// are bound now to the collector that delivered them. Rows that waited for a unit
// to be registered and find it foreign to their collector wait for that instead.
func (db *DB) HeldRegistered(ctx context.Context, limit int) ([]analytics.Held, error) {
	if err := db.turnForeign(ctx); err != nil {
		return nil, err
	}
	return db.held(ctx, `reason IN ($1, $2) AND EXISTS (
			SELECT FROM unit u LEFT JOIN collector c ON c.name = quarantine.collector
			WHERE u.serial = quarantine.serial AND `+mayDeliver+`)
		ORDER BY quarantine_id LIMIT $3`, analytics.ReasonUnknownUnit, analytics.ReasonForeignUnit, limit)
}

// turnForeign changes the reason of rows whose unit was registered after they
// came. It is what the transaction that held them would have said had it been
// registered before.
func (db *DB) turnForeign(ctx context.Context) error {
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `
			SELECT q.quarantine_id, q.rows, q.stored_at, q.collector, u.unit_id, u.serial, c.taking
			FROM quarantine q JOIN unit u USING (serial) JOIN collector c ON c.name = q.collector
			WHERE q.released_at IS NULL AND q.reason = $1 AND NOT `+mayDeliver+`
			ORDER BY u.unit_id, q.collector, q.quarantine_id LIMIT 5000
			FOR UPDATE OF q SKIP LOCKED`, analytics.ReasonUnknownUnit)
		if err != nil {
			return err
		}
		b := &pgx.Batch{}
		var id int64
		var serial analytics.Serial
		var taking analytics.CollectorTaking
		var a book.Asking
		if _, err := pgx.ForEachRow(rows, []any{&id, &a.Samples, &a.FirstAt, &a.Collector, &a.Unit, &serial, &taking}, func() error {
			message, remedy := book.Foreign(serial, a.Collector)
			b.Queue(`UPDATE quarantine SET reason = $2, message = $3, remedy = $4 WHERE quarantine_id = $1`,
				id, analytics.ReasonForeignUnit, message, remedy)
			if taking == analytics.TakesFirst {
				a.LastAt = a.FirstAt
				queueAskings(b, []book.Asking{a})
			}
			return nil
		}); err != nil || b.Len() == 0 {
			return err
		}
		return tx.SendBatch(ctx, b).Close()
	})
	if err != nil {
		return fmt.Errorf("look for foreign units in quarantine: %w", err)
	}
	return nil
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
