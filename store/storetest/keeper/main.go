// Command keeper runs the Postgres server that the tests of one user share, and
// ends it when no test has used it for a minute. Package storetest starts it.
package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"

	"fadeledger/store/privatepg"
	"fadeledger/store/storetest/keeper/kept"
)

// defaultIdle is longer than the compiler needs between two test binaries.
const defaultIdle = time.Minute

func main() {
	logger := slog.New(slog.NewTextHandler(os.Stderr, nil))
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: keeper FOLDER")
		os.Exit(2)
	}
	ctx, cancel := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer cancel()
	if err := keep(ctx, kept.Dir(os.Args[1]), defaultIdle, logger); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// keep runs the server until nobody has used it for the idle time, ctx ends, or
// it ends by itself.
func keep(ctx context.Context, dir kept.Dir, idle time.Duration, logger *slog.Logger) error {
	life, err := dir.Lock(kept.KeeperLock, syscall.LOCK_EX|syscall.LOCK_NB)
	if err != nil {
		return err
	}
	defer life.Close()
	data := filepath.Join(string(dir), "pg")
	// Without fsync an old cluster cannot be trusted, and a new one is cheap.
	if err := os.RemoveAll(data); err != nil {
		return fmt.Errorf("remove the old cluster: %w", err)
	}
	server, err := privatepg.Start(ctx, privatepg.Config{DataDir: data, Logger: logger})
	if err != nil {
		return err
	}
	if err := dir.Announce(server.URL()); err != nil {
		return errors.Join(err, server.Stop(context.Background()))
	}
	users, err := waitIdle(ctx, dir, idle, server.Done())
	err = errors.Join(err, dir.Clear(), server.Stop(context.Background()), os.RemoveAll(data))
	// A test that waits for users.lock must find no keeper once it has it.
	life.Close()
	if users != nil {
		users.Close()
	}
	return err
}

// waitIdle returns users.lock, held, after nobody had it for the idle time; or
// nil when ctx or the server ended first.
func waitIdle(ctx context.Context, dir kept.Dir, idle time.Duration, ended <-chan struct{}) (*os.File, error) {
	lastUsed := time.Now()
	for {
		select {
		case <-ctx.Done():
			return nil, nil
		case <-ended:
			return nil, errors.New("the server ended by itself")
		case <-time.After(idle / 60):
		}
		users, err := dir.Lock(kept.UsersLock, syscall.LOCK_EX|syscall.LOCK_NB)
		switch {
		case errors.Is(err, syscall.EWOULDBLOCK):
			lastUsed = time.Now()
		case err != nil:
			return nil, err
		case time.Since(lastUsed) >= idle:
			return users, nil
		default:
			users.Close()
		}
	}
}
