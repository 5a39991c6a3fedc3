// Package metrics answers /metrics in the text format of Prometheus: what a
// person who is called at night has to know of the way in and of the process.
//
// Nothing is labelled by unit, and by collector only for the first of them in
// order of name, so that what a scrape costs does not grow with the fleet. The
// numbers are asked for at most once in a while, however often they are scraped.
package metrics

import (
	"cmp"
	"context"
	"log/slog"
	"net/http"
	"reflect"
	"slices"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"fadeledger/analytics"
)

// Ledger tells the state of the way in.
type Ledger interface {
	Ingest(ctx context.Context) (analytics.IngestSummary, error)
}

// Broker tells the state of the stream.
type Broker interface {
	Stream(ctx context.Context) (analytics.StreamState, error)
}

// Bounds of what a scrape costs.
const (
	// MaxCollectors is how many collectors get a series of their own.
	MaxCollectors = 200
	// MaxAge is how old the numbers of a scrape may be.
	MaxAge = 5 * time.Second
	// askFor is how long the ledger and the broker have to answer.
	askFor = 4 * time.Second
)

// Config holds where the numbers come from.
type Config struct {
	Ledger Ledger
	// Broker may be nil: then nothing is told of the stream.
	Broker  Broker
	Version string
	Logger  *slog.Logger
	// Now is the clock; nil means time.Now.
	Now func() time.Time
}

// Handler answers scrapes from a registry of its own.
func Handler(cfg Config) http.Handler {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	registry := prometheus.NewRegistry()
	numbers := &wayIn{cfg: cfg}
	registry.MustRegister(
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		numbers,
	)
	scrape := promhttp.HandlerFor(registry, promhttp.HandlerOpts{Timeout: 2 * askFor})
	// One at a time: collecting knows nothing of the request that it is for.
	var one sync.Mutex
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		one.Lock()
		defer one.Unlock()
		numbers.askAs(analytics.PrincipalOf(r.Context()))
		scrape.ServeHTTP(w, r)
	})
}

// desc describes a metric with its labels.
func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("fadeledger_"+name, help, labels, nil)
}

var (
	buildInfo      = desc("build_info", "1, labelled with the version of the program.", "version")
	reachable      = desc("reachable", "1 where the ledger (Postgres) and the broker answered when they were last asked.", "part")
	rows           = desc("rows_total", "Rows of deliveries by what became of them.", "verdict")
	rowsRead       = desc("rows_read_total", "Rows that were read from deliveries.")
	deliveries     = desc("deliveries_total", "Deliveries that were counted.")
	collectorCount = desc("collectors", "Collectors that have delivered.")
	collectorRows  = desc("collector_rows_total", "Rows of a collector by what became of them, for the first collectors in order of name.", "collector", "verdict")
	collectorLast  = desc("collector_last_stored_timestamp_seconds", "When the newest delivery of a collector was stored, for the first collectors in order of name.", "collector")
	quarantineRows = desc("quarantine_rows", "Rows that wait in quarantine by reason.", "reason")
	receiptHoles   = desc("receipt_holes", "Spans of numbers that have not arrived, in the receipts of recent series.")
	receiptMissing = desc("receipt_missing_deliveries", "Numbered deliveries that have not arrived, in the receipts of recent series.")
	openAlarms     = desc("open_alarms", "Alarms that nobody has seen to by kind.", "kind")
	booksOff       = desc("books_differences", "What does not add up in the books; anything but 0 must not happen.")
	booksAt        = desc("books_added_up_timestamp_seconds", "When the books were last added up.")
	versions       = desc("versions", "Versions of samples: taken in by deliveries, known to the units, counting, and others that do not count.", "where")
	recounts       = desc("recounts_total", "How often days of a unit were counted again for late data or a correction.")
	streamBytes    = desc("stream_bytes", "Size of the stream of deliveries.")
	streamMaxBytes = desc("stream_max_bytes", "Size at which the stream refuses deliveries; 0 for none.")
	streamMessages = desc("stream_messages", "Deliveries that the stream keeps.")
	streamPending  = desc("stream_pending", "Deliveries that are stored and not yet taken by a worker.")
	streamUnacked  = desc("stream_unacked", "Deliveries that are taken and not yet acknowledged.")
	streamLast     = desc("stream_last_stored_timestamp_seconds", "When the newest delivery was stored.")
)

// kinds are all kinds of alarms, so that each has a series before it is raised.
var kinds = []analytics.AlarmKind{
	analytics.AlarmRolledBack, analytics.AlarmRestored, analytics.AlarmUnbalanced, analytics.AlarmDiffers, analytics.AlarmFilling,
}

// wayIn collects the numbers of the way in. What was asked last is kept for
// MaxAge; while the ledger does not answer, its series are absent.
type wayIn struct {
	cfg Config

	mu    sync.Mutex
	asker analytics.Principal
	asked time.Time
	// sum and stream are nil when they are not known.
	sum    *analytics.IngestSummary
	stream *analytics.StreamState
}

// Describe sends nothing: the labels follow from the data.
func (w *wayIn) Describe(chan<- *prometheus.Desc) {}

