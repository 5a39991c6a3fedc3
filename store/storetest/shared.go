package storetest

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"fadeledger/store/privatepg"
	"fadeledger/store/storetest/keeper/kept"
)

// serverURL returns the administration database of the server to use and keeps
// that server up until the test ends.
func serverURL(ctx context.Context, t testing.TB) *url.URL {
	t.Helper()
	text := os.Getenv(URLEnv)
	if text == "" {
		text = sharedURL(ctx, t)
	}
	u, err := url.Parse(text)
	if err != nil || u.Scheme == "" {
		t.Fatalf("%s must look like postgres://user@host/database", URLEnv)
	}
	return u
}

// sharedURL joins the shared server, starting its keeper if there is none. The
// order of the two locks matters: once users.lock is held, a keeper can no
// longer decide to stop.
func sharedURL(ctx context.Context, t testing.TB) string {
	t.Helper()
	if _, err := privatepg.Find(ctx); err != nil {
		t.Fatalf("no database to test with: %v", err)
	}
	dir, err := kept.Open(os.TempDir())
	if err != nil {
		t.Fatalf("share a test server: %v", err)
	}
	users, err := dir.Lock(kept.UsersLock, syscall.LOCK_SH)
	if err != nil {
		t.Fatalf("share a test server: %v", err)
	}
	t.Cleanup(func() { users.Close() })
	text, err := join(ctx, dir)
	if err != nil {
		t.Fatalf("share a test server: %v", err)
	}
	return text
}

// join is called with users.lock held.
func join(ctx context.Context, dir kept.Dir) (string, error) {
	start, err := dir.Lock(kept.StartLock, syscall.LOCK_EX)
	if err != nil {
		return "", err
	}
	defer start.Close()
	for {
		alone, err := dir.Lock(kept.KeeperLock, syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil {
			alone.Close()
			return startKeeper(ctx, dir)
		}
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return "", err
		}
		text, err := dir.ServerURL()
		if !errors.Is(err, fs.ErrNotExist) {
			return text, err
		}
		// The keeper is still starting, or stopping on a signal; whoever
		// started it was killed meanwhile.
		select {
		case <-ctx.Done():
			return "", fmt.Errorf("wait for the keeper: %w", ctx.Err())
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// startKeeper builds the keeper and runs it in a session of its own, so that it
// outlives this test process. It returns once the server is ready.
func startKeeper(ctx context.Context, dir kept.Dir) (string, error) {
	if err := dir.Clear(); err != nil {
		return "", err
	}
	binary := filepath.Join(string(dir), "keeper")
	build := exec.CommandContext(ctx, "go", "build", "-o", binary, "fadeledger/store/storetest/keeper")
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build the keeper: %w: %s (outside the source tree, set %s)", err, strings.TrimSpace(string(out)), URLEnv)
	}
	logFile, err := os.Create(filepath.Join(string(dir), "keeper.log"))
	if err != nil {
		return "", fmt.Errorf("open the keeper's log: %w", err)
	}
	defer logFile.Close()
	keeper := exec.Command(binary, string(dir))
	keeper.Dir = "/"
	keeper.Stdout, keeper.Stderr = logFile, logFile
	keeper.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	if err := keeper.Start(); err != nil {
		return "", fmt.Errorf("run the keeper: %w", err)
	}
	ended := make(chan struct{})
	go func() { defer close(ended); keeper.Wait() }()
	for {
		text, err := dir.ServerURL()
		if err == nil {
			return text, nil
		}
		select {
		case <-ended:
			said, _ := os.ReadFile(logFile.Name())
			return "", fmt.Errorf("the keeper ended at once: %s", strings.TrimSpace(string(said)))
		case <-ctx.Done():
			return "", fmt.Errorf("wait for the keeper: %w", ctx.Err())
		case <-time.After(10 * time.Millisecond):
		}
	}
}
