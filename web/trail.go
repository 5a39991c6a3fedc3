package web

import (
	"encoding/hex"
	"encoding/json"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/web/api"
)

// trailPage shows who saw and changed what.
type trailPage struct {
	Who, Object string
	Deeds       []option
	Rows        []trailRow
	Empty       string
	Older       string
	Newest      string
	// Clear is the address without the filter, empty where none is set.
	Clear string
	// Heads is what was entered to check against, HeadsWrong what is wrong
	// with it.
	Heads, HeadsWrong string
	// Check is what a check found, nil before one.
	Check *trailCheck
}

// trailRow is an entry in words.
type trailRow struct {
	Number, At, AtTime         string
	Who, Role, Address         string
	Deed, Object, Href, Detail string
}

// trailCheck is what adding the chain up again found.
type trailCheck struct {
	Entries, Number string
	// Note is what to keep elsewhere: the newest number and its hash.
	Note   string
	Faults []string
	// Against says how many noted ends were compared.
	Against string
}

// trailRoutes are the pages of the trail.
func (s *site) trailRoutes(r chi.Router) {
	if s.cfg.Trail == nil {
		return
	}
	r = r.With(s.may(analytics.RightTrail))
	r.Get("/trail", s.handleTrail)
	r.Get("/trail/check", s.handleTrail)
}

// trailLongRoutes are those that read the whole trail.
func (s *site) trailLongRoutes(r chi.Router) {
	if s.cfg.Trail == nil {
		return
	}
	r = r.With(s.may(analytics.RightTrail))
	r.With(s.seen).Get("/trail.ndjson", s.handleTrailFile)
	r.Post("/trail/check", s.handleTrailCheck)
}

// entriesShown is the number of entries on a page.
const entriesShown = 100

// handleTrail answers GET /trail.
func (s *site) handleTrail(w http.ResponseWriter, r *http.Request) {
	s.showTrail(w, r, http.StatusOK, trailPage{})
}

func (s *site) showTrail(w http.ResponseWriter, r *http.Request, status int, p trailPage) {
	q := r.URL.Query()
	f := analytics.TrailFilter{Who: strings.TrimSpace(q.Get("who")), Deed: analytics.Deed(q.Get("deed")), Object: strings.TrimSpace(q.Get("object")), Limit: entriesShown}
	if text := q.Get("before"); text != "" {
		var err error
		if f.Before, err = strconv.ParseInt(text, 10, 64); err != nil || f.Before < 0 {
			s.writeErrorPage(w, r, http.StatusBadRequest)
			return
		}
	}
	list, err := s.cfg.Trail.Trail(r.Context(), f)
	if err != nil {
		s.fail(w, r, "read the trail", err)
		return
	}
	p.Who, p.Object, p.Deeds = f.Who, f.Object, deedOptions(f.Deed)
	for i := range list {
		p.Rows = append(p.Rows, trailRowOf(&list[i]))
	}
	if len(list) == entriesShown && list[len(list)-1].Number > 1 {
		p.Older = trailHref(f, list[len(list)-1].Number)
	}
	if f.Before > 0 {
		p.Newest = trailHref(f, 0)
	}
	if f.Who != "" || f.Deed != "" || f.Object != "" {
		p.Clear = "/trail"
	}
	if len(list) == 0 {
		p.Empty = "Nothing is written that the filter asks for."
	}
	s.render(w, r, status, "trail", view{Title: "Trail", Section: "trail", Page: p})
}

func trailHref(f analytics.TrailFilter, before int64) string {
	v := url.Values{}
	for name, value := range map[string]string{"who": f.Who, "deed": string(f.Deed), "object": f.Object} {
		if value != "" {
			v.Set(name, value)
		}
	}
	if before > 0 {
		v.Set("before", strconv.FormatInt(before, 10))
	}
	if len(v) == 0 {
		return "/trail"
	}
	return "/trail?" + v.Encode()
}

// deeds are all that the filter offers.
var deeds = []analytics.Deed{analytics.DeedSaw, analytics.DeedExported, analytics.DeedSignedIn, analytics.DeedSignedOut, analytics.DeedRefused,
	analytics.DeedRegistered, analytics.DeedCorrected, analytics.DeedReleased, analytics.DeedCleared, analytics.DeedSet, analytics.DeedInvited,
	analytics.DeedChanged, analytics.DeedDisabled, analytics.DeedRevoked, analytics.DeedApproved}

func deedWords(d analytics.Deed) string {
	switch d {
	case analytics.DeedSignedIn:
		return "signed in"
	case analytics.DeedSignedOut:
		return "signed out"
	case analytics.DeedRefused:
		return "was refused"
	case analytics.DeedCleared:
		return "cleared an alarm"
	}
	return label(d)
}

