package broker_test

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/ingest/broker"
)

func TestBadCollectorsAndMessagesAreRefused(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{})
	p := b.publisher(t, 0)
	for name, tc := range map[string]struct {
		collector string
		m         broker.Message
		want      error
	}{
		"no name":            {"", csv("", "x"), broker.ErrCollector},
		"dot":                {"a.b", csv("", "x"), broker.ErrCollector},
		"wildcard":           {"*", csv("", "x"), broker.ErrCollector},
		"full wildcard":      {">", csv("", "x"), broker.ErrCollector},
		"space":              {"a b", csv("", "x"), broker.ErrCollector},
		"letter with accent": {"é", csv("", "x"), broker.ErrCollector},
		"65 letters":         {strings.Repeat("a", 65), csv("", "x"), broker.ErrCollector},
		"empty body":         {"c-07", csv("", ""), broker.ErrMessage},
		"line end in id":     {"c-07", csv("a\r\nNats-Rollup: all", "x"), broker.ErrMessage},
		"long content type":  {"c-07", broker.Message{ContentType: strings.Repeat("a", 300), Body: []byte("x")}, broker.ErrMessage},
		"oversize":           {"c-07", csv("", strings.Repeat("x", broker.MaxBodyBytes+1)), broker.ErrTooLarge},
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := p.Publish(t.Context(), tc.collector, tc.m); !errors.Is(err, tc.want) {
				t.Errorf("got %v, want %v", err, tc.want)
			}
			if acks, err := p.PublishBatch(t.Context(), tc.collector, []broker.Message{tc.m}); !errors.Is(err, tc.want) || len(acks) != 0 {
				t.Errorf("batch: got %v, want %v", err, tc.want)
			}
		})
	}
	publish(t, p, strings.Repeat("a", 64), csv(strings.Repeat("i", 256), strings.Repeat("x", broker.MaxBodyBytes)))
}

func TestServerRefusesOversizeByItself(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{})
	_, err := b.js.Publish(t.Context(), "telemetry.c-07", make([]byte, broker.MaxMessageBytes+1))
	if !errors.Is(err, jetstream.ErrStreamMessageExceedsMaximum) {
		t.Errorf("got %v", err)
	}
}

func bodies(from, n int) []broker.Message {
	msgs := make([]broker.Message, n)
	for i := range msgs {
		msgs[i] = csv(fmt.Sprintf("id-%d", from+i), fmt.Sprintf("body %d", from+i))
	}
	return msgs
}

func TestPublishBatch(t *testing.T) {
	for _, batch := range []int{0, 7, 100, 500, 5000} {
		t.Run(fmt.Sprintf("batches of %d", batch), func(t *testing.T) {
			b := startAs(t, broker.EmbeddedConfig{Sync: broker.SyncAlways}, broker.Config{Partitions: 1})
			p := b.publisher(t, batch)
			acks, err := p.PublishBatch(t.Context(), "c-07", bodies(0, 1201))
			if err != nil || len(acks) != 1201 {
				t.Fatalf("%d acks, %v", len(acks), err)
			}
			for i, ack := range acks {
				if ack.Sequence != uint64(i+1) || ack.Duplicate {
					t.Fatalf("ack %d: %+v", i, ack)
				}
			}
			for i, m := range b.take(t, 0, 1201) {
				if want := fmt.Sprintf("body %d", i); string(m.Data()) != want || m.Headers().Get(broker.HeaderID) == fmt.Sprintf("id-%d", i) || m.Headers().Get(broker.HeaderID) == "" {
					t.Fatalf("message %d: %q, %v", i, m.Data(), m.Headers())
				}
			}
			if acks, err := p.PublishBatch(t.Context(), "c-07", nil); err != nil || len(acks) != 0 {
				t.Errorf("nothing: %v, %v", acks, err)
			}
		})
	}
}

