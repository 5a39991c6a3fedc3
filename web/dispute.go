package web

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"unicode/utf8"

	"fadeledger/analytics"
)

// disputeView is an instant of a unit with its versions side by side.
type disputeView struct {
	// ID tells the disputes of a page apart.
	ID           string
	At, AtTime   string
	Heads        []versionHead
	Rows         []versionField
	CanChoose    bool
	Action       string
	Same, Differ string
}

// versionHead is a column: a version with where it came from.
type versionHead struct {
	// Key names the version in forms: a hash of what it holds.
	Key, Name, Source string
	Chosen            bool
}

// versionField is a row: a field with its value in each version.
type versionField struct {
	Name    string
	Differs bool
	Values  []string
}

// disputesView is the part of the unit page.
type disputesView struct {
	List []disputeView
	// More says that there are others, All where.
	More, All string
}

// disputesPage lists the disputes of a unit.
type disputesPage struct {
	Serial, UnitHref string
	List             []disputeView
	Note, Empty      string
	CorrectHref      string
}

// How many disputes are shown.
const (
	disputesOnUnit = 3
	disputesOnPage = 50
)

// versionsAtOnce bounds the versions of one instant.
const versionsAtOnce = 50

// versionKey names a version by what it holds.
func versionKey(s analytics.Sample) string {
	text := s.AppendJSON(nil, "")
	if s.Has&analytics.PowerIsMean != 0 {
		text = append(text, 'm')
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:8])
}

// sourceWords says where a version came from.
func sourceWords(v analytics.Version) string {
	if v.Collector == "" {
		return "counted before; its source is no longer known"
	}
	text := label(v.Collector) + ", delivery " + strconv.FormatUint(v.Sequence, 10)
	if v.Line > 0 {
		text += ", line " + count(int64(v.Line))
	}
	if v.StoredAt != 0 {
		text += ", stored " + when(v.StoredAt)
	}
	return text
}

// versionName names the versions of a dispute A, B, C and so on.
func versionName(i int) string {
	if i < 26 {
		return string(rune('A' + i))
	}
	return "no." + nbsp + strconv.Itoa(i+1)
}

func (s *site) disputeView(r *http.Request, d analytics.Dispute, i int) disputeView {
	v := disputeView{ID: strconv.Itoa(i), At: exact(d.At), AtTime: exactTime(d.At), CanChoose: s.corrects(r),
		Action: unitHref(d.Serial, "/disputes/choice")}
	var samples []analytics.Sample
	for k, x := range d.Versions {
		v.Heads = append(v.Heads, versionHead{Key: versionKey(x.Sample), Name: versionName(k), Source: sourceWords(x)})
		samples = append(samples, x.Sample)
	}
	v.Rows = compared(samples)
	return v
}

// compared sets samples side by side, field by field, without the fields that
// none of them has.
func compared(samples []analytics.Sample) []versionField {
	var rows []versionField
	for _, m := range measurements {
		row := versionField{Name: m.name}
		some := false
		for _, s := range samples {
			text := m.written(s)
			row.Differs = row.Differs || len(row.Values) > 0 && text != row.Values[0]
			some = some || text != ""
			row.Values = append(row.Values, text)
		}
		for i, text := range row.Values {
			if text == "" {
				row.Values[i] = "not reported"
				if m.field == analytics.PowerIsMean {
					row.Values[i] = "of the moment"
				}
			}
		}
		if some {
			rows = append(rows, row)
		}
	}
	return rows
}

// addDisputes adds what a unit page shows of them.
func (s *site) addDisputes(r *http.Request, serial analytics.Serial, p *unitPage) error {
	list, err := s.cfg.Ledger.Disputes(r.Context(), serial, disputesOnUnit+1)
	if err != nil {
		return err
	}
	if len(list) > disputesOnUnit {
		list = list[:disputesOnUnit]
		p.Disputes.More, p.Disputes.All = "These are the newest. There are others.", unitHref(serial, "/disputes")
	}
	for i, d := range list {
		p.Disputes.List = append(p.Disputes.List, s.disputeView(r, d, i))
	}
	return nil
}

