// Package migrations holds the database's schema as numbered SQL files, built
// into the binary, and brings a database to any of their versions.
//
// A file is named NNNNN_verb_noun.sql, numbered from 1 without gaps, says why
// above each statement, has an Up and a Down, and is never edited once it was
// released. The package knows nothing of what the tables mean.
package migrations

import (
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

//go:embed *.sql
var files embed.FS

// minConns is what a run needs at once: one connection holds the lock while
// another migrates.
const minConns = 2

// A process waits this long, in all, for another one that is migrating.
const (
	lockTrySeconds = 1
	lockTries      = 300
)

// Versions are where a database stands and where the binary would take it.
// Current is 0 for a database without a schema. It is above Latest when a newer
// binary has migrated the database.
type Versions struct {
	Current int64
	Latest  int64
}

// Up applies every migration that the database lacks, each in a transaction of
// its own, and returns the versions afterwards. Processes that call it at once
// take turns. A failed migration leaves the ones before it applied. The pool
// needs at least two connections.
func Up(ctx context.Context, pool *pgxpool.Pool, logger *slog.Logger) (Versions, error) {
	return run(ctx, pool, logger, "migrate up", func(p *goose.Provider) error {
		_, err := p.Up(ctx)
		return err
	})
}

// Down takes back the newest migration applied, and with it what its tables
// hold. On a database without a schema it does nothing.
func Down(ctx context.Context, pool *pgxpool.Pool, logger *slog.Logger) (Versions, error) {
	return run(ctx, pool, logger, "migrate down", func(p *goose.Provider) error {
		_, err := p.Down(ctx)
		if errors.Is(err, goose.ErrNoNextVersion) {
			return nil
		}
		return err
	})
}

// To applies or takes back migrations until the database is at version, from 0
// (no schema) to Latest.
func To(ctx context.Context, pool *pgxpool.Pool, logger *slog.Logger, version int64) (Versions, error) {
	return run(ctx, pool, logger, fmt.Sprintf("migrate to %d", version), func(p *goose.Provider) error {
		current, latest, err := p.GetVersions(ctx)
		if err != nil {
			return err
		}
		if version < 0 || version > latest {
			return fmt.Errorf("there is no version %d: the newest is %d", version, latest)
		}
		if version < current {
			_, err = p.DownTo(ctx, version)
			return err
		}
		_, err = p.UpTo(ctx, version)
		return err
	})
}

// Version tells the versions without changing the schema. On a new database it
// makes the table that records them.
func Version(ctx context.Context, pool *pgxpool.Pool) (Versions, error) {
	return run(ctx, pool, slog.New(slog.DiscardHandler), "read the schema's version", func(*goose.Provider) error {
		return nil
	})
}

// Hash is a digest of all migrations, in hexadecimal. Two binaries with equal
// hashes make equal schemas.
func Hash() (string, error) {
	names, err := fs.Glob(files, "*.sql")
	if err != nil {
		return "", fmt.Errorf("list migrations: %w", err)
	}
	sum := sha256.New()
	for _, name := range names { // Glob's order is the names'
		text, err := files.ReadFile(name)
		if err != nil {
			return "", fmt.Errorf("read migration %s: %w", name, err)
		}
		fmt.Fprintf(sum, "%s %d\n%s", name, len(text), text)
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}

// run gives do a provider over the pool and reads the versions after it. doing
// names the step in errors.
func run(ctx context.Context, pool *pgxpool.Pool, logger *slog.Logger, doing string, do func(*goose.Provider) error) (Versions, error) {
	if have := pool.Config().MaxConns; have < minConns {
		return Versions{}, fmt.Errorf("%s: the pool allows %d connection, %d are needed", doing, have, minConns)
	}
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(lockTrySeconds, lockTries))
	if err != nil {
		return Versions{}, fmt.Errorf("%s: make the lock: %w", doing, err)
	}
	// Closing db gives its connections back; the pool stays open. So db is
	// closed here and not through the provider's Close, which would say less.
	db := stdlib.OpenDBFromPool(pool)
	defer db.Close()
	provider, err := goose.NewProvider(goose.DialectPostgres, db, files,
		goose.WithSlog(logger),
		goose.WithDisableGlobalRegistry(true),
		goose.WithSessionLocker(locker))
	if err != nil {
		return Versions{}, fmt.Errorf("%s: read the migrations: %w", doing, err)
	}
	if err := do(provider); err != nil {
		return Versions{}, fmt.Errorf("%s: %w", doing, err)
	}
	current, latest, err := provider.GetVersions(ctx)
	if err != nil {
		return Versions{}, fmt.Errorf("%s: read the versions: %w", doing, err)
	}
	return Versions{Current: current, Latest: latest}, nil
}
