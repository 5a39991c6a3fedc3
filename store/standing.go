package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

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
	total := 0
	now := db.now()
	after := int32(0)
	for {
		n, last, err := db.refreshSome(ctx, after, now, now-analytics.Instant(maxAge), models, terms)
		if err != nil {
			return total, fmt.Errorf("refresh standings: %w", err)
		}
		total += n
		if n < standingBatch {
			return total, nil
		}
		after = last
	}
}

// standingRow is a unit with its ledger as read for its standing.
type standingRow struct {
	id        int32
	unit      analytics.Unit
	state     []byte
	changedAt int64
}

// refreshSome refreshes the next units after one, and gives the last of them.
func (db *DB) refreshSome(ctx context.Context, after int32, now, oldest analytics.Instant, models map[string]*analytics.Model, terms map[string]*analytics.Terms) (n int, last int32, err error) {
	rows, err := db.pool.Query(ctx, `
		SELECT u.unit_id, u.serial, u.model, u.stack, coalesce(u.site, ''), u.shipped, u.commissioned,
			coalesce(u.terms, ''), u.position, l.state, l.changed_at
		FROM unit u
		JOIN unit_ledger l USING (unit_id)
		LEFT JOIN unit_standing s USING (unit_id)
		WHERE u.unit_id > $3 AND (s.unit_id IS NULL OR s.ledger_at < l.changed_at OR s.as_of < $1)
		ORDER BY u.unit_id
		LIMIT $2`, oldest, standingBatch, after)
	if err != nil {
		return 0, 0, err
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (standingRow, error) {
		var r standingRow
		u := &r.unit
		err := row.Scan(&r.id, &u.Serial, &u.Model, &u.Stack, &u.Site, &u.Shipped, &u.Commissioned,
			&u.Terms, &u.Position, &r.state, &r.changedAt)
		return r, err
	})
	if err != nil {
		return 0, 0, err
	}
	recounted := false
	for i := range list {
		if isStale(list[i].state) {
			recounted = true
			if err := db.recountStale(ctx, list[i].id); err != nil {
				return 0, 0, fmt.Errorf("unit %s: %w", list[i].unit.Serial, err)
			}
		}
	}
	if recounted {
		return db.refreshSome(ctx, after, now, oldest, models, terms)
	}
	b := &pgx.Batch{}
	for i := range list {
		if err := queueStanding(b, &list[i], now, models, terms); err != nil {
			return 0, 0, fmt.Errorf("unit %s: %w", list[i].unit.Serial, err)
		}
	}
	if b.Len() == 0 {
		return 0, 0, nil
	}
	if err := db.pool.SendBatch(ctx, b).Close(); err != nil {
		return 0, 0, err
	}
	return len(list), list[len(list)-1].id, nil
}

func queueStanding(b *pgx.Batch, r *standingRow, now analytics.Instant, models map[string]*analytics.Model, terms map[string]*analytics.Terms) error {
	var w unitWork
	if err := w.readState(r.state); err != nil {
		return err
	}
	c := &w.counter
	m, t := models[r.unit.Model], terms[r.unit.Terms]
	s := analytics.StandingOf(r.unit, m, t, c, now)
	var first, last *int64
	if c.Samples() > 0 {
		f, l := int64(c.First()), int64(c.Last().Time)
		first, last = &f, &l
	}
	var spent, pace *float64
	var governing string
	var endsOn *analytics.Day
	if g := s.Governing; g != nil {
		spent, pace, governing, endsOn = &g.Spent, g.Pace, string(g.Measure), g.EndsOn
	}
	cold := c.Tallies()[analytics.ColdCharge]
	var coldest *int32
	if cold.HasTemp {
		v := int32(cold.MinTemp)
		coldest = &v
	}
	flags := make([]string, len(s.Flags))
	for i, f := range s.Flags {
		flags[i] = string(f.Kind)
	}
	total := c.Total()
	b.Queue(`
		INSERT INTO unit_standing (unit_id, as_of, ledger_at, samples, first_at, last_at, charge, discharge, efc,
			spent, pace, governing, ends_on, coverage, cold_episodes, cold_charge, coldest, flags)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18)
		ON CONFLICT (unit_id) DO UPDATE SET
			as_of = EXCLUDED.as_of, ledger_at = EXCLUDED.ledger_at, samples = EXCLUDED.samples,
			first_at = EXCLUDED.first_at, last_at = EXCLUDED.last_at,
			charge = EXCLUDED.charge, discharge = EXCLUDED.discharge, efc = EXCLUDED.efc,
			spent = EXCLUDED.spent, pace = EXCLUDED.pace, governing = EXCLUDED.governing,
			ends_on = EXCLUDED.ends_on, coverage = EXCLUDED.coverage, cold_episodes = EXCLUDED.cold_episodes,
			cold_charge = EXCLUDED.cold_charge, coldest = EXCLUDED.coldest, flags = EXCLUDED.flags`,
		r.id, now, r.changedAt, c.Samples(), first, last, total.Charge, total.Discharge, analytics.EFC(orNone(m), t, total),
		spent, pace, governing, endsOn, s.Coverage, cold.Episodes, cold.Charge, coldest, flags)
	return nil
}

