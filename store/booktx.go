package store

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"fadeledger/analytics"
	"fadeledger/store/book"
)

// Lock locks ledgers in ascending order, so that two workers cannot block each
// other.
func (t *bookTx) Lock(ctx context.Context, serials []analytics.Serial) ([]book.Unit, error) {
	rows, err := t.tx.Query(ctx, `
		SELECT u.unit_id, u.serial, u.model, u.bound, l.state, l.newest_known, l.duplicates, l.conflicts, l.superseded
		FROM unit u
		JOIN unit_ledger l USING (unit_id)
		WHERE u.serial = ANY ($1)
		ORDER BY u.unit_id
		FOR UPDATE OF l`, serials)
	if err != nil {
		return nil, fmt.Errorf("lock units: %w", err)
	}
	units := make([]book.Unit, 0, len(serials))
	names := make([]string, 0, len(serials))
	models := map[string]bool{}
	var u book.Unit
	var model string
	var state []byte // valid until the next row
	_, err = pgx.ForEachRow(rows, []any{&u.ID, &u.Serial, &model, &u.Bound, (*pgtype.DriverBytes)(&state), &u.Newest,
		&u.Duplicates, &u.Conflicts, &u.Superseded}, func() error {
		// All states lie one behind the other in one buffer.
		from := len(t.states)
		t.states = append(t.states, state...)
		u.State = t.states[from:len(t.states):len(t.states)]
		units, names = append(units, u), append(names, model)
		u.Newest, u.Bound = nil, nil // scanning must not write into what was given away
		models[model] = true
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("lock units: %w", err)
	}
	byName, err := loadModels(ctx, t.tx, models)
	if err != nil {
		return nil, err
	}
	for i := range units {
		units[i].Model = byName[names[i]]
	}
	return units, nil
}

// Rules reads what collectors are held to. It is one small query and no cache:
// what an operator sets holds from the next transaction on, in every worker.
func (t *bookTx) Rules(ctx context.Context, collectors []string) (map[string]book.Rule, error) {
	rows, err := t.tx.Query(ctx, `
		SELECT name, taking, prefixes FROM collector WHERE name = ANY ($1) AND taking IN ('bound', 'first-come')`, collectors)
	if err != nil {
		return nil, fmt.Errorf("read what collectors may deliver: %w", err)
	}
	var rules map[string]book.Rule
	var name string
	var r book.Rule
	if _, err := pgx.ForEachRow(rows, []any{&name, &r.Taking, &r.Prefixes}, func() error {
		if rules == nil {
			rules = map[string]book.Rule{}
		}
		rules[name] = r
		r.Prefixes = nil // scanning must not write into what was given away
		return nil
	}); err != nil {
		return nil, fmt.Errorf("read what collectors may deliver: %w", err)
	}
	return rules, nil
}

// Recorded finds deliveries by their place in the stream and their bytes.
func (t *bookTx) Recorded(ctx context.Context, places []book.Place) (map[book.Place]analytics.DeliveryTally, error) {
	byStream := map[string][]int64{}
	for _, p := range places {
		byStream[p.Stream] = append(byStream[p.Stream], int64(p.Sequence))
	}
	recorded := map[book.Place]analytics.DeliveryTally{}
	for stream, sequences := range byStream {
		rows, err := t.tx.Query(ctx, `
			SELECT sequence, hash, read, accepted, duplicates, disputed, superseded, quarantined
			FROM delivery
			WHERE stream_id = $1 AND sequence = ANY ($2)`, t.db.cachedStream(stream), sequences)
		if err != nil {
			return nil, fmt.Errorf("find recorded deliveries: %w", err)
		}
		var sequence int64
		var hash []byte
		var x analytics.DeliveryTally
		_, err = pgx.ForEachRow(rows, []any{&sequence, &hash, &x.Read, &x.Accepted, &x.Duplicates, &x.Disputed, &x.Superseded, &x.Quarantined}, func() error {
			recorded[book.Place{Stream: stream, Sequence: uint64(sequence), Hash: [16]byte(hash)}] = x
			return nil
		})
		if err != nil {
			return nil, fmt.Errorf("find recorded deliveries: %w", err)
		}
	}
	return recorded, nil
}

// Samples reads both tiers.
func (t *bookTx) Samples(ctx context.Context, unit int32, from, to analytics.Instant, yield func(analytics.Sample) error) error {
	return eachSample(ctx, t.tx, unit, from, to, yield)
}

// Others reads the versions that do not count.
func (t *bookTx) Others(ctx context.Context, unit int32, from, to analytics.Instant) ([]analytics.Version, error) {
	list, err := loadOthers(ctx, t.tx, unit, from, to)
	if err != nil {
		return nil, fmt.Errorf("read other versions: %w", err)
	}
	return list, nil
}

func loadOthers(ctx context.Context, q querier, unit int32, from, to analytics.Instant) ([]analytics.Version, error) {
	rows, err := q.Query(ctx, `
		SELECT body, disputed, coalesce(collector, ''), coalesce(sequence, 0), coalesce(line, 0), coalesce(stored_at, 0)
		FROM sample_other WHERE unit_id = $1 AND at >= $2 AND at < $3 ORDER BY at, other_id`, unit, from, to)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, scanVersion)
}