func deedOptions(chosen analytics.Deed) []option {
	list := []option{{"", "any", chosen == ""}}
	for _, d := range deeds {
		list = append(list, option{string(d), deedWords(d), d == chosen})
	}
	return list
}

func trailRowOf(e *analytics.TrailEntry) trailRow {
	row := trailRow{Number: strconv.FormatInt(e.Number, 10), At: exact(e.At), AtTime: exactTime(e.At), Who: label(e.Who), Role: kindWords(e),
		Address: label(e.Address), Deed: deedWords(e.Deed), Object: visible(e.Object, 300), Detail: visible(e.Detail, 600)}
	if serial, ok := strings.CutPrefix(e.Object, "unit "); ok {
		row.Href = unitHref(analytics.Serial(serial), "")
	}
	return row
}

// kindWords says what a principal was.
func kindWords(e *analytics.TrailEntry) string {
	words := map[analytics.PrincipalKind]string{analytics.KindToken: "token", analytics.KindService: "the service"}[e.Kind]
	if e.Kind == analytics.KindPerson {
		words = roleWords(e.Role)
	}
	if e.Organisation != "" {
		words = strings.TrimPrefix(words+", "+label(e.Organisation), ", ")
	}
	return words
}

// handleTrailFile answers GET /trail.ndjson: the whole trail, the oldest first,
// one entry on a line.
func (s *site) handleTrailFile(w http.ResponseWriter, r *http.Request) {
	begun := false
	lines := json.NewEncoder(w)
	lines.SetEscapeHTML(false)
	begin := func() {
		w.Header().Set("Content-Type", "application/x-ndjson")
		w.Header().Set("Content-Disposition", `attachment; filename="trail.ndjson"`)
		begun = true
	}
	err := s.cfg.Trail.TrailEntries(r.Context(), 1, func(e analytics.TrailEntry) error {
		if !begun {
			begin()
		}
		return lines.Encode(api.EntryBodyOf(&e))
	})
	switch {
	case err != nil && begun:
		s.abort(r, "read the trail", err)
	case err != nil:
		s.fail(w, r, "read the trail", err)
	case !begun:
		begin()
		w.WriteHeader(http.StatusOK)
	}
}

// handleTrailCheck answers POST /trail/check: it adds the chain up again, and
// changes nothing.
func (s *site) handleTrailCheck(w http.ResponseWriter, r *http.Request) {
	if !s.smallForm(w, r) {
		return
	}
	p := trailPage{Heads: r.PostForm.Get("heads")}
	heads, wrong := readHeads(p.Heads)
	if wrong != "" {
		p.HeadsWrong = wrong
		s.showTrail(w, r, http.StatusUnprocessableEntity, p)
		return
	}
	c, err := s.cfg.Trail.CheckTrail(r.Context(), heads)
	if err != nil {
		s.fail(w, r, "check the trail", err)
		return
	}
	p.Check = &trailCheck{Entries: plural(c.Entries, "entry", "entries"), Number: strconv.FormatInt(c.Head.Number, 10),
		Note: strconv.FormatInt(c.Head.Number, 10) + " " + hex.EncodeToString(c.Head.Hash[:])}
	for _, f := range c.Faults {
		p.Check.Faults = append(p.Check.Faults, visible(f, 600))
	}
	if len(heads) > 0 {
		p.Check.Against = plural(int64(len(heads)), "end that was noted earlier", "ends that were noted earlier")
	}
	s.showTrail(w, r, http.StatusOK, p)
}

// mostHeads bounds the ends that are compared at once.
const mostHeads = 100

// readHeads reads ends of the trail that were noted: a number and a hash on
// each line. wrong says what cannot be read.
func readHeads(text string) (heads []analytics.TrailHead, wrong string) {
	for line := range strings.Lines(text) {
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		var h analytics.TrailHead
		var err error
		if len(words) == 2 {
			h.Number, err = strconv.ParseInt(words[0], 10, 64)
		}
		if len(words) != 2 || err != nil || h.Number < 1 || len(words[1]) != 2*len(h.Hash) {
			return nil, "Write a number and its hash of 64 hexadecimal digits on each line, as a check shows them."
		}
		if _, err := hex.Decode(h.Hash[:], []byte(words[1])); err != nil {
			return nil, "A hash holds the digits 0 to 9 and a to f alone."
		}
		if heads = append(heads, h); len(heads) > mostHeads {
			return nil, "At most " + strconv.Itoa(mostHeads) + " ends are compared at once."
		}
	}
	return heads, ""
}