// orNone stands in for a model that is not registered.
func orNone(m *analytics.Model) *analytics.Model {
	if m == nil {
		return &analytics.Model{}
	}
	return m
}

// Unit gives everything about a unit as of now; ErrNotFound for a serial that
// is not registered.
func (db *DB) Unit(ctx context.Context, serial analytics.Serial) (analytics.UnitReport, error) {
	report, err := db.unit(ctx, serial)
	if errors.Is(err, analytics.ErrStateVersion) {
		if err = db.freshen(ctx, serial); err == nil {
			report, err = db.unit(ctx, serial)
		}
	}
	if err != nil {
		return report, fmt.Errorf("load unit %s: %w", serial, mapError(err))
	}
	return report, nil
}

func (db *DB) unit(ctx context.Context, serial analytics.Serial) (r analytics.UnitReport, err error) {
	// One snapshot, so that excursions, days and state are of one moment.
	tx, err := db.pool.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return r, err
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	var (
		id                int32
		u                 = &r.Unit
		state             []byte
		site, model, term []byte
		v                 analytics.Versions
	)
	err = tx.QueryRow(ctx, `
		SELECT u.unit_id, u.serial, u.model, u.stack, coalesce(u.site, ''), u.shipped, u.commissioned,
			coalesce(u.terms, ''), u.position, l.state, l.duplicates, l.conflicts, l.superseded,
			s.definition, m.definition, t.definition,
			(SELECT coalesce(sum(q.rows), 0) FROM quarantine q WHERE q.serial = u.serial AND q.released_at IS NULL)
				+ (SELECT count(*) FROM sample_other o WHERE o.unit_id = u.unit_id AND o.disputed)
		FROM unit u
		JOIN unit_ledger l USING (unit_id)
		JOIN model m ON m.name = u.model
		LEFT JOIN site s ON s.name = u.site
		LEFT JOIN terms t ON t.name = u.terms
		WHERE u.serial = $1`, serial).Scan(
		&id, &u.Serial, &u.Model, &u.Stack, &u.Site, &u.Shipped, &u.Commissioned,
		&u.Terms, &u.Position, &state, &v.Duplicates, &v.Conflicts, &v.Superseded,
		&site, &model, &term, &r.Quarantined)
	if err != nil {
		return r, err
	}
	if r.Site, err = definition[analytics.Site](site); err != nil {
		return r, err
	}
	if r.Model, err = definition[analytics.Model](model); err != nil {
		return r, err
	}
	if r.Terms, err = definition[analytics.Terms](term); err != nil {
		return r, err
	}
	w := unitWork{serial: serial}
	if err := w.readState(state); err != nil {
		return r, err
	}
	if w.stale {
		return r, analytics.ErrStateVersion
	}
	excursions, err := loadExcursions(ctx, tx, id)
	if err != nil {
		return r, err
	}
	events, err := loadEvents(ctx, tx, id)
	if err != nil {
		return r, err
	}
	r.Ledger = analytics.LedgerOf(r.Model, r.Terms, &w.counter, excursions, events, v)
	r.Ledger.Unit = u.Serial
	r.Standing = analytics.StandingOf(r.Unit, r.Model, r.Terms, &w.counter, db.now())
	r.Tallies = w.counter.Tallies()
	r.Recounts, err = loadRecounts(ctx, tx, id)
	return r, err
}

// definition reads a definition that may be absent.
func definition[T any](b []byte) (*T, error) {
	if b == nil {
		return nil, nil
	}
	v := new(T)
	if err := json.Unmarshal(b, v); err != nil {
		return nil, err
	}
	return v, nil
}

