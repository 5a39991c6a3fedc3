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

	"golang.org/x/sync/errgroup"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/ingest"
	"fadeledger/store"
	"fadeledger/web"
)

type demoCmd struct {
	Data   string `help:"Folder that holds everything." env:"FADELEDGER_DEMO_DATA" default:"fadeledger-demo" type:"path"`
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
// first one stopped. What is published of the history the database tells.
type demoState struct {
	Units int               `json:"units"`
	Days  int               `json:"days"`
	Seed  uint64            `json:"seed"`
	End   analytics.Instant `json:"history_end_ms"`
	// Live is the instant up to which live samples are published, by collector.
	Live map[string]analytics.Instant `json:"live"`
}

// Run runs everything until the context ends. Nothing is written or thrown away
// before it is known that the pages can be served.
func (c demoCmd) Run(ctx context.Context, log *slog.Logger) error {
	began := time.Now()
	if c.Units < 1 || c.Days < 1 {
		return fmt.Errorf("a demo of %d units and %d days shows nothing: --units and --days are 1 or more", c.Units, c.Days)
	}
	listener, err := listen(ctx, c.Listen)
	if err != nil {
		return err
	}
	if !loopback(listener.Addr().String()) {
		listener.Close()
		return fmt.Errorf("a demo lets everybody in and is for this machine alone: %s can be reached by others; take an address like 127.0.0.1:8080", c.Listen)
	}
	defer listener.Close()
	state, err := c.prepare()
	if err != nil {
		return err
	}
	fleet, err := household.NewFleet(state.Seed, state.Units, state.End, state.Days, demoCadence)
	if err != nil {
		return fmt.Errorf("invent the fleet: %w", err)
	}
	d := &demo{fleet: fleet, state: state, path: filepath.Join(c.Data, demoMark)}
	if err := os.MkdirAll(c.Data, 0o755); err != nil {
		return fmt.Errorf("make demo folder: %w", err)
	}
	if err := d.save(); err != nil {
		return err
	}
	fmt.Fprintln(os.Stderr, "starting a private database and a broker in", c.Data)
	s, err := embed(ctx, quieter(log), c.Data, doors{}, false, "")
	if err != nil {
		return err
	}
	defer s.Close()
	d.services = s
	if err := registerFleet(ctx, s.web, fleet); err != nil {
		return err
	}
	if err := bindFleet(ctx, s.web, fleet); err != nil {
		return err
	}
	gate, err := demoGate(ctx, s.web, fleet, quieter(log))
	if err != nil {
		return err
	}
	fmt.Fprintf(os.Stderr, "the dashboard is at http://%s after %.1f s; its history is still coming in\n", listener.Addr(), time.Since(began).Seconds())
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return s.watch(ctx) })
	group.Go(func() error { return s.work(ctx, ingest.DefaultGather, d.count) })
	group.Go(func() error {
		return s.serve(ctx, listener, web.Config{
			Gate: gate, Hosts: web.LoopbackHosts(), Progress: d.progress,
			Banners: []string{"Demo: an invented fleet. Nothing on these pages is about a real home."},
		})
	})
	group.Go(func() error { return d.publish(ctx) })
	err = group.Wait()
	if err == nil {
		fmt.Fprintln(os.Stderr, "stopped; the next start goes on from here")
	}
	return errors.Join(err, d.save())
}

// prepare reads what an earlier start left, or says what to begin with. It
// writes nothing; with --fresh it throws an earlier demo away.
func (c demoCmd) prepare() (*demoState, error) {
	if c.Fresh {
		if err := removeDemo(c.Data); err != nil {
			return nil, err
		}
	}
	state, err := readState(c.Data)
	if err != nil {
		return nil, err
	}
	if state == nil {
		now := analytics.InstantOf(time.Now())
		return &demoState{
			Units: c.Units, Days: c.Days, Seed: c.Seed,
			// On a sample's instant, so that live samples follow in step.
			End:  now - now%analytics.Instant(demoCadence),
			Live: map[string]analytics.Instant{},
		}, nil
	}
	if state.Units != c.Units || state.Days != c.Days || state.Seed != c.Seed {
		return nil, fmt.Errorf("%s holds a demo of other units, days or seed: go on with it by --units %d --days %d --seed %d, or throw it away by --fresh",
			c.Data, state.Units, state.Days, state.Seed)
	}
	return state, nil
}

func registerFleet(ctx context.Context, db *store.DB, fleet *household.Fleet) error {
	ctx = analytics.WithPrincipal(ctx, analytics.Service("demo"))
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

	total, counted atomic.Int64 // samples of the history
	live           atomic.Bool

	mu sync.Mutex // guards state while live samples are published
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
