package deploy_test

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/store/storetest"
)

const brokerPassword = "p4f2c9e1-invented"

// brokerOptions reads nats.conf as the server would.
func brokerOptions(t *testing.T) *server.Options {
	t.Helper()
	t.Setenv("FADELEDGER_BROKER_PASSWORD", brokerPassword)
	opts, err := server.ProcessConfigFile("nats.conf")
	if err != nil {
		t.Fatal(err)
	}
	return opts
}

func TestBrokerSettings(t *testing.T) {
	opts := brokerOptions(t)
	if !opts.JetStream || !opts.SyncAlways {
		t.Errorf("JetStream %v, sync always %v: want both", opts.JetStream, opts.SyncAlways)
	}
	if opts.StoreDir != "/data" {
		t.Errorf("stores in %s, where no volume is", opts.StoreDir)
	}
	if want := int64(20) << 30; opts.JetStreamMaxStore < want*9/10 {
		t.Errorf("store of %d bytes, want about %d", opts.JetStreamMaxStore, want)
	}
	if opts.Username != "fadeledger" || opts.Password != brokerPassword {
		t.Errorf("user %q with password %q", opts.Username, opts.Password)
	}
	if opts.HTTPHost != "127.0.0.1" {
		t.Errorf("monitoring listens on %q", opts.HTTPHost)
	}
	if opts.MaxPayload < 1<<20 {
		t.Errorf("payloads of %d bytes only", opts.MaxPayload)
	}
}

func TestBrokerNeedsItsPassword(t *testing.T) {
	t.Setenv("FADELEDGER_BROKER_PASSWORD", "x") // so that it is put back
	if err := os.Unsetenv("FADELEDGER_BROKER_PASSWORD"); err != nil {
		t.Fatal(err)
	}
	if _, err := server.ProcessConfigFile("nats.conf"); err == nil {
		t.Error("the settings are read without a password")
	}
}

// The settings run: a stream on disk can be made and published to with the
// password, and nobody gets in without it.
func TestBrokerRuns(t *testing.T) {
	opts := brokerOptions(t)
	opts.Host, opts.Port, opts.HTTPPort = "127.0.0.1", server.RANDOM_PORT, 0
	opts.StoreDir = t.TempDir()
	opts.NoSigs, opts.NoLog = true, true
	s, err := server.NewServer(opts)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(20 * time.Second) {
		t.Fatal("the broker is not ready after 20 s")
	}
	if nc, err := nats.Connect(s.ClientURL()); err == nil {
		nc.Close()
		t.Error("connected without a password")
	}
	nc, err := nats.Connect(s.ClientURL(), nats.UserInfo("fadeledger", brokerPassword))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	// The size that the stream of deliveries asks for.
	_, err = js.CreateStream(ctx, jetstream.StreamConfig{
		Name: "T", Subjects: []string{"t.*"}, Storage: jetstream.FileStorage, MaxBytes: 16 << 30})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(ctx, "t.a", []byte("delivery")); err != nil {
		t.Error(err)
	}
}

var settingLine = regexp.MustCompile(`^([a-z_]+) = ('[^']*'|\S+)$`)

// Postgres takes every setting of the file, and has it in force.
func TestDatabaseSettings(t *testing.T) {
	t.Parallel()
	settings := map[string]string{}
	for line := range strings.Lines(readFile(t, "postgres.conf")) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		m := settingLine.FindStringSubmatch(line)
		if m == nil {
			t.Fatalf("not a setting: %q", line)
		}
		if _, twice := settings[m[1]]; twice {
			t.Errorf("%s is set twice", m[1])
		}
		settings[m[1]] = strings.Trim(m[2], "'")
	}
	for _, name := range []string{"fsync", "synchronous_commit", "full_page_writes"} {
		if settings[name] != "on" {
			t.Errorf("%s must be on", name)
		}
	}
	url, _ := storetest.Alone(t, settings)
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	for name, want := range settings {
		var got string
		if err := conn.QueryRow(t.Context(), `SHOW `+name).Scan(&got); err != nil {
			t.Errorf("%s: %v", name, err)
		} else if got != want {
			t.Errorf("%s is %s, the file says %s", name, got, want)
		}
	}
}

// Every unit starts our binary, sandboxed, and systemd accepts it where it is
// installed.
func TestServiceUnits(t *testing.T) {
	t.Parallel()
	units, err := filepath.Glob("systemd/*.service")
	if err != nil || len(units) != 4 {
		t.Fatalf("%d units, %v", len(units), err)
	}
	dir := t.TempDir()
	args := []string{"verify", "--man=no"}
	for _, unit := range units {
		text := readFile(t, unit)
		if !regexp.MustCompile(`(?m)^ExecStart=/usr/bin/fadeledger (serve|work|migrate)\b`).MatchString(text) {
			t.Errorf("%s starts something else", unit)
		}
		for _, line := range []string{"NoNewPrivileges=yes", "ProtectSystem=strict", "CapabilityBoundingSet=", "SystemCallFilter=@system-service"} {
			if !strings.Contains(text, "\n"+line+"\n") {
				t.Errorf("%s lacks %s", unit, line)
			}
		}
		// verify wants the program to exist, and a template to have a name.
		text = strings.ReplaceAll(text, "/usr/bin/fadeledger", "/bin/true")
		path := filepath.Join(dir, strings.Replace(filepath.Base(unit), "@.", "@1.", 1))
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		args = append(args, path)
	}
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Log("systemd-analyze is not installed: the units' syntax was not verified")
		return
	}
	if out, err := exec.Command(analyze, args...).CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("systemd-analyze: %v\n%s", err, out)
	}
}