// TestBatchWithDuplicates: the server refuses a batch that holds an id it
// knows, so the messages go one by one and none is lost.
func TestBatchWithDuplicates(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 1})
	p := b.publisher(t, 500)
	if _, err := p.PublishBatch(t.Context(), "c-07", bodies(0, 700)); err != nil {
		t.Fatal(err)
	}
	acks, err := p.PublishBatch(t.Context(), "c-07", append(bodies(650, 700), csv("twin", "x"), csv("twin", "x")))
	if err != nil || len(acks) != 702 {
		t.Fatalf("%d acks, %v", len(acks), err)
	}
	for i, ack := range acks {
		wantDuplicate := i < 50 || i == 701
		if ack.Duplicate != wantDuplicate {
			t.Errorf("ack %d: %+v", i, ack)
		}
	}
	if acks[0].Sequence != 651 || acks[701].Sequence != acks[700].Sequence {
		t.Errorf("acks %+v, %+v, %+v", acks[0], acks[700], acks[701])
	}
	state, err := broker.State(t.Context(), b.stream)
	if err != nil || state.Messages != 1351 {
		t.Errorf("state %+v, %v", state, err)
	}
}

func TestSeriesEndsAtItsError(t *testing.T) {
	broken := errors.New("the file is broken")
	for _, batch := range []int{0, 500} {
		b := start(t, broker.EmbeddedConfig{}, broker.Config{})
		stored := 0
		err := b.publisher(t, batch).PublishMany(t.Context(), "c-07", func(yield func(broker.Message, error) bool) {
			for _, m := range bodies(0, 10) {
				if !yield(m, nil) {
					return
				}
			}
			yield(broker.Message{}, broken)
		}, func(i int, ack broker.Ack) {
			if i != stored || ack.Sequence != uint64(i+1) {
				t.Errorf("stored %d under %d, want %d", i, ack.Sequence, stored)
			}
			stored++
		})
		if !errors.Is(err, broken) || !strings.Contains(err.Error(), "message 10") || stored != 10 {
			t.Errorf("batch %d: %d stored, %v", batch, stored, err)
		}
	}
}

// TestConcurrentPublishers checks that each call and each series gets the
// sequences of its own messages, whoever else publishes at the same time: the
// sequences of a batch are inferred from that of its last message.
func TestConcurrentPublishers(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{})
	p := b.publisher(t, 100)
	check := func(id string, ack broker.Ack) {
		if m, err := b.stream.GetMsg(t.Context(), ack.Sequence); err != nil || string(m.Data) != id || ack.Duplicate {
			t.Errorf("%s acknowledged as %+v: %v", id, ack, err)
		}
	}
	var wg sync.WaitGroup
	for worker := range 4 {
		wg.Go(func() {
			collector := fmt.Sprintf("c-%02d", worker)
			for i := range 100 {
				id := fmt.Sprintf("%s/%d", collector, i)
				ack, err := p.Publish(t.Context(), collector, csv(id, id))
				if err != nil {
					t.Error(err)
					return
				}
				check(id, ack)
			}
		})
		wg.Go(func() {
			collector := fmt.Sprintf("s-%02d", worker)
			var msgs []broker.Message
			for i := range 400 {
				id := fmt.Sprintf("%s/%d", collector, i)
				msgs = append(msgs, csv(id, id))
			}
			acks, err := p.PublishBatch(t.Context(), collector, msgs)
			if err != nil {
				t.Error(err)
			}
			for i, ack := range acks {
				check(msgs[i].ID, ack)
			}
		})
	}
	wg.Wait()
	state, err := broker.State(t.Context(), b.stream)
	if err != nil || state.Messages != 2000 || state.Pending != 2000 {
		t.Errorf("state %+v, %v", state, err)
	}
	batched := 0
	for sequence := range uint64(2000) {
		if m, err := b.stream.GetMsg(t.Context(), sequence+1); err == nil && m.Header.Get("Nats-Batch-Id") != "" {
			batched++
		}
	}
	if batched != 1600 {
		t.Errorf("%d messages came in batches, want 1600", batched)
	}
}

