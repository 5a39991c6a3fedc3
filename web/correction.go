package web

import (
	"context"
	"errors"
	"math"
	"net/http"
	"net/url"
	"strconv"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
)

// correctionPage shows a correction: who, when, why, and beside what counts in
// its span now the versions that do not.
type correctionPage struct {
	Serial, UnitHref, Number string
	Facts                    []term
	// Made says that it has just been made.
	Made bool
	Text string
	// Later tells of corrections that were made after it within its span.
	Later []correctionLink
	Rows  []instantRow
	Empty string
	Next  string
	First string
	// Again leads to a new correction of the span, empty where none is made.
	Again string
}

type correctionLink struct{ Text, Href string }

// instantRow is an instant with what counts and what does not.
type instantRow struct {
	At, AtTime string
	// Counts is what counts, empty for nothing.
	Counts []valuePart
	Others []otherRow
}

// otherRow is a version that does not count.
type otherRow struct {
	Parts          []valuePart
	Source, Status string
}

// valuePart is a value of a sample in words, and whether it differs from what
// counts.
type valuePart struct {
	Text    string
	Differs bool
}

// sampleParts writes a sample value by value, held against another one; nil
// compares with nothing.
func sampleParts(s analytics.Sample, against *analytics.Sample) []valuePart {
	var parts []valuePart
	for _, m := range measurements {
		text := m.written(s)
		differs := against != nil && text != m.written(*against)
		switch {
		case text != "":
			parts = append(parts, valuePart{m.name + nbsp + text, differs})
		case differs && m.field != analytics.PowerIsMean:
			parts = append(parts, valuePart{"no" + nbsp + m.name, true})
		}
	}
	if len(parts) == 0 {
		parts = append(parts, valuePart{"no measurement", false})
	}
	return parts
}

// Bounds of the page of a correction.
const (
	instantsOnPage = 100
	// versionsOfSpan bounds the versions that are read at once: several may
	// stand at an instant.
	versionsOfSpan = 4 * instantsOnPage
)

// handleCorrections answers GET /units/{serial}/corrections: they are listed on
// the page of the unit.
func (s *site) handleCorrections(w http.ResponseWriter, r *http.Request) {
	http.Redirect(w, r, unitHref(serialOf(r), "#corrections"), http.StatusSeeOther)
}

// handleCorrection answers GET /units/{serial}/corrections/{correction}.
func (s *site) handleCorrection(w http.ResponseWriter, r *http.Request) {
	serial := serialOf(r)
	id, err := strconv.ParseInt(chi.URLParam(r, "correction"), 10, 64)
	if err != nil {
		s.writeErrorPage(w, r, http.StatusNotFound)
		return
	}
	list, err := s.cfg.Ledger.Corrections(r.Context(), serial)
	if err != nil {
		s.failUnit(w, r, serial, "read corrections", err)
		return
	}
	for i := range list {
		if list[i].ID == id {
			s.showCorrection(w, r, list[:i], &list[i])
			return
		}
	}
	s.writeErrorPage(w, r, http.StatusNotFound)
}

// showCorrection writes the page; later are the corrections that were made
// after it.
func (s *site) showCorrection(w http.ResponseWriter, r *http.Request, later []analytics.Correction, c *analytics.Correction) {
	from := c.From
	if text := r.URL.Query().Get("after"); text != "" {
		after, ok := parseExact(text)
		if !ok {
			s.writeErrorPage(w, r, http.StatusBadRequest)
			return
		}
		from = max(from, after+1)
	}
	p := correctionPage{Serial: label(c.Serial), UnitHref: unitHref(c.Serial, ""), Number: strconv.FormatInt(c.ID, 10),
		Made: r.URL.Query().Has("made"), Facts: correctionFacts(c), Text: correctionWords(c)}
	for i := range later {
		if x := &later[i]; x.From < c.To && x.To > c.From {
			p.Later = append(p.Later, correctionLink{"Correction " + strconv.FormatInt(x.ID, 10) + " was made later and holds where both apply.", correctionHref(c.Serial, x.ID)})
		}
	}
	if s.corrects(r) {
		p.Again = spanHref(c.Serial, c.From, c.To)
	}
	rows, next, err := s.instants(r.Context(), c.Serial, from, c.To)
	if err != nil {
		s.failUnit(w, r, c.Serial, "read the span of the correction", err)
		return
	}
	p.Rows = rows
	if next != 0 {
		p.Next = correctionHref(c.Serial, c.ID) + "?after=" + url.QueryEscape(exactTime(next))
	}
	if from > c.From {
		p.First = correctionHref(c.Serial, c.ID)
	}
	if len(rows) == 0 {
		p.Empty = "Nothing counts in this span, and no version of anything is kept."
	}
	s.render(w, r, http.StatusOK, "correction", view{Title: "Correction " + p.Number + " of " + p.Serial, Section: "fleet", Page: p})
}

func correctionHref(serial analytics.Serial, id int64) string {
	return unitHref(serial, "/corrections/"+strconv.FormatInt(id, 10))
}

