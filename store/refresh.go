package store

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"fadeledger/analytics"
)

// standingBatch is how many units one refresh transaction takes.
const standingBatch = 500

// RefreshStandings computes anew where units stand: those whose ledger changed
// since, and those whose standing is older than maxAge. It returns how many
// rows it wrote.
func (db *DB) RefreshStandings(ctx context.Context, maxAge analytics.Millis) (int, error) {
	models, terms, err := db.Catalogue(ctx)
	if err != nil {
		return 0, fmt.Errorf("refresh standings: %w", err)
	}
	now := db.now()
	// All that are due are found at once: looking again for each batch would
	// join the whole fleet every time.
	due, err := column[int32](ctx, db.pool, `
		SELECT l.unit_id
		FROM unit_ledger l LEFT JOIN unit_standing s USING (unit_id)
		WHERE s.unit_id IS NULL OR s.ledger_at < l.changed_at OR s.as_of < $1
		ORDER BY l.unit_id`, now-analytics.Instant(maxAge))
	if err != nil {
		return 0, fmt.Errorf("refresh standings: %w", err)
	}
	total := 0
	for batch := range slices.Chunk(due, standingBatch) {
		n, err := db.refreshSome(ctx, batch, now, models, terms)
		if err != nil {
			return total, fmt.Errorf("refresh standings: %w", err)
		}
		total += n
	}
	return total, nil
}

// standingRow is a unit with its ledger as read for its standing.
type standingRow struct {
	id        int32
	unit      analytics.Unit
	state     []byte
	changedAt int64
}

// refreshSome refreshes some units.
func (db *DB) refreshSome(ctx context.Context, units []int32, now analytics.Instant, models map[string]*analytics.Model, terms map[string]*analytics.Terms) (int, error) {
	rows, err := db.pool.Query(ctx, `
		SELECT u.unit_id, u.serial, u.model, u.stack, coalesce(u.site, ''), u.shipped, u.commissioned,
			coalesce(u.terms, ''), u.position, l.state, l.changed_at
		FROM unit u
		JOIN unit_ledger l USING (unit_id)
		WHERE u.unit_id = ANY ($1)
		ORDER BY u.unit_id`, units)
	if err != nil {
		return 0, err
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (standingRow, error) {
		var r standingRow
		u := &r.unit
		err := row.Scan(&r.id, &u.Serial, &u.Model, &u.Stack, &u.Site, &u.Shipped, &u.Commissioned,
			&u.Terms, &u.Position, &r.state, &r.changedAt)
		return r, err
	})
	if err != nil {
		return 0, err
	}
	recounted := false
	for i := range list {
		if s := list[i].state; len(s) > 0 && s[0] != analytics.CounterVersion {
			recounted = true
			if err := db.freshen(ctx, list[i].unit.Serial); err != nil {
				return 0, err
			}
		}
	}
	if recounted {
		return db.refreshSome(ctx, units, now, models, terms)
	}
	var c standingColumns
	for i := range list {
		if err := c.add(&list[i], now, models, terms); err != nil {
			return 0, fmt.Errorf("unit %s: %w", list[i].unit.Serial, err)
		}
	}
	if len(list) == 0 {
		return 0, nil
	}
	if err := c.write(ctx, db.pool, now); err != nil {
		return 0, err
	}
	return len(list), nil
}

// standingColumns are standings as the arrays that a statement takes.
type standingColumns struct {
	ids               []int32
	ledgerAt, samples []int64
	first, last       []*int64
	charge, discharge []analytics.MicrowattHours
	efc, coverage     []float64
	spent, pace       []*float64
	governing, flags  []string
	endsOn            []*analytics.Day
	coldEpisodes      []int64
	coldCharge        []analytics.MicrowattHours
	coldest           []*int32
}