func TestPublishWaitsForAServerThatIsAway(t *testing.T) {
	dir := t.TempDir()
	b := start(t, broker.EmbeddedConfig{DataDir: dir, Listen: "127.0.0.1:0"}, broker.Config{})
	url := b.embedded.ClientURL()
	nc, err := broker.Connect(t.Context(), url, "c-07", quiet(t))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	p, err := broker.NewPublisher(nc, broker.PublisherConfig{Logger: quiet(t), AckWait: 300 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	publish(t, p, "c-07", csv("id-1", "x"))
	b.stop()

	short, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
	defer cancel()
	if _, err := p.Publish(short, "c-07", csv("id-2", "y")); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("away, with a deadline: %v", err)
	}
	done := make(chan error, 2)
	go func() {
		_, err := p.Publish(t.Context(), "c-07", csv("id-2", "y"))
		done <- err
	}()
	go func() {
		acks, err := p.PublishBatch(t.Context(), "c-07", bodies(3, 5))
		if err == nil && len(acks) != 5 {
			err = fmt.Errorf("%d acks", len(acks))
		}
		done <- err
	}()
	b = start(t, broker.EmbeddedConfig{DataDir: dir, Listen: strings.TrimPrefix(url, "nats://")}, broker.Config{})
	for range 2 {
		select {
		case err := <-done:
			if err != nil {
				t.Error(err)
			}
		case <-time.After(20 * time.Second):
			t.Fatal("no answer after the server came back")
		}
	}
	state, err := broker.State(t.Context(), b.stream)
	if err != nil || state.Messages != 7 {
		t.Errorf("state %+v, %v", state, err)
	}
}

func TestDeniedPublishIsSaid(t *testing.T) {
	srv, err := server.NewServer(&server.Options{
		ServerName: "strict", Host: "127.0.0.1", Port: server.RANDOM_PORT, NoSigs: true, NoLog: true, JetStream: true, StoreDir: t.TempDir(),
		Users: []*server.User{
			{Username: "app", Password: "a"},
			{Username: "c-07", Password: "b", Permissions: &server.Permissions{
				Publish:   &server.SubjectPermission{Allow: []string{"telemetry.c-07"}},
				Subscribe: &server.SubjectPermission{Allow: []string{broker.InboxPrefix("c-07") + ".>"}},
			}},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	srv.Start()
	defer srv.WaitForShutdown()
	defer srv.Shutdown()
	if !srv.ReadyForConnections(5 * time.Second) {
		t.Fatal("not ready")
	}
	login := func(user string) *nats.Conn {
		nc, err := broker.Connect(t.Context(), strings.Replace(srv.ClientURL(), "//", "//"+user+"@", 1), user, quiet(t))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(nc.Close)
		return nc
	}
	js, err := jetstream.New(login("app:a"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := broker.EnsureStream(t.Context(), js, broker.Config{MaxBytes: 1 << 20}); err != nil {
		t.Fatal(err)
	}
	p, err := broker.NewPublisher(login("c-07:b"), broker.PublisherConfig{Logger: quiet(t), AckWait: 200 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	publish(t, p, "c-07", csv("", "mine"))
	if _, err := p.Publish(t.Context(), "c-08", csv("", "not mine")); !errors.Is(err, broker.ErrDenied) {
		t.Errorf("got %v", err)
	}
	if _, err := p.PublishBatch(t.Context(), "c-08", bodies(0, 3)); !errors.Is(err, broker.ErrDenied) {
		t.Errorf("series: got %v", err)
	}
	publish(t, p, "c-07", csv("", "mine again"))
}

// TestMQTT speaks MQTT 3.1.1 (OASIS standard of 2014) by hand: CONNECT, then
// PUBLISH with QoS 1 to telemetry/c-07, which the server must answer.
func TestMQTT(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{MQTT: "127.0.0.1:0"}, broker.Config{Partitions: 1})
	conn, err := net.Dial("tcp", b.embedded.MQTTAddress())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := conn.SetDeadline(time.Now().Add(10 * time.Second)); err != nil {
		t.Fatal(err)
	}
	text := func(s string) string { return string(binary.BigEndian.AppendUint16(nil, uint16(len(s)))) + s }
	packet := func(kind byte, body string) {
		if _, err := conn.Write(append([]byte{kind, byte(len(body))}, body...)); err != nil {
			t.Fatal(err)
		}
	}
	in := bufio.NewReader(conn)
	answer := func(want string) {
		got := make([]byte, len(want))
		if _, err := io.ReadFull(in, got); err != nil || string(got) != want {
			t.Fatalf("answer %x, %v, want %x", got, err, want)
		}
	}
	packet(0x10, text("MQTT")+"\x04\x02\x00\x3c"+text("c-07")) // clean session, 60 s
	answer("\x20\x02\x00\x00")
	packet(0x32, text("telemetry/c-07")+"\x00\x07"+"unit,time,soc_pct\n")
	answer("\x40\x02\x00\x07")
	m := b.take(t, 0, 1)[0]
	if m.Subject() != "telemetry.0.c-07" || string(m.Data()) != "unit,time,soc_pct\n" {
		t.Errorf("stored %s %q", m.Subject(), m.Data())
	}
	t.Logf("headers: %v", m.Headers())
}