func correctionFacts(c *analytics.Correction) []term {
	return []term{{"Made by", visible(c.By, longestBy), ""}, {"On", when(c.At), ""}, {"Span", spanWords(c.From, c.To), ""}, {"Why", visible(c.Why, longestWhy), ""}}
}

// spanWords says which time a correction is of.
func spanWords(from, to analytics.Instant) string {
	if to == from+1 {
		return "the instant " + exact(from)
	}
	return exact(from) + " until before " + exact(to)
}

func correctionWords(c *analytics.Correction) string {
	if len(c.Samples) == 0 {
		return "Within the span nothing counts, whatever its sources delivered or will deliver."
	}
	return "Within the span only " + plural(int64(len(c.Samples)), "sample", "samples") + " of this correction " +
		map[bool]string{true: "counts", false: "count"}[len(c.Samples) == 1] + ", whatever its sources delivered or will deliver."
}

// errEnough ends the reading of samples.
var errEnough = errors.New("enough")

// instants gives the instants of a span at which something counts or is kept,
// in order of time, and the last of them where there are more.
func (s *site) instants(ctx context.Context, serial analytics.Serial, from, to analytics.Instant) (rows []instantRow, next analytics.Instant, err error) {
	var counting []analytics.Sample
	err = s.cfg.Ledger.Samples(ctx, serial, from, to, func(v analytics.Sample) error {
		if counting = append(counting, v); len(counting) > instantsOnPage {
			return errEnough
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, 0, err
	}
	others, err := s.cfg.Ledger.Versions(ctx, serial, from, to, versionsOfSpan)
	if err != nil {
		return nil, 0, err
	}
	rows, next = merged(counting, others, len(others) == versionsOfSpan)
	return rows, next, nil
}

// merged joins what counts with what does not, instant by instant. Where there
// is more, next is the last instant of the rows; cut says that the versions of
// the last instant may not all be there.
func merged(counting []analytics.Sample, others []analytics.Version, cut bool) (rows []instantRow, next analytics.Instant) {
	for len(counting) > 0 || len(others) > 0 {
		if len(rows) == instantsOnPage {
			return rows, next
		}
		at := analytics.Instant(math.MaxInt64)
		if len(counting) > 0 {
			at = counting[0].Time
		}
		if len(others) > 0 {
			at = min(at, others[0].Time)
		}
		row := instantRow{At: exact(at), AtTime: exactTime(at)}
		var counts *analytics.Sample
		if len(counting) > 0 && counting[0].Time == at {
			counts, counting = &counting[0], counting[1:]
			row.Counts = sampleParts(*counts, nil)
		}
		for len(others) > 0 && others[0].Time == at {
			row.Others = append(row.Others, otherRowOf(others[0], counts))
			others = others[1:]
		}
		last := cut && len(others) == 0
		if last && len(rows) > 0 {
			return rows, next
		}
		rows, next = append(rows, row), at
		if last {
			return rows, next
		}
	}
	return rows, 0
}

func otherRowOf(v analytics.Version, counts *analytics.Sample) otherRow {
	row := otherRow{Parts: sampleParts(v.Sample, counts), Source: sourceWords(v), Status: "superseded"}
	switch {
	case v.Disputed:
		row.Status = "in dispute"
	case counts != nil && v.SameContent(*counts):
		row.Status = "equal to what counts"
	}
	return row
}

// corrects reports whether whoever asks can make corrections here.
func (s *site) corrects(r *http.Request) bool {
	return s.cfg.Upkeep != nil && s.asked(r, analytics.RightCorrect)
}

// correct makes a correction and leads to it. One that is the same as the last
// one of its span is not made again, so that a form sent twice makes one.
func (s *site) correct(w http.ResponseWriter, r *http.Request, c analytics.Correction) {
	made, err := s.correctOnce(r.Context(), c)
	if err != nil {
		s.failUnit(w, r, c.Serial, "make the correction", err)
		return
	}
	s.toCorrection(w, r, c.Serial, made.ID)
}

func (s *site) correctOnce(ctx context.Context, c analytics.Correction) (analytics.Correction, error) {
	s.correcting.Lock()
	defer s.correcting.Unlock()
	list, err := s.cfg.Ledger.Corrections(ctx, c.Serial)
	if err != nil {
		return c, err
	}
	for i := range list {
		x := &list[i]
		if x.To <= c.From || x.From >= c.To {
			continue
		}
		if sameCorrection(x, &c) {
			return *x, nil
		}
		break
	}
	return s.cfg.Upkeep.Correct(ctx, c)
}

func sameCorrection(a, b *analytics.Correction) bool {
	if a.From != b.From || a.To != b.To || a.By != b.By || a.Why != b.Why || len(a.Samples) != len(b.Samples) {
		return false
	}
	for i := range a.Samples {
		if !a.Samples[i].SameContent(b.Samples[i]) {
			return false
		}
	}
	return true
}

func (s *site) toCorrection(w http.ResponseWriter, r *http.Request, serial analytics.Serial, id int64) {
	http.Redirect(w, r, correctionHref(serial, id)+"?made=1", http.StatusSeeOther)
}
