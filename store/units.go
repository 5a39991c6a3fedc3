package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// unitBatch is how many units one statement registers.
const unitBatch = 5000

// writeUnits adds the units that are new and updates those that change.
func (p *planned) writeUnits(ctx context.Context, tx pgx.Tx, now analytics.Instant) error {
	bySerial := func(a, b *analytics.Unit) int { return cmp.Compare(a.Serial, b.Serial) }
	// Their numbers follow their serials.
	slices.SortFunc(p.added, bySerial)
	for chunk := range slices.Chunk(p.added, unitBatch) {
		if err := addUnits(ctx, tx, now, chunk); err != nil {
			return err
		}
	}
	for chunk := range slices.Chunk(p.changed, unitBatch) {
		if err := updateUnits(ctx, tx, now, chunk); err != nil {
			return err
		}
	}
	return nil
}

// unitColumns are units as the arrays that a statement takes.
type unitColumns struct {
	serials, models, stacks, sites, terms []string
	shipped, commissioned                 []*analytics.Day
	positions                             []int32
}

func unitArgs(units []*analytics.Unit, now analytics.Instant) []any {
	var c unitColumns
	for _, u := range units {
		c.serials = append(c.serials, string(u.Serial))
		c.models = append(c.models, u.Model)
		c.stacks = append(c.stacks, u.Stack)
		c.sites = append(c.sites, u.Site)
		c.terms = append(c.terms, u.Terms)
		c.shipped = append(c.shipped, u.Shipped)
		c.commissioned = append(c.commissioned, u.Commissioned)
		c.positions = append(c.positions, int32(u.Position))
	}
	return []any{c.serials, c.models, c.stacks, c.sites, c.shipped, c.commissioned, c.terms, c.positions, now}
}

// unitSource reads the arrays as rows.
const unitSource = `(
	SELECT serial, model, stack, nullif(site, '') AS site, shipped, commissioned, nullif(terms, '') AS terms, position
	FROM unnest($1::text[], $2::text[], $3::text[], $4::text[], $5::int[], $6::int[], $7::text[], $8::int[])
		AS x (serial, model, stack, site, shipped, commissioned, terms, position)
) AS n`

func addUnits(ctx context.Context, tx pgx.Tx, now analytics.Instant, units []*analytics.Unit) error {
	if _, err := tx.Exec(ctx, `
		WITH added AS (
			INSERT INTO unit (serial, model, stack, site, shipped, commissioned, terms, position)
			SELECT n.* FROM `+unitSource+`
			RETURNING unit_id, stack, site, position),
		placed AS (
			INSERT INTO placement (unit_id, since, stack, site, position)
			SELECT unit_id, $9, stack, site, position FROM added)
		INSERT INTO unit_ledger (unit_id) SELECT unit_id FROM added`, unitArgs(units, now)...); err != nil {
		return fmt.Errorf("register %d units: %w", len(units), mapError(err))
	}
	return nil
}

func updateUnits(ctx context.Context, tx pgx.Tx, now analytics.Instant, units []*analytics.Unit) error {
	// Its standing may rest on other terms now.
	if _, err := tx.Exec(ctx, `
		WITH moved AS (
			INSERT INTO placement AS p (unit_id, since, stack, site, position)
			SELECT u.unit_id, $9, n.stack, n.site, n.position
			FROM unit u JOIN `+unitSource+` USING (serial)
			WHERE (u.stack, u.site, u.position) IS DISTINCT FROM (n.stack, n.site, n.position)
			ON CONFLICT (unit_id, since) DO UPDATE SET stack = EXCLUDED.stack, site = EXCLUDED.site, position = EXCLUDED.position),
		changed AS (
			UPDATE unit u
			SET model = n.model, stack = n.stack, site = n.site, shipped = n.shipped,
				commissioned = n.commissioned, terms = n.terms, position = n.position
			FROM `+unitSource+`
			WHERE u.serial = n.serial
			RETURNING u.unit_id)
		UPDATE unit_standing s SET as_of = 0 FROM changed c WHERE s.unit_id = c.unit_id`, unitArgs(units, now)...); err != nil {
		return fmt.Errorf("update %d units: %w", len(units), mapError(err))
	}
	return nil
}

// units reads units as they are registered; clauses choose and order them.
func units(ctx context.Context, q querier, clauses string, args ...any) ([]analytics.Unit, error) {
	rows, err := q.Query(ctx, `
		SELECT serial, model, stack, coalesce(site, ''), shipped, commissioned, coalesce(terms, ''), position FROM unit `+clauses, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Unit, error) {
		var u analytics.Unit
		err := row.Scan(&u.Serial, &u.Model, &u.Stack, &u.Site, &u.Shipped, &u.Commissioned, &u.Terms, &u.Position)
		return u, err
	})
}
