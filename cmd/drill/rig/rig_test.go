package rig

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/nats-io/nats.go"
)

func TestMain(m *testing.M) {
	Child()
	code := m.Run()
	if err := bench.close(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		code = max(code, 1)
	}
	os.Exit(code)
}

// programEnv names a variable with another program to test than that of this
// module, such as one with a bug on purpose.
const programEnv = "FADELEDGER_DRILL_PROGRAM"

// failuresEnv names a variable with a folder for the schedules and logs of runs
// that fail.
const failuresEnv = "FADELEDGER_DRILL_FAILURES"

// bench is what all tests of the package share: the built program and one
// Postgres.
var bench shared

type shared struct {
	once    sync.Once
	dir     string
	program string
	cluster *Cluster
	err     error
}

func (b *shared) open(ctx context.Context) error {
	b.once.Do(func() {
		if b.dir, b.err = os.MkdirTemp("", "drill-bench-"); b.err != nil {
			return
		}
		// Postgres runs as another user when this process is root.
		if b.err = os.Chmod(b.dir, 0o755); b.err != nil {
			return
		}
		if b.program = os.Getenv(programEnv); b.program == "" {
			if b.program, b.err = Build(ctx, b.dir); b.err != nil {
				return
			}
		}
		b.cluster, b.err = StartCluster(ctx, filepath.Join(b.dir, "postgres"), slog.New(slog.DiscardHandler))
	})
	return b.err
}

func (b *shared) close() error {
	if b.dir == "" {
		return nil
	}
	var err error
	if b.cluster != nil {
		err = b.cluster.Stop(context.Background())
	}
	return errors.Join(err, os.RemoveAll(b.dir))
}

// config gives the configuration of a test's runs.
func config(t *testing.T) Config {
	t.Helper()
	if err := bench.open(context.WithoutCancel(t.Context())); err != nil {
		t.Fatal(err)
	}
	return Config{
		Program: bench.program, Cluster: bench.cluster, Failures: os.Getenv(failuresEnv), Logger: slog.New(slog.DiscardHandler),
		Receipts: func(collector *nats.Conn) Confirmer { return Receipts{Conn: collector} },
	}
}

// play runs a schedule and fails the test where anything differs.
func play(t *testing.T, cfg Config, s Schedule) Result {
	t.Helper()
	r, err := Run(t.Context(), cfg, s)
	if err != nil {
		t.Fatal(err)
	}
	if r.Failed() {
		t.Fatal(r)
	}
	t.Log(r)
	return r
}

// seedsEnv names a variable with other seeds to play than the first few, as
// first-last.
const seedsEnv = "FADELEDGER_DRILL_SEEDS"

// TestRandomSchedules plays the schedules of some seeds.
func TestRandomSchedules(t *testing.T) {
	first, last := uint64(1), uint64(4)
	if text := os.Getenv(seedsEnv); text != "" {
		if _, err := fmt.Sscanf(text, "%d-%d", &first, &last); err != nil {
			t.Fatalf("%s is %q, want first-last", seedsEnv, text)
		}
	}
	for seed := first; seed <= last; seed++ {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			r := play(t, config(t), Random(seed))
			if r.Samples < 500 {
				t.Errorf("only %d samples were delivered", r.Samples)
			}
		})
	}
}
