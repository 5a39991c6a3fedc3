package privatepg_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"fadeledger/store/privatepg"
)

// childEnv makes the test binary play the parent that gets killed: it starts a
// cluster in the directory the variable names, says so, and waits.
const childEnv = "FADELEDGER_TEST_PRIVATEPG_CHILD"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childEnv); dir != "" {
		if _, err := privatepg.Start(context.Background(), privatepg.Config{DataDir: dir}); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		fmt.Println("ready")
		select {}
	}
	os.Exit(m.Run())
}

// newDataDir is a data directory that does not exist yet, at a place that a
// user other than root can reach: t.TempDir is closed to others.
func newDataDir(t *testing.T) string {
	t.Helper()
	parent, err := os.MkdirTemp("", "fadeledger-privatepg-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(parent) })
	if err := os.Chmod(parent, 0o755); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(parent, "cluster")
}

func testContext(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	t.Cleanup(cancel)
	return ctx
}

func start(t *testing.T, c privatepg.Config) *privatepg.Server {
	t.Helper()
	s, err := privatepg.Start(testContext(t), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Stop(context.Background()) })
	return s
}

func stop(t *testing.T, s *privatepg.Server) {
	t.Helper()
	if err := s.Stop(testContext(t)); err != nil {
		t.Fatal(err)
	}
}

func exec1(t *testing.T, url, sql string) {
	t.Helper()
	ctx := testContext(t)
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	if _, err := conn.Exec(ctx, sql); err != nil {
		t.Fatal(err)
	}
}

func query1(t *testing.T, url, sql string) string {
	t.Helper()
	ctx := testContext(t)
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	var got string
	if err := conn.QueryRow(ctx, sql).Scan(&got); err != nil {
		t.Fatal(err)
	}
	return got
}

func postmasterPID(t *testing.T, dir string) int {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "postmaster.pid"))
	if err != nil {
		t.Fatal(err)
	}
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(first)
	if err != nil {
		t.Fatal(err)
	}
	return pid
}

// gone reports whether pid has ended. A zombie has: nobody may ever reap an
// orphan in a container.
func gone(pid int) bool {
	if syscall.Kill(pid, 0) != nil {
		return true
	}
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return runtime.GOOS == "linux"
	}
	_, rest, _ := strings.Cut(string(stat), ") ")
	return strings.HasPrefix(rest, "Z") || strings.HasPrefix(rest, "X")
}

func waitUntil(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("waited 20 s for: %s", what)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func TestStartKeepsDataAcrossRestarts(t *testing.T) {
	t.Parallel()
	dir := newDataDir(t)
	s := start(t, privatepg.Config{DataDir: dir})
	exec1(t, s.URL(), `CREATE TABLE note (word text); INSERT INTO note VALUES ('kept')`)
	pid := postmasterPID(t, dir)
	stop(t, s)
	stop(t, s) // a second Stop is harmless
	select {
	case <-s.Done():
	default:
		t.Fatal("Done is open after Stop")
	}
	if !gone(pid) {
		t.Fatalf("postmaster %d still runs after Stop", pid)
	}
	s = start(t, privatepg.Config{DataDir: dir})
	if got := query1(t, s.URL(), `SELECT word FROM note`); got != "kept" {
		t.Errorf("after a restart the row holds %q", got)
	}
}

func TestStartSettings(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name   string
		config privatepg.Config
		want   map[string]string
	}{
		{
			name:   "durable for the product",
			config: privatepg.Config{Durable: true},
			want: map[string]string{"fsync": "on", "synchronous_commit": "on", "full_page_writes": "on",
				"listen_addresses": "", "TimeZone": "UTC", "server_encoding": "UTF8", "max_wal_size": "4GB"},
		},
		{
			name:   "not durable for tests, with a setting of the caller's on top",
			config: privatepg.Config{Settings: map[string]string{"work_mem": "7MB"}},
			want: map[string]string{"fsync": "off", "synchronous_commit": "off", "full_page_writes": "on",
				"listen_addresses": "", "work_mem": "7MB"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			tt.config.DataDir = newDataDir(t)
			s := start(t, tt.config)
			for name, want := range tt.want {
				if got := query1(t, s.URL(), `SHOW "`+name+`"`); got != want {
					t.Errorf("%s is %q, want %q", name, got, want)
				}
			}
		})
	}
}