// add computes where a unit stands.
func (c *standingColumns) add(r *standingRow, now analytics.Instant, models map[string]*analytics.Model, terms map[string]*analytics.Terms) error {
	count, err := counterOf(r.state)
	if err != nil {
		return err
	}
	counter := &count
	m, t := models[r.unit.Model], terms[r.unit.Terms]
	s := analytics.StandingOf(r.unit, m, t, counter, now)
	var first, last *int64
	if counter.Samples() > 0 {
		f, l := int64(counter.First()), int64(counter.Last().Time)
		first, last = &f, &l
	}
	var spent, pace *float64
	var governing string
	var endsOn *analytics.Day
	if g := s.Governing; g != nil {
		spent, pace, governing, endsOn = &g.Spent, g.Pace, string(g.Measure), g.EndsOn
	}
	cold := counter.Tallies()[analytics.ColdCharge]
	var coldest *int32
	if cold.HasTemp {
		v := int32(cold.MinTemp)
		coldest = &v
	}
	flags := make([]string, len(s.Flags))
	for i, f := range s.Flags {
		flags[i] = string(f.Kind)
	}
	total := counter.Total()
	c.ids = append(c.ids, r.id)
	c.ledgerAt = append(c.ledgerAt, r.changedAt)
	c.samples = append(c.samples, counter.Samples())
	c.first, c.last = append(c.first, first), append(c.last, last)
	c.charge, c.discharge = append(c.charge, total.Charge), append(c.discharge, total.Discharge)
	c.efc = append(c.efc, analytics.EFC(orNone(m), t, total))
	c.coverage = append(c.coverage, s.Coverage)
	c.spent, c.pace = append(c.spent, spent), append(c.pace, pace)
	c.governing = append(c.governing, governing)
	c.flags = append(c.flags, strings.Join(flags, ","))
	c.endsOn = append(c.endsOn, endsOn)
	c.coldEpisodes = append(c.coldEpisodes, cold.Episodes)
	c.coldCharge = append(c.coldCharge, cold.Charge)
	c.coldest = append(c.coldest, coldest)
	return nil
}

func (c *standingColumns) write(ctx context.Context, pool *pgxpool.Pool, now analytics.Instant) error {
	_, err := pool.Exec(ctx, `
		INSERT INTO unit_standing (as_of, unit_id, ledger_at, samples, first_at, last_at, charge, discharge, efc,
			spent, pace, governing, ends_on, coverage, cold_episodes, cold_charge, coldest, flags)
		SELECT $1, unit_id, ledger_at, samples, first_at, last_at, charge, discharge, efc,
			spent, pace, governing, ends_on, coverage, cold_episodes, cold_charge, coldest, string_to_array(flags, ',')
		FROM unnest($2::int[], $3::bigint[], $4::bigint[], $5::bigint[], $6::bigint[], $7::bigint[], $8::bigint[], $9::float8[],
			$10::float8[], $11::float8[], $12::text[], $13::int[], $14::float8[], $15::bigint[], $16::bigint[], $17::int[], $18::text[])
			AS n (unit_id, ledger_at, samples, first_at, last_at, charge, discharge, efc,
				spent, pace, governing, ends_on, coverage, cold_episodes, cold_charge, coldest, flags)
		ON CONFLICT (unit_id) DO UPDATE SET
			as_of = EXCLUDED.as_of, ledger_at = EXCLUDED.ledger_at, samples = EXCLUDED.samples,
			first_at = EXCLUDED.first_at, last_at = EXCLUDED.last_at,
			charge = EXCLUDED.charge, discharge = EXCLUDED.discharge, efc = EXCLUDED.efc,
			spent = EXCLUDED.spent, pace = EXCLUDED.pace, governing = EXCLUDED.governing,
			ends_on = EXCLUDED.ends_on, coverage = EXCLUDED.coverage, cold_episodes = EXCLUDED.cold_episodes,
			cold_charge = EXCLUDED.cold_charge, coldest = EXCLUDED.coldest, flags = EXCLUDED.flags`,
		now, c.ids, c.ledgerAt, c.samples, c.first, c.last, c.charge, c.discharge, c.efc,
		c.spent, c.pace, c.governing, c.endsOn, c.coverage, c.coldEpisodes, c.coldCharge, c.coldest, c.flags)
	return err
}
