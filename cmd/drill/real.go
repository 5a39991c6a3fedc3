package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"golang.org/x/sync/errgroup"

	"fadeledger/analytics"
	"fadeledger/cmd/drill/reference"
	"fadeledger/cmd/drill/reference/convert"
	"fadeledger/cmd/drill/rig"
)

// table is where real schedules are played: the program and one Postgres.
type table struct {
	rig.Config
	dir string
}

// lay builds the program and starts a Postgres.
func lay(ctx context.Context, log *slog.Logger, program, failures string) (*table, error) {
	dir, err := os.MkdirTemp("", "drill-")
	if err != nil {
		return nil, fmt.Errorf("make a folder: %w", err)
	}
	t := &table{dir: dir}
	// Postgres runs as another user when this process is root.
	if err = os.Chmod(dir, 0o755); err == nil && program == "" {
		program, err = rig.Build(ctx, dir)
	}
	if err == nil {
		t.Cluster, err = rig.StartCluster(ctx, filepath.Join(dir, "postgres"), log)
	}
	if err != nil {
		return nil, errors.Join(err, t.clear())
	}
	t.Program, t.Failures, t.Logger = program, failures, log
	t.Oracle = both
	t.Receipts = func(nc *nats.Conn) rig.Confirmer { return rig.Receipts{Conn: nc} }
	return t, nil
}

func (t *table) clear() error {
	var err error
	if t.Cluster != nil {
		err = t.Cluster.Stop(context.Background())
	}
	return errors.Join(err, os.RemoveAll(t.dir))
}

// both holds the service against an offline count by its own code, byte for
// byte, and against the reference, which shares none of it.
func both(ctx context.Context, e rig.Evidence) []string {
	out := rig.Offline(ctx, e)
	delivered := rowsOf(e.Delivered)
	for _, u := range e.Units {
		report, err := e.DB.Unit(ctx, u.Serial)
		if err != nil {
			out = append(out, fmt.Sprintf("unit %s: %v", u.Serial, err))
			continue
		}
		want := reference.Count(convert.Model(e.Models[u.Model], e.Terms[u.Terms]), delivered[u.Serial], nil)
		differences := convert.Compare(report.Ledger, want)
		days, err := e.DB.Days(ctx, u.Serial, -1<<30, 1<<30)
		if err != nil {
			differences = append(differences, err.Error())
		}
		differences = append(differences, convert.CompareDays(days, want)...)
		for _, d := range differences {
			out = append(out, fmt.Sprintf("unit %s, by the reference: %s", u.Serial, d))
		}
	}
	b, err := e.DB.Balance(ctx)
	if err != nil {
		return append(out, err.Error())
	}
	wrong, _, err := e.DB.Recheck(ctx, 0, 1<<20)
	if err != nil {
		return append(out, err.Error())
	}
	for _, d := range wrong {
		out = append(out, fmt.Sprintf("unit %s, by the audit: %s", d.Serial, d.What))
	}
	return append(out, b.Differences...)
}

// rowsOf gives the rows of each unit in the reference's words.
func rowsOf(list []rig.Truth) map[analytics.Serial][]reference.Delivered {
	rows := map[analytics.Serial][]reference.Delivered{}
	for r := range rig.Readings(list) {
		// What lies in the future stands apart, so any later time will do.
		rows[r.Serial] = append(rows[r.Serial], convert.Delivered([]analytics.Sample{r.Sample}, r.Sample.Time)...)
	}
	return rows
}

type realCmd struct {
	N        int    `short:"n" help:"How many schedules." default:"20"`
	From     uint64 `help:"First seed." default:"1"`
	Lanes    int    `help:"How many schedules are played at once, each on a Postgres of its own." default:"3"`
	Program  string `help:"Program to try instead of the one in this module." type:"existingfile"`
	Failures string `help:"Folder for the schedules and logs of runs that fail." default:"drill-failures" type:"path"`
}

