package web

import (
	"net/http"
	"net/url"
	"strconv"
	"time"

	"fadeledger/analytics"
)

// quarantinePage lists quarantined rows.
type quarantinePage struct {
	// Reason is the code as it stands in the address, empty for all.
	Reason string
	// CanRelease says whether this process can bring rows back; Released what
	// the last release did.
	CanRelease bool
	Released   string
	Reasons    []spanLink
	Rows       []quarantineRow
	Next       string
	First      string
	Empty      string
}

type quarantineRow struct {
	// Counted says that it is a version that counted until it was disputed.
	Counted                                                         bool
	ID                                                              int64
	Place, Delivery, Collector, Field, Reason, Message, Remedy, Raw string
	Serial, SerialHref, Stored, StoredTime                          string
	// Dispute leads to where a version is chosen, empty for other reasons.
	Dispute string
}

// handleQuarantine answers GET /ingest/quarantine.
func (s *site) handleQuarantine(w http.ResponseWriter, r *http.Request) {
	reason := r.URL.Query().Get("reason")
	var after int64
	if text := r.URL.Query().Get("after"); text != "" {
		var err error
		if after, err = strconv.ParseInt(text, 10, 64); err != nil {
			s.writeErrorPage(w, r, http.StatusBadRequest)
			return
		}
	}
	sum, err := s.cfg.Ledger.Ingest(r.Context())
	if err != nil {
		s.fail(w, r, "sum up the way in", err)
		return
	}
	rows, err := s.cfg.Ledger.Quarantine(r.Context(), reason, after, deliveriesShown)
	if err != nil {
		s.fail(w, r, "list quarantined rows", err)
		return
	}
	p := quarantinePage{Reason: reason, CanRelease: s.cfg.Upkeep != nil && s.asked(r, analytics.RightRelease) && reason != analytics.ReasonConflictingSample, Released: releasedWords(r.URL.Query()), Reasons: []spanLink{{"all", quarantineHref("", 0), reason == ""}}}
	for _, q := range sum.Quarantine {
		p.Reasons = append(p.Reasons, spanLink{q.Reason + " (" + count(q.Rows) + ")", quarantineHref(q.Reason, 0), q.Reason == reason})
	}
	now := s.cfg.Now()
	for _, q := range rows {
		p.Rows = append(p.Rows, quarantineRowOf(q, now))
	}
	if len(rows) == deliveriesShown {
		p.Next = quarantineHref(reason, rows[len(rows)-1].ID)
	}
	if after != 0 {
		p.First = quarantineHref(reason, 0)
	}
	if len(rows) == 0 {
		p.Empty = "No row waits in quarantine for this reason."
	}
	s.render(w, r, http.StatusOK, "quarantine", view{Title: "Quarantine", Section: "ingest", Page: p})
}

func quarantineHref(reason string, after int64) string {
	v := url.Values{}
	if reason != "" {
		v.Set("reason", reason)
	}
	if after != 0 {
		v.Set("after", strconv.FormatInt(after, 10))
	}
	if len(v) == 0 {
		return "/ingest/quarantine"
	}
	return "/ingest/quarantine?" + v.Encode()
}

// rawShown is the number of characters of a raw row on the page.
const rawShown = 400

func quarantineRowOf(q analytics.Quarantined, now time.Time) quarantineRow {
	row := quarantineRow{
		ID: q.ID, Place: "whole delivery", Delivery: strconv.FormatUint(q.Sequence, 10), Collector: label(q.Collector), Field: label(q.Field),
		Reason: label(q.Reason), Message: visible(q.Message, 400), Remedy: visible(q.Remedy, 400), Raw: visible(string(q.Raw), rawShown),
		Stored: ago(q.StoredAt, now), StoredTime: machineTime(q.StoredAt),
	}
	if q.Line > 0 {
		row.Place = "line " + count(int64(q.Line))
	}
	// A version that counted before another one disputed it is no longer
	// known by its delivery.
	row.Counted = q.Reason == analytics.ReasonConflictingSample && q.Collector == ""
	if q.Serial != "" {
		row.Serial, row.SerialHref = label(q.Serial), unitHref(q.Serial, "")
		if q.Reason == analytics.ReasonConflictingSample {
			row.Dispute = unitHref(q.Serial, "/disputes")
		}
	}
	return row
}

// maxReleaseBody bounds the form of a release.
const maxReleaseBody = 64 << 10

// handleRelease answers POST /ingest/quarantine/release: a row by its id, or
// the oldest rows of a reason. It leads back to the list, so that loading the
// page again releases nothing.
func (s *site) handleRelease(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxReleaseBody)
	if err := r.ParseForm(); err != nil {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return
	}
	reason := r.PostForm.Get("reason")
	var ids []int64
	for _, text := range r.PostForm["id"] {
		id, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			s.writeErrorPage(w, r, http.StatusBadRequest)
			return
		}
		ids = append(ids, id)
	}
	if len(ids) == 0 && reason == "" {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return
	}
	// With ids the reason only says which list to go back to.
	asked := reason
	if len(ids) > 0 {
		asked = ""
	}
	done, err := s.cfg.Upkeep.Release(r.Context(), ids, asked)
	if err != nil {
		s.fail(w, r, "release rows", err)
		return
	}
	v := url.Values{"rows": {strconv.Itoa(done.Rows)}, "samples": {strconv.Itoa(done.Samples)}, "kept": {strconv.Itoa(done.Kept)}}
	if reason != "" {
		v.Set("reason", reason)
	}
	http.Redirect(w, r, "/ingest/quarantine?"+v.Encode(), http.StatusSeeOther)
}

// releasedWords says what a release did, from the address it led back to;
// empty where there was none.
func releasedWords(q url.Values) string {
	if !q.Has("rows") {
		return ""
	}
	number := func(name string) int64 {
		n, err := strconv.ParseInt(q.Get(name), 10, 64)
		if err != nil || n < 0 {
			return 0
		}
		return n
	}
	text := plural(number("rows"), "row", "rows") + " released, which brought " + plural(number("samples"), "sample", "samples") + "."
	if kept := number("kept"); kept > 0 {
		text += " " + plural(kept, "row", "rows") + " still cannot be read and stayed."
	}
	return text
}
