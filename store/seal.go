package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store/book"
)

// sealUnits is how many units one sealing transaction locks.
const sealUnits = 200

// Sealed says what sealing did.
type Sealed struct {
	// Hours are unit-hours moved from runs to blocks, Days unit-days whose
	// blocks became one, Partitions run partitions that were dropped.
	Hours, Days, Partitions int
}

// Seal moves the runs of hours that ended before now − settle into blocks,
// joins the blocks of days that ended before it into one block a day, and drops
// the partitions that are empty then. It changes where samples are kept and
// nothing else.
func (db *DB) Seal(ctx context.Context, settle time.Duration) (Sealed, error) {
	before := db.now() - analytics.Instant(settle.Milliseconds())
	var done Sealed
	for {
		n, err := db.sealRuns(ctx, hourOf(before))
		if err != nil {
			return done, fmt.Errorf("seal runs: %w", err)
		}
		if done.Hours += n; n == 0 {
			break
		}
	}
	for {
		n, err := db.sealDays(ctx, before.Day())
		if err != nil {
			return done, fmt.Errorf("seal days: %w", err)
		}
		if done.Days += n; n == 0 {
			break
		}
	}
	n, err := db.dropPartitions(ctx, before.Day()-hotDays)
	done.Partitions = n
	if err != nil {
		return done, fmt.Errorf("drop sealed partitions: %w", err)
	}
	return done, nil
}

// sealRuns moves the runs of some units in hours before the given one.
func (db *DB) sealRuns(ctx context.Context, before int32) (int, error) {
	moved := 0
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		units, err := column[int32](ctx, tx, `
			SELECT DISTINCT unit_id FROM sample_run WHERE hour < $1 ORDER BY 1 LIMIT $2`, before, sealUnits)
		if err != nil || len(units) == 0 {
			return err
		}
		if err := lockLedgers(ctx, tx, units); err != nil {
			return err
		}
		d := &desk{}
		if err := d.moveRuns(ctx, tx, units, before, &moved); err != nil {
			return err
		}
		return d.sendBlocks(ctx, tx)
	})
	return moved, err
}

// lockLedgers keeps units from being counted meanwhile.
func lockLedgers(ctx context.Context, tx pgx.Tx, units []int32) error {
	if _, err := tx.Exec(ctx, `SELECT FROM unit_ledger WHERE unit_id = ANY ($1) ORDER BY unit_id FOR UPDATE`, units); err != nil {
		return fmt.Errorf("lock units: %w", err)
	}
	return nil
}

func (d *desk) sendBlocks(ctx context.Context, tx pgx.Tx) error {
	return d.rows[toBlocks].send(ctx, tx, copyTargets[toBlocks].table, copyTargets[toBlocks].columns)
}

// moveRuns joins the runs of each unit and hour into a block.
func (d *desk) moveRuns(ctx context.Context, tx pgx.Tx, units []int32, before int32, moved *int) error {
	rows, err := tx.Query(ctx, `
		WITH gone AS (
			DELETE FROM sample_run WHERE hour < $1 AND unit_id = ANY ($2)
			RETURNING unit_id, hour, t0, body)
		SELECT unit_id, hour, body FROM gone ORDER BY unit_id, t0`, before, units)
	if err != nil {
		return err
	}
	var unit, hour, lastUnit, lastHour int32
	var body []byte
	var samples []analytics.Sample
	flush := func() {
		if len(samples) > 0 {
			d.block(lastUnit, samples, false)
			samples = samples[:0]
			*moved++
		}
	}
	_, err = pgx.ForEachRow(rows, []any{&unit, &hour, &body}, func() error {
		if unit != lastUnit || hour != lastHour {
			flush()
			lastUnit, lastHour = unit, hour
		}
		samples, err = d.packer.Unpack(samples, body)
		return err
	})
	flush()
	return err
}

// sealDays joins the open blocks of some unit-days before the given day.
func (db *DB) sealDays(ctx context.Context, before analytics.Day) (int, error) {
	joined := 0
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `
			SELECT DISTINCT unit_id, t0 / 86400000
			FROM sample_block
			WHERE NOT sealed AND t0 / 86400000 < $1
			ORDER BY 2, 1
			LIMIT $2`, int64(before), sealUnits)
		if err != nil {
			return err
		}
		var days []book.UnitDay
		var unit int32
		var day int64
		if _, err := pgx.ForEachRow(rows, []any{&unit, &day}, func() error {
			days = append(days, book.UnitDay{Unit: unit, Day: analytics.Day(day)})
			return nil
		}); err != nil || len(days) == 0 {
			return err
		}
		joined = len(days)
		return db.joinDays(ctx, tx, days)
	})
	return joined, err
}

func (db *DB) joinDays(ctx context.Context, tx pgx.Tx, days []book.UnitDay) error {
	units := make([]int32, 0, len(days))
	for _, d := range days {
		units = append(units, d.Unit)
	}
	slices.Sort(units)
	if err := lockLedgers(ctx, tx, slices.Compact(units)); err != nil {
		return err
	}
	k := &desk{}
	for _, d := range days {
		var samples []analytics.Sample
		err := eachSample(ctx, tx, d.Unit, d.Day.Start(), (d.Day + 1).Start(), func(s analytics.Sample) error {
			samples = append(samples, s)
			return nil
		})
		if err != nil {
			return err
		}
		k.block(d.Unit, samples, true)
	}
	if err := dropDays(ctx, tx, days); err != nil {
		return err
	}
	return k.sendBlocks(ctx, tx)
}

// dropPartitions drops empty partitions of days before the given one.
func (db *DB) dropPartitions(ctx context.Context, before analytics.Day) (int, error) {
	days, err := column[int32](ctx, db.pool, `
		SELECT to_date(right(relname, 8), 'YYYYMMDD') - DATE '1970-01-01' AS day
		FROM pg_inherits JOIN pg_class c ON c.oid = inhrelid
		WHERE inhparent = 'sample_run'::regclass AND to_date(right(relname, 8), 'YYYYMMDD') - DATE '1970-01-01' < $1
		ORDER BY 1`, int32(before))
	if err != nil {
		return 0, err
	}
	dropped := 0
	for _, day := range days {
		err := db.inTx(ctx, func(tx pgx.Tx) error {
			// Behind a reader that takes its time, waiting for the lock would
			// hold up everybody else: the next run tries again.
			if _, err := tx.Exec(ctx, `SET LOCAL lock_timeout = '1s'`); err != nil {
				return err
			}
			var gone bool
			err := tx.QueryRow(ctx, `SELECT drop_run_partition($1)`, day).Scan(&gone)
			if gone {
				dropped++
			}
			return err
		})
		if err != nil {
			return dropped, err
		}
	}
	if dropped > 0 {
		db.forgetPartitions()
	}
	return dropped, nil
}

// column reads the only column of a query.
func column[T any](ctx context.Context, q querier, sql string, args ...any) ([]T, error) {
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[T])
}