// handleDisputes answers GET /units/{serial}/disputes.
func (s *site) handleDisputes(w http.ResponseWriter, r *http.Request) {
	serial := serialOf(r)
	list, err := s.cfg.Ledger.Disputes(r.Context(), serial, disputesOnPage+1)
	if err != nil {
		s.failUnit(w, r, serial, "list disputes", err)
		return
	}
	p := disputesPage{Serial: label(serial), UnitHref: unitHref(serial, "")}
	if s.corrects(r) {
		p.CorrectHref = unitHref(serial, "/corrections/new")
	}
	if len(list) > disputesOnPage {
		list = list[:disputesOnPage]
		p.Note = "These are the newest " + strconv.Itoa(disputesOnPage) + "; there are others. Where two sources disagree again and again, give one of them the higher rank in its profile, or correct the whole span at once."
	}
	if len(list) == 0 {
		p.Empty = "Nothing of this unit is in dispute."
	}
	for i, d := range list {
		p.List = append(p.List, s.disputeView(r, d, i))
	}
	s.render(w, r, http.StatusOK, "disputes", view{Title: "Disputes of " + p.Serial, Section: "fleet", Page: p})
}

// failUnit answers for a page of a unit that could not be made.
func (s *site) failUnit(w http.ResponseWriter, r *http.Request, serial analytics.Serial, doing string, err error) {
	if errors.Is(err, analytics.ErrNotFound) {
		s.unknownUnit(w, r, serial)
		return
	}
	s.fail(w, r, doing, err)
}

// choicePage says what choosing a version will do.
type choicePage struct {
	Serial, UnitHref string
	Dispute          disputeView
	Chosen           string
	Effects          []string
	Action           string
	At, Version, Why string
	Problems         []string
}

// choice is what a form asks for.
type choice struct {
	at                analytics.Instant
	atText            string
	version, why      string
	understood, whole bool
}

// Bounds of who and why, in characters.
const (
	longestBy  = 200
	longestWhy = 1000
)

func readChoice(v url.Values) choice {
	c := choice{atText: v.Get("at"), version: v.Get("version"), why: strings.TrimSpace(v.Get("why"))}
	c.at, c.understood = parseExact(c.atText)
	c.whole = len(reasonProblems(c.why)) == 0 && c.version != ""
	return c
}

// reasonProblems says what is wrong with the reason of a correction.
func reasonProblems(why string) []string {
	switch {
	case why == "":
		return []string{"The reason is missing: say why, for whoever reads the ledger later."}
	case utf8.RuneCountInString(why) > longestWhy:
		return []string{"The reason is too long: at most " + strconv.Itoa(longestWhy) + " characters are kept."}
	}
	return nil
}

// disputeAt gives the dispute at an instant; it has no versions where there is
// none (any more).
func (s *site) disputeAt(r *http.Request, serial analytics.Serial, at analytics.Instant) (analytics.Dispute, error) {
	d := analytics.Dispute{Serial: serial, At: at}
	list, err := s.cfg.Ledger.Versions(r.Context(), serial, at, at+1, versionsAtOnce)
	for _, v := range list {
		if v.Disputed {
			d.Versions = append(d.Versions, v)
		}
	}
	return d, err
}

// handleChoice answers GET /units/{serial}/disputes/choice: what choosing a
// version will do. It changes nothing.
func (s *site) handleChoice(w http.ResponseWriter, r *http.Request) {
	serial, c := serialOf(r), readChoice(r.URL.Query())
	if !c.understood {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return
	}
	d, err := s.disputeAt(r, serial, c.at)
	if err != nil {
		s.failUnit(w, r, serial, "read the dispute", err)
		return
	}
	if len(d.Versions) == 0 {
		s.writeErrorPage(w, r, http.StatusConflict)
		return
	}
	s.showChoice(w, r, http.StatusOK, d, c)
}

