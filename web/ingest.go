package web

import (
	"net/http"
	"strconv"
	"time"

	"fadeledger/analytics"
	"fadeledger/web/chart"
)

// ingestPage is everything the page of the way in shows; all of it changes.
type ingestPage struct {
	AsOf, AsOfTime string
	Headline       string
	Alarm          bool
	Figures        []figure
	// BrokerNote says why nothing is known of the broker.
	BrokerNote string
	// OpenAlarms wait for somebody, ClearedAlarms were seen to last; Seen says
	// that one was just noted.
	OpenAlarms, ClearedAlarms []alarmRow
	CanClear                  bool
	Seen                      string
	// Differences are what does not add up in the books.
	Differences []string
	Books       booksView
	Holes       []seriesRow
	Rate        drawing
	Balance     balance
	Reasons     []reasonRow
	Collectors  []collectorRow
	Notes       []noteRow
	Deliveries  []deliveryRow
	Next        string
	First       string
}

// noteRow is something that was accepted and is still worth a look.
type noteRow struct {
	Text, Collector, Deliveries, Last, LastTime string
}

// balance is the tally as an equation.
type balance struct {
	Read  string
	Parts []balancePart
	OK    bool
	Text  string
}

// booksView says whether the units know what was taken in.
type booksView struct {
	Text, At, AtTime string
	OK               bool
}

type balancePart struct{ Value, Name, Meaning string }

type reasonRow struct{ Reason, Rows, Href string }

type collectorRow struct {
	Name, Deliveries, Last, LastTime                       string
	Read, Accepted, Duplicates, Disputed, Superseded, Away string
	Trouble, Dispute, Unbalanced                           bool
}

type deliveryRow struct {
	Sequence, Collector, Batch, Stored, StoredTime, Wait   string
	Read, Accepted, Duplicates, Disputed, Superseded, Away string
	Trouble, Dispute, Unbalanced                           bool
}

// clearedShown is the number of alarms on the page that were seen to.
const clearedShown = 10

// deliveriesShown is the number of deliveries on a page.
const deliveriesShown = 25

// handleIngest answers GET /ingest.
func (s *site) handleIngest(w http.ResponseWriter, r *http.Request) {
	var before uint64
	if text := r.URL.Query().Get("before"); text != "" {
		var err error
		if before, err = strconv.ParseUint(text, 10, 63); err != nil {
			s.writeErrorPage(w, r, http.StatusBadRequest)
			return
		}
	}
	sum, err := s.cfg.Ledger.Ingest(r.Context())
	if err != nil {
		s.fail(w, r, "sum up the way in", err)
		return
	}
	deliveries, err := s.cfg.Ledger.Deliveries(r.Context(), before, deliveriesShown)
	if err != nil {
		s.fail(w, r, "list deliveries", err)
		return
	}
	page := s.ingestPage(r, sum, deliveries)
	live := "/ingest?part=live"
	if before > 0 {
		page.First = "/ingest#deliveries"
		live += "&before=" + strconv.FormatUint(before, 10)
	}
	s.render(w, r, http.StatusOK, "ingest", view{Title: "Ingest", Section: "ingest", Live: live, Page: page})
}

func (s *site) ingestPage(r *http.Request, sum analytics.IngestSummary, deliveries []analytics.Delivery) ingestPage {
	now := s.cfg.Now()
	p := ingestPage{AsOf: moment(sum.AsOf, nil), AsOfTime: machineTime(sum.AsOf), Rate: rateDrawing(sum), Balance: balanceOf(sum.Tally)}
	for _, q := range sum.Quarantine {
		p.Reasons = append(p.Reasons, reasonRow{q.Reason, count(q.Rows), quarantineHref(q.Reason, 0)})
	}
	for _, n := range sum.Notes {
		p.Notes = append(p.Notes, noteRow{
			Text: visible(n.Text, 400), Collector: label(n.Collector), Deliveries: plural(n.Deliveries, "delivery", "deliveries"),
			Last: ago(n.LastAt, now), LastTime: machineTime(n.LastAt),
		})
	}
	for _, c := range sum.Collectors {
		p.Collectors = append(p.Collectors, collectorRow{
			Name: label(c.Collector), Deliveries: count(c.Deliveries), Read: count(c.Tally.Read), Accepted: count(c.Tally.Accepted),
			Duplicates: count(c.Tally.Duplicates), Disputed: count(c.Tally.Disputed), Superseded: count(c.Tally.Superseded), Away: count(c.Tally.Quarantined),
			Last: ago(c.LastStoredAt, now), LastTime: machineTime(c.LastStoredAt),
			Trouble: c.Tally.Quarantined > 0, Dispute: c.Tally.Disputed > 0, Unbalanced: !c.Tally.Balanced(),
		})
	}
	s.addMatters(r, sum, &p)
	for _, d := range deliveries {
		p.Deliveries = append(p.Deliveries, deliveryRowOf(d, now))
	}
	if len(deliveries) == deliveriesShown {
		p.Next = "/ingest?before=" + strconv.FormatUint(deliveries[len(deliveries)-1].Sequence, 10) + "#deliveries"
	}
	state := s.brokerState(r, &p)
	p.Headline, p.Alarm = ingestHeadline(sum, state)
	p.Figures = ingestFigures(sum, state, now)
	return p
}

