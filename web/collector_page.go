package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/web/api"
)

// collectorPage shows one collector and what can be done with it.
type collectorPage struct {
	Name, Href    string
	Facts         []term
	Form          collectorForm
	Done, Problem string
	NotSetUp      bool
	Units         boundUnits
	Logins        []loginRow
	Profile       profilePart
}

// boundUnits are the units bound to a collector.
type boundUnits struct {
	Find, Next, First string
	Rows              []spanLink
	// Typed is what was to be bound and could not be.
	Typed string
	Empty string
}

// loginRow is a login for the broker.
type loginRow struct{ User, By, Made, MadeTime string }

// profilePart is the collector's profile, with a form that may differ from it.
type profilePart struct {
	CanSet, CanTry bool
	Kept           string
	Text, Lines    string
	Open           bool
	// Tried says in words what a trial found.
	Tried []string
}

// loginPage tells the password of a new login this once.
type loginPage struct {
	Collector, Href, User, Password, Subject, Topic, Inbox string
	Others                                                 bool
}

// collectorEntered is what was entered in one of the page's forms and could not
// be taken.
type collectorEntered struct {
	rules   *analytics.Collector
	units   string
	profile *profilePart
	problem string
}

// collectorDone says what was just done, by the word that led back.
var collectorDone = map[string]string{
	"set":        "What it may deliver is kept. It holds from the next delivery on.",
	"bound":      "The units are bound. What was held of them is counted within some seconds.",
	"let-go":     "The units are let go.",
	"dropped":    "The login is ended; its connections are cut off within some seconds.",
	"profile":    "The profile is kept. Deliveries that are stored already keep the one that they were sent with.",
	"no-profile": "The profile is taken away.",
}

// pathCollector is the name in the path.
func pathCollector(r *http.Request) string {
	p := chi.URLParam(r, "collector")
	if plain, err := url.PathUnescape(p); err == nil && r.URL.RawPath != "" {
		return plain
	}
	return p
}

// handleCollector answers GET /collectors/{collector}.
func (s *site) handleCollector(w http.ResponseWriter, r *http.Request) {
	s.showCollector(w, r, http.StatusOK, collectorEntered{})
}

// unitsShown is how many bound units a page tells.
const unitsShown = 100

func (s *site) showCollector(w http.ResponseWriter, r *http.Request, status int, entered collectorEntered) {
	name := pathCollector(r)
	c, err := s.cfg.Collectors.Collector(r.Context(), name)
	if err != nil {
		s.fail(w, r, "show a collector", err)
		return
	}
	p := collectorPage{Name: label(c.Name), Href: collectorHref(c.Name), Facts: s.collectorFacts(&c), Form: formOf(c), NotSetUp: c.Taking == "",
		Done: collectorDone[r.URL.Query().Get("done")], Problem: entered.problem}
	if entered.rules != nil {
		p.Form = formOf(*entered.rules)
	}
	if p.Units, err = s.boundUnits(r, name); err != nil {
		s.fail(w, r, "list bound units", err)
		return
	}
	p.Units.Typed = entered.units
	for _, l := range c.Logins {
		p.Logins = append(p.Logins, loginRow{User: label(l.User), By: label(l.MadeBy), Made: when(l.CreatedAt), MadeTime: machineTime(l.CreatedAt)})
	}
	kept, err := s.cfg.Collectors.Profile(r.Context(), name)
	if err != nil {
		s.fail(w, r, "read a profile", err)
		return
	}
	p.Profile = profilePart{Text: string(kept)}
	if entered.profile != nil {
		p.Profile = *entered.profile
	}
	p.Profile.Kept, p.Profile.CanSet, p.Profile.CanTry = string(kept), s.cfg.Upkeep != nil, s.tools() != nil
	s.render(w, r, status, "collector", view{Title: "Collector " + p.Name, Section: "collectors", Page: p})
}