func owner(t *testing.T, dir string) *syscall.Credential {
	t.Helper()
	info, err := os.Stat(filepath.Join(dir, "PG_VERSION"))
	if err != nil {
		t.Fatal(err)
	}
	stat := info.Sys().(*syscall.Stat_t)
	return &syscall.Credential{Uid: stat.Uid, Gid: stat.Gid}
}

// asOwner runs a program as the user whose cluster lies in dir, so
// that Postgres cannot tell it from one of its own.
func asOwner(t *testing.T, dir, program string, args ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(program, args...)
	cmd.Dir = "/"
	if os.Geteuid() == 0 {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: owner(t, dir)}
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return cmd
}

// A pid file may name a process that is no postmaster of this directory:
// another program of the same user, as after a reboot that dealt the same
// number again, or a zombie. Postgres alone refuses to start over either.
func TestStartOverStalePIDFile(t *testing.T) {
	t.Parallel()
	dir := newDataDir(t)
	stop(t, start(t, privatepg.Config{DataDir: dir}))
	program := asOwner(t, dir, "/bin/sleep", "60")
	t.Cleanup(func() { program.Process.Kill(); program.Wait() })
	zombie := asOwner(t, dir, "/bin/sh", "-c", "exit 0")
	t.Cleanup(func() { zombie.Wait() }) // not before: it must stay a zombie
	waitUntil(t, "the child to become a zombie", func() bool { return gone(zombie.Process.Pid) })

	tests := []struct {
		name    string
		content string
	}{
		{"number of another program", fmt.Sprintf("%d\n", program.Process.Pid)},
		{"number of a zombie", fmt.Sprintf("%d\n", zombie.Process.Pid)},
		{"cut short before any number", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			path := filepath.Join(dir, "postmaster.pid")
			if err := os.WriteFile(path, []byte(tt.content), 0o600); err != nil {
				t.Fatal(err)
			}
			if os.Geteuid() == 0 { // as Postgres would have left it
				owner := owner(t, dir)
				if err := os.Chown(path, int(owner.Uid), int(owner.Gid)); err != nil {
					t.Fatal(err)
				}
			}
			s := start(t, privatepg.Config{DataDir: dir})
			if got := query1(t, s.URL(), `SELECT 'alive'`); got != "alive" {
				t.Errorf("got %q", got)
			}
			stop(t, s)
		})
	}
}

// killedParent starts a cluster in a child process and kills that process. It
// returns the postmaster's number.
func killedParent(t *testing.T, dir string) (pid int) {
	t.Helper()
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), childEnv+"="+dir)
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil || line != "ready\n" {
		t.Fatalf("the child says %q, %v", line, err)
	}
	pid = postmasterPID(t, dir)
	if gone(pid) {
		t.Fatalf("postmaster %d ended before its parent", pid)
	}
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	var exit *exec.ExitError
	if err := child.Wait(); !errors.As(err, &exit) {
		t.Fatalf("the child ended with %v", err)
	}
	return pid
}

func TestKilledParentTakesPostgresAlong(t *testing.T) {
	t.Parallel()
	dir := newDataDir(t)
	pid := killedParent(t, dir)
	waitUntil(t, "postgres to end after its parent was killed", func() bool { return gone(pid) })
	if _, err := os.Stat(filepath.Join(dir, "postmaster.pid")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("postmaster.pid is left, so the shutdown was not a clean one: %v", err)
	}
	s := start(t, privatepg.Config{DataDir: dir})
	if got := query1(t, s.URL(), `SELECT 'alive'`); got != "alive" {
		t.Errorf("got %q", got)
	}
}

