package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store/block"
)

// Disputes gives the instants of a unit at which versions differ and none
// counts, at most limit, the newest first.
func (db *DB) Disputes(ctx context.Context, serial analytics.Serial, limit int) ([]analytics.Dispute, error) {
	id, err := db.unitID(ctx, serial)
	if err != nil {
		return nil, err
	}
	rows, err := db.pool.Query(ctx, `
		SELECT o.body, o.disputed, coalesce(o.collector, ''), coalesce(o.sequence, 0), coalesce(o.line, 0), coalesce(o.stored_at, 0)
		FROM sample_other o
		JOIN (SELECT DISTINCT at FROM sample_other WHERE unit_id = $1 AND disputed ORDER BY at DESC LIMIT $2) d USING (at)
		WHERE o.unit_id = $1
		ORDER BY at DESC, other_id`, id, limit)
	if err != nil {
		return nil, fmt.Errorf("list disputes of unit %s: %w", serial, err)
	}
	versions, err := pgx.CollectRows(rows, scanVersion)
	if err != nil {
		return nil, fmt.Errorf("list disputes of unit %s: %w", serial, err)
	}
	list := []analytics.Dispute{}
	for _, v := range versions {
		if n := len(list); n == 0 || list[n-1].At != v.Time {
			list = append(list, analytics.Dispute{Serial: serial, At: v.Time})
		}
		d := &list[len(list)-1]
		d.Versions = append(d.Versions, v)
	}
	return list, nil
}

// scanVersion reads a row of body, disputed, collector, sequence, line and
// stored_at.
func scanVersion(row pgx.CollectableRow) (analytics.Version, error) {
	var v analytics.Version
	var body []byte
	if err := row.Scan(&body, &v.Disputed, &v.Collector, &v.Sequence, &v.Line, &v.StoredAt); err != nil {
		return v, err
	}
	samples, err := block.Unpack(nil, body)
	if err == nil && len(samples) != 1 {
		err = fmt.Errorf("a version of %d samples", len(samples))
	}
	if err == nil {
		v.Sample = samples[0]
	}
	return v, err
}

// Stays gives where a unit was, the newest place first.
func (db *DB) Stays(ctx context.Context, serial analytics.Serial) ([]analytics.Stay, error) {
	rows, err := db.pool.Query(ctx, `
		SELECT p.since, p.stack, coalesce(p.site, ''), p.position
		FROM placement p JOIN unit u USING (unit_id) WHERE u.serial = $1 ORDER BY p.since DESC`, serial)
	if err != nil {
		return nil, fmt.Errorf("list places of unit %s: %w", serial, mapError(err))
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[analytics.Stay])
	if err != nil {
		return nil, fmt.Errorf("list places of unit %s: %w", serial, mapError(err))
	}
	return list, nil
}