// Collect sends the numbers as they were last asked for.
func (w *wayIn) Collect(ch chan<- prometheus.Metric) {
	sum, stream := w.ask()
	m := sender{ch}
	m.gauge(buildInfo, 1, w.cfg.Version)
	m.gauge(reachable, truth(sum != nil), "ledger")
	if w.cfg.Broker != nil {
		m.gauge(reachable, truth(stream != nil), "broker")
	}
	if sum != nil {
		m.rows(sum)
		m.books(sum)
	}
	if stream != nil {
		m.stream(stream)
	}
}

// ask gives the numbers, anew where they are too old.
func (w *wayIn) ask() (*analytics.IngestSummary, *analytics.StreamState) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if now := w.cfg.Now(); w.asked.IsZero() || now.Sub(w.asked) >= MaxAge {
		w.asked = now
		w.refresh()
	}
	return w.sum, w.stream
}

// askAs has the numbers asked for by whoever the scrape is for. What was asked by
// somebody else is not theirs.
func (w *wayIn) askAs(p analytics.Principal) {
	p.Address = ""
	w.mu.Lock()
	defer w.mu.Unlock()
	if !reflect.DeepEqual(p, w.asker) {
		w.asker, w.asked = p, time.Time{}
	}
}

func (w *wayIn) refresh() {
	// A scrape has no context: what was asked serves the next ones too.
	ctx, cancel := context.WithTimeout(analytics.WithPrincipal(context.Background(), w.asker), askFor)
	defer cancel()
	w.sum, w.stream = nil, nil
	if sum, err := w.cfg.Ledger.Ingest(ctx); err != nil {
		w.cfg.Logger.Warn("metrics without the ledger", "err", err)
	} else {
		w.sum = &sum
	}
	if w.cfg.Broker == nil {
		return
	}
	if stream, err := w.cfg.Broker.Stream(ctx); err != nil {
		w.cfg.Logger.Warn("metrics without the broker", "err", err)
	} else {
		w.stream = &stream
	}
}

// sender sends metrics to a scrape.
type sender struct{ ch chan<- prometheus.Metric }

func (m sender) gauge(d *prometheus.Desc, v float64, labels ...string) {
	m.send(d, prometheus.GaugeValue, v, labels)
}

func (m sender) counter(d *prometheus.Desc, v int64, labels ...string) {
	m.send(d, prometheus.CounterValue, float64(v), labels)
}

// send leaves out what cannot be a metric: a label that is no UTF-8.
func (m sender) send(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels []string) {
	if metric, err := prometheus.NewConstMetric(d, kind, v, labels...); err == nil {
		m.ch <- metric
	}
}

// verdicts lists what becomes of rows.
func verdicts(t analytics.DeliveryTally, tell func(verdict string, rows int64)) {
	tell("accepted", t.Accepted)
	tell("duplicate", t.Duplicates)
	tell("disputed", t.Disputed)
	tell("superseded", t.Superseded)
	tell("quarantined", t.Quarantined)
}

func (m sender) rows(sum *analytics.IngestSummary) {
	m.counter(deliveries, sum.Deliveries)
	m.counter(rowsRead, sum.Tally.Read)
	verdicts(sum.Tally, func(verdict string, n int64) { m.counter(rows, n, verdict) })
	m.gauge(collectorCount, float64(len(sum.Collectors)))
	list := slices.SortedFunc(slices.Values(sum.Collectors), func(a, b analytics.CollectorRow) int { return cmp.Compare(a.Collector, b.Collector) })
	for _, c := range list[:min(len(list), MaxCollectors)] {
		verdicts(c.Tally, func(verdict string, n int64) { m.counter(collectorRows, n, c.Collector, verdict) })
		m.gauge(collectorLast, c.LastStoredAt.Seconds(), c.Collector)
	}
	for _, q := range sum.Quarantine {
		m.gauge(quarantineRows, float64(q.Rows), q.Reason)
	}
	m.counter(recounts, sum.Recounts)
}

func (m sender) books(sum *analytics.IngestSummary) {
	var holes, missing int64
	for _, r := range sum.Holes {
		for _, h := range r.Holes {
			holes++
			missing += h[1] - h[0] + 1
		}
	}
	m.gauge(receiptHoles, float64(holes))
	m.gauge(receiptMissing, float64(missing))
	open := map[analytics.AlarmKind]int{}
	for _, a := range sum.Alarms {
		if a.ClearedAt == nil {
			open[a.Kind]++
		}
	}
	for _, k := range kinds {
		m.gauge(openAlarms, float64(open[k]), string(k))
	}
	b := sum.Balance
	if b.AsOf == 0 {
		return
	}
	m.gauge(booksOff, float64(len(b.Differences)))
	m.gauge(booksAt, b.AsOf.Seconds())
	for where, n := range map[string]int64{"taken": b.Taken, "known": b.Known, "counting": b.Counting, "others": b.Others} {
		m.gauge(versions, float64(n), where)
	}
}

func (m sender) stream(st *analytics.StreamState) {
	m.gauge(streamBytes, float64(st.Bytes))
	m.gauge(streamMaxBytes, float64(st.MaxBytes))
	m.gauge(streamMessages, float64(st.Messages))
	m.gauge(streamPending, float64(st.Pending))
	m.gauge(streamUnacked, float64(st.Unacked))
	if st.LastStoredAt != nil {
		m.gauge(streamLast, st.LastStoredAt.Seconds())
	}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
