package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/ingest/broker"
	"fadeledger/store/storetest"
	"fadeledger/web"
)

// patienceInTests bounds every wait for something to happen.
const patienceInTests = 90 * time.Second

// testService is a whole service on a database and a broker of its own.
type testService struct {
	*services
	*httptest.Server
	database, brokerURL string
}

func discard() *slog.Logger { return slog.New(slog.DiscardHandler) }

// newService starts broker, pages and API. The worker is the caller's affair.
func newService(t testing.TB) *testService {
	t.Helper()
	ctx := t.Context()
	embedded, err := broker.StartEmbedded(ctx, broker.EmbeddedConfig{
		DataDir: filepath.Join(t.TempDir(), "broker"), Listen: "127.0.0.1:0", Logger: discard(), Sync: broker.SyncLater,
	})
	if err != nil {
		t.Fatal(err)
	}
	nc, err := embedded.Connect(ctx)
	if err != nil {
		t.Fatal(err)
	}
	ts := &testService{services: &services{log: discard()}, database: storetest.Database(t), brokerURL: embedded.ClientURL()}
	ts.onClose(func(ctx context.Context) {
		nc.Close()
		_ = embedded.Shutdown(ctx)
	})
	if _, err := ts.open(ctx, ts.database, nc, broker.Config{MaxBytes: embedded.StreamBytes()}, 1); err != nil {
		t.Fatal(err)
	}
	handler, err := ts.handler(web.Config{})
	if err != nil {
		t.Fatal(err)
	}
	ts.Server = httptest.NewServer(handler)
	t.Cleanup(func() {
		ts.Server.Close()
		ts.services.Close()
	})
	return ts
}

// startWorker runs a worker in this process until the test ends.
func (ts *testService) startWorker(t testing.TB) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- ts.work(ctx, ingest.DefaultGather, nil) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("worker: %v", err)
		}
	})
}

// connection gives a client of the broker over TCP, as a collector has.
func (ts *testService) connection(t testing.TB) *nats.Conn {
	t.Helper()
	nc, err := broker.Connect(t.Context(), ts.brokerURL, "test collector", discard())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return nc
}

// get asks the API and gives the body of a 200.
func (ts *testService) get(t testing.TB, path string) []byte {
	t.Helper()
	resp, err := http.Get(ts.URL + path)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("GET %s: %s %v\n%s", path, resp.Status, err, b)
	}
	return b
}

// idle waits until everything that is stored is counted.
func (ts *testService) idle(t testing.TB) {
	t.Helper()
	eventually(t, "the broker's deliveries to be counted", func() error {
		s, err := broker.State(t.Context(), ts.stream)
		if err == nil && s.Pending+s.Unacked > 0 {
			err = fmt.Errorf("%d pending, %d unacknowledged", s.Pending, s.Unacked)
		}
		return err
	})
}

// eventually asks until check gives no error.
func eventually(t testing.TB, what string, check func() error) {
	t.Helper()
	end := time.After(patienceInTests)
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		err := check()
		if err == nil {
			return
		}
		select {
		case <-end:
			t.Fatalf("waited in vain for %s: %v", what, err)
		case <-tick.C:
		}
	}
}

// registerText registers with the files' texts.
func (ts *testService) registerText(t testing.TB, files map[string]string) {
	t.Helper()
	dir := t.TempDir()
	var paths []string
	for name, text := range files {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		paths = append(paths, path)
	}
	if err := (registerCmd{server: server{ts.URL}, Files: paths}).Run(t.Context()); err != nil {
		t.Fatal(err)
	}
}

func decodeJSON(t testing.TB, b []byte, v any) {
	t.Helper()
	if err := json.Unmarshal(b, v); err != nil {
		t.Fatalf("%v in %s", err, b)
	}
}

// ledgerPath is where the API answers a unit's ledger.
func ledgerPath(serial analytics.Serial) string { return "/api/v1/units/" + string(serial) + "/ledger" }
