package store

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"github.com/jackc/pgx/v5"
)

// leaseClass is the first key of the advisory locks that stand for partitions,
// leaseMember the one that every worker holds in share.
const (
	leaseClass  = 0x66_6c_31
	leaseMember = 0x66_6c_32
)

// Leases shares partitions among the workers of a database. Each lease is an
// advisory lock of one connection: a worker that dies, or is cut off, loses
// all of its leases when its connection ends.
type Leases struct {
	db *DB

	mu   sync.Mutex
	conn *pgx.Conn
	held []int
}

// NewLeases makes the leases of one worker.
func (db *DB) NewLeases() *Leases { return &Leases{db: db} }

// Partitions takes and gives back leases until this worker holds its share of
// the partitions 0 to n−1, and gives those it holds.
func (l *Leases) Partitions(ctx context.Context, n int) ([]int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	held, err := l.balance(ctx, n)
	if err != nil {
		l.close(ctx)
		return nil, fmt.Errorf("share partitions: %w", err)
	}
	return slices.Clone(held), nil
}

func (l *Leases) balance(ctx context.Context, n int) ([]int, error) {
	if l.conn == nil {
		config := l.db.pool.Config().ConnConfig.Copy()
		conn, err := pgx.ConnectConfig(ctx, config)
		if err != nil {
			return nil, err
		}
		l.conn, l.held = conn, nil
		if _, err := conn.Exec(ctx, `SELECT pg_advisory_lock_shared($1, 0)`, leaseMember); err != nil {
			return nil, err
		}
	}
	var workers int
	if err := l.conn.QueryRow(ctx, `
		SELECT count(*) FROM pg_locks
		WHERE locktype = 'advisory' AND classid = $1 AND granted
			AND database = (SELECT oid FROM pg_database WHERE datname = current_database())`, leaseMember).Scan(&workers); err != nil {
		return nil, err
	}
	share := (n + workers - 1) / max(workers, 1)
	for len(l.held) > share {
		p := l.held[len(l.held)-1]
		if _, err := l.conn.Exec(ctx, `SELECT pg_advisory_unlock($1, $2)`, leaseClass, p); err != nil {
			return nil, err
		}
		l.held = l.held[:len(l.held)-1]
	}
	for p := 0; p < n && len(l.held) < share; p++ {
		if slices.Contains(l.held, p) {
			continue
		}
		var got bool
		if err := l.conn.QueryRow(ctx, `SELECT pg_try_advisory_lock($1, $2)`, leaseClass, p).Scan(&got); err != nil {
			return nil, err
		}
		if got {
			l.held = append(l.held, p)
		}
	}
	return l.held, nil
}

// Close gives all leases back.
func (l *Leases) Close(ctx context.Context) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.close(ctx)
}

func (l *Leases) close(ctx context.Context) {
	if l.conn != nil {
		_ = l.conn.Close(context.WithoutCancel(ctx)) // the server ends the locks either way
	}
	l.conn, l.held = nil, nil
}
