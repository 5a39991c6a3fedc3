package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/ingest/broker"
	"fadeledger/store"
	"fadeledger/web"
)

type serveCmd struct {
	dependencies
	doors
	entrance
	Listen   string `help:"Address of the pages and the API." env:"FADELEDGER_LISTEN" default:"127.0.0.1:8080"`
	Embedded bool   `help:"Run everything in this process: private database, broker and a worker."`
	Data     string `help:"Folder that holds everything when embedded." env:"FADELEDGER_DATA" default:"fadeledger-data" type:"path"`
}

// Run serves until the context ends.
func (c serveCmd) Run(ctx context.Context, log *slog.Logger) error {
	listener, err := c.listen(ctx, c.Listen, log)
	if err != nil {
		return err
	}
	defer listener.Close()
	var s *services
	if c.Embedded {
		if err := refuseDemoFolder(c.Data); err != nil {
			return err
		}
		s, err = embed(ctx, log, c.Data, c.doors, c.PlainHTTP, c.Database)
	} else {
		s, err = c.connect(ctx, log, store.ForWeb)
	}
	if err != nil {
		return unlessStopped(ctx, err)
	}
	defer s.Close()
	gate, err := c.gate(s.web, listener.Addr(), log)
	if err != nil {
		return err
	}
	if err := greet(ctx, s.web, c.address(listener.Addr())); err != nil {
		return err
	}
	cfg := web.Config{Gate: gate, Hosts: c.hosts(listener.Addr()), Secure: c.secure(), Address: strings.TrimRight(c.PublicURL, "/")}
	if !c.Embedded {
		return s.serve(ctx, listener, cfg)
	}
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return s.watch(ctx) })
	group.Go(func() error { return s.work(ctx, ingest.DefaultGather, nil) })
	group.Go(func() error { return s.keepLogins(ctx) })
	group.Go(func() error { return s.serve(ctx, listener, cfg) })
	return group.Wait()
}

// loopback reports whether an address is reached from this machine alone.
func loopback(address string) bool {
	if host, _, err := net.SplitHostPort(address); err == nil && host == "localhost" {
		return true
	}
	a, err := netip.ParseAddrPort(address)
	return err == nil && a.Addr().Unmap().IsLoopback()
}

// serve answers pages and API until the context ends.
func (s *services) serve(ctx context.Context, listener net.Listener, cfg web.Config) error {
	handler, err := s.handler(cfg)
	if err != nil {
		return err
	}
	return serveHTTP(ctx, web.Server(handler, s.log), listener)
}

// handler joins the pages with what they show.
func (s *services) handler(cfg web.Config) (http.Handler, error) {
	cfg.Ledger = s.web
	cfg.Intake = s.newIntake()
	registrar := &registrar{db: s.web, log: s.log}
	cfg.Registrar, cfg.Registry = registrar, registrar
	cfg.Broker = streamState{s}
	cfg.Upkeep = &keeper{db: s.web}
	cfg.Collectors = &collectors{db: s.web}
	cfg.People, cfg.Trail = s.web, s.web
	cfg.Ready = s.ready
	cfg.Logger = s.log
	cfg.Version = version
	handler, err := web.New(cfg)
	if err != nil {
		return nil, fmt.Errorf("make pages: %w", err)
	}
	return handler, nil
}

func serveHTTP(ctx context.Context, server *http.Server, listener net.Listener) error {
	stopped := make(chan error, 1)
	stop := context.AfterFunc(ctx, func() {
		end, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
		defer cancel()
		stopped <- server.Shutdown(end)
	})
	defer stop()
	if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve pages: %w", err)
	}
	if err := <-stopped; err != nil && !errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("stop serving: %w", err)
	}
	return nil
}

// readyWait bounds each question of ready.
const readyWait = 3 * time.Second

// ready reports everything that keeps the service from its work, in words that
// say what helps; nil if nothing does.
func (s *services) ready(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, readyWait)
	defer cancel()
	var reasons []error
	db := s.web
	if db == nil {
		db = s.db
	}
	if err := db.Ping(ctx); err != nil {
		reasons = append(reasons, fmt.Errorf("%w; nothing is counted until it is back, and the broker keeps what comes", err))
	}
	if err := broker.Healthy(ctx, s.stream, s.embedded); err != nil {
		reasons = append(reasons, err)
	}
	if worker := s.worker.Load(); worker != nil {
		if trouble := worker.Trouble(); trouble != "" {
			reasons = append(reasons, errors.New(trouble))
		}
	}
	return errors.Join(reasons...)
}

