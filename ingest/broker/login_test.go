package broker_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"fadeledger/ingest/broker"
)

func login(t *testing.T, collector, password string) broker.Login {
	t.Helper()
	hash, err := broker.HashPassword(password)
	if err != nil {
		t.Fatal(err)
	}
	return broker.Login{Collector: collector, PasswordHash: hash}
}

const (
	password      = "c-07-password-of-a-machine"
	otherPassword = "c-08-password-of-a-machine"
)

func TestCollectorMayOnlyPublishItsOwn(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{Listen: "127.0.0.1:0", Logins: []broker.Login{login(t, "c-07", password), login(t, "c-08", otherPassword)}}, broker.Config{Partitions: 1})
	as := func(user string) string { return strings.Replace(b.embedded.ClientURL(), "//", "//"+user+"@", 1) }
	nc, err := broker.Connect(t.Context(), as("c-07:"+password), "c-07", quiet(t))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	p, err := broker.NewPublisher(nc, broker.PublisherConfig{Logger: quiet(t), AckWait: 300 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	publish(t, p, "c-07", csv("", "mine"))
	if acks, err := p.PublishBatch(t.Context(), "c-07", bodies(0, 50)); err != nil || len(acks) != 50 {
		t.Errorf("series: %d, %v", len(acks), err)
	}
	if _, err := p.Publish(t.Context(), "c-08", csv("", "not mine")); !errors.Is(err, broker.ErrDenied) {
		t.Errorf("another's subject: %v", err)
	}
	for _, subject := range []string{"$JS.API.STREAM.PURGE.TELEMETRY", "$JS.API.STREAM.DELETE.TELEMETRY", "$JS.API.STREAM.INFO.TELEMETRY",
		"$JS.API.CONSUMER.CREATE.TELEMETRY", "$JS.API.STREAM.MSG.GET.TELEMETRY", "$SYS.REQ.SERVER.PING", "telemetry.0.c-07"} {
		if m, err := nc.Request(subject, nil, 100*time.Millisecond); err == nil {
			t.Errorf("%s answered %s", subject, m.Data)
		}
	}
	for _, subject := range []string{">", "telemetry.*", "telemetry.>", broker.InboxPrefix("c-08") + ".>", "_INBOX.>"} {
		sub, err := nc.SubscribeSync(subject)
		if err != nil {
			t.Fatal(err)
		}
		publish(t, p, "c-07", csv("", "heard?"))
		if m, err := sub.NextMsg(50 * time.Millisecond); err == nil {
			t.Errorf("%s heard %s", subject, m.Subject)
		}
	}
	state, err := broker.State(t.Context(), b.stream)
	if err != nil || state.Messages != 56 {
		t.Errorf("state %+v, %v", state, err)
	}
}

func TestLoginsComeAndGo(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{Listen: "127.0.0.1:0", Logins: []broker.Login{}}, broker.Config{})
	try := func(user string) error {
		nc, err := nats.Connect(strings.Replace(b.embedded.ClientURL(), "//", "//"+user, 1))
		if err == nil {
			nc.Close()
		}
		return err
	}
	known := "c-07:" + password + "@"
	for _, user := range []string{"", known, "fadeledger.self:@"} {
		if err := try(user); !errors.Is(err, nats.ErrAuthorization) {
			t.Errorf("before: %q got %v", user, err)
		}
	}
	if err := b.embedded.SetLogins([]broker.Login{login(t, "c-07", password)}); err != nil {
		t.Fatal(err)
	}
	if err := try(known); err != nil {
		t.Errorf("let in: %v", err)
	}
	for _, user := range []string{"", "c-07:wrong@", "c-08:" + otherPassword + "@"} {
		if err := try(user); !errors.Is(err, nats.ErrAuthorization) {
			t.Errorf("%q got %v", user, err)
		}
	}
	closed := make(chan error, 1)
	nc, err := nats.Connect(strings.Replace(b.embedded.ClientURL(), "//", "//"+known, 1), nats.NoReconnect(), nats.ClosedHandler(func(nc *nats.Conn) { closed <- nc.LastError() }))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	if err := b.embedded.SetLogins(nil); err != nil {
		t.Fatal(err)
	}
	select {
	case <-closed:
	case <-time.After(5 * time.Second):
		t.Error("the connection of a revoked login lives on")
	}
	if err := try(known); !errors.Is(err, nats.ErrAuthorization) {
		t.Errorf("after: got %v", err)
	}
	// This process goes on as if nothing had happened.
	publish(t, b.publisher(t, 0), "c-07", csv("", "x"))

	for name, bad := range map[string][]broker.Login{
		"plain password": {{Collector: "c-07", PasswordHash: password}},
		"bad name":       {{Collector: "a.b", PasswordHash: login(t, "x", password).PasswordHash}},
		"twice":          {login(t, "c-07", password), login(t, "c-07", password)},
	} {
		if err := b.embedded.SetLogins(bad); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
	if _, err := broker.HashPassword("short"); err == nil {
		t.Error("a short password was taken")
	}
}
