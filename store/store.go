// Package store keeps the ledger in Postgres. Every SQL statement of the
// service is here, one file a subject; transactions are methods. It knows the
// words of package analytics and nothing of brokers or pages.
package store

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"fadeledger/analytics"
)

// DB is the ledger's database. It is safe for concurrent use.
type DB struct {
	pool *pgxpool.Pool
	log  *slog.Logger
	// Now is the clock, for tests.
	Now func() time.Time

	desks desks

	mu         sync.Mutex
	streams    map[string]int16       // ids by name
	partitions map[analytics.Day]bool // days whose run partition exists
}

// Open connects to a database that package migrations has brought up to date.
func Open(ctx context.Context, url string, log *slog.Logger) (*DB, error) {
	return open(ctx, url, log, AsConnected)
}

func open(ctx context.Context, url string, log *slog.Logger, as As) (*DB, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("read database url: %w", err)
	}
	config.ConnConfig.RuntimeParams["timezone"] = "UTC"
	config.ConnConfig.RuntimeParams["application_name"] = "fadeledger"
	// A plan for a fleet of a million units is never worth compiling here.
	config.ConnConfig.RuntimeParams["jit"] = "off"
	// A worker that is stopped in the middle of a transaction holds its locks
	// no longer than this; what it did by then is rolled back.
	if config.ConnConfig.RuntimeParams["idle_in_transaction_session_timeout"] == "" {
		config.ConnConfig.RuntimeParams["idle_in_transaction_session_timeout"] = "30s"
	}
	if config.MaxConns < 8 {
		config.MaxConns = 8
	}
	turn(config, as)
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("open database: %w", err)
	}
	if err := pool.Ping(ctx); err != nil {
		pool.Close()
		return nil, fmt.Errorf("open database: %w", err)
	}
	return &DB{
		pool: pool, log: log.With("system", "store"), Now: time.Now,
		streams: map[string]int16{}, partitions: map[analytics.Day]bool{},
	}, nil
}

// Close closes all connections.
func (db *DB) Close() { db.pool.Close() }

// Pool gives the connections, for migrations and tests.
func (db *DB) Pool() *pgxpool.Pool { return db.pool }

// Ping reports whether the database answers.
func (db *DB) Ping(ctx context.Context) error {
	if err := db.pool.Ping(ctx); err != nil {
		return fmt.Errorf("ping database: %w", err)
	}
	return nil
}

func (db *DB) now() analytics.Instant { return analytics.InstantOf(db.Now()) }

// inTx runs fn in a transaction and commits it. An error at the commit leaves
// its outcome unknown: callers must be able to find out by reading.
func (db *DB) inTx(ctx context.Context, fn func(tx pgx.Tx) error) error {
	tx, err := db.pool.Begin(ctx)
	if err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	if err := fn(tx); err != nil {
		// The first error is the one to tell; a connection that cannot roll
		// back is closed by the pool.
		rollback, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		_ = tx.Rollback(rollback)
		return err
	}
	if err := tx.Commit(ctx); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	return nil
}

const (
	uniqueViolation     = "23505"
	foreignKeyViolation = "23503"
	deadlockDetected    = "40P01"
	undefinedTable      = "42P01"
	notInRepertoire     = "22021" // NUL, or bytes that are no UTF-8
	insufficient        = "42501" // the role may not
)

func sqlState(err error) string {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return pg.Code
	}
	return ""
}

// mapError turns what the driver says into the domain's errors.
func mapError(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, pgx.ErrNoRows):
		return analytics.ErrNotFound
	case sqlState(err) == uniqueViolation, sqlState(err) == foreignKeyViolation:
		return &untold{analytics.ErrConflict, err}
	case sqlState(err) == insufficient:
		return fmt.Errorf("%w: %w", analytics.ErrDenied, err)
	case sqlState(err) == notInRepertoire:
		return &untold{fmt.Errorf("%w: a text holds a NUL, or bytes that are no UTF-8", analytics.ErrInvalid), err}
	}
	return err
}

// untold is an error of the domain that is told to whoever asks. What Postgres
// says of it is found by errors.As, and told to nobody.
type untold struct{ told, cause error }

func (u *untold) Error() string   { return u.told.Error() }
func (u *untold) Unwrap() []error { return []error{u.told, u.cause} }
