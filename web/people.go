package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strconv"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/web/api"
)

// peoplePage lists who may sign in and invites others.
type peoplePage struct {
	Rows    []personRow
	Entries []entry
	Problem string
}

// personRow is a person in the list.
type personRow struct {
	Login, Href, Name, Role, Organisation string
	SignsIn, Last, LastTime               string
	// State says what keeps the person from signing in, empty for nothing.
	State string
}

// personPage is what can be done with a person.
type personPage struct {
	Action, Login, Name string
	Facts               []term
	Entries             []entry
	Problem, Done       string
	Disabled            bool
	// Self: it is the one who asks.
	Self bool
	// CodeTitle names the code that can be made, empty for none.
	CodeTitle string
	Sessions  []sessionRow
}

// codePage tells a one-time code this once.
type codePage struct {
	Name, Login, Link, Code, Welcome, Until, Href string
	Recovery                                      bool
}

// peopleRoutes are the pages of those who manage people.
func (s *site) peopleRoutes(r chi.Router) {
	if s.cfg.People == nil {
		return
	}
	r = r.With(s.may(analytics.RightPeople))
	r.Get("/people", s.handlePeople)
	r.Post("/people", s.handleInvite)
	r.Get("/people/{person}", s.handlePerson)
	r.Post("/people/{person}", s.handleChangePerson)
	r.Post("/people/{person}/disable", s.handleDisablePerson)
	r.Post("/people/{person}/code", s.handleNewCode)
	r.Post("/people/{person}/sessions/end", s.handleEndSessions)
	s.tokenRoutes(r)
}

// handlePeople answers GET /people.
func (s *site) handlePeople(w http.ResponseWriter, r *http.Request) {
	s.showPeople(w, r, http.StatusOK, personForm{})
}

func (s *site) showPeople(w http.ResponseWriter, r *http.Request, status int, f personForm) {
	list, err := s.cfg.People.People(r.Context())
	if err != nil {
		s.fail(w, r, "list people", err)
		return
	}
	f.prefix, f.isNew, f.organisations = "invite", true, s.organisations(r.Context())
	p := peoplePage{Entries: f.entries(), Problem: f.wrong.summary()}
	now := analytics.InstantOf(s.cfg.Now())
	for i := range list {
		p.Rows = append(p.Rows, s.personRow(&list[i], now))
	}
	s.render(w, r, status, "people", view{Title: "People", Section: "people", Page: p})
}

// organisations are those that sites name; a form works without them.
func (s *site) organisations(ctx context.Context) []string {
	list, err := s.cfg.People.Organisations(ctx)
	if err != nil {
		s.log.Warn("list organisations", "err", err)
	}
	return list
}

func personHref(id int64) string { return "/people/" + strconv.FormatInt(id, 10) }

func (s *site) personRow(p *analytics.Person, now analytics.Instant) personRow {
	row := personRow{Login: label(p.Login), Href: personHref(p.ID), Name: label(p.Name), Role: roleWords(p.Role), Organisation: label(p.Organisation),
		SignsIn: signsIn(p), Last: "never", State: stateWords(p, now)}
	if p.LastSignIn != nil {
		row.Last, row.LastTime = ago(*p.LastSignIn, s.cfg.Now()), machineTime(*p.LastSignIn)
	}
	return row
}

// signsIn says how a person can sign in.
func signsIn(p *analytics.Person) string {
	switch {
	case p.HasPassword && p.HasIdentity:
		return "password or identity provider"
	case p.HasPassword:
		return "password"
	case p.HasIdentity:
		return "identity provider"
	}
	return "not yet"
}

func stateWords(p *analytics.Person, now analytics.Instant) string {
	switch {
	case p.DisabledAt != nil:
		return "disabled"
	case p.WaitsUntil != nil && *p.WaitsUntil > now:
		return "waits after wrong passwords"
	case !p.HasPassword && !p.HasIdentity:
		return "invited"
	}
	return ""
}

