package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// partitionLock keeps two workers from making the same partition at once.
const partitionLock = 0x66_6c_70_61

// partitionName names the partition of sample_run that holds a UTC day.
func partitionName(day analytics.Day) string {
	return "sample_run_" + day.Start().Time().Format("20060102")
}

// EnsurePartitions makes the partitions of sample_run for the days from first
// to last that do not exist yet.
func (db *DB) EnsurePartitions(ctx context.Context, first, last analytics.Day) error {
	for day := first; day <= last; day++ {
		db.mu.Lock()
		done := db.partitions[day]
		db.mu.Unlock()
		if done {
			continue
		}
		if err := db.makePartition(ctx, day); err != nil {
			return fmt.Errorf("make partition for %s: %w", day, err)
		}
		db.mu.Lock()
		db.partitions[day] = true
		db.mu.Unlock()
	}
	return nil
}

// makePartition makes the table first and then attaches it: that takes a
// weaker lock on the parent than creating it in place.
func (db *DB) makePartition(ctx context.Context, day analytics.Day) error {
	return db.inTx(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, partitionLock); err != nil {
			return err
		}
		name := partitionName(day)
		var exists bool
		if err := tx.QueryRow(ctx, `SELECT to_regclass($1) IS NOT NULL`, name).Scan(&exists); err != nil || exists {
			return err
		}
		from, to := int64(day)*24, int64(day+1)*24
		for _, sql := range []string{
			fmt.Sprintf(`CREATE TABLE %s (LIKE sample_run INCLUDING DEFAULTS INCLUDING CONSTRAINTS, CHECK (hour >= %d AND hour < %d))`, name, from, to),
			// A run is compressed before it comes here.
			fmt.Sprintf(`ALTER TABLE %s ALTER COLUMN body SET STORAGE EXTERNAL`, name),
			fmt.Sprintf(`ALTER TABLE sample_run ATTACH PARTITION %s FOR VALUES FROM (%d) TO (%d)`, name, from, to),
		} {
			if _, err := tx.Exec(ctx, sql); err != nil {
				return err
			}
		}
		return nil
	})
}

// forgetPartitions makes the next batch look again.
func (db *DB) forgetPartitions() {
	db.mu.Lock()
	defer db.mu.Unlock()
	clear(db.partitions)
}
