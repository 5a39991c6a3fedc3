package store

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store/book"
)

// queueAskings notes which collectors wait for units to be bound to them. One
// that was refused stays refused; its samples are counted on.
func queueAskings(b *pgx.Batch, list []book.Asking) {
	for i := range list {
		x := &list[i]
		b.Queue(`
			INSERT INTO asking AS a (unit_id, collector, first_at, last_at, samples) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (unit_id, collector) DO UPDATE SET
				first_at = least(a.first_at, EXCLUDED.first_at),
				last_at = greatest(a.last_at, EXCLUDED.last_at),
				samples = a.samples + EXCLUDED.samples`,
			x.Unit, x.Collector, x.FirstAt, x.LastAt, x.Samples)
	}
}

// mayDeliver is the condition under which collector c, which may be no row, may
// deliver unit u: book.Rule in SQL, for rows that wait in quarantine.
const mayDeliver = `(coalesce(c.taking, 'any') = 'any' OR c.name = ANY (u.bound)
	OR u.bound = '{}' AND EXISTS (SELECT FROM unnest(c.prefixes) AS p WHERE starts_with(u.serial, p)))`

// Bind binds units to a collector, or lets them go. A unit may be bound to
// several. What the collector asked for of them is settled by that.
// analytics.ErrNotFound names the first serial that is not registered; then
// nothing is changed.
func (db *DB) Bind(ctx context.Context, collector string, serials []analytics.Serial, bind bool) error {
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		detail := "bound to it: "
		if bind {
			if err := bindUnits(ctx, tx, collector, serials); err != nil {
				return err
			}
		} else {
			detail = "let go: "
			if err := registered(ctx, tx, serials); err != nil {
				return err
			}
			_, err := tx.Exec(ctx, `UPDATE unit SET bound = array_remove(bound, $1) WHERE serial = ANY ($2) AND $1 = ANY (bound)`, collector, serials)
			if err != nil {
				return err
			}
		}
		return db.record(ctx, tx, analytics.DeedChanged, "collector "+collector, detail+serialList(serials))
	})
	if err != nil {
		return fmt.Errorf("bind units to collector %s: %w", collector, mapError(err))
	}
	return nil
}

// bindUnits adds the collector to those that the units are bound to.
func bindUnits(ctx context.Context, tx pgx.Tx, collector string, serials []analytics.Serial) error {
	if err := registered(ctx, tx, serials); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `INSERT INTO collector (name) VALUES ($1) ON CONFLICT DO NOTHING`, collector); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `UPDATE unit SET bound = array_append(bound, $1) WHERE serial = ANY ($2) AND NOT $1 = ANY (bound)`, collector, serials); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `DELETE FROM asking a USING unit u WHERE a.unit_id = u.unit_id AND a.collector = $1 AND u.serial = ANY ($2)`, collector, serials)
	return err
}

// registered locks units in ascending order, and names one that is not there.
func registered(ctx context.Context, tx pgx.Tx, serials []analytics.Serial) error {
	found, err := column[analytics.Serial](ctx, tx, `SELECT serial FROM unit WHERE serial = ANY ($1) ORDER BY unit_id FOR NO KEY UPDATE`, serials)
	if err != nil {
		return err
	}
	known := make(map[analytics.Serial]bool, len(found))
	for _, s := range found {
		known[s] = true
	}
	for _, s := range serials {
		if !known[s] {
			return fmt.Errorf("unit %s: %w: it is not registered", s, analytics.ErrNotFound)
		}
	}
	return nil
}

// Bound gives at most limit serials bound to a collector that come after a
// serial, in ascending order.
func (db *DB) Bound(ctx context.Context, collector string, after analytics.Serial, limit int) ([]analytics.Serial, error) {
	list, err := column[analytics.Serial](ctx, db.pool, `
		SELECT serial FROM unit WHERE bound @> ARRAY[$1] AND bound <> '{}' AND serial > $2 ORDER BY serial LIMIT $3`, collector, after, limit)
	if err != nil {
		return nil, fmt.Errorf("list units bound to collector %s: %w", collector, mapError(err))
	}
	return list, nil
}