func (s *site) collectorFacts(c *analytics.Collector) []term {
	last := "never"
	if c.LastStored != nil {
		last = ago(*c.LastStored, s.cfg.Now())
	}
	return []term{
		{Name: "May deliver", Value: takingWords(c.Taking)}, {Name: "Units bound to it", Value: count(c.Bound)},
		{Name: "Units that it asks for", Value: count(c.Asking)}, {Name: "Deliveries", Value: count(c.Deliveries)}, {Name: "Last one stored", Value: last},
	}
}

func (s *site) boundUnits(r *http.Request, name string) (boundUnits, error) {
	q := r.URL.Query()
	b := boundUnits{Find: strings.TrimSpace(q.Get("find"))}
	after := analytics.Serial(q.Get("after"))
	var list []analytics.Serial
	var err error
	if t := s.tools(); t != nil && b.Find != "" {
		list, err = t.BoundLike(r.Context(), name, b.Find, after, unitsShown+1)
	} else {
		list, err = s.cfg.Collectors.Bound(r.Context(), name, after, unitsShown+1)
	}
	if err != nil {
		return b, err
	}
	here := func(v url.Values) string {
		if b.Find != "" {
			v.Set("find", b.Find)
		}
		return collectorHref(name) + "?" + v.Encode() + "#units"
	}
	if len(list) > unitsShown {
		list = list[:unitsShown]
		b.Next = here(url.Values{"after": {string(list[unitsShown-1])}})
	}
	if after != "" {
		b.First = here(url.Values{})
	}
	for _, serial := range list {
		b.Rows = append(b.Rows, spanLink{string(serial), unitHref(serial, ""), false})
	}
	switch {
	case len(list) > 0:
	case b.Find != "":
		b.Empty = "No unit that is bound to it begins with " + visible(b.Find, 64) + "."
	default:
		b.Empty = "No unit is bound to it."
	}
	return b, nil
}

// handleSetUpCollector answers POST /collectors/{collector}.
func (s *site) handleSetUpCollector(w http.ResponseWriter, r *http.Request) {
	if !s.smallForm(w, r) {
		return
	}
	c := collectorOf(r, pathCollector(r))
	s.afterChange(w, r, s.cfg.Collectors.SetUp(r.Context(), c), "set", collectorEntered{rules: &c})
}

// afterChange leads back to the collector, or shows what was entered again.
func (s *site) afterChange(w http.ResponseWriter, r *http.Request, err error, done string, entered collectorEntered) {
	if err == nil {
		http.Redirect(w, r, collectorHref(pathCollector(r))+"?done="+done, http.StatusSeeOther)
		return
	}
	if entered.problem = mistake(err); entered.problem != "" {
		s.showCollector(w, r, http.StatusUnprocessableEntity, entered)
		return
	}
	s.fail(w, r, "change a collector", err)
}

// handleBindUnits answers POST /collectors/{collector}/units: serials that are
// typed are bound, those that are ticked let go.
func (s *site) handleBindUnits(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxDecisions)
	if err := r.ParseForm(); err != nil {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return
	}
	typed := r.PostForm.Get("serials")
	bind, texts, done := true, words(typed), "bound"
	if r.PostForm.Get("do") == "let-go" {
		bind, texts, done = false, r.PostForm["unit"], "let-go"
	}
	if len(texts) == 0 {
		problem := "Name the units that are to be bound first. Nothing was changed."
		if !bind {
			problem = "Tick the units that are to be let go first. Nothing was changed."
		}
		s.showCollector(w, r, http.StatusUnprocessableEntity, collectorEntered{problem: problem})
		return
	}
	serials := make([]analytics.Serial, len(texts))
	for i, text := range texts {
		serials[i] = analytics.Serial(text)
	}
	s.afterChange(w, r, s.cfg.Collectors.Bind(r.Context(), pathCollector(r), serials, bind), done, collectorEntered{units: typed})
}