// addMatters adds what somebody may have to look at.
func (s *site) addMatters(r *http.Request, sum analytics.IngestSummary, p *ingestPage) {
	now := s.cfg.Now()
	for _, h := range sum.Holes {
		p.Holes = append(p.Holes, seriesRowOf(h, now))
	}
	for _, a := range sum.Alarms {
		if a.ClearedAt == nil {
			p.OpenAlarms = append(p.OpenAlarms, alarmRowOf(a, now))
		} else if len(p.ClearedAlarms) < clearedShown {
			p.ClearedAlarms = append(p.ClearedAlarms, alarmRowOf(a, now))
		}
	}
	p.CanClear, p.Seen = s.cfg.Upkeep != nil && s.asked(r, analytics.RightRelease), seenWords(r.URL.Query().Get("seen"), sum.Alarms)
	p.Books = booksOf(sum.Balance)
	for _, d := range sum.Balance.Differences {
		p.Differences = append(p.Differences, visible(d, longestReason))
	}
}

// brokerState asks the broker. The page is worth having without the answer.
func (s *site) brokerState(r *http.Request, p *ingestPage) *analytics.StreamState {
	if s.cfg.Broker == nil {
		p.BrokerNote = "This process does not ask the broker, so what waits there is unknown."
		return nil
	}
	state, err := s.cfg.Broker.Stream(r.Context())
	if err != nil {
		s.log.Warn("ask the broker", "err", err)
		p.BrokerNote = "The broker did not answer, so what waits there is unknown. Deliveries that it has stored are safe."
		return nil
	}
	return &state
}

func deliveryRowOf(d analytics.Delivery, now time.Time) deliveryRow {
	return deliveryRow{
		Sequence: strconv.FormatUint(d.Sequence, 10), Collector: label(d.Collector), Batch: label(d.Batch),
		Stored: ago(d.StoredAt, now), StoredTime: machineTime(d.StoredAt), Wait: wait(d),
		Read: count(d.Tally.Read), Accepted: count(d.Tally.Accepted), Duplicates: count(d.Tally.Duplicates),
		Disputed: count(d.Tally.Disputed), Superseded: count(d.Tally.Superseded), Away: count(d.Tally.Quarantined),
		Trouble: d.Tally.Quarantined > 0, Dispute: d.Tally.Disputed > 0, Unbalanced: !d.Tally.Balanced(),
	}
}

// wait is the time from storing to counting.
func wait(d analytics.Delivery) string {
	ms := int64(d.CountedAt - d.StoredAt)
	switch {
	case ms < 0:
		return "unknown"
	case ms < 1000:
		return count(ms) + nbsp + "ms"
	}
	return length(analytics.Millis(ms))
}

// booksOf says whether what was taken in is what the units know.
func booksOf(b analytics.Balance) booksView {
	if b.AsOf == 0 {
		return booksView{Text: "The books were not added up yet.", OK: true}
	}
	v := booksView{At: when(b.AsOf), AtTime: machineTime(b.AsOf), OK: b.Taken == b.Known && len(b.Differences) == 0}
	v.Text = plural(b.Taken, "version", "versions") + " of samples " + map[bool]string{true: "was", false: "were"}[b.Taken == 1] + " taken in, and the units know " + count(b.Known)
	switch {
	case b.Taken != b.Known:
		v.Text += ". The two differ by " + count(max(b.Taken-b.Known, b.Known-b.Taken)) + "."
	case v.OK:
		v.Text += ": the same."
	default:
		v.Text += ": the same, but other accounts do not add up."
	}
	v.Text += " " + plural(b.Counting, "sample counts", "samples count") + ", those of corrections too; " + plural(b.Others, "version is", "versions are") + " kept that do not."
	return v
}