// BoundLike is Bound for the serials that begin with a text.
func (db *DB) BoundLike(ctx context.Context, collector, beginning string, after analytics.Serial, limit int) ([]analytics.Serial, error) {
	list, err := column[analytics.Serial](ctx, db.pool, `
		SELECT serial FROM unit
		WHERE bound @> ARRAY[$1] AND bound <> '{}' AND serial > $2 AND serial LIKE $4 ORDER BY serial LIMIT $3`, collector, after, limit, likePrefix(beginning))
	if err != nil {
		return nil, fmt.Errorf("list units bound to collector %s: %w", collector, mapError(err))
	}
	return list, nil
}

// Asking gives at most limit units that collectors ask to be bound to, those
// that have waited longest first. Refused ones are not told again.
func (db *DB) Asking(ctx context.Context, limit int) ([]analytics.Binding, error) {
	rows, err := db.pool.Query(ctx, `
		SELECT u.serial, a.collector, a.first_at, a.last_at, a.samples, u.bound
		FROM asking a JOIN unit u USING (unit_id)
		WHERE a.refused_at IS NULL AND NOT a.collector = ANY (u.bound)
		ORDER BY a.first_at, u.serial, a.collector LIMIT $1`, limit)
	if err != nil {
		return nil, fmt.Errorf("list what collectors ask for: %w", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Binding, error) {
		var b analytics.Binding
		err := row.Scan(&b.Serial, &b.Collector, &b.FirstAt, &b.LastAt, &b.Samples, &b.Others)
		return b, err
	})
	if err != nil {
		return nil, fmt.Errorf("list what collectors ask for: %w", err)
	}
	return list, nil
}

// Decide approves or refuses what a collector asks for. Approved units are bound
// to it, and what is held of them is counted when the worker next looks for what
// may be released (HeldRegistered). What is refused stays in quarantine.
// analytics.ErrNotFound names a unit that it does not ask for; then nothing is
// changed. A unit that is bound to it already counts as approved.
func (db *DB) Decide(ctx context.Context, collector string, serials []analytics.Serial, approve bool) error {
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		if err := registered(ctx, tx, serials); err != nil {
			return err
		}
		asked, err := column[analytics.Serial](ctx, tx, `
			SELECT u.serial FROM unit u
			WHERE u.serial = ANY ($2) AND ($1 = ANY (u.bound) OR EXISTS (SELECT FROM asking a WHERE a.unit_id = u.unit_id AND a.collector = $1))`, collector, serials)
		if err != nil {
			return err
		}
		for _, s := range serials {
			if !slices.Contains(asked, s) {
				return fmt.Errorf("unit %s: %w: the collector does not ask for it", s, analytics.ErrNotFound)
			}
		}
		if approve {
			if err := bindUnits(ctx, tx, collector, serials); err != nil {
				return err
			}
			return db.record(ctx, tx, analytics.DeedApproved, "collector "+collector, "asked for and bound to it: "+serialList(serials))
		}
		_, err = tx.Exec(ctx, `
			UPDATE asking a SET refused_at = $3 FROM unit u
			WHERE a.unit_id = u.unit_id AND a.collector = $1 AND u.serial = ANY ($2) AND a.refused_at IS NULL`, collector, serials, db.now())
		if err != nil {
			return err
		}
		return db.record(ctx, tx, analytics.DeedChanged, "collector "+collector, "asked for and refused: "+serialList(serials))
	})
	if err != nil {
		return fmt.Errorf("decide what collector %s asks for: %w", collector, mapError(err))
	}
	return nil
}

// serialsTold is how many serials the trail tells of one deed.
const serialsTold = 50

// serialList writes serials for the trail.
func serialList(serials []analytics.Serial) string {
	var b strings.Builder
	for i, s := range serials {
		if i == serialsTold {
			fmt.Fprintf(&b, " and %d more", len(serials)-i)
			break
		}
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(string(s))
	}
	return b.String()
}