// handleInvite answers POST /people: it adds a person and tells its one-time
// code.
func (s *site) handleInvite(w http.ResponseWriter, r *http.Request) {
	if !s.smallForm(w, r) {
		return
	}
	f := personForm{Person: personOf(r)}
	f.wrong = wrongsOf(api.PersonProblems(&f.Person))
	if len(f.wrong) > 0 {
		s.showPeople(w, r, http.StatusUnprocessableEntity, f)
		return
	}
	made, err := api.Invite(r.Context(), s.cfg.People, f.Person, s.cfg.Now())
	if errors.Is(err, analytics.ErrConflict) {
		f.wrong.add("form", "There is somebody with this login or this email already. Nothing was changed.")
		s.showPeople(w, r, http.StatusConflict, f)
		return
	}
	if err != nil {
		s.fail(w, r, "invite a person", err)
		return
	}
	s.showCode(w, r, made)
}

// address gives the address of the site as people type it.
func (s *site) address(r *http.Request) string {
	switch {
	case s.cfg.Address != "":
		return s.cfg.Address
	case s.cfg.Secure, r.TLS != nil:
		return "https://" + r.Host
	}
	return "http://" + r.Host
}

// showCode tells a code and how to hand it over.
func (s *site) showCode(w http.ResponseWriter, r *http.Request, made api.Invited) {
	p := codePage{Name: label(made.Person.Name), Login: label(made.Person.Login), Code: made.Secret, Welcome: s.address(r) + "/welcome",
		Until: minuteUTC(made.Until), Href: personHref(made.Person.ID), Recovery: made.Kind == analytics.CodeRecovery}
	p.Link = p.Welcome + "#" + url.PathEscape(made.Secret)
	secret(w)
	s.render(w, r, http.StatusCreated, "code", view{Title: "One-time link", Section: "people", Page: p})
}

// personDone says what was just done, by the word that led back.
var personDone = map[string]string{
	"changed":  "The change is kept.",
	"disabled": "This person cannot sign in any more, and every session of it is ended.",
	"enabled":  "This person may sign in again.",
	"sessions": "The sessions are ended.",
}

// pathPerson gives the person that the path names, and answers where there is
// none.
func (s *site) pathPerson(w http.ResponseWriter, r *http.Request) (p analytics.Person, ok bool) {
	id, err := strconv.ParseInt(chi.URLParam(r, "person"), 10, 64)
	if err != nil || id < 1 {
		s.writeErrorPage(w, r, http.StatusNotFound)
		return p, false
	}
	if p, err = s.cfg.People.Person(r.Context(), id); err != nil {
		s.fail(w, r, "read a person", err)
		return p, false
	}
	return p, true
}

// handlePerson answers GET /people/{person}.
func (s *site) handlePerson(w http.ResponseWriter, r *http.Request) {
	if p, ok := s.pathPerson(w, r); ok {
		s.showPerson(w, r, http.StatusOK, p, personForm{Person: p})
	}
}

// showPerson shows a person, with a form that may differ from it.
func (s *site) showPerson(w http.ResponseWriter, r *http.Request, status int, person analytics.Person, f personForm) {
	f.prefix, f.organisations = "person", s.organisations(r.Context())
	who := analytics.PrincipalOf(r.Context())
	p := personPage{Action: personHref(person.ID), Login: label(person.Login), Name: label(person.Name), Entries: f.entries(), Problem: f.wrong.summary(),
		Done: personDone[r.URL.Query().Get("done")], Disabled: person.DisabledAt != nil, Self: who.Kind == analytics.KindPerson && who.ID == person.ID,
		Facts: s.personFacts(&person)}
	switch {
	case p.Disabled:
	case person.HasPassword:
		p.CodeTitle = "Make a recovery link"
	default:
		p.CodeTitle = "Make a new invitation link"
	}
	sessions, err := s.cfg.People.Sessions(r.Context(), person.ID)
	if err != nil {
		s.fail(w, r, "list sessions", err)
		return
	}
	p.Sessions = sessionRows(sessions, s.ownSession(r), s.cfg.Now())
	s.render(w, r, status, "person", view{Title: "Person " + p.Login, Section: "people", Page: p})
}

// ownSession is the session of the browser that asks, 0 for none.
func (s *site) ownSession(r *http.Request) int64 {
	if s.cfg.Gate == nil {
		return 0
	}
	return s.cfg.Gate.SessionID(r.Context())
}