// Days reads the complete days.
func (t *bookTx) Days(ctx context.Context, unit int32) ([]analytics.Segment, error) {
	rows, err := t.tx.Query(ctx, `SELECT detail FROM unit_day WHERE unit_id = $1 ORDER BY day`, unit)
	if err != nil {
		return nil, fmt.Errorf("read days: %w", err)
	}
	list, err := collectSegments(rows)
	if err != nil {
		return nil, fmt.Errorf("read days: %w", err)
	}
	return list, nil
}

func collectSegments(rows pgx.Rows) ([]analytics.Segment, error) {
	var list []analytics.Segment
	var b []byte
	_, err := pgx.ForEachRow(rows, []any{(*pgtype.DriverBytes)(&b)}, func() error {
		list = append(list, analytics.Segment{})
		return list[len(list)-1].UnmarshalBinary(b)
	})
	return list, err
}

// DayBefore reads one complete day.
func (t *bookTx) DayBefore(ctx context.Context, unit int32, day analytics.Day) (*analytics.Segment, error) {
	var b []byte
	err := t.tx.QueryRow(ctx, `SELECT detail FROM unit_day WHERE unit_id = $1 AND day < $2 ORDER BY day DESC LIMIT 1`, unit, day).Scan(&b)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	g := &analytics.Segment{}
	if err == nil {
		err = g.UnmarshalBinary(b)
	}
	if err != nil {
		return nil, fmt.Errorf("read the day before: %w", err)
	}
	return g, nil
}

// Corrections reads corrections with their samples.
func (t *bookTx) Corrections(ctx context.Context, unit int32, from, to analytics.Instant) ([]analytics.Correction, error) {
	rows, err := t.tx.Query(ctx, correctionQuery+`
		WHERE unit_id = $1 AND from_at < $3 AND to_at > $2 ORDER BY correction_id`, unit, from, to)
	if err != nil {
		return nil, fmt.Errorf("read corrections: %w", err)
	}
	list, err := pgx.CollectRows(rows, scanCorrection)
	if err != nil {
		return nil, fmt.Errorf("read corrections: %w", err)
	}
	return list, nil
}

// Release marks rows as released.
func (t *bookTx) Release(ctx context.Context, ids []int64, at analytics.Instant) (map[string]int64, error) {
	rows, err := t.tx.Query(ctx, `
		UPDATE quarantine SET released_at = $2
		WHERE quarantine_id = ANY ($1) AND released_at IS NULL
		RETURNING collector, rows`, ids, at)
	if err != nil {
		return nil, fmt.Errorf("release quarantined rows: %w", err)
	}
	back := map[string]int64{}
	var collector string
	var n int64
	found := 0
	if _, err := pgx.ForEachRow(rows, []any{&collector, &n}, func() error {
		back[collector] += n
		found++
		return nil
	}); err != nil {
		return nil, fmt.Errorf("release quarantined rows: %w", err)
	}
	slices.Sort(ids)
	if found != len(slices.Compact(ids)) {
		return nil, fmt.Errorf("release quarantined rows: %w: some were released meanwhile", analytics.ErrConflict)
	}
	return back, nil
}
