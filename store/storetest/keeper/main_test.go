package main

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"fadeledger/store/storetest/keeper/kept"
)

// openDir makes a shared folder that the user of Postgres can reach.
func openDir(t *testing.T) kept.Dir {
	t.Helper()
	temp, err := os.MkdirTemp("", "fadeledger-keeper-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(temp) })
	if err := os.Chmod(temp, 0o755); err != nil {
		t.Fatal(err)
	}
	dir, err := kept.Open(temp)
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

func lock(t *testing.T, dir kept.Dir, name string, how int) *os.File {
	t.Helper()
	f, err := dir.Lock(name, how)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func waitURL(t *testing.T, dir kept.Dir) string {
	t.Helper()
	deadline := time.Now().Add(time.Minute)
	for {
		url, err := dir.ServerURL()
		if err == nil {
			return url
		}
		if time.Now().After(deadline) {
			t.Fatalf("no server after a minute: %v", err)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func TestKeeperStaysWhileUsedAndEndsWhenIdle(t *testing.T) {
	t.Parallel()
	const idle = 500 * time.Millisecond
	dir := openDir(t)
	user := lock(t, dir, kept.UsersLock, syscall.LOCK_SH)
	done := make(chan error, 1)
	go func() { done <- keep(t.Context(), dir, idle, slog.New(slog.DiscardHandler)) }()
	url := waitURL(t, dir)

	select {
	case err := <-done:
		t.Fatalf("ended while it was used: %v", err)
	case <-time.After(4 * idle):
	}
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	conn.Close(t.Context())

	user.Close()
	select {
	case err := <-done:
		if err != nil {
			t.Fatal(err)
		}
	case <-time.After(time.Minute):
		t.Fatal("still there a minute after its last user")
	}
	if _, err := dir.ServerURL(); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("it still announces a server: %v", err)
	}
	lock(t, dir, kept.KeeperLock, syscall.LOCK_EX|syscall.LOCK_NB).Close()
	lock(t, dir, kept.UsersLock, syscall.LOCK_EX|syscall.LOCK_NB).Close()
}

func TestKeeperEndsWithItsContext(t *testing.T) {
	t.Parallel()
	dir := openDir(t)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- keep(ctx, dir, time.Hour, slog.New(slog.DiscardHandler)) }()
	url := waitURL(t, dir)
	cancel()
	select {
	case err := <-done:
		if err != nil {
			t.Fatal(err)
		}
	case <-time.After(time.Minute):
		t.Fatal("still there a minute after its context ended")
	}
	if conn, err := pgx.Connect(t.Context(), url); err == nil {
		conn.Close(t.Context())
		t.Error("the server outlived its keeper")
	}
}

func TestOneKeeperAtATime(t *testing.T) {
	t.Parallel()
	dir := openDir(t)
	lock(t, dir, kept.KeeperLock, syscall.LOCK_EX)
	err := keep(t.Context(), dir, time.Hour, slog.New(slog.DiscardHandler))
	if !errors.Is(err, syscall.EWOULDBLOCK) {
		t.Errorf("a second keeper got %v", err)
	}
}
