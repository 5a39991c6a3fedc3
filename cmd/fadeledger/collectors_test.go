package main

import (
	"context"
	"errors"
	"io"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/ingest/broker"
	"fadeledger/store"
	"fadeledger/store/storetest"
	"fadeledger/web"
)

// collectorsDB is a database with two units, as its owner opens it.
func collectorsDB(t *testing.T) (*store.DB, string) {
	t.Helper()
	url := storetest.Database(t)
	db, err := store.Open(t.Context(), url, discard())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	r := store.Registration{Models: household.Models(), Terms: household.EditionsOfTerms()}
	for _, serial := range []analytics.Serial{"KL-1", "KL-2"} {
		r.Units = append(r.Units, analytics.Unit{Serial: serial, Model: household.Models()[0].Name})
	}
	if _, err := db.Register(t.Context(), r); err != nil {
		t.Fatal(err)
	}
	return db, url
}

// TestLoginsReachTheBroker: a login that is added in the database lets a
// collector connect to the broker of this process; dropped, it is cut off.
func TestLoginsReachTheBroker(t *testing.T) {
	db, _ := collectorsDB(t)
	embedded, err := broker.StartEmbedded(t.Context(), broker.EmbeddedConfig{
		DataDir: t.TempDir(), Listen: "127.0.0.1:0", Logins: []broker.Login{}, Logger: discard(), Sync: broker.SyncLater, MaxStore: 64 << 20,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := embedded.Shutdown(context.Background()); err != nil {
			t.Error(err)
		}
	})
	s := &services{db: db, embedded: embedded, log: discard()}
	ctx, stop := context.WithCancel(t.Context())
	kept := make(chan error, 1)
	go func() { kept <- s.keepLogins(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-kept; err != nil {
			t.Error(err)
		}
	})
	keeper := &collectors{db: db}
	login, password, err := keeper.AddLogin(t.Context(), "gateway-1")
	if err != nil || login.User != "gateway-1" || login.PasswordHash != "" || len(password) < 20 {
		t.Fatalf("%+v with a password of %d bytes, %v", login, len(password), err)
	}
	connect := func() (*nats.Conn, error) {
		return nats.Connect(embedded.ClientURL(), nats.UserInfo(login.User, password), nats.NoReconnect(), nats.CustomInboxPrefix(broker.InboxPrefix("gateway-1")))
	}
	var nc *nats.Conn
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(100 * time.Millisecond) {
		if nc, err = connect(); err == nil {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("not let in: %v", err)
		}
	}
	defer nc.Close()
	closed := make(chan struct{})
	nc.SetClosedHandler(func(*nats.Conn) { close(closed) })
	if err := keeper.DropLogin(t.Context(), login.User); err != nil {
		t.Fatal(err)
	}
	select {
	case <-closed:
	case <-time.After(10 * time.Second):
		t.Fatal("the dropped login lives on")
	}
	if nc, err := connect(); err == nil {
		nc.Close()
		t.Error("the dropped login is let in")
	}
	for _, bad := range []string{"", "a.b", "a b", strings.Repeat("a", 65)} {
		if _, _, err := keeper.AddLogin(t.Context(), bad); !errors.Is(err, analytics.ErrInvalid) {
			t.Errorf("a collector named %q: %v", bad, err)
		}
		if err := keeper.SetUp(t.Context(), analytics.Collector{Name: bad, Taking: analytics.TakesAny}); !errors.Is(err, analytics.ErrInvalid) {
			t.Errorf("a collector named %q is set up: %v", bad, err)
		}
	}
}

func TestProfilesAreTried(t *testing.T) {
	db, _ := collectorsDB(t)
	c := &collectors{db: db}
	const lines = "unit,time,soc_pct\nKL-1,2026-05-01T00:00:00Z,50\nKL-1,2026-05-01T00:01:00Z,high\n"
	if x, err := c.TryProfile(t.Context(), "gateway-1", nil, []byte(lines)); err != nil || x.Samples != 1 || len(x.Quarantined) != 1 {
		t.Errorf("the plain contract: %+v, %v", x, err)
	}
	if _, err := c.TryProfile(t.Context(), "gateway-1", []byte("columns: ["), []byte(lines)); !errors.Is(err, analytics.ErrInvalid) {
		t.Errorf("no YAML: %v", err)
	}
	if x, err := c.TryProfile(t.Context(), "gateway-1", nil, nil); err != nil || x.Samples != 0 {
		t.Errorf("nothing to try it on: %+v, %v", x, err)
	}
	if body, err := c.Profile(t.Context(), "gateway-1"); err != nil || len(body) != 0 {
		t.Errorf("a trial is kept: %q, %v", body, err)
	}
}

// output gives what a command writes to the standard output.
func output(t *testing.T, run func() error) string {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	before := os.Stdout
	os.Stdout = w
	read := make(chan string)
	go func() {
		b, _ := io.ReadAll(r)
		read <- string(b)
	}()
	err = run()
	os.Stdout = before
	w.Close()
	text := <-read
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return text
}

