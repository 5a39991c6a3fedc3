package broker_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"fadeledger/analytics"
	"fadeledger/ingest/broker"
)

// receiptsOf answers as a database would that holds a few series.
func receiptsOf(_ context.Context, collector, series string) (any, error) {
	switch series {
	case "unknown":
		return nil, fmt.Errorf("series %s of %s: %w", series, collector, analytics.ErrNotFound)
	case "broken":
		return nil, errors.New("dial tcp 10.0.0.7:5432: no route to host")
	case "panics":
		panic("out of range")
	}
	return analytics.Receipt{Collector: collector, Series: series, Through: 4, Last: 9, Holes: [][2]int64{{5, 6}, {8, 8}}}, nil
}

func (b *bench) serve(t *testing.T, answer func(context.Context, string, string) (any, error)) {
	t.Helper()
	stop, err := broker.ServeReceipts(t.Context(), b.nc, answer, quiet(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(stop)
}

func TestReceipt(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 1})
	if _, err := broker.AskReceipt(t.Context(), b.nc, "c-07", "run 1"); !errors.Is(err, broker.ErrNoReceipt) {
		t.Errorf("nobody there: %v", err)
	}
	b.serve(t, receiptsOf)
	r, err := broker.AskReceipt(t.Context(), b.nc, "c-07", `run "1" of 2026`)
	if err != nil || r.Collector != "c-07" || r.Series != `run "1" of 2026` || r.Through != 4 || r.Last != 9 || fmt.Sprint(r.Holes) != "[[5 6] [8 8]]" {
		t.Errorf("got %+v, %v", r, err)
	}
	for series, want := range map[string]string{
		"unknown": "series unknown of c-07: not found", "broken": "the receipt cannot be told now; ask again", "panics": "the receipt cannot be told now; ask again",
	} {
		if _, err := broker.AskReceipt(t.Context(), b.nc, "c-07", series); !errors.Is(err, broker.ErrNoReceipt) || !strings.HasSuffix(err.Error(), want) {
			t.Errorf("%s: %v", series, err)
		}
	}
	for _, series := range []string{"", strings.Repeat("s", 65), "a\nb", "é"} {
		if _, err := broker.AskReceipt(t.Context(), b.nc, "c-07", series); !errors.Is(err, broker.ErrSeries) {
			t.Errorf("series %q: %v", series, err)
		}
	}
	if _, err := broker.AskReceipt(t.Context(), b.nc, "*", "s"); !errors.Is(err, broker.ErrCollector) {
		t.Errorf("collector *: %v", err)
	}
}

func TestReceiptOnTheWire(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 1})
	b.serve(t, receiptsOf)
	const whole = `{"collector":"c-07","series":"s","through":4,"last":9,"holes":[[5,6],[8,8]]}`
	for _, tc := range []struct{ name, question, want string }{
		{"plain", "s", whole},
		{"JSON", `{"series":"s"}`, whole},
		{"JSON with more", `{"series":"s","since":3}`, whole},
		{"no series", "", "invalid series"},
		{"empty object", "{}", "invalid series"},
		{"half an object", `{"series":`, "no JSON object with a series"},
		{"not ASCII", "\x00", "invalid series"},
		{"very long", strings.Repeat("s", 100_000), "the question has 100000 bytes"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			m, err := b.nc.Request(broker.ReceiptSubject("c-07"), []byte(tc.question), 5*time.Second)
			if err != nil {
				t.Fatal(err)
			}
			if tc.want == whole {
				if string(m.Data) != whole {
					t.Errorf("got %s", m.Data)
				}
				return
			}
			var answer map[string]string
			if err := json.Unmarshal(m.Data, &answer); err != nil || len(answer) != 1 || !strings.Contains(answer["error"], tc.want) {
				t.Errorf("got %s, %v", m.Data, err)
			}
		})
	}
}

// TestManyQuestionsAtOnce: few are answered at once, all are answered, and stop
// waits for the last.
func TestManyQuestionsAtOnce(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 1})
	var now, most, done atomic.Int64
	stop, err := broker.ServeReceipts(t.Context(), b.nc, func(ctx context.Context, collector, series string) (any, error) {
		n := now.Add(1)
		for old := most.Load(); n > old && !most.CompareAndSwap(old, n); old = most.Load() {
		}
		time.Sleep(5 * time.Millisecond)
		now.Add(-1)
		done.Add(1)
		return receiptsOf(ctx, collector, series)
	}, quiet(t))
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	for i := range 100 {
		wg.Go(func() {
			collector, series := fmt.Sprintf("c-%02d", i%7), fmt.Sprintf("s-%d", i)
			if r, err := broker.AskReceipt(t.Context(), b.nc, collector, series); err != nil || r.Series != series || r.Collector != collector {
				t.Errorf("%d: %+v, %v", i, r, err)
			}
		})
	}
	wg.Wait()
	if most.Load() > 8 || done.Load() != 100 {
		t.Errorf("%d at once, %d answered", most.Load(), done.Load())
	}
	inbox := nats.NewInbox()
	if err := b.nc.PublishRequest(broker.ReceiptSubject("c-07"), inbox, []byte("s")); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(5 * time.Second); now.Load() == 0 && done.Load() == 100 && time.Now().Before(deadline); {
		time.Sleep(100 * time.Microsecond)
	}
	stop()
	if now.Load() != 0 || done.Load() != 101 {
		t.Errorf("after stop: %d under way, %d answered", now.Load(), done.Load())
	}
	if _, err := broker.AskReceipt(t.Context(), b.nc, "c-07", "s"); !errors.Is(err, broker.ErrNoReceipt) {
		t.Errorf("after stop: %v", err)
	}
}

