package broker_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/ingest/broker"
)

// hostile is a collector that is let in as c-07 and means harm, beside c-08 who
// does not and the workers.
type hostile struct {
	*bench
	nc     *nats.Conn // of c-07
	victim *nats.Conn // of c-08
	// before is the stream's last sequence.
	before uint64
	// asked counts questions for receipts of c-08.
	asked chan string
}

func newHostile(t *testing.T) *hostile {
	t.Helper()
	logins := []broker.Login{login(t, "c-07", password), login(t, "c-08", otherPassword)}
	b := start(t, broker.EmbeddedConfig{Listen: "127.0.0.1:0", Logins: logins}, broker.Config{Partitions: 1})
	h := &hostile{bench: b, asked: make(chan string, 100)}
	h.nc, h.victim = b.as(t, "c-07:"+password), b.as(t, "c-08:"+otherPassword)
	stop, err := broker.ServeReceipts(t.Context(), b.nc, func(_ context.Context, collector, series string) (any, error) {
		h.asked <- collector
		return map[string]any{"Collector": collector, "Series": series}, nil
	}, quiet(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(stop)
	return h
}

// as connects a collector from outside.
func (b *bench) as(t *testing.T, user string) *nats.Conn {
	t.Helper()
	nc, err := broker.Connect(t.Context(), strings.Replace(b.embedded.ClientURL(), "//", "//"+user+"@", 1), "test", quiet(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return nc
}

func (h *hostile) last(t *testing.T) uint64 {
	t.Helper()
	info, err := h.stream.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return info.State.LastSeq
}

// send publishes with an answer asked for, and gives the answer.
func (h *hostile) send(t *testing.T, subject string, header nats.Header, body string) (answer string, denied bool) {
	t.Helper()
	return sendAs(t, h.nc, subject, header, body)
}

func sendAs(t *testing.T, nc *nats.Conn, subject string, header nats.Header, body string) (answer string, denied bool) {
	t.Helper()
	violations := make(chan error, 1)
	before := nc.ErrorHandler()
	defer nc.SetErrorHandler(before)
	nc.SetErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
		select {
		case violations <- err:
		default:
		}
	})
	m := nats.NewMsg(subject)
	m.Header, m.Data = header, []byte(body)
	got := make(chan string, 1)
	go func() {
		a, err := nc.RequestMsg(m, 400*time.Millisecond)
		if err != nil {
			got <- ""
			return
		}
		got <- string(a.Data)
	}()
	select {
	case answer = <-got:
	case <-violations:
		return "", true
	}
	select {
	case <-violations:
		return answer, true
	default:
		return answer, false
	}
}

// TestForbiddenSubjects: a collector's login publishes to its own two subjects
// and nowhere else, whatever the subject would do.
func TestForbiddenSubjects(t *testing.T) {
	h := newHostile(t)
	publish(t, h.publisher(t, 0), "c-08", csv("", "of c-08"))
	h.before = h.last(t)
	heard, err := h.nc.SubscribeSync(broker.InboxPrefix("c-07") + ".>")
	if err != nil {
		t.Fatal(err)
	}
	_ = heard
	victimInbox, err := h.victim.SubscribeSync(broker.InboxPrefix("c-08") + ".>")
	if err != nil || h.victim.Flush() != nil {
		t.Fatal(err)
	}
	for _, subject := range []string{
		"telemetry.c-08", "telemetry.0.c-08", "telemetry.0.c-07", "telemetry.c-07.x", "telemetry", "telemetry.", "telemetry.*", "TELEMETRY.c-08",
		"receipts.c-08", "receipts.c-07.x", broker.InboxPrefix("c-08") + ".x", "_INBOX.x", broker.InboxPrefix("c-07") + ".x",
		"$JS.API.INFO", "$JS.API.STREAM.NAMES", "$JS.API.STREAM.INFO.TELEMETRY", "$JS.API.STREAM.PURGE.TELEMETRY", "$JS.API.STREAM.DELETE.TELEMETRY",
		"$JS.API.STREAM.UPDATE.TELEMETRY", "$JS.API.STREAM.CREATE.MINE", "$JS.API.STREAM.MSG.GET.TELEMETRY", "$JS.API.STREAM.MSG.DELETE.TELEMETRY",
		"$JS.API.STREAM.SNAPSHOT.TELEMETRY", "$JS.API.STREAM.RESTORE.TELEMETRY", "$JS.API.DIRECT.GET.TELEMETRY",
		"$JS.API.CONSUMER.CREATE.TELEMETRY", "$JS.API.CONSUMER.CREATE.TELEMETRY.mine", "$JS.API.CONSUMER.LIST.TELEMETRY", "$JS.API.CONSUMER.DELETE.TELEMETRY.p000",
		"$JS.API.CONSUMER.MSG.NEXT.TELEMETRY.p000", "$JS.ACK.TELEMETRY.p000.1.1.1.1.0", "$JS.ACK.>", "$JS.FC.TELEMETRY.x",
		"$SYS.REQ.SERVER.PING", "$SYS.REQ.USER.INFO", "$SYS.REQ.ACCOUNT.PING.CONNZ", "$SYS.ACCOUNT.$G.CONNECT", "$KV.bucket.key", "$O.bucket.M.x",
		"$MQTT.sub.x", "$MQTT.JSA.x", "$SRV.PING", "anything",
	} {
		answer, denied := h.send(t, subject, nil, `{}`)
		if answer != "" {
			t.Errorf("%s answered %s", subject, answer)
		}
		if !denied {
			t.Errorf("%s was not denied", subject)
		}
		if last := h.last(t); last != h.before {
			t.Fatalf("%s put something into the stream: sequence %d, before %d", subject, last, h.before)
		}
	}
	if m, err := victimInbox.NextMsg(50 * time.Millisecond); err == nil {
		t.Errorf("c-08 heard %s: %s", m.Subject, m.Data)
	}
	select {
	case collector := <-h.asked:
		t.Errorf("somebody asked for a receipt of %s", collector)
	default:
	}
	if answer, denied := h.send(t, "telemetry.c-07", nil, "mine"); denied || !strings.Contains(answer, `"seq":2`) {
		t.Errorf("its own: %q, denied %v", answer, denied)
	}
}

// TestForbiddenListening: a collector hears the answers to itself and nothing
// else.
func TestForbiddenListening(t *testing.T) {
	h := newHostile(t)
	for _, subject := range []string{
		">", "*", "*.>", "*.*", "telemetry.>", "telemetry.*", "telemetry.c-07", "telemetry.c-08", "telemetry.*.*", "receipts.>", "receipts.c-07", "_INBOX.>", "_INBOX.*",
		broker.InboxPrefix("c-08") + ".>", broker.InboxPrefix("c-08") + ".*", "_INBOX_*.>", "$SYS.>", "$JS.>", "$JS.API.>", "$JS.ACK.>", "$JS.EVENT.>", "$KV.>", "$O.>", "$MQTT.>", "_R_.>", "_GR_.>",
	} {
		denied := make(chan error, 1)
		h.nc.SetErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { denied <- err })
		sub, err := h.nc.SubscribeSync(subject)
		if err != nil {
			t.Fatal(err)
		}
		if err := h.nc.Flush(); err != nil {
			t.Fatal(err)
		}
		if answer, _ := sendAs(t, h.victim, "telemetry.c-08", nil, "secret"); answer == "" {
			t.Fatal("c-08 gets no answer")
		}
		if m, err := sub.NextMsg(10 * time.Millisecond); err == nil {
			t.Errorf("%s heard %s: %s", subject, m.Subject, m.Data)
		}
		select {
		case <-denied:
		case <-time.After(time.Second):
			t.Errorf("%s was not denied", subject)
		}
		if err := sub.Unsubscribe(); err != nil && err != nats.ErrBadSubscription {
			t.Error(err)
		}
		// A queue group is another way to subscribe.
		if sub, err = h.nc.QueueSubscribeSync(subject, "fadeledger-receipts"); err == nil {
			_ = h.nc.Flush()
			if m, err := sub.NextMsg(10 * time.Millisecond); err == nil {
				t.Errorf("%s heard in a group %s: %s", subject, m.Subject, m.Data)
			}
			<-denied
			_ = sub.Unsubscribe()
		}
	}
}

// TestForbiddenHeaders: whatever headers a collector sends on its own subject,
// the deliveries of another stay, come in, and are answered.
func TestForbiddenHeaders(t *testing.T) {
	h := newHostile(t)
	p := h.publisher(t, 0)
	first := publish(t, p, "c-08", csv("", "kept"))
	future := time.Now().Add(time.Hour).UTC().Format(time.RFC3339)
	tests := map[string]nats.Header{
		"purge of all":                {"Nats-Rollup": {"all"}},
		"purge of a subject":          {"Nats-Rollup": {"sub"}},
		"a time to live":              {"Nats-TTL": {"1s"}},
		"a time to live of never":     {"Nats-TTL": {"never"}},
		"a marker's reason":           {"Nats-Marker-Reason": {"Purge"}},
		"a counter":                   {"Nats-Incr": {"1"}},
		"a schedule":                  {"Nats-Schedule": {"@at " + future}, "Nats-Schedule-Target": {"telemetry.c-08"}},
		"a schedule that goes on":     {"Nats-Schedule": {"@every 1s"}, "Nats-Schedule-Target": {"telemetry.c-08"}, "Nats-Schedule-TTL": {"5m"}},
		"expects another stream":      {"Nats-Expected-Stream": {"OTHER"}},
		"expects a last sequence":     {"Nats-Expected-Last-Sequence": {"99"}},
		"expects a last of a subject": {"Nats-Expected-Last-Subject-Sequence": {"99"}, "Nats-Expected-Last-Subject-Sequence-Subject": {"telemetry.0.c-08"}},
		"expects a last id":           {"Nats-Expected-Last-Msg-Id": {"x"}},
		"a batch without end":         {"Nats-Batch-Id": {"open"}, "Nats-Batch-Sequence": {"1"}},
		"a batch from its middle":     {"Nats-Batch-Id": {"middle"}, "Nats-Batch-Sequence": {"7"}, "Nats-Batch-Commit": {"1"}},
		"a fast batch":                {"Nats-Fast-Batch-Id": {"fast"}, "Nats-Fast-Batch-Sequence": {"1"}},
		"a required api level":        {"Nats-Required-Api-Level": {"99"}},
		"a source":                    {"Nats-Stream-Source": {"OTHER 1 > >"}},
		"a subject of its choice":     {"Nats-Subject": {"telemetry.c-08"}},
		"a sequence of its choice":    {"Nats-Sequence": {"1"}},
		"a status":                    {"Status": {"503"}},
	}
	for name, header := range tests {
		t.Run(name, func(t *testing.T) {
			h.send(t, "telemetry.c-07", header, "harm")
			ack := publish(t, p, "c-08", csv("", "after "+name))
			if m, err := h.stream.GetMsg(t.Context(), first.Sequence); err != nil || string(m.Data) != "kept" {
				t.Errorf("the first delivery of c-08: %v", err)
			}
			if m, err := h.stream.GetMsg(t.Context(), ack.Sequence); err != nil || string(m.Data) != "after "+name || m.Subject != "telemetry.0.c-08" {
				t.Errorf("the delivery after it: %v", err)
			}
		})
	}
	// Nothing of what it sent came to stand under the name of the other, and
	// nothing expires.
	time.Sleep(1200 * time.Millisecond)
	info, err := h.stream.Info(t.Context(), jetstream.WithSubjectFilter(">"))
	if err != nil {
		t.Fatal(err)
	}
	if n := info.State.Subjects["telemetry.0.c-08"]; n != uint64(len(tests)+1) {
		t.Errorf("c-08 has %d deliveries, want %d", n, len(tests)+1)
	}
	if info.State.FirstSeq != 1 || info.State.NumDeleted != 0 {
		t.Errorf("something is gone: %+v", info.State)
	}
}

// TestIdsCannotBeUsedUp: a collector that knows the id by which another tells
// repetitions cannot make the server take the other's delivery for a duplicate.
func TestIdsCannotBeUsedUp(t *testing.T) {
	h := newHostile(t)
	p := h.publisher(t, 500)
	h.send(t, "telemetry.c-07", nats.Header{broker.HeaderID: {"file.csv-1"}}, "poison")
	mine, err := broker.NewPublisher(h.nc, broker.PublisherConfig{Logger: quiet(t)})
	if err != nil {
		t.Fatal(err)
	}
	// By its own client, and with what the other's publisher would send.
	publish(t, mine, "c-07", csv("file.csv-1", "poison"))
	publish(t, mine, "c-07", csv("file.csv-1", "unit,time\n"))
	ack := publish(t, p, "c-08", csv("file.csv-1", "unit,time\n"))
	if ack.Duplicate {
		t.Fatal("the delivery of c-08 is taken for a duplicate")
	}
	if m, err := h.stream.GetMsg(t.Context(), ack.Sequence); err != nil || string(m.Data) != "unit,time\n" || m.Subject != "telemetry.0.c-08" {
		t.Errorf("stored: %v", err)
	}
	// It still tells its own repetitions, and another body is another delivery.
	if again := publish(t, p, "c-08", csv("file.csv-1", "unit,time\n")); !again.Duplicate || again.Sequence != ack.Sequence {
		t.Errorf("its own repetition: %+v", again)
	}
	if other := publish(t, p, "c-08", csv("file.csv-1", "unit,time\nmore")); other.Duplicate {
		t.Error("another body under the same id is lost")
	}
}

// TestOpenBatchesDoNotBlock: a collector that begins as many batches as the
// server allows and ends none does not keep others from storing theirs.
func TestOpenBatchesDoNotBlock(t *testing.T) {
	h := newHostile(t)
	for i := range 120 {
		h.nc.PublishMsg(&nats.Msg{Subject: "telemetry.c-07", Data: []byte("x"), Header: nats.Header{
			"Nats-Batch-Id": {fmt.Sprintf("open-%d", i)}, "Nats-Batch-Sequence": {"1"},
		}})
	}
	if err := h.nc.Flush(); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	acks, err := h.publisher(t, 500).PublishBatch(t.Context(), "c-08", bodies(0, 200))
	if err != nil || len(acks) != 200 {
		t.Fatalf("%d acks, %v", len(acks), err)
	}
	for i, ack := range acks {
		m, err := h.stream.GetMsg(t.Context(), ack.Sequence)
		if err != nil || string(m.Data) != fmt.Sprintf("body %d", i) {
			t.Fatalf("message %d: %v", i, err)
		}
	}
	t.Logf("200 deliveries of the other took %v", time.Since(began))
}

// TestAnswersUnderAnothersName: by naming the subject of another for its own
// answer a collector has the server put the text of an acknowledgement there.
// That is all it can do, and nobody takes it for a delivery of samples.
func TestAnswersUnderAnothersName(t *testing.T) {
	h := newHostile(t)
	if err := h.nc.PublishRequest("telemetry.c-07", "telemetry.c-08", []byte("harm")); err != nil {
		t.Fatal(err)
	}
	if err := h.nc.Flush(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(100 * time.Millisecond)
	for seq := uint64(1); seq <= h.last(t); seq++ {
		m, err := h.stream.GetMsg(t.Context(), seq)
		if err != nil {
			t.Fatal(err)
		}
		if m.Subject == "telemetry.0.c-08" && !strings.HasPrefix(string(m.Data), `{"stream":"TELEMETRY", "seq":`) && !strings.HasPrefix(string(m.Data), `{"stream":"TELEMETRY","seq":`) {
			t.Errorf("under the name of c-08: %s", m.Data)
		}
	}
}