// TestCollectorCommands: what is set up by commands is there, and the broker's
// users that they write are those that were added.
func TestCollectorCommands(t *testing.T) {
	db, url := collectorsDB(t)
	admin := analytics.Principal{Kind: analytics.KindPerson, ID: 1, Name: "e.koski", Role: analytics.RoleAdministrator}
	handler, err := web.New(web.Config{Ledger: db, Collectors: &collectors{db: db}, As: admin, Logger: discard()})
	if err != nil {
		t.Fatal(err)
	}
	site := httptest.NewServer(handler)
	defer site.Close()
	at := server{Server: site.URL}
	ctx := t.Context()
	gateway := named{at, "gateway-1"}
	output(t, func() error {
		return collectorsSetCmd{named: gateway, Taking: "first-come", Prefix: []string{"X,Y", "K"}}.Run(ctx)
	})
	output(t, func() error { return collectorsBindCmd{ofUnits{gateway, []string{"KL-1", "KL-2"}}}.Run(ctx) })
	output(t, func() error { return collectorsFreeCmd{ofUnits{gateway, []string{"KL-2"}}}.Run(ctx) })
	if err := (collectorsBindCmd{ofUnits{gateway, []string{"KL-9"}}}).Run(ctx); err == nil || !strings.Contains(err.Error(), "KL-9") {
		t.Errorf("a unit that is not registered: %v", err)
	}
	c, err := db.Collector(ctx, "gateway-1")
	if err != nil || c.Taking != analytics.TakesFirst || strings.Join(c.Prefixes, " ") != "K X,Y" || c.Bound != 1 {
		t.Errorf("set up: %+v, %v", c, err)
	}
	// Another collector delivers what is not its own, and asks.
	output(t, func() error {
		return collectorsSetCmd{named: named{at, "gateway-2"}, Taking: "first-come"}.Run(ctx)
	})
	now := analytics.InstantOf(time.Now())
	delivery := analytics.Incoming{
		Delivery: analytics.Delivery{Stream: "s", Sequence: 1, Collector: "gateway-2", StoredAt: now},
		Units: []analytics.UnitSamples{
			{Serial: "KL-1", Samples: []analytics.Sample{{Time: now - 1000, Has: analytics.HasSoC, SoC: 1}}},
			{Serial: "KL-2", Samples: []analytics.Sample{{Time: now - 1000, Has: analytics.HasSoC, SoC: 1}}},
		},
	}
	if _, err := db.Take(ctx, []analytics.Incoming{delivery}); err != nil {
		t.Fatal(err)
	}
	if text := output(t, func() error { return collectorsAskingCmd{at}.Run(ctx) }); !strings.Contains(text, "KL-1") || !strings.Contains(text, "gateway-1") {
		t.Errorf("asking:\n%s", text)
	}
	other := named{at, "gateway-2"}
	output(t, func() error { return collectorsYesCmd{ofUnits{other, []string{"KL-2"}}}.Run(ctx) })
	output(t, func() error { return collectorsNoCmd{ofUnits{other, []string{"KL-1"}}}.Run(ctx) })
	if text := output(t, func() error { return collectorsAskingCmd{at}.Run(ctx) }); text != "nothing waits for approval\n" {
		t.Errorf("asking: %s", text)
	}
	s := &services{db: db, log: discard()}
	if err := s.releaseRegistered(ctx); err != nil {
		t.Fatal(err)
	}
	if u, err := db.Unit(ctx, "KL-2"); err != nil || u.Ledger.Samples != 1 {
		t.Errorf("approved: %d samples, %v", u.Ledger.Samples, err)
	}
	if u, err := db.Unit(ctx, "KL-1"); err != nil || u.Ledger.Samples != 0 {
		t.Errorf("refused: %d samples, %v", u.Ledger.Samples, err)
	}

	first := output(t, func() error { return loginAddCmd{gateway}.Run(ctx) })
	second := output(t, func() error { return loginAddCmd{gateway}.Run(ctx) })
	if !strings.HasPrefix(first, "user: gateway-1\npassword: ") || !strings.HasPrefix(second, "user: gateway-1.2\n") {
		t.Errorf("logins:\n%s%s", first, second)
	}
	output(t, func() error { return loginDropCmd{at, "gateway-1"}.Run(ctx) })
	if text := output(t, func() error { return loginListCmd{gateway}.Run(ctx) }); strings.Count(text, "\n") != 2 || !strings.Contains(text, "gateway-1.2  e.koski") {
		t.Errorf("logins:\n%s", text)
	}
	if text := output(t, func() error { return collectorsListCmd{at}.Run(ctx) }); !strings.Contains(text, "first-come") || !strings.Contains(text, "K X,Y") {
		t.Errorf("list:\n%s", text)
	}
	checkBrokerConfig(t, url)
}

func checkBrokerConfig(t *testing.T, url string) {
	t.Helper()
	hash, err := broker.HashPassword("password-of-the-service")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	hashFile := filepath.Join(dir, "hash")
	if err := os.WriteFile(hashFile, []byte(hash+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := brokerConfigCmd{console: console{Database: url}, Service: "fadeledger", ServiceHashFile: hashFile}
	text := output(t, func() error { return cmd.Run(t.Context(), discard()) })
	file := filepath.Join(dir, "nats.conf")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	opts, err := natsserver.ProcessConfigFile(file)
	if err != nil || len(opts.Users) != 2 || opts.Users[0].Username != "fadeledger" || opts.Users[0].Permissions != nil || opts.Users[1].Username != "gateway-1.2" {
		t.Fatalf("the broker reads %d users, %v:\n%s", len(opts.Users), err, text)
	}
	if p := opts.Users[1].Permissions; strings.Join(p.Publish.Allow, " ") != "telemetry.gateway-1 receipts.gateway-1" || strings.Join(p.Subscribe.Allow, " ") != "_INBOX_gateway-1.>" {
		t.Errorf("permissions: %+v %+v", p.Publish, p.Subscribe)
	}
	cmd.ServiceHashFile = ""
	if err := cmd.Run(t.Context(), discard()); err == nil {
		t.Error("written without the service's hash")
	}
}