// TestReceiptsOfOthersCannotBeRead, nor can an answer be sent where the asker
// may not publish.
func TestReceiptsOfOthersCannotBeRead(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{Listen: "127.0.0.1:0", Logins: []broker.Login{login(t, "c-07", password), login(t, "c-08", otherPassword)}}, broker.Config{Partitions: 1})
	b.serve(t, receiptsOf)
	nc, err := broker.Connect(t.Context(), strings.Replace(b.embedded.ClientURL(), "//", "//c-07:"+password+"@", 1), "c-07", quiet(t))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	if r, err := broker.AskReceipt(t.Context(), nc, "c-07", "s"); err != nil || r.Through != 4 {
		t.Errorf("its own: %+v, %v", r, err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if r, err := broker.AskReceipt(ctx, nc, "c-08", "s"); err == nil {
		t.Errorf("another's: %+v", r)
	}
	// Nor can it take the place of the service.
	sub, err := nc.QueueSubscribeSync("receipts.*", "fadeledger-receipts")
	if err != nil {
		t.Fatal(err)
	}
	for _, reply := range []string{"telemetry.c-08", "$JS.API.STREAM.PURGE.TELEMETRY", "$JS.API.STREAM.DELETE.TELEMETRY", broker.InboxPrefix("c-08") + ".x", "receipts.c-08"} {
		if err := nc.PublishRequest(broker.ReceiptSubject("c-07"), reply, []byte("s")); err != nil {
			t.Fatal(err)
		}
	}
	p, err := broker.NewPublisher(nc, broker.PublisherConfig{Logger: quiet(t)})
	if err != nil {
		t.Fatal(err)
	}
	publish(t, p, "c-07", csv("", "still there?"))
	if r, err := broker.AskReceipt(t.Context(), nc, "c-07", "s"); err != nil || r.Through != 4 {
		t.Errorf("its own, after all: %+v, %v", r, err)
	}
	if m, err := sub.NextMsg(50 * time.Millisecond); err == nil {
		t.Errorf("heard %s", m.Subject)
	}
	state, err := broker.State(t.Context(), b.stream)
	if err != nil || state.Messages != 1 || state.LastSequence != 1 {
		t.Errorf("state %+v, %v", state, err)
	}
}

// TestWhatAnAcknowledgementCanDoElsewhere: the server answers a delivery on
// whatever reply subject it carries, and the collector's permissions do not
// hold for that. It can reach neither the stream's interface nor another's
// acknowledgements; under another's name it gets no more than the server's own
// text, which no decoder takes for a sample.
func TestWhatAnAcknowledgementCanDoElsewhere(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{Listen: "127.0.0.1:0", Logins: []broker.Login{login(t, "c-07", password)}}, broker.Config{Partitions: 1})
	nc, err := broker.Connect(t.Context(), strings.Replace(b.embedded.ClientURL(), "//", "//c-07:"+password+"@", 1), "c-07", quiet(t))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	publish(t, b.publisher(t, 0), "c-09", csv("", "taken and not acknowledged"))
	b.take(t, 0, 1)
	replies := []string{
		"telemetry.c-08", "$JS.API.STREAM.PURGE.TELEMETRY", "$JS.API.STREAM.DELETE.TELEMETRY", "$JS.API.CONSUMER.DELETE.TELEMETRY.count-p000",
		"$JS.API.STREAM.UPDATE.TELEMETRY", "$JS.ACK.TELEMETRY.count-p000.1.1.1.1.0",
	}
	for _, reply := range replies {
		if err := nc.PublishRequest(broker.Subject("c-07"), reply, []byte("x")); err != nil {
			t.Fatal(err)
		}
	}
	if err := nc.FlushTimeout(5 * time.Second); err != nil {
		t.Fatal(err)
	}
	time.Sleep(200 * time.Millisecond)
	state, err := broker.State(t.Context(), b.stream)
	// One of c-09, one each of c-07 but for the acknowledgement, one of c-08.
	if err != nil || state.Messages != uint64(len(replies)+1) || state.Unacked != 1 {
		t.Fatalf("state %+v, %v", state, err)
	}
	for s := range state.LastSequence {
		m, err := b.stream.GetMsg(t.Context(), s+1)
		if err != nil {
			t.Fatal(err)
		}
		if collector, _, _ := broker.CollectorOf(m.Subject); collector == "c-08" && string(m.Data) != `{"stream":"TELEMETRY","seq":2}` {
			t.Errorf("%d is stored for c-08: %s", s+1, m.Data)
		}
	}
}

func TestSeriesAndNumberGoIntoTheHeaders(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 1})
	p := b.publisher(t, 0)
	m := csv("", "x")
	m.Series, m.Number = "boot 17", 1<<40
	publish(t, p, "c-07", m)
	publish(t, p, "c-07", csv("", "x"))
	got := b.take(t, 0, 2)
	if h := got[0].Headers(); h.Get(broker.HeaderSeries) != "boot 17" || h.Get(broker.HeaderNumber) != "1099511627776" {
		t.Errorf("headers %v", h)
	}
	if h := got[1].Headers(); h.Get(broker.HeaderSeries) != "" || h.Get(broker.HeaderNumber) != "" {
		t.Errorf("without: headers %v", h)
	}
	for _, tc := range []struct {
		series string
		number int64
	}{{"", 1}, {"s", 0}, {"s", -1}, {"", -1}, {strings.Repeat("s", 65), 1}, {"a\r\nNats-Rollup: all", 1}, {"é", 1}} {
		m := csv("", "x")
		m.Series, m.Number = tc.series, tc.number
		if _, err := p.Publish(t.Context(), "c-07", m); !errors.Is(err, broker.ErrMessage) {
			t.Errorf("%q, %d: %v", tc.series, tc.number, err)
		}
	}
}
