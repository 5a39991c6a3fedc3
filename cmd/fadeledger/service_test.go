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
	"fadeledger/store"
	"fadeledger/store/storetest"
	"fadeledger/web"
	"fadeledger/web/access"
)

// patienceInTests bounds every wait for something to happen.
const patienceInTests = 90 * time.Second

// testService is a whole service on a database and a broker of its own.
type testService struct {
	*services
	*httptest.Server
	database, brokerURL string
	// tokenFile holds a token that may do everything.
	tokenFile string
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
	if _, err := ts.open(ctx, ts.database, nc, broker.Config{MaxBytes: embedded.StreamBytes()}, 1, store.ForWorker, store.ForWeb); err != nil {
		t.Fatal(err)
	}
	ts.tokenFile = writeFile(t, "token", newToken(t, ts.web, analytics.Token{Name: "tests", Rights: analytics.Rights}))
	gate, err := access.New(access.Config{Store: door{ts.web}, Logger: discard()})
	if err != nil {
		t.Fatal(err)
	}
	handler, err := ts.handler(web.Config{Gate: gate})
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

// asConsole gives a context for what only the console may do.
func asConsole(ctx context.Context) context.Context {
	return analytics.WithPrincipal(ctx, analytics.Service("console"))
}

// newToken makes a token that holds for a day, and gives its text.
func newToken(t testing.TB, db *store.DB, token analytics.Token) string {
	t.Helper()
	secret, hash := access.NewToken()
	token.MadeBy, token.CreatedAt = "tests", analytics.InstantOf(time.Now())
	token.ExpiresAt = token.CreatedAt + analytics.Instant(analytics.DayLength)
	if _, err := db.AddToken(asConsole(t.Context()), hash, token); err != nil {
		t.Fatal(err)
	}
	return secret
}

// server gives the flags of a client that may do everything.
func (ts *testService) server() server { return server{Server: ts.URL, TokenFile: ts.tokenFile} }

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
	resp := ts.ask(t, http.MethodGet, path)
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("GET %s: %s %v\n%s", path, resp.Status, err, b)
	}
	return b
}

// ask sends a request with the token that may do everything.
func (ts *testService) ask(t testing.TB, method, path string) *http.Response {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, ts.URL+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	token, err := ts.server().token()
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+token)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	return resp
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
	if err := (registerCmd{server: ts.server(), Files: paths}).Run(t.Context()); err != nil {
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
