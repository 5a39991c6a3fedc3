package main

import (
	"context"
	"fmt"
	"net/url"
	"runtime"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"fadeledger/cmd/drill/proxy"
	"fadeledger/ingest/broker"
	"fadeledger/store"
)

// TestAbsentDatabaseSlowsAndLosesNothing takes the database away while a
// history is counted: readiness says so in words, memory stays bounded while
// deliveries pile up in the broker, and when the database is back everything is
// counted.
func TestAbsentDatabaseSlowsAndLosesNothing(t *testing.T) {
	ctx := t.Context()
	ts := newService(t)
	h := ts.backfill(t, 6, 40)
	cfg, err := pgx.ParseConfig(ts.database)
	if err != nil {
		t.Fatal(err)
	}
	target := fmt.Sprintf("%s:%d", cfg.Host, cfg.Port)
	if strings.HasPrefix(cfg.Host, "/") {
		target = fmt.Sprintf("unix:%s/.s.PGSQL.%d", cfg.Host, cfg.Port)
	}
	p, err := proxy.Listen(ctx, proxy.Config{Target: target, Protocol: proxy.Postgres})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	through := url.URL{Scheme: "postgres", User: url.UserPassword(cfg.User, cfg.Password), Host: p.Address(), Path: "/" + cfg.Database}
	far := &services{log: discard()}
	if _, err := far.open(ctx, through.String(), ts.nc, broker.Config{}, 1, store.ForWorker); err != nil {
		t.Fatal(err)
	}
	defer far.Close()
	if err := far.ready(ctx); err != nil {
		t.Fatalf("not ready: %v", err)
	}
	working, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- far.work(working, 400, nil) }()
	defer func() {
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}()
	counted := func() int64 {
		s, err := ts.db.Ingest(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return s.Deliveries
	}
	eventually(t, "something to be counted", func() error {
		if n := counted(); n == 0 {
			return fmt.Errorf("%d deliveries", n)
		}
		return nil
	})
	p.Set(proxy.Rules{Refuse: true})
	p.Cut(true)
	eventually(t, "readiness to say what is wrong", func() error {
		err := far.ready(ctx)
		if err == nil || !strings.Contains(err.Error(), "database") || !strings.Contains(err.Error(), "nothing is lost") {
			return fmt.Errorf("it says %v", err)
		}
		return nil
	})
	before := counted()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	t.Logf("%d deliveries counted, %d MiB of heap while the database is away", before, m.HeapAlloc>>20)
	if m.HeapAlloc > 400<<20 {
		t.Errorf("%d MiB of heap while the database is away", m.HeapAlloc>>20)
	}
	p.Set(proxy.Rules{})
	ts.idle(t)
	h.check(t, ts)
	eventually(t, "readiness", func() error { return far.ready(ctx) })
}
