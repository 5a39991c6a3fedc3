package metrics_test

import (
	"context"
	"errors"
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/web/metrics"
	"fadeledger/web/webtest"
)

// asked counts how often the ledger is asked.
type asked struct {
	metrics.Ledger
	times int
}

func (a *asked) Ingest(ctx context.Context) (analytics.IngestSummary, error) {
	a.times++
	return a.Ledger.Ingest(ctx)
}

// lines are those of a scrape that are no comments, by name and labels.
func lines(t *testing.T, cfg metrics.Config) map[string]string {
	t.Helper()
	w := httptest.NewRecorder()
	metrics.Handler(cfg).ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	if w.Code != 200 || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/plain; version=0.0.4") {
		t.Fatalf("answered %d as %q\n%s", w.Code, w.Header().Get("Content-Type"), w.Body.String())
	}
	out := map[string]string{}
	for line := range strings.Lines(w.Body.String()) {
		if name, value, ok := strings.Cut(strings.TrimSpace(line), " "); ok && name != "#" {
			out[name] = value
		}
	}
	return out
}

func TestMetrics(t *testing.T) {
	t.Parallel()
	l := webtest.Fleet(3)
	stored := analytics.InstantOf(webtest.Now)
	got := lines(t, metrics.Config{Ledger: l, Version: "1.2", Broker: webtest.Stream{State: analytics.StreamState{
		Bytes: 1 << 20, Messages: 9, Pending: 4, Unacked: 2, LastStoredAt: &stored}}})
	for name, want := range map[string]string{
		`fadeledger_build_info{version="1.2"}`:                                  "1",
		`fadeledger_reachable{part="ledger"}`:                                   "1",
		`fadeledger_reachable{part="broker"}`:                                   "1",
		`fadeledger_rows_read_total`:                                            fmt.Sprint(l.Way.Tally.Read),
		`fadeledger_rows_total{verdict="accepted"}`:                             fmt.Sprint(l.Way.Tally.Accepted),
		`fadeledger_rows_total{verdict="quarantined"}`:                          fmt.Sprint(l.Way.Tally.Quarantined),
		`fadeledger_collectors`:                                                 "4",
		`fadeledger_collector_rows_total{collector="c-02",verdict="duplicate"}`: fmt.Sprint(l.Way.Collectors[1].Tally.Duplicates),
		`fadeledger_quarantine_rows{reason="unknown-unit"}`:                     "212",
		`fadeledger_receipt_holes`:                                              "2",
		`fadeledger_receipt_missing_deliveries`:                                 "5",
		`fadeledger_open_alarms{kind="stream-filling"}`:                         "1",
		`fadeledger_open_alarms{kind="stream-rolled-back"}`:                     "0",
		`fadeledger_open_alarms{kind="unbalanced"}`:                             "0",
		`fadeledger_books_differences`:                                          "0",
		`fadeledger_versions{where="taken"}`:                                    fmt.Sprint(l.Way.Balance.Taken),
		`fadeledger_recounts_total`:                                             "14",
		`fadeledger_stream_bytes`:                                               "1.048576e+06",
		`fadeledger_stream_pending`:                                             "4",
		`fadeledger_stream_unacked`:                                             "2",
	} {
		if got[name] != want {
			t.Errorf("%s is %q, want %q", name, got[name], want)
		}
	}
	for _, name := range []string{"go_goroutines", "process_open_fds"} {
		if got[name] == "" {
			t.Errorf("%s is missing", name)
		}
	}
	for name := range got {
		if strings.Contains(name, "HB5-") {
			t.Errorf("%s is labelled by unit", name)
		}
	}
}

func TestMetricsSayWhoDoesNotAnswer(t *testing.T) {
	t.Parallel()
	got := lines(t, metrics.Config{Ledger: &webtest.Ledger{Err: errors.New("away")}, Broker: webtest.Stream{Err: errors.New("away")}})
	if got[`fadeledger_reachable{part="ledger"}`] != "0" || got[`fadeledger_reachable{part="broker"}`] != "0" {
		t.Errorf("got %v", got)
	}
	// A number that is not known is absent, not zero.
	for name := range got {
		if strings.HasPrefix(name, "fadeledger_rows") || strings.HasPrefix(name, "fadeledger_stream") {
			t.Errorf("told %s", name)
		}
	}
	if got := lines(t, metrics.Config{Ledger: webtest.Fleet(1)}); got[`fadeledger_reachable{part="broker"}`] != "" {
		t.Error("told of a broker that is not asked")
	}
}

func TestScrapesAreBounded(t *testing.T) {
	t.Parallel()
	l := &asked{Ledger: webtest.Fleet(1)}
	now := webtest.Now
	h := metrics.Handler(metrics.Config{Ledger: l, Now: func() time.Time { return now }})
	scrape := func() { h.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", "/metrics", nil)) }
	for range 5 {
		scrape()
	}
	now = now.Add(metrics.MaxAge - time.Millisecond)
	scrape()
	if l.times != 1 {
		t.Errorf("asked %d times within %v, want once", l.times, metrics.MaxAge)
	}
	now = now.Add(time.Millisecond)
	scrape()
	if l.times != 2 {
		t.Errorf("asked %d times after %v, want twice", l.times, metrics.MaxAge)
	}
}

func TestManyCollectors(t *testing.T) {
	t.Parallel()
	l := &webtest.Ledger{}
	for k := range metrics.MaxCollectors + 50 {
		l.Way.Collectors = append(l.Way.Collectors, analytics.CollectorRow{Collector: fmt.Sprintf("c-%04d", metrics.MaxCollectors+50-k)})
	}
	l.Way.Collectors = append(l.Way.Collectors, analytics.CollectorRow{Collector: "a\xff"})
	got := lines(t, metrics.Config{Ledger: l})
	n := 0
	for name := range got {
		if strings.HasPrefix(name, "fadeledger_collector_last_stored") {
			n++
		}
	}
	// The name that is no text counts as one of them and has no series.
	if n != metrics.MaxCollectors-1 || got["fadeledger_collectors"] != "251" {
		t.Errorf("%d collectors have a series of %s", n, got["fadeledger_collectors"])
	}
	if _, ok := got[`fadeledger_collector_last_stored_timestamp_seconds{collector="c-0001"}`]; !ok {
		t.Error("the first by name has no series")
	}
}