func loadExcursions(ctx context.Context, q querier, unit int32) ([]analytics.Excursion, error) {
	rows, err := q.Query(ctx, `
		SELECT start_at, kind, end_at, samples, min_temp, max_temp, peak, allowed, charge, discharge, ending
		FROM excursion WHERE unit_id = $1 ORDER BY start_at, kind`, unit)
	if err != nil {
		return nil, fmt.Errorf("read excursions: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Excursion, error) {
		var x analytics.Excursion
		var low, high *int32
		var kind, ending int16
		err := row.Scan(&x.Start, &kind, &x.End, &x.Samples, &low, &high, &x.Peak, &x.AllowedAtPeak, &x.Charge, &x.Discharge, &ending)
		x.Kind, x.Ending = analytics.ExcursionKind(kind), analytics.Ending(ending)
		if low != nil && high != nil {
			x.HasTemp, x.MinTemp, x.MaxTemp = true, analytics.CentiCelsius(*low), analytics.CentiCelsius(*high)
		}
		return x, err
	})
}

func loadEvents(ctx context.Context, q querier, unit int32) ([]analytics.Event, error) {
	rows, err := q.Query(ctx, `SELECT kind, at, field FROM unit_event WHERE unit_id = $1 ORDER BY at, field`, unit)
	if err != nil {
		return nil, fmt.Errorf("read events: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Event, error) {
		var e analytics.Event
		err := row.Scan(&e.Kind, &e.At, &e.Field)
		return e, err
	})
}

func loadRecounts(ctx context.Context, q querier, unit int32) ([]analytics.Recount, error) {
	rows, err := q.Query(ctx, `
		SELECT at, from_at, reason FROM recount WHERE unit_id = $1 ORDER BY recount_id DESC LIMIT 20`, unit)
	if err != nil {
		return nil, fmt.Errorf("read recounts: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Recount, error) {
		var r analytics.Recount
		err := row.Scan(&r.At, &r.From, &r.Reason)
		return r, err
	})
}

// unitID finds the number of a serial; ErrNotFound if it is not registered.
func (db *DB) unitID(ctx context.Context, serial analytics.Serial) (int32, error) {
	var id int32
	if err := db.pool.QueryRow(ctx, `SELECT unit_id FROM unit WHERE serial = $1`, serial).Scan(&id); err != nil {
		return 0, fmt.Errorf("find unit %s: %w", serial, mapError(err))
	}
	return id, nil
}

// Days gives the days of a unit in [from, to), the open one included.
func (db *DB) Days(ctx context.Context, serial analytics.Serial, from, to analytics.Day) ([]analytics.DayCount, error) {
	days, err := db.days(ctx, serial, from, to)
	if errors.Is(err, analytics.ErrStateVersion) {
		if err = db.freshen(ctx, serial); err == nil {
			days, err = db.days(ctx, serial, from, to)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("read days of unit %s: %w", serial, mapError(err))
	}
	return days, nil
}

func (db *DB) days(ctx context.Context, serial analytics.Serial, from, to analytics.Day) ([]analytics.DayCount, error) {
	// The state, with the open day, and the complete days are read by one
	// statement: a day that is completed meanwhile is neither missed nor seen
	// twice.
	rows, err := db.pool.Query(ctx, `
		SELECT NULL AS day, l.state FROM unit u JOIN unit_ledger l USING (unit_id) WHERE u.serial = $1
		UNION ALL
		SELECT d.day, d.detail FROM unit u JOIN unit_day d USING (unit_id)
		WHERE u.serial = $1 AND d.day >= $2 AND d.day < $3
		ORDER BY day NULLS FIRST`, serial, from, to)
	if err != nil {
		return nil, err
	}
	days := []analytics.DayCount{}
	w := unitWork{serial: serial}
	missing := true
	var day *analytics.Day
	var b []byte
	_, err = pgx.ForEachRow(rows, []any{&day, (*pgtype.DriverBytes)(&b)}, func() error {
		if day != nil {
			days = append(days, analytics.DayCount{})
			return days[len(days)-1].UnmarshalBinary(b)
		}
		missing = false
		if err := w.readState(b); err != nil {
			return err
		}
		if w.stale {
			return analytics.ErrStateVersion
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if missing {
		return nil, analytics.ErrNotFound
	}
	if d, ok := w.counter.Today(); ok && d.Day >= from && d.Day < to {
		days = append(days, d)
	}
	return days, nil
}

// Samples calls yield with the counting samples of a unit in [from, to) in
// order of time.
func (db *DB) Samples(ctx context.Context, serial analytics.Serial, from, to analytics.Instant, yield func(analytics.Sample) error) error {
	id, err := db.unitID(ctx, serial)
	if err != nil {
		return err
	}
	if err := eachSample(ctx, db.pool, id, from, to, yield); err != nil {
		return fmt.Errorf("unit %s: %w", serial, err)
	}
	return nil
}
