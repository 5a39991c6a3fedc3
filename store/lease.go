package store

import (
	"context"
	"crypto/rand"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
)

// LeaseTerm is how long a lease holds that is not renewed: a worker that dies,
// is stopped or is cut off loses its partitions to the others after that.
const LeaseTerm = 10 * time.Second

// Leases shares partitions among the workers of a database, by the database's
// clock. A worker that was stopped for longer than the term may go on to work
// for a moment when it wakes up. That costs work and nothing else: what keeps
// two workers from counting the same delivery are the locks and the record of
// deliveries within the transaction.
type Leases struct {
	db     *DB
	worker string
	// Term is LeaseTerm unless it is set before the first use.
	Term time.Duration
}

// NewLeases makes the leases of one worker.
func (db *DB) NewLeases() *Leases {
	return &Leases{db: db, worker: rand.Text(), Term: LeaseTerm}
}

// Partitions renews the leases of this worker, takes and gives back until it
// holds its share of the partitions 0 to n−1, and gives those it holds in
// ascending order.
func (l *Leases) Partitions(ctx context.Context, n int) ([]int, error) {
	// A connection that hangs must not look like a lease that holds.
	ctx, cancel := context.WithTimeout(ctx, l.Term/2)
	defer cancel()
	var held []int
	err := l.db.inTx(ctx, func(tx pgx.Tx) (err error) {
		held, err = l.balance(ctx, tx, n)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("share partitions: %w", err)
	}
	return held, nil
}

func (l *Leases) balance(ctx context.Context, tx pgx.Tx, n int) ([]int, error) {
	term := l.Term.Seconds()
	// Workers take turns, or two that start at once would wait for each other.
	var workers int
	if err := tx.QueryRow(ctx, `
		WITH turn AS (SELECT pg_advisory_xact_lock($3)),
		me AS (
			INSERT INTO worker (name, seen_at) SELECT $1, clock_timestamp() FROM turn
			ON CONFLICT (name) DO UPDATE SET seen_at = EXCLUDED.seen_at
			RETURNING name),
		gone AS (DELETE FROM worker WHERE seen_at < clock_timestamp() - interval '1 day')
		SELECT 1 + count(*) FROM worker w
		WHERE w.name <> (SELECT name FROM me) AND w.seen_at > clock_timestamp() - make_interval(secs => $2)`,
		l.worker, term, leaseTurn).Scan(&workers); err != nil {
		return nil, err
	}
	held, err := column[int](ctx, tx, `
		UPDATE lease SET until = clock_timestamp() + make_interval(secs => $2)
		WHERE worker = $1 AND until > clock_timestamp() AND partition < $3
		RETURNING partition`, l.worker, term, n)
	if err != nil {
		return nil, err
	}
	slices.Sort(held)
	share := (n + workers - 1) / workers
	if len(held) > share {
		if _, err := tx.Exec(ctx, `UPDATE lease SET until = '-infinity' WHERE worker = $1 AND partition = ANY ($2)`,
			l.worker, held[share:]); err != nil {
			return nil, err
		}
		return held[:share], nil
	}
	taken, err := column[int](ctx, tx, `
		INSERT INTO lease AS l (partition, worker, until)
		SELECT p, $1, clock_timestamp() + make_interval(secs => $2) FROM generate_series(0, $3::int - 1) p
		WHERE NOT EXISTS (SELECT FROM lease o WHERE o.partition = p AND o.until > clock_timestamp())
		ORDER BY p LIMIT $4
		ON CONFLICT (partition) DO UPDATE SET worker = EXCLUDED.worker, until = EXCLUDED.until, taken = l.taken + 1
		RETURNING partition`, l.worker, term, n, share-len(held))
	if err != nil {
		return nil, err
	}
	held = append(held, taken...)
	slices.Sort(held)
	return held, nil
}

// leaseTurn is the lock under which partitions are shared.
const leaseTurn = 0x66_6c_6c_65

// Close gives all leases back.
func (l *Leases) Close(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, l.Term/2)
	defer cancel()
	err := l.db.inTx(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `UPDATE lease SET until = '-infinity' WHERE worker = $1`, l.worker); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `DELETE FROM worker WHERE name = $1`, l.worker)
		return err
	})
	if err != nil {
		return fmt.Errorf("give leases back: %w", err)
	}
	return nil
}