// The next start may come while the old postmaster is still shutting down.
func TestStartRightAfterParentWasKilled(t *testing.T) {
	t.Parallel()
	dir := newDataDir(t)
	killedParent(t, dir)
	s := start(t, privatepg.Config{DataDir: dir})
	if got := query1(t, s.URL(), `SELECT 'alive'`); got != "alive" {
		t.Errorf("got %q", got)
	}
}

func TestStartAfterPostgresItselfWasKilled(t *testing.T) {
	t.Parallel()
	dir := newDataDir(t)
	s := start(t, privatepg.Config{DataDir: dir, Durable: true})
	exec1(t, s.URL(), `CREATE TABLE note (word text); INSERT INTO note VALUES ('kept')`)
	if err := syscall.Kill(postmasterPID(t, dir), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	select {
	case <-s.Done():
	case <-time.After(20 * time.Second):
		t.Fatal("Done stays open after Postgres was killed")
	}
	s = start(t, privatepg.Config{DataDir: dir, Durable: true})
	if got := query1(t, s.URL(), `SELECT word FROM note`); got != "kept" {
		t.Errorf("after recovery the row holds %q", got)
	}
}

func TestStartRefuses(t *testing.T) {
	t.Parallel()
	t.Run("a directory that another launcher holds", func(t *testing.T) {
		t.Parallel()
		dir := newDataDir(t)
		s := start(t, privatepg.Config{DataDir: dir})
		_, err := privatepg.Start(testContext(t), privatepg.Config{DataDir: dir})
		if !errors.Is(err, privatepg.ErrInUse) {
			t.Fatalf("got %v, want ErrInUse", err)
		}
		if !strings.Contains(err.Error(), dir) || !strings.Contains(err.Error(), "choose another directory") {
			t.Errorf("the message does not help: %v", err)
		}
		if got := query1(t, s.URL(), `SELECT 'alive'`); got != "alive" {
			t.Errorf("the first launcher's server was harmed: %q", got)
		}
	})
	t.Run("a directory with other files", func(t *testing.T) {
		t.Parallel()
		dir := newDataDir(t)
		if err := os.Mkdir(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		precious := filepath.Join(dir, "precious.txt")
		if err := os.WriteFile(precious, []byte("x"), 0o644); err != nil {
			t.Fatal(err)
		}
		_, err := privatepg.Start(testContext(t), privatepg.Config{DataDir: dir})
		if err == nil || !strings.Contains(err.Error(), "holds no Postgres cluster") {
			t.Errorf("got %v", err)
		}
		if _, err := os.Stat(precious); err != nil {
			t.Errorf("the other file is gone: %v", err)
		}
	})
	t.Run("no directory at all", func(t *testing.T) {
		t.Parallel()
		if _, err := privatepg.Start(testContext(t), privatepg.Config{}); err == nil {
			t.Error("no error for an empty DataDir")
		}
	})
	t.Run("a setting that Postgres does not know, with its words", func(t *testing.T) {
		t.Parallel()
		_, err := privatepg.Start(testContext(t), privatepg.Config{
			DataDir: newDataDir(t), Settings: map[string]string{"no_such_setting": "1"}})
		if err == nil || !strings.Contains(err.Error(), "no_such_setting") {
			t.Errorf("got %v", err)
		}
	})
}

// A start cut short by its context leaves no process, no lock and no half-made
// cluster behind.
func TestStartCancelled(t *testing.T) {
	t.Parallel()
	dir := newDataDir(t)
	for _, after := range []time.Duration{0, 30 * time.Millisecond, 200 * time.Millisecond, 600 * time.Millisecond} {
		ctx, cancel := context.WithTimeout(t.Context(), after)
		if s, err := privatepg.Start(ctx, privatepg.Config{DataDir: dir}); err == nil {
			stop(t, s)
		}
		cancel()
	}
	s := start(t, privatepg.Config{DataDir: dir})
	if got := query1(t, s.URL(), `SELECT 'alive'`); got != "alive" {
		t.Errorf("got %q", got)
	}
}