// How often the worker's upkeep runs.
const (
	standingEvery  = 2 * time.Second
	standingMaxAge = analytics.Hour
	releaseEvery   = 5 * time.Second
	sealEvery      = 10 * time.Minute
	sealSettle     = 90 * time.Minute
	trimEvery      = time.Hour
	// keepDeliveries is how long the broker keeps what is counted, so that it
	// is still there when a database has to be restored from a backup.
	keepDeliveries = 7 * analytics.DayLength
)

// work counts deliveries and looks after standings, samples and quarantine
// until the context ends. gather is the number of samples that fill a
// transaction; counted may be nil.
func (s *services) work(ctx context.Context, gather int, counted func(int, analytics.DeliveryTally)) error {
	leases := s.db.NewLeases()
	defer func() {
		if err := leases.Close(context.WithoutCancel(ctx)); err != nil {
			s.log.Warn("leases run out by themselves", "err", err)
		}
	}()
	worker, err := ingest.NewWorker(ctx, ingest.Config{
		Ledger: s.db, Leases: leases, Stream: s.stream, Logger: s.log, Gather: gather, Counted: counted,
	})
	if err != nil {
		return err
	}
	s.worker.Store(worker)
	// Before anything is read: what the broker lost would be taken for counted.
	if err := s.guard(ctx); err != nil {
		s.log.Warn("broker and database not held against each other", "err", err)
	}
	receipts, err := broker.ServeReceipts(ctx, s.nc, func(ctx context.Context, collector, series string) (any, error) {
		return s.db.Receipt(ctx, collector, series)
	}, s.log)
	if err != nil {
		return fmt.Errorf("answer for receipts: %w", err)
	}
	defer receipts()
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return worker.Run(ctx) })
	group.Go(func() error {
		return s.every(ctx, guardEvery, "broker and database not held against each other", s.guard)
	})
	group.Go(func() error { return s.guardReconnects(ctx) })
	group.Go(func() error { return s.every(ctx, balanceEvery, "books not added up", (&auditor{db: s.db}).run) })
	group.Go(func() error {
		return s.every(ctx, standingEvery, "standings not refreshed", func(ctx context.Context) error {
			_, err := s.db.RefreshStandings(ctx, standingMaxAge)
			return err
		})
	})
	group.Go(func() error {
		return s.every(ctx, releaseEvery, "rows not released", s.releaseRegistered)
	})
	group.Go(func() error {
		return s.every(ctx, sealEvery, "samples not sealed", func(ctx context.Context) error {
			today := analytics.InstantOf(time.Now()).Day()
			if err := s.db.EnsurePartitions(ctx, today, today+2); err != nil {
				return err
			}
			_, err := s.db.Seal(ctx, sealSettle)
			return err
		})
	})
	group.Go(func() error { return s.every(ctx, trimEvery, "stream not trimmed", s.trim) })
	return group.Wait()
}

// trim removes old deliveries from the stream that are counted and that no
// partition waits for.
func (s *services) trim(ctx context.Context) error {
	counted, err := s.db.CountedUpTo(ctx, s.identity, analytics.InstantOf(time.Now())-analytics.Instant(keepDeliveries))
	if err != nil || counted == 0 {
		return err
	}
	settled, err := broker.Settled(ctx, s.stream)
	if err != nil {
		return err
	}
	return broker.Trim(ctx, s.stream, min(counted+1, settled))
}

// every runs f now and then until the context ends. A failure is told and the
// next run tries again.
func (s *services) every(ctx context.Context, interval time.Duration, failure string, f func(context.Context) error) error {
	for {
		began := time.Now()
		if err := f(ctx); err != nil && ctx.Err() == nil {
			s.log.Warn(failure, "err", err)
		}
		select {
		case <-ctx.Done():
			return nil
		// Never more than a fifth of the time.
		case <-time.After(max(interval, 4*time.Since(began))):
		}
	}
}

// releaseRegistered brings back the samples of units that were not registered
// when they came, and are now.
func (s *services) releaseRegistered(ctx context.Context) error {
	rows, err := s.db.HeldRegistered(ctx, releaseAtOnce)
	if err != nil || len(rows) == 0 {
		return err
	}
	done, err := (&ingest.Releaser{Ledger: s.db, Reader: &ingest.Reader{Profiles: s.db}}).Release(ctx, rows)
	s.log.Info("samples of newly registered units counted", "rows", done.Rows, "samples", done.Samples)
	return err
}