// handleAddLogin answers POST /collectors/{collector}/logins.
func (s *site) handleAddLogin(w http.ResponseWriter, r *http.Request) {
	name := pathCollector(r)
	c, err := s.cfg.Collectors.Collector(r.Context(), name)
	if err != nil {
		s.fail(w, r, "show a collector", err)
		return
	}
	login, password, err := s.cfg.Collectors.AddLogin(r.Context(), name)
	if err != nil {
		s.afterChange(w, r, err, "", collectorEntered{})
		return
	}
	secret(w)
	p := loginPage{Collector: label(name), Href: collectorHref(name), User: login.User, Password: password,
		Subject: "telemetry." + name, Topic: "telemetry/" + name, Inbox: "_INBOX_" + name, Others: len(c.Logins) > 0}
	s.render(w, r, http.StatusCreated, "collector_login", view{Title: "A login for " + p.Collector, Section: "collectors", Page: p})
}

// handleDropLogin answers POST /collectors/{collector}/logins/drop.
func (s *site) handleDropLogin(w http.ResponseWriter, r *http.Request) {
	if !s.smallForm(w, r) {
		return
	}
	name, user := pathCollector(r), r.PostForm.Get("user")
	if of, _, _ := strings.Cut(user, "."); of != name {
		s.writeErrorPage(w, r, http.StatusNotFound)
		return
	}
	err := s.cfg.Collectors.DropLogin(r.Context(), user)
	if errors.Is(err, analytics.ErrNotFound) {
		err = nil // sent twice it changes nothing
	}
	s.afterChange(w, r, err, "dropped", collectorEntered{})
}

// handleSetProfile answers POST /collectors/{collector}/profile: it tries a
// profile or keeps it.
func (s *site) handleSetProfile(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxDecisions)
	if err := r.ParseForm(); err != nil {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return
	}
	name := pathCollector(r)
	if _, err := s.cfg.Collectors.Collector(r.Context(), name); err != nil {
		s.fail(w, r, "show a collector", err)
		return
	}
	p := &profilePart{Text: r.PostForm.Get("profile"), Lines: r.PostForm.Get("lines"), Open: true}
	if r.PostForm.Get("do") != "try" {
		_, err := s.cfg.Upkeep.SetProfile(r.Context(), name, []byte(p.Text))
		done := "profile"
		if strings.TrimSpace(p.Text) == "" {
			done = "no-profile"
		}
		s.afterChange(w, r, err, done, collectorEntered{profile: p})
		return
	}
	if s.tools() == nil {
		s.writeErrorPage(w, r, http.StatusNotFound)
		return
	}
	trial, err := s.tools().TryProfile(r.Context(), name, []byte(p.Text), []byte(p.Lines))
	if problem := mistakeOrNone(err); problem != "" {
		s.showCollector(w, r, http.StatusUnprocessableEntity, collectorEntered{profile: p, problem: problem})
		return
	}
	if err != nil {
		s.fail(w, r, "try a profile", err)
		return
	}
	p.Tried = trialWords(trial, strings.TrimSpace(p.Lines) != "")
	s.showCollector(w, r, http.StatusOK, collectorEntered{profile: p})
}

func mistakeOrNone(err error) string {
	if err == nil {
		return ""
	}
	return mistake(err)
}

// trialWords says what a profile made of some lines.
func trialWords(t api.ProfileTrial, lines bool) []string {
	if !lines {
		return []string{"The profile can be read. Give some lines of a file to see what it makes of them."}
	}
	list := []string{plural(t.Samples, "row", "rows") + " can be read."}
	reasons := make([]string, 0, len(t.Quarantined))
	for reason := range t.Quarantined {
		reasons = append(reasons, reason)
	}
	slices.Sort(reasons)
	for _, reason := range reasons {
		list = append(list, plural(t.Quarantined[reason], "row", "rows")+" would be held: "+label(reason)+".")
	}
	for _, n := range t.Notes {
		list = append(list, visible(n, 300))
	}
	return list
}
