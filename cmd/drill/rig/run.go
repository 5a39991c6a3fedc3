package rig

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"fadeledger/ingest/broker"
)

// Config says what a run works with. Program is required.
type Config struct {
	// Program is the path of the program; see Build.
	Program string
	// WorkerArgs go to every worker beside those that the run gives.
	WorkerArgs []string
	// Cluster is a Postgres to make the run's database on; nil starts one for
	// the run alone.
	Cluster *Cluster
	// Oracle compares the units with what was delivered; nil means Offline.
	Oracle Oracle
	// Receipts, if not nil, makes what confirms deliveries where collectors go
	// by what is counted; nil asks the database itself.
	Receipts func(collector *nats.Conn) Confirmer
	// Converge bounds the time from the last fault and the last delivery until
	// nothing is left to do; 0 means a minute.
	Converge time.Duration
	// Failures is a folder for the schedules and logs of runs that fail; empty
	// keeps none.
	Failures string
	// KeepAll keeps those of the other runs as well.
	KeepAll bool
	// Logger is told what happens; nil discards it.
	Logger *slog.Logger
}

// Result is what a run came to.
type Result struct {
	// Schedule is what was played, with everything filled in.
	Schedule Schedule `json:"schedule"`
	// Differences are what is wrong, in words; none means that it went well.
	Differences []string `json:"differences,omitempty"`
	// Strikes tell what each fault did, in order of their times.
	Strikes []Strike `json:"strikes"`
	// Notes are worth telling and no difference: workers that ended by
	// themselves, or with a failure when asked to end.
	Notes []string `json:"notes,omitempty"`
	// Deliveries were made ready, of which Resent publishes were repetitions;
	// Stored stand in the stream, Counted are recorded by the database.
	Deliveries, Resent, Stored, Counted int
	// Samples are the rows that had to be counted or settled, once each.
	Samples int
	// Shared is how many deliveries were handed to more than one worker, Again
	// how often one was handed out once more.
	Shared, Again int
	// Reused is how many sequences of the stream the database has recorded with
	// more than one content.
	Reused int
	// Kicks is how often workers had to be replaced for deliveries whose
	// acknowledgement was lost to be handed out before their time.
	Kicks int
	// Converged is the time from the last fault, or the last delivery where that
	// was later, until nothing was left to do; Took is that of the whole run.
	Converged, Took time.Duration
	// Kept is the folder with schedule and logs of a run that failed.
	Kept string `json:"kept,omitempty"`
}

// Failed reports whether something is wrong.
func (r Result) Failed() bool { return len(r.Differences) > 0 }

// toldDifferences is how many differences are told in words.
const toldDifferences = 40

// String tells the result in a few lines, and all of it when it failed.
func (r Result) String() string {
	var b strings.Builder
	struck := 0
	for _, s := range r.Strikes {
		if s.Struck {
			struck++
		}
	}
	fmt.Fprintf(&b, "seed %d: %d of %d faults struck; %d deliveries (%d sent again), %d stored, %d counted, %d handed to two workers; quiet after %.1f s, %.1f s in all",
		r.Schedule.Seed, struck, len(r.Strikes), r.Deliveries, r.Resent, r.Stored, r.Counted, r.Shared, r.Converged.Seconds(), r.Took.Seconds())
	for _, s := range r.Strikes {
		if !s.Struck {
			fmt.Fprintf(&b, "\n  without effect: %s at %d ms: %s", s.Fault.Kind, s.Began, s.What)
		}
	}
	for _, n := range r.Notes {
		fmt.Fprintf(&b, "\n  note: %s", n)
	}
	if !r.Failed() {
		return b.String()
	}
	for i, d := range r.Differences {
		if i == toldDifferences {
			fmt.Fprintf(&b, "\n  and %d differences more", len(r.Differences)-i)
			break
		}
		fmt.Fprintf(&b, "\n  difference: %s", d)
	}
	for _, s := range r.Strikes {
		fmt.Fprintf(&b, "\n  %5d ms %s: %s", s.Began, s.Fault.Kind, s.What)
	}
	fmt.Fprintf(&b, "\n  kept in %s\n%s", r.Kept, r.Schedule.JSON())
	return b.String()
}

// Run plays a schedule. An error means that the machine could not play it;
// what the service did wrong is in the result.
func Run(ctx context.Context, cfg Config, s Schedule) (Result, error) {
	began := time.Now()
	if s.Workload.End == "" {
		s.Workload.End = began.UTC().Format(time.DateOnly)
	}
	r := Result{Schedule: s}
	if err := s.Validate(); err != nil {
		return r, err
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	dir, err := os.MkdirTemp("", "drill-")
	if err != nil {
		return r, fmt.Errorf("make a folder for the run: %w", err)
	}
	defer os.RemoveAll(dir)
	m := &machine{cfg: cfg, schedule: s, dir: dir, log: cfg.Logger}
	err = func() error {
		defer m.close()
		if err := m.prepare(ctx); err != nil {
			return err
		}
		return m.play(ctx, &r)
	}()
	r.Took = time.Since(began)
	if err != nil {
		return r, fmt.Errorf("seed %d: %w", s.Seed, err)
	}
	if (r.Failed() || cfg.KeepAll) && cfg.Failures != "" {
		r.Kept, err = keep(cfg.Failures, dir, r)
	}
	return r, err
}

// keep puts the schedule, what was told and the logs of a failed run into a
// folder of its own.
func keep(failures, dir string, r Result) (string, error) {
	path, err := r.Schedule.save(failures)
	if err != nil {
		return "", err
	}
	folder := strings.TrimSuffix(path, ".json")
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return "", fmt.Errorf("keep logs: %w", err)
	}
	logs, err := filepath.Glob(filepath.Join(dir, "*.log"))
	if err != nil {
		return "", fmt.Errorf("keep logs: %w", err)
	}
	for _, log := range logs {
		b, err := os.ReadFile(log)
		if err == nil {
			err = os.WriteFile(filepath.Join(folder, filepath.Base(log)), b, 0o644)
		}
		if err != nil {
			return "", fmt.Errorf("keep logs: %w", err)
		}
	}
	return folder, os.WriteFile(filepath.Join(folder, "result.txt"), []byte(r.String()+"\n"), 0o644)
}

