package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"golang.org/x/sync/errgroup"

	"fadeledger/store"
)

type workCmd struct {
	dependencies
	Health string `help:"Address that answers /healthz and /readyz; port 0 takes any that is free." env:"FADELEDGER_HEALTH" default:"127.0.0.1:8081"`
	Gather int    `help:"Samples that fill a transaction." env:"FADELEDGER_GATHER" default:"60000"`
}

// Run counts until the context ends.
func (c workCmd) Run(ctx context.Context, log *slog.Logger) error {
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", c.Health)
	if err != nil {
		return fmt.Errorf("listen for health: %w; choose another address with --health, such as 127.0.0.1:0 for any free port", err)
	}
	defer listener.Close()
	s, err := c.connect(ctx, log, store.ForWorker)
	if err != nil {
		return unlessStopped(ctx, err)
	}
	defer s.Close()
	log.Info("health is answered", "url", "http://"+listener.Addr().String()+"/readyz")
	mux := http.NewServeMux()
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "ok") })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, r *http.Request) {
		if err := s.ready(r.Context()); err != nil {
			http.Error(w, err.Error(), http.StatusServiceUnavailable)
			return
		}
		fmt.Fprintln(w, "ready")
	})
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return s.work(ctx, c.Gather, nil) })
	group.Go(func() error {
		return serveHTTP(ctx, &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second}, listener)
	})
	return group.Wait()
}

// unlessStopped gives the error of a start, unless somebody asked for the end
// before it was over: that is an orderly end.
func unlessStopped(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}
