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

// registerUnits adds and updates units. Of several with the same serial the
// last one holds.
func registerUnits(ctx context.Context, tx pgx.Tx, now analytics.Instant, units []analytics.Unit, done *Registered) error {
	done.Units += len(units)
	last := make(map[analytics.Serial]int, len(units))
	for i := range units {
		last[units[i].Serial] = i
	}
	distinct := make([]*analytics.Unit, 0, len(last))
	for i := range units {
		if last[units[i].Serial] == i {
			distinct = append(distinct, &units[i])
		}
	}
	if err := checkReferences(ctx, tx, distinct); err != nil {
		return err
	}
	// In one order for all, so that two registrations cannot block each other.
	slices.SortFunc(distinct, func(a, b *analytics.Unit) int { return cmp.Compare(a.Serial, b.Serial) })
	for chunk := range slices.Chunk(distinct, unitBatch) {
		if err := registerChunk(ctx, tx, now, chunk, done); err != nil {
			return err
		}
	}
	return nil
}

// checkReferences finds a unit that refers to nothing, to name it.
func checkReferences(ctx context.Context, tx pgx.Tx, units []*analytics.Unit) error {
	for _, kind := range []struct {
		name, sql string
		of        func(*analytics.Unit) string
	}{
		{"model", `SELECT name FROM model WHERE name = ANY ($1)`, func(u *analytics.Unit) string { return u.Model }},
		{"site", `SELECT name FROM site WHERE name = ANY ($1)`, func(u *analytics.Unit) string { return u.Site }},
		{"terms", `SELECT name FROM terms WHERE name = ANY ($1)`, func(u *analytics.Unit) string { return u.Terms }},
	} {
		used := map[string]bool{}
		for _, u := range units {
			used[kind.of(u)] = true
		}
		names := make([]string, 0, len(used))
		for name := range used {
			names = append(names, name)
		}
		known, err := column[string](ctx, tx, kind.sql, names)
		if err != nil {
			return fmt.Errorf("register units: %w", mapError(err))
		}
		for _, name := range known {
			delete(used, name)
		}
		if kind.name != "model" {
			delete(used, "") // a unit may have none
		}
		for _, u := range units {
			if name := kind.of(u); used[name] {
				return fmt.Errorf("register unit %s: %w: %s %q is not registered", u.Serial, analytics.ErrConflict, kind.name, name)
			}
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

func (c *unitColumns) add(u *analytics.Unit) {
	c.serials = append(c.serials, string(u.Serial))
	c.models = append(c.models, u.Model)
	c.stacks = append(c.stacks, u.Stack)
	c.sites = append(c.sites, u.Site)
	c.terms = append(c.terms, u.Terms)
	c.shipped = append(c.shipped, u.Shipped)
	c.commissioned = append(c.commissioned, u.Commissioned)
	c.positions = append(c.positions, int32(u.Position))
}

func (c *unitColumns) args() []any {
	return []any{c.serials, c.models, c.stacks, c.sites, c.shipped, c.commissioned, c.terms, c.positions}
}

// unitSource reads the arrays as rows.
const unitSource = `(
	SELECT serial, model, stack, nullif(site, '') AS site, shipped, commissioned, nullif(terms, '') AS terms, position
	FROM unnest($1::text[], $2::text[], $3::text[], $4::text[], $5::int[], $6::int[], $7::text[], $8::int[])
		AS x (serial, model, stack, site, shipped, commissioned, terms, position)
) AS n`

func registerChunk(ctx context.Context, tx pgx.Tx, now analytics.Instant, units []*analytics.Unit, done *Registered) error {
	known, err := lockRegistered(ctx, tx, units)
	if err != nil {
		return err
	}
	var added, changed unitColumns
	for _, u := range units {
		k, ok := known[u.Serial]
		switch {
		case !ok:
			added.add(u)
			done.NewUnits++
			done.NewSerials = append(done.NewSerials, u.Serial)
		case k.counted && k.model != u.Model:
			return fmt.Errorf("register unit %s: %w: its samples were counted as model %s", u.Serial, analytics.ErrConflict, k.model)
		default:
			changed.add(u)
		}
	}
	if len(added.serials) > 0 {
		if _, err := tx.Exec(ctx, `
			WITH added AS (
				INSERT INTO unit (serial, model, stack, site, shipped, commissioned, terms, position)
				SELECT n.* FROM `+unitSource+`
				RETURNING unit_id, stack, site, position),
			placed AS (
				INSERT INTO placement (unit_id, since, stack, site, position)
				SELECT unit_id, $9, stack, site, position FROM added)
			INSERT INTO unit_ledger (unit_id) SELECT unit_id FROM added`, append(added.args(), now)...); err != nil {
			return fmt.Errorf("register %d units: %w", len(added.serials), mapError(err))
		}
	}
	if len(changed.serials) == 0 {
		return nil
	}
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
				AND (u.model, u.stack, u.site, u.shipped, u.commissioned, u.terms, u.position) IS DISTINCT FROM
					(n.model, n.stack, n.site, n.shipped, n.commissioned, n.terms, n.position)
			RETURNING u.unit_id)
		UPDATE unit_standing s SET as_of = 0 FROM changed c WHERE s.unit_id = c.unit_id`, append(changed.args(), now)...); err != nil {
		return fmt.Errorf("update %d units: %w", len(changed.serials), mapError(err))
	}
	return nil
}

type registeredUnit struct {
	model   string
	counted bool
}

// lockRegistered finds those units that are registered and keeps their ledgers
// from being counted meanwhile.
func lockRegistered(ctx context.Context, tx pgx.Tx, units []*analytics.Unit) (map[analytics.Serial]registeredUnit, error) {
	serials := make([]string, len(units))
	for i, u := range units {
		serials[i] = string(u.Serial)
	}
	rows, err := tx.Query(ctx, `
		SELECT u.serial, u.model, l.newest_known IS NOT NULL
		FROM unit u JOIN unit_ledger l USING (unit_id)
		WHERE u.serial = ANY ($1)
		ORDER BY u.unit_id
		FOR NO KEY UPDATE OF u, l`, serials)
	if err != nil {
		return nil, fmt.Errorf("find registered units: %w", mapError(err))
	}
	known := map[analytics.Serial]registeredUnit{}
	var serial analytics.Serial
	var u registeredUnit
	if _, err := pgx.ForEachRow(rows, []any{&serial, &u.model, &u.counted}, func() error {
		known[serial] = u
		return nil
	}); err != nil {
		return nil, fmt.Errorf("find registered units: %w", mapError(err))
	}
	return known, nil
}