func (s *site) showChoice(w http.ResponseWriter, r *http.Request, status int, d analytics.Dispute, c choice) {
	p := choicePage{Serial: label(d.Serial), UnitHref: unitHref(d.Serial, ""), Dispute: s.disputeView(r, d, 0), Action: unitHref(d.Serial, "/disputes/choice"),
		At: exactTime(d.At), Version: c.version, Why: c.why, Problems: reasonProblems(c.why)}
	p.Dispute.CanChoose = false
	for i := range p.Dispute.Heads {
		if h := &p.Dispute.Heads[i]; h.Key == c.version {
			h.Chosen, p.Chosen = true, h.Name
		}
	}
	if p.Chosen == "" {
		p.Problems = append(p.Problems, "No version is chosen: choose the one that counts.")
	}
	others := "The other version is kept as superseded, with where it came from; nothing is deleted."
	if n := len(d.Versions) - 1; n > 1 {
		others = "The other " + count(int64(n)) + " versions are kept as superseded, with where they came from; nothing is deleted."
	}
	p.Effects = []string{
		"Version " + p.Chosen + " counts from now on.",
		others,
		"1" + nbsp + "day, " + date(d.At.Day()) + ", is counted again, and later days as far as they change by it.",
		"A correction is recorded with your name, the time and your reason. It holds against whatever is delivered for this instant later; another correction can take its place.",
	}
	if len(p.Problems) > 0 && status == http.StatusOK {
		status = http.StatusUnprocessableEntity
	}
	s.render(w, r, status, "choice", view{Title: "Choose a version", Section: "fleet", Page: p})
}

// maxSmallForm bounds the forms that hold no file.
const maxSmallForm = 64 << 10

// handleChoose answers POST /units/{serial}/disputes/choice: it makes the
// correction and leads to it. Sent twice it makes one.
func (s *site) handleChoose(w http.ResponseWriter, r *http.Request) {
	serial := serialOf(r)
	r.Body = http.MaxBytesReader(w, r.Body, maxSmallForm)
	if err := r.ParseForm(); err != nil {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return
	}
	c := readChoice(r.PostForm)
	if !c.understood {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return
	}
	d, err := s.disputeAt(r, serial, c.at)
	if err != nil {
		s.failUnit(w, r, serial, "read the dispute", err)
		return
	}
	made := analytics.Correction{Serial: serial, From: c.at, To: c.at + 1, By: analytics.PrincipalOf(r.Context()).Name, Why: c.why}
	for _, v := range d.Versions {
		if versionKey(v.Sample) == c.version {
			made.Samples = []analytics.Sample{v.Sample}
		}
	}
	switch {
	case len(d.Versions) > 0 && (made.Samples == nil || !c.whole):
		s.showChoice(w, r, http.StatusUnprocessableEntity, d, c)
		return
	case len(d.Versions) == 0:
		// It is settled: by this form, sent once before, or otherwise.
		s.chosenBefore(w, r, made, c.version)
		return
	}
	s.correct(w, r, made)
}

// chosenBefore leads to the correction that the same form made before.
func (s *site) chosenBefore(w http.ResponseWriter, r *http.Request, c analytics.Correction, version string) {
	list, err := s.cfg.Ledger.Corrections(r.Context(), c.Serial)
	if err != nil {
		s.failUnit(w, r, c.Serial, "read corrections", err)
		return
	}
	for i := range list {
		x := &list[i]
		if x.From == c.From && x.To == c.To && x.By == c.By && x.Why == c.Why && len(x.Samples) == 1 && versionKey(x.Samples[0]) == version {
			s.toCorrection(w, r, c.Serial, x.ID)
			return
		}
	}
	s.fail(w, r, "choose a version", fmt.Errorf("dispute of unit %s at %s: %w", c.Serial, exactTime(c.From), analytics.ErrConflict))
}
