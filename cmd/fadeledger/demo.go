package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/ingest"
	"fadeledger/store"
	"fadeledger/web"
)

type demoCmd struct {
	Data   string `help:"Folder that holds everything." env:"FADELEDGER_DATA" default:"fadeledger-data" type:"path"`
	Listen string `help:"Address of the pages and the API." default:"127.0.0.1:8080"`
	Units  int    `help:"Number of invented units." default:"60"`
	Days   int    `help:"Longest history in days." default:"365"`
	Seed   uint64 `help:"The same seed gives the same fleet." default:"1"`
	Fresh  bool   `help:"Throw the folder away first."`
}

const (
	// demoCadence is the time between two samples of a unit.
	demoCadence = 5 * analytics.Minute
	// demoMark is the file that says that a folder is a demo's.
	demoMark = "demo.json"
)

// demoState is kept in the folder, so that a second start goes on where the
// first one stopped.
type demoState struct {
	Units int               `json:"units"`
	Days  int               `json:"days"`
	Seed  uint64            `json:"seed"`
	End   analytics.Instant `json:"history_end_ms"`
	// History counts the deliveries of the history that are published, by
	// collector; Live is the instant up to which live samples are.
	History map[string]int               `json:"history"`
	Live    map[string]analytics.Instant `json:"live"`
}

// Run runs everything until the context ends.
func (c demoCmd) Run(ctx context.Context, log *slog.Logger) error {
	began := time.Now()
	state, err := c.prepare()
	if err != nil {
		return err
	}
	listener, err := listen(ctx, c.Listen, log)
	if err != nil {
		return err
	}
	defer listener.Close()
	fmt.Fprintln(os.Stderr, "starting a private database and a broker in", c.Data)
	s, err := embed(ctx, quieter(log), c.Data, "", "")
	if err != nil {
		return err
	}
	defer s.Close()
	fleet, err := household.NewFleet(state.Seed, state.Units, state.End, state.Days, demoCadence)
	if err != nil {
		return fmt.Errorf("invent the fleet: %w", err)
	}
	if err := registerFleet(ctx, s.db, fleet); err != nil {
		return err
	}
	d := &demo{services: s, fleet: fleet, state: state, path: filepath.Join(c.Data, demoMark)}
	fmt.Fprintf(os.Stderr, "the dashboard is at http://%s after %.1f s; its history is still coming in\n", listener.Addr(), time.Since(began).Seconds())
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return s.work(ctx, ingest.DefaultGather, d.count) })
	group.Go(func() error {
		cfg := exposure(c.Listen)
		cfg.Banners = append([]string{"Demo: an invented fleet. Nothing on these pages is about a real home."}, cfg.Banners...)
		cfg.Progress = d.progress
		return s.serve(ctx, listener, cfg)
	})
	group.Go(func() error { return d.publish(ctx) })
	err = group.Wait()
	if err == nil {
		fmt.Fprintln(os.Stderr, "stopped; the next start goes on from here")
	}
	return errors.Join(err, d.save())
}

// prepare reads what an earlier start left, or begins anew.
func (c demoCmd) prepare() (*demoState, error) {
	mark := filepath.Join(c.Data, demoMark)
	if c.Fresh {
		if err := removeDemo(c.Data); err != nil {
			return nil, err
		}
	}
	b, err := os.ReadFile(mark)
	if err == nil {
		state := &demoState{}
		if err := json.Unmarshal(b, state); err != nil {
			return nil, fmt.Errorf("read %s: %w; --fresh begins anew", mark, err)
		}
		if state.Units != c.Units || state.Days != c.Days || state.Seed != c.Seed {
			fmt.Fprintf(os.Stderr, "going on with the %d units and %d days of seed %d in %s; --fresh begins anew\n", state.Units, state.Days, state.Seed, c.Data)
		}
		return state, nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("read demo state: %w", err)
	}
	now := analytics.InstantOf(time.Now())
	state := &demoState{
		Units: c.Units, Days: c.Days, Seed: c.Seed,
		// On a sample's instant, so that live samples follow in step.
		End:     now - now%analytics.Instant(demoCadence),
		History: map[string]int{}, Live: map[string]analytics.Instant{},
	}
	if err := os.MkdirAll(c.Data, 0o755); err != nil {
		return nil, fmt.Errorf("make demo folder: %w", err)
	}
	return state, writeState(mark, state)
}

// removeDemo throws a demo's folder away, and no other.
func removeDemo(data string) error {
	entries, err := os.ReadDir(data)
	if errors.Is(err, fs.ErrNotExist) || err == nil && len(entries) == 0 {
		return nil
	}
	if err != nil {
		return fmt.Errorf("look into %s: %w", data, err)
	}
	if _, err := os.Stat(filepath.Join(data, demoMark)); err != nil {
		return fmt.Errorf("%s is not a demo's folder: it holds no %s, so --fresh leaves it alone", data, demoMark)
	}
	if err := os.RemoveAll(data); err != nil {
		return fmt.Errorf("throw the demo away: %w", err)
	}
	return nil
}

func writeState(path string, state *demoState) error {
	b, err := json.MarshalIndent(state, "", "  ")
	if err == nil {
		err = os.WriteFile(path+".new", b, 0o644)
	}
	if err == nil {
		err = os.Rename(path+".new", path)
	}
	if err != nil {
		return fmt.Errorf("keep demo state: %w", err)
	}
	return nil
}

func registerFleet(ctx context.Context, db *store.DB, fleet *household.Fleet) error {
	r := store.Registration{Models: fleet.Models, Terms: fleet.Terms, Sites: fleet.Sites}
	for _, h := range fleet.Homes {
		r.Units = append(r.Units, h.Unit)
	}
	if _, err := db.Register(ctx, r); err != nil {
		return fmt.Errorf("register the fleet: %w", err)
	}
	return nil
}

// demo publishes the history of a fleet and then its life.
type demo struct {
	services *services
	fleet    *household.Fleet
	state    *demoState
	path     string

	total, published, counted atomic.Int64 // samples of the history
	live                      atomic.Bool

	mu    sync.Mutex // guards state while live samples are published
	saved time.Time
}

// count is told what the worker has counted.
func (d *demo) count(_ int, tally analytics.DeliveryTally) { d.counted.Add(tally.Read) }

// progress tells the pages how far the history has come.
func (d *demo) progress() web.Progress {
	total, counted := d.total.Load(), d.counted.Load()
	if total == 0 || d.live.Load() {
		return web.Progress{}
	}
	return web.Progress{Done: min(counted, total), Total: total, What: "samples of the history counted"}
}

func (d *demo) save() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return writeState(d.path, d.state)
}
