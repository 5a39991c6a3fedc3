package store

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"fadeledger/analytics"
	"fadeledger/store/block"
)

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
	report, err := fresh(ctx, db, serial, func(ctx context.Context) (analytics.UnitReport, error) { return db.unit(ctx, serial) })
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
	counter, err := counterOf(state)
	if err != nil {
		return r, err
	}
	excursions, err := loadExcursions(ctx, tx, id)
	if err != nil {
		return r, err
	}
	events, err := loadEvents(ctx, tx, id)
	if err != nil {
		return r, err
	}
	r.Ledger = analytics.LedgerOf(r.Model, r.Terms, &counter, excursions, events, v)
	r.Ledger.Unit = u.Serial
	r.Standing = analytics.StandingOf(r.Unit, r.Model, r.Terms, &counter, db.now())
	r.Tallies = counter.Tallies()
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
		SELECT at, from_at, reason, days FROM recount WHERE unit_id = $1 ORDER BY recount_id DESC LIMIT 20`, unit)
	if err != nil {
		return nil, fmt.Errorf("read recounts: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Recount, error) {
		var r analytics.Recount
		err := row.Scan(&r.At, &r.From, &r.Reason, &r.Days)
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
	days, err := fresh(ctx, db, serial, func(ctx context.Context) ([]analytics.DayCount, error) { return db.days(ctx, serial) })
	if err != nil {
		return nil, fmt.Errorf("read days of unit %s: %w", serial, mapError(err))
	}
	byDay := func(d analytics.DayCount, at analytics.Day) int { return cmp.Compare(d.Day, at) }
	i, _ := slices.BinarySearchFunc(days, from, byDay)
	j, _ := slices.BinarySearchFunc(days, to, byDay)
	return days[i:max(i, j)], nil
}

// days joins all days of a unit: what a day closes depends on those before it.
func (db *DB) days(ctx context.Context, serial analytics.Serial) ([]analytics.DayCount, error) {
	// The state, with the open day, and the complete days are read by one
	// statement: a day that is completed meanwhile is neither missed nor seen
	// twice.
	rows, err := db.pool.Query(ctx, `
		SELECT NULL AS day, l.state FROM unit u JOIN unit_ledger l USING (unit_id) WHERE u.serial = $1
		UNION ALL
		SELECT d.day, d.detail FROM unit u JOIN unit_day d USING (unit_id) WHERE u.serial = $1
		ORDER BY day NULLS FIRST`, serial)
	if err != nil {
		return nil, err
	}
	var days []analytics.Segment
	var counter analytics.Counter
	missing := true
	var day *analytics.Day
	var b []byte
	_, err = pgx.ForEachRow(rows, []any{&day, (*pgtype.DriverBytes)(&b)}, func() (err error) {
		if day != nil {
			days = append(days, analytics.Segment{})
			return days[len(days)-1].UnmarshalBinary(b)
		}
		missing = false
		counter, err = counterOf(b)
		return err
	})
	if err != nil {
		return nil, err
	}
	if missing {
		return nil, analytics.ErrNotFound
	}
	if d, ok := counter.Today(); ok {
		days = append(days, d)
	}
	return analytics.DaysOf(days), nil
}

// Samples calls yield with the counting samples of a unit in [from, to) in
// order of time. It holds no connection while yield works, so that a slow
// reader slows nobody else; what is counted meanwhile may or may not be there.
func (db *DB) Samples(ctx context.Context, serial analytics.Serial, from, to analytics.Instant, yield func(analytics.Sample) error) error {
	id, err := db.unitID(ctx, serial)
	if err != nil {
		return err
	}
	var packer block.Packer
	var buffer []analytics.Sample
	for from < to {
		// CollectRows tells the error of a query that failed.
		rows, _ := db.pool.Query(ctx, piecesQuery+` LIMIT 32`, pieceArgs(id, from, to)...)
		pieces, err := pgx.CollectRows(rows, pgx.RowToStructByPos[piece])
		if err != nil {
			return fmt.Errorf("read samples of unit %s: %w", serial, err)
		}
		if len(pieces) == 0 {
			return nil
		}
		for _, p := range pieces {
			if buffer, err = packer.Unpack(buffer[:0], p.Body); err != nil {
				return fmt.Errorf("read samples of unit %s: %w", serial, err)
			}
			if err := within(buffer, from, to, yield); err != nil {
				return err
			}
		}
		from = analytics.Instant(pieces[len(pieces)-1].T1) + 1
	}
	return nil
}