// Run plays schedules against real processes.
func (c realCmd) Run(ctx context.Context, log *slog.Logger) error {
	began := time.Now()
	failed, done, strikes := 0, 0, map[rig.Kind]int{}
	err := playReal(ctx, log, c.Program, c.Failures, c.Lanes, c.From, c.N, func(r rig.Result) {
		done++
		for _, s := range r.Strikes {
			if s.Struck {
				strikes[s.Fault.Kind]++
			}
		}
		if r.Failed() {
			failed++
			fmt.Println(r)
		}
		fmt.Fprintf(os.Stderr, "\r%d of %d schedules, %d failed, one in %s ", done, c.N, failed, (time.Since(began) / time.Duration(done)).Round(100*time.Millisecond))
	})
	fmt.Fprintln(os.Stderr)
	if err != nil {
		return err
	}
	fmt.Printf("%d real schedules from seed %d in %s: %d failed; faults that struck: %v\n", done, c.From, time.Since(began).Round(time.Second), failed, strikes)
	if failed > 0 {
		return errFound
	}
	return nil
}

// playReal plays the schedules of n seeds in lanes and tells the results, one at
// a time, in the order in which they come.
func playReal(ctx context.Context, log *slog.Logger, program, failures string, lanes int, from uint64, n int, told func(rig.Result)) error {
	var mu sync.Mutex
	var next atomic.Int64
	group, ctx := errgroup.WithContext(ctx)
	if program == "" && lanes > 1 {
		dir, err := os.MkdirTemp("", "drill-")
		if err != nil {
			return fmt.Errorf("make a folder: %w", err)
		}
		defer os.RemoveAll(dir)
		if program, err = rig.Build(ctx, dir); err != nil {
			return err
		}
	}
	for range lanes {
		group.Go(func() (err error) {
			t, err := lay(ctx, log, program, failures)
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, t.clear()) }()
			for i := next.Add(1) - 1; i < int64(n); i = next.Add(1) - 1 {
				seed := from + uint64(i)
				r, err := rig.Run(ctx, t.Config, rig.Random(seed))
				if err != nil {
					return fmt.Errorf("seed %d: %w", seed, err)
				}
				mu.Lock()
				told(r)
				mu.Unlock()
			}
			return nil
		})
	}
	return group.Wait()
}

type soakCmd struct {
	Minutes  float64 `help:"How long." default:"5"`
	Seed     uint64  `help:"Seed of the fleet." default:"1"`
	Program  string  `help:"Program to try instead of the one in this module." type:"existingfile"`
	Failures string  `help:"Folder for schedule and logs of a run that fails." default:"drill-failures" type:"path"`
}

// soakSchedule kills one of two workers every second, now this one and now the
// other.
func soakSchedule(seed uint64, seconds float64) rig.Schedule {
	s := rig.Schedule{Seed: seed, Workload: rig.Workload{
		Units: 12, Days: max(5, int(seconds/5)), CadenceMinutes: 10, Collectors: 4, Workers: 2, Partitions: 4, Batch: 40, Gather: 800,
		Seconds: seconds, Resets: 2, Copies: 0.03, Late: 0.05, Twice: 0.02, Disputed: 0.02, Superseded: 0.02, FreshIDs: true, SyncLater: true,
		Confirm: rig.ByCounted,
	}}
	for at := 1.0; at < seconds; at++ {
		s.Faults = append(s.Faults, rig.Fault{At: rig.Span(at * 1000), Kind: rig.KillWorker, Target: int(at) % 2})
	}
	return s
}

// Run soaks.
func (c soakCmd) Run(ctx context.Context, log *slog.Logger) (err error) {
	t, err := lay(ctx, log, c.Program, c.Failures)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, t.clear()) }()
	r, err := rig.Run(ctx, t.Config, soakSchedule(c.Seed, c.Minutes*60))
	if err != nil {
		return err
	}
	struck := 0
	for _, s := range r.Strikes {
		if s.Struck {
			struck++
		}
	}
	fmt.Printf("%d kills in %.1f minutes; %d deliveries, %d counted, %d samples, %d handed out again: %d differences\n",
		struck, c.Minutes, r.Deliveries, r.Counted, r.Samples, r.Again, len(r.Differences))
	if r.Failed() {
		fmt.Println(r)
		return errFound
	}
	return nil
}