func (s *site) personFacts(p *analytics.Person) []term {
	now := s.cfg.Now()
	list := []term{{Name: "Signs in by", Value: signsIn(p)}, {Name: "Added", Value: minuteUTC(p.CreatedAt)}}
	if p.LastSignIn != nil {
		list = append(list, term{Name: "Last signed in", Value: ago(*p.LastSignIn, now)})
	} else {
		list = append(list, term{Name: "Last signed in", Value: "never"})
	}
	if p.WaitsUntil != nil && *p.WaitsUntil > analytics.InstantOf(now) {
		list = append(list, term{Name: "After wrong passwords waits until", Value: minuteUTC(*p.WaitsUntil)})
	}
	if p.DisabledAt != nil {
		list = append(list, term{Name: "Disabled", Value: minuteUTC(*p.DisabledAt)})
	}
	return list
}

// handleChangePerson answers POST /people/{person}.
func (s *site) handleChangePerson(w http.ResponseWriter, r *http.Request) {
	person, ok := s.pathPerson(w, r)
	if !ok || !s.smallForm(w, r) {
		return
	}
	f := personForm{Person: personOf(r)}
	f.ID, f.Login = person.ID, person.Login
	f.wrong = wrongsOf(api.PersonProblems(&f.Person))
	if len(f.wrong) > 0 {
		s.showPerson(w, r, http.StatusUnprocessableEntity, person, f)
		return
	}
	err := s.cfg.People.ChangePerson(r.Context(), f.Person)
	if errors.Is(err, analytics.ErrConflict) {
		f.wrong.add("form", "That cannot be done: the email is somebody else's, or nobody would be left who manages people. Nothing was changed.")
		s.showPerson(w, r, http.StatusConflict, person, f)
		return
	}
	s.backToPerson(w, r, person.ID, "changed", err)
}

// backToPerson leads back to a person after a change.
func (s *site) backToPerson(w http.ResponseWriter, r *http.Request, id int64, done string, err error) {
	if err != nil {
		s.fail(w, r, "change a person", err)
		return
	}
	http.Redirect(w, r, personHref(id)+"?done="+done, http.StatusSeeOther)
}

// handleDisablePerson answers POST /people/{person}/disable; enable=1 undoes it.
func (s *site) handleDisablePerson(w http.ResponseWriter, r *http.Request) {
	person, ok := s.pathPerson(w, r)
	if !ok || !s.smallForm(w, r) {
		return
	}
	disable, done := r.PostForm.Get("enable") == "", "disabled"
	if !disable {
		done = "enabled"
	}
	err := s.cfg.People.DisablePerson(r.Context(), person.ID, disable)
	if errors.Is(err, analytics.ErrConflict) {
		f := personForm{Person: person, wrong: wrongs{"form": "That cannot be done: nobody would be left who manages people. Nothing was changed."}}
		s.showPerson(w, r, http.StatusConflict, person, f)
		return
	}
	s.backToPerson(w, r, person.ID, done, err)
}

// handleNewCode answers POST /people/{person}/code.
func (s *site) handleNewCode(w http.ResponseWriter, r *http.Request) {
	person, ok := s.pathPerson(w, r)
	if !ok {
		return
	}
	made, err := api.NewCode(r.Context(), s.cfg.People, person, s.cfg.Now())
	if err != nil {
		s.fail(w, r, "make a code", err)
		return
	}
	s.showCode(w, r, made)
}

// handleEndSessions answers POST /people/{person}/sessions/end: the one with an
// id, or all; the one that asks goes on.
func (s *site) handleEndSessions(w http.ResponseWriter, r *http.Request) {
	person, ok := s.pathPerson(w, r)
	if !ok || !s.smallForm(w, r) {
		return
	}
	var id int64
	if text := r.PostForm.Get("id"); text != "" {
		var err error
		if id, err = strconv.ParseInt(text, 10, 64); err != nil || id < 1 {
			s.writeErrorPage(w, r, http.StatusBadRequest)
			return
		}
	}
	s.backToPerson(w, r, person.ID, "sessions", s.cfg.People.EndSessions(r.Context(), person.ID, id, s.ownSession(r)))
}
