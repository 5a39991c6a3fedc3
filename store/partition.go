package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// partitionLock keeps two workers from making the same partition at once.
const partitionLock = 0x66_6c_70_61

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

// makePartition asks the owner's function: the worker may not make tables.
func (db *DB) makePartition(ctx context.Context, day analytics.Day) error {
	return db.inTx(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, partitionLock); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `SELECT make_run_partition($1)`, int32(day))
		return err
	})
}

// forgetPartitions makes the next batch look again.
func (db *DB) forgetPartitions() {
	db.mu.Lock()
	defer db.mu.Unlock()
	clear(db.partitions)
}