// play lets the collectors work, strikes, waits for quiet and compares.
func (m *machine) play(ctx context.Context, r *Result) error {
	collecting, stop := context.WithCancel(ctx)
	defer stop()
	wait := m.collect(collecting)
	supervised := make(chan struct{})
	go func() {
		defer close(supervised)
		m.supervise(collecting)
	}()
	strikes, err := m.strike(ctx)
	r.Strikes = strikes
	m.heal()
	if err == nil {
		err = m.quiesce(ctx, r)
	}
	stop()
	<-supervised
	if err := errors.Join(err, wait()); err != nil {
		return err
	}
	m.endWorkers(r)
	return m.check(ctx, r)
}

// strike plays all faults, each at its time, and waits until all are over.
func (m *machine) strike(ctx context.Context) ([]Strike, error) {
	began := time.Now()
	var mu sync.Mutex
	var done []Strike
	var errs []error
	var playing sync.WaitGroup
	for _, f := range m.schedule.Faults {
		playing.Go(func() {
			rest(ctx, f.At-f.lead())
			s := Strike{Fault: f, Began: Span(time.Since(began).Milliseconds())}
			var err error
			s.Struck, s.What, err = strikes[f.Kind](m, ctx, f)
			m.log.Info("fault", "kind", f.Kind, "at", s.Began, "struck", s.Struck, "what", s.What)
			mu.Lock()
			defer mu.Unlock()
			done = append(done, s)
			if err != nil {
				errs = append(errs, fmt.Errorf("%s at %d ms: %w", f.Kind, f.At, err))
			}
		})
	}
	playing.Wait()
	slices.SortStableFunc(done, func(a, b Strike) int { return cmp.Compare(a.Began, b.Began) })
	return done, errors.Join(errs...)
}

const (
	defaultConverge = time.Minute
	// stuckAfter is how long deliveries may stay unacknowledged while nothing
	// else is left to do, before workers are replaced: a lost acknowledgement
	// is made up for after broker.AckWait, or when a partition is resumed.
	stuckAfter = 2500 * time.Millisecond
)

// quiesce waits until everything is confirmed, counted and acknowledged.
func (m *machine) quiesce(ctx context.Context, r *Result) error {
	// Faults may be over before the last delivery is made ready.
	for slices.ContainsFunc(m.collectors, (*collector).cutting) && ctx.Err() == nil {
		rest(ctx, 20)
	}
	limit := cmp.Or(m.cfg.Converge, defaultConverge)
	began := time.Now()
	stuck := began
	for quiet := 0; quiet < 3; {
		why := m.unrest(ctx)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case why == "":
			quiet++
		case time.Since(began) > limit:
			r.Differences = append(r.Differences, fmt.Sprintf("not quiet %v after the last fault: %s", limit, why))
			r.Converged = time.Since(began)
			return nil
		default:
			quiet = 0
		}
		if why != unackedOnly {
			stuck = time.Now()
		} else if time.Since(stuck) > stuckAfter {
			m.replaceWorkers(ctx)
			r.Kicks++
			stuck = time.Now()
		}
		rest(ctx, 50)
	}
	r.Converged = time.Since(began)
	return nil
}

// unackedOnly: all that is left are acknowledgements.
const unackedOnly = "deliveries are not acknowledged"

// unrest says what is left to do, nothing when all is quiet.
func (m *machine) unrest(ctx context.Context) string {
	for _, c := range m.collectors {
		if !c.idle() {
			return c.waiting()
		}
	}
	state, err := m.state(ctx)
	switch {
	case errors.Is(err, broker.ErrResuming):
		return "a partition is being resumed"
	case err != nil:
		return err.Error()
	case state.Pending > 0:
		return fmt.Sprintf("%d deliveries are not taken", state.Pending)
	case state.Unacked > 0:
		return unackedOnly
	}
	return ""
}

// replaceWorkers replaces the workers one after the other.
func (m *machine) replaceWorkers(ctx context.Context) {
	for i := range m.workers {
		if _, what, err := m.replaceWorker(ctx, Fault{Target: i}); err != nil {
			m.log.Warn("worker not replaced", "what", what, "err", err)
		}
	}
}

// endWorkers lets the workers end in order and gathers what they did unasked.
func (m *machine) endWorkers(r *Result) {
	for _, w := range m.workers {
		switch err := w.stop(); {
		case errors.Is(err, errHung):
			r.Differences = append(r.Differences, err.Error())
		case err != nil:
			r.Notes = append(r.Notes, err.Error()) // such as while it was still starting
		}
		r.Notes = append(r.Notes, w.unasked()...)
		if panics := panicsIn(w.log.Name()); panics != "" {
			r.Differences = append(r.Differences, w.name+" panicked: "+panics)
		}
	}
	r.Differences = append(r.Differences, m.broker.unasked()...)
}

// panicsIn gives the first lines of a panic in a log, empty without one.
func panicsIn(path string) string {
	b, err := os.ReadFile(path)
	if err != nil {
		return err.Error()
	}
	text := string(b)
	for _, sign := range []string{"panic: ", "fatal error: ", "panic while"} {
		if i := strings.Index(text, sign); i >= 0 {
			return text[i:min(len(text), i+600)]
		}
	}
	return ""
}