func ingestHeadline(sum analytics.IngestSummary, st *analytics.StreamState) (text string, alarm bool) {
	switch {
	case !sum.Tally.Balanced():
		return "The tally does not balance: rows were read that are not accounted for.", true
	case len(sum.Balance.Differences) > 0:
		return "The books do not add up.", true
	case st != nil && st.Pending+st.Unacked > 0:
		return plural(int64(st.Pending+st.Unacked), "delivery waits", "deliveries wait") + " to be counted.", false
	case sum.Deliveries == 0:
		return "Nothing has come in yet.", false
	case st != nil:
		return "Everything that came in is counted.", false
	}
	return "Every row that was read is accounted for.", false
}

func ingestFigures(sum analytics.IngestSummary, st *analytics.StreamState, now time.Time) []figure {
	var waiting int64
	for _, q := range sum.Quarantine {
		waiting += q.Rows
	}
	var hour int64
	for _, b := range sum.Rate {
		hour += b.Tally.Read
	}
	list := []figure{
		{"Pending", "unknown", "", "broker not asked"},
		{"Being counted", "unknown", "", "broker not asked"},
		{"Rows, last hour", count(hour), "", "read from deliveries"},
		{"Deliveries", count(sum.Deliveries), "", "counted in all"},
		{"In quarantine", count(waiting), "", "rows that wait for a person"},
		{"Recounts", count(sum.Recounts), "", "for late data, disputes and corrections"},
	}
	if st != nil {
		note := "nothing stored yet"
		if st.LastStoredAt != nil {
			note = "newest stored " + ago(*st.LastStoredAt, now)
		}
		list[0] = figure{"Pending", count(int64(st.Pending)), "", "stored, not yet taken; " + note}
		list[1] = figure{"Being counted", count(int64(st.Unacked)), "", "taken, not yet acknowledged; stream " + label(st.Name) + " holds " + bytesSize(st.Bytes)}
	}
	return list
}

func balanceOf(t analytics.DeliveryTally) balance {
	b := balance{Read: count(t.Read), OK: t.Balanced(), Parts: []balancePart{
		{count(t.Accepted), "accepted", "new instants"},
		{count(t.Duplicates), "duplicates", "equal to one already known"},
		{count(t.Disputed), "disputed", "differ from another at the same instant"},
		{count(t.Superseded), "superseded", "outdone by a source of higher rank"},
		{count(t.Quarantined), "quarantined", "could not be taken"},
	}}
	sum := t.Accepted + t.Duplicates + t.Disputed + t.Superseded + t.Quarantined
	b.Text = "The two sides are equal: every row is accounted for."
	if !b.OK {
		b.Text = "The two sides differ by " + count(t.Read-sum) + " rows. This must not happen: look at the log of the service."
	}
	return b
}

// rateDrawing shows the rows of the last hour by minute, what was not
// accepted on top.
func rateDrawing(sum analytics.IngestSummary) drawing {
	to := sum.AsOf.Seconds()
	from := to - 3600
	var accepted, other []chart.Span
	var total int64
	for _, b := range sum.Rate {
		at, ok := b.At.Seconds(), float64(b.Tally.Accepted)
		accepted = append(accepted, chart.Span{At: at, High: ok})
		if rest := float64(b.Tally.Read) - ok; rest > 0 {
			other = append(other, chart.Span{At: at, Low: ok, High: float64(b.Tally.Read)})
		}
		total += b.Tally.Read
	}
	return draw(func(width float64, id string) chart.Scene {
		return chart.Timeline{
			ID: id, Title: "Rows read per minute, last hour", Desc: plural(total, "row", "rows") + " in the last hour.",
			Width: width, PanelHeight: 120, From: from, To: to, Zone: time.UTC, TimeTitle: "time, UTC",
			Panels: []chart.Panel{{Title: "rows per minute", High: 1, Series: []chart.Series{
				{Ink: "in", Spans: accepted, Bars: true, BarWidth: 60}, {Ink: "rest", Spans: other, Bars: true, BarWidth: 60},
			}}},
		}.Scene()
	}, "rate", wideWidth)
}
