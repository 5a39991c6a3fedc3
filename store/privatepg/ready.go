package privatepg

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5"
)

// ready waits until the server takes connections, then makes the database. How
// long a recovery takes depends on the log to replay, so only ctx bounds it.
func (s *Server) ready(ctx context.Context) error {
	for {
		// Connecting before it is ready would log a FATAL line for each try.
		pid, state, err := readPIDFile(filepath.Join(s.cluster.dir, "postmaster.pid"))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		if pid == s.postgres.Process.Pid && state == "ready" {
			return s.createDatabase(ctx)
		}
		select {
		case <-s.done:
			return fmt.Errorf("postgres ended at once; its last words: %s", s.output.tail())
		case <-ctx.Done():
			return fmt.Errorf("wait for postgres to be ready: %w; its last words: %s", ctx.Err(), s.output.tail())
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// createDatabase makes the database fadeledger unless it is there.
func (s *Server) createDatabase(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, s.cluster.url("postgres"))
	if err != nil {
		return fmt.Errorf("connect to the new server: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	var exists bool
	const query = `SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)`
	if err := conn.QueryRow(ctx, query, DatabaseName).Scan(&exists); err != nil {
		return fmt.Errorf("look for database %s: %w", DatabaseName, err)
	}
	if exists {
		return nil
	}
	if _, err := conn.Exec(ctx, `CREATE DATABASE `+pgx.Identifier{DatabaseName}.Sanitize()); err != nil {
		return fmt.Errorf("create database %s: %w", DatabaseName, err)
	}
	return nil
}
