package broker_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/ingest/broker"
)

// TestAuthorizationOfAnotherServer: what is written is read by the server as it
// reads its own configuration, lets in who is in it and holds them to the same.
// Written anew and read again, a dropped login is cut off.
func TestAuthorizationOfAnotherServer(t *testing.T) {
	const workers = "password-of-the-workers"
	dir := t.TempDir()
	hash, err := broker.HashPassword(workers)
	if err != nil {
		t.Fatal(err)
	}
	second := login(t, "c-07", otherPassword)
	second.User = "c-07.2"
	write := func(logins ...broker.Login) {
		t.Helper()
		var b bytes.Buffer
		if err := broker.WriteAuthorization(&b, "fadeledger", hash, logins); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "authorization.conf"), b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(login(t, "c-07", password), second, login(t, "c-08", otherPassword))
	main := filepath.Join(dir, "nats.conf")
	text := "server_name: test\nlisten: \"127.0.0.1:-1\"\njetstream {store_dir: \"" + filepath.Join(dir, "data") + "\"}\ninclude authorization.conf\n"
	if err := os.WriteFile(main, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	opts, err := server.ProcessConfigFile(main)
	if err != nil {
		t.Fatal(err)
	}
	opts.NoSigs, opts.NoLog = true, true
	srv, err := server.NewServer(opts)
	if err != nil {
		t.Fatal(err)
	}
	srv.Start()
	t.Cleanup(func() { srv.Shutdown(); srv.WaitForShutdown() })
	if !srv.ReadyForConnections(10 * time.Second) {
		t.Fatal("the server is not ready")
	}
	as := func(user string) (*nats.Conn, error) {
		return broker.Connect(t.Context(), strings.Replace(srv.ClientURL(), "//", "//"+user+"@", 1), "test", quiet(t),
			nats.RetryOnFailedConnect(false), nats.MaxReconnects(0))
	}
	worker, err := as("fadeledger:" + workers)
	if err != nil {
		t.Fatal(err)
	}
	defer worker.Close()
	js, err := jetstream.New(worker)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := broker.EnsureStream(t.Context(), js, broker.Config{Partitions: 1, MaxBytes: 1 << 20}); err != nil {
		t.Fatal(err)
	}
	for _, wrong := range []string{"c-07:" + otherPassword, "c-09:" + password, "fadeledger:" + password, "fadeledger:x"} {
		if nc, err := as(wrong); err == nil {
			nc.Close()
			t.Errorf("%s is let in", wrong)
		}
	}
	gone := make(chan struct{}, 1)
	for _, user := range []string{"c-07:" + password, "c-07.2:" + otherPassword} {
		nc, err := as(user)
		if err != nil {
			t.Fatal(err)
		}
		defer nc.Close()
		if answer, denied := sendAs(t, nc, "telemetry.c-07", nil, "mine"); denied || !strings.Contains(answer, `"seq"`) {
			t.Errorf("%s: %q, denied %v", user, answer, denied)
		}
		for _, subject := range []string{"telemetry.c-08", "$JS.API.STREAM.INFO.TELEMETRY", "receipts.c-08", broker.InboxPrefix("c-08") + ".x"} {
			if answer, denied := sendAs(t, nc, subject, nil, "{}"); !denied {
				t.Errorf("%s publishes to %s: %q", user, subject, answer)
			}
		}
		if strings.HasPrefix(user, "c-07:") {
			nc.SetClosedHandler(func(*nats.Conn) { gone <- struct{}{} })
		}
	}
	write(second)
	if err := srv.Reload(); err != nil {
		t.Fatal(err)
	}
	select {
	case <-gone:
	case <-time.After(5 * time.Second):
		t.Error("the dropped login lives on")
	}

	var none bytes.Buffer
	for name, err := range map[string]error{
		"plain password of the service": broker.WriteAuthorization(&none, "fadeledger", workers, nil),
		"no service":                    broker.WriteAuthorization(&none, "", hash, nil),
		"a collector of the same name":  broker.WriteAuthorization(&none, "c-07", hash, []broker.Login{login(t, "c-07", password)}),
		"plain password of a collector": broker.WriteAuthorization(&none, "fadeledger", hash, []broker.Login{{Collector: "c-07", PasswordHash: password}}),
	} {
		if err == nil || none.Len() > 0 {
			t.Errorf("%s: %v, %d bytes", name, err, none.Len())
		}
	}
}
