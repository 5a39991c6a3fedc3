package store

import (
	"bytes"
	"context"
	"fmt"
	"reflect"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// inSnapshot runs fn on one moment of the database, which it cannot change.
func (db *DB) inSnapshot(ctx context.Context, fn func(tx pgx.Tx) error) error {
	return pgx.BeginTxFunc(ctx, db.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, fn)
}

// Balance adds up the books: whatever was read is accounted for, by collector,
// and the ledgers of the units hold every version that was taken in. It looks
// at one moment, whatever is counted meanwhile.
func (db *DB) Balance(ctx context.Context) (analytics.Balance, error) {
	b := analytics.Balance{AsOf: db.now()}
	err := db.inSnapshot(ctx, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `
			SELECT c.name, c.read, c.accepted + c.duplicates + c.disputed + c.superseded + c.quarantined,
				c.quarantined, coalesce(q.rows, 0)
			FROM collector c
			LEFT JOIN (
				SELECT collector, sum(rows)::bigint AS rows FROM quarantine WHERE released_at IS NULL GROUP BY collector
			) q ON q.collector = c.name
			ORDER BY c.name`)
		if err != nil {
			return err
		}
		var name string
		var read, told, quarantined, held int64
		if _, err := pgx.ForEachRow(rows, []any{&name, &read, &told, &quarantined, &held}, func() error {
			b.Collectors++
			b.Rows += read
			if read != told {
				b.Differ("collector %s: %d rows were read, and %d accounted for", name, read, told)
			}
			if quarantined != held {
				b.Differ("collector %s: %d rows are said to be in quarantine, and %d are there", name, quarantined, held)
			}
			return nil
		}); err != nil {
			return err
		}
		if err := tx.QueryRow(ctx, `
			SELECT (SELECT coalesce(sum(accepted + disputed + superseded), 0)::bigint FROM collector),
				coalesce(sum(versions), 0)::bigint, coalesce(sum(samples), 0)::bigint,
				(SELECT count(*) FROM sample_other)
			FROM unit_ledger`).Scan(&b.Taken, &b.Known, &b.Counting, &b.Others); err != nil {
			return err
		}
		if b.Taken != b.Known {
			b.Differ("%d versions of samples were taken in, and the units know %d", b.Taken, b.Known)
		}
		return nil
	})
	if err != nil {
		return b, fmt.Errorf("add up the books: %w", err)
	}
	return b, nil
}

// Recheck counts units again from the samples that are kept, starting behind
// the unit after, and compares everything that is stored of them. It changes
// nothing. It gives what differs, and the unit to go on behind; 0 at the end of
// the fleet.
func (db *DB) Recheck(ctx context.Context, after int32, limit int) (differences []analytics.Difference, next int32, err error) {
	units, err := column[int32](ctx, db.pool, `SELECT unit_id FROM unit_ledger WHERE unit_id > $1 ORDER BY unit_id LIMIT $2`, after, limit)
	if err != nil {
		return nil, after, fmt.Errorf("recheck units: %w", err)
	}
	for _, id := range units {
		d, err := db.recheck(ctx, id)
		if err != nil {
			return differences, after, fmt.Errorf("recheck unit %d: %w", id, err)
		}
		if d != nil {
			differences = append(differences, *d)
		}
		after = id
	}
	if len(units) < limit {
		after = 0
	}
	return differences, after, nil
}

func (db *DB) recheck(ctx context.Context, id int32) (*analytics.Difference, error) {
	var found *analytics.Difference
	err := db.inSnapshot(ctx, func(tx pgx.Tx) error {
		var serial analytics.Serial
		var modelName string
		var state []byte
		var samples int64
		if err := tx.QueryRow(ctx, `
			SELECT u.serial, u.model, l.state, l.samples FROM unit u JOIN unit_ledger l USING (unit_id) WHERE unit_id = $1`, id).
			Scan(&serial, &modelName, &state, &samples); err != nil {
			return err
		}
		if len(state) == 0 || state[0] != analytics.CounterVersion {
			return nil // nothing is counted, or it is about to be counted anew
		}
		models, err := loadModels(ctx, tx, map[string]bool{modelName: true})
		if err != nil {
			return err
		}
		var a analytics.Account
		if err := eachSample(ctx, tx, id, -1<<62, 1<<62, func(s analytics.Sample) error {
			a.Counter.Step(models[modelName], s, &a.Effects)
			return nil
		}); err != nil {
			return err
		}
		what, err := differsFrom(ctx, tx, id, &a, state, samples)
		if err == nil && what != "" {
			found = &analytics.Difference{Serial: serial, What: what}
		}
		return err
	})
	return found, err
}

// differsFrom says how what is stored of a unit differs from a count, empty
// when it does not.
func differsFrom(ctx context.Context, tx pgx.Tx, id int32, a *analytics.Account, state []byte, samples int64) (string, error) {
	want, err := a.Counter.AppendBinary(nil)
	if err != nil {
		return "", err
	}
	if a.Counter.Samples() != samples {
		return fmt.Sprintf("%d samples are kept, the ledger says %d", a.Counter.Samples(), samples), nil
	}
	if !bytes.Equal(want, state) {
		return "the stored state is not that of its samples", nil
	}
	rows, err := tx.Query(ctx, `SELECT detail FROM unit_day WHERE unit_id = $1 ORDER BY day`, id)
	if err != nil {
		return "", err
	}
	days, err := collectSegments(rows)
	if err != nil {
		return "", err
	}
	if !reflect.DeepEqual(analytics.DaysOf(days), analytics.DaysOf(a.Days)) {
		return fmt.Sprintf("the %d stored days are not those of its samples", len(days)), nil
	}
	excursions, err := loadExcursions(ctx, tx, id)
	if err != nil {
		return "", err
	}
	events, err := loadEvents(ctx, tx, id)
	if err != nil {
		return "", err
	}
	// A ledger orders both, as the rows are ordered.
	l := analytics.LedgerOf(&analytics.Model{}, nil, &analytics.Counter{}, a.Excursions, a.Events, analytics.Versions{})
	k := analytics.LedgerOf(&analytics.Model{}, nil, &analytics.Counter{}, excursions, events, analytics.Versions{})
	switch {
	case !reflect.DeepEqual(l.Excursions, k.Excursions):
		return fmt.Sprintf("the %d stored excursions are not those of its samples", len(excursions)), nil
	case !reflect.DeepEqual(l.Events, k.Events):
		return fmt.Sprintf("the %d stored events are not those of its samples", len(events)), nil
	}
	return "", nil
}
