package web

import (
	"errors"
	"net/http"
	"strconv"
	"time"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/web/access"
)

// accountPage is what a person sees and does about itself.
type accountPage struct {
	Facts  []term
	Rights []string
	// Shared: the person is one of a demo, whom everybody is.
	Shared   bool
	Entries  []entry
	Problem  string
	Done     string
	Sessions []sessionRow
	// Others: there are sessions beside this one.
	Others bool
}

// sessionRow is a browser that a person is signed in with.
type sessionRow struct {
	ID                                   int64
	Agent, Address                       string
	Started, StartedTime, Seen, SeenTime string
	Ends, EndsTime                       string
	Current                              bool
}

// accountRoutes are a person's own pages.
func (s *site) accountRoutes(r chi.Router) {
	if s.cfg.Gate == nil || s.cfg.People == nil {
		return
	}
	r = r.With(s.somebody)
	r.Get("/account", s.handleAccount)
	r.Post("/account/password", s.handlePassword)
	r.Post("/account/sessions/end", s.handleEndOwn)
}

// accountDone says what was just done, by the word that led back.
var accountDone = map[string]string{
	"password": "Your password is changed. Wherever else you were signed in, you are signed out.",
	"session":  "That session is ended.",
	"others":   "All other sessions are ended.",
}

// handleAccount answers GET /account.
func (s *site) handleAccount(w http.ResponseWriter, r *http.Request) {
	s.showAccount(w, r, http.StatusOK, nil, accountDone[r.URL.Query().Get("done")])
}

// ownPerson gives the person who asks, and answers where it is none.
func (s *site) ownPerson(w http.ResponseWriter, r *http.Request) (analytics.Person, bool) {
	who := analytics.PrincipalOf(r.Context())
	if who.Kind != analytics.KindPerson {
		s.deny(w, r)
		return analytics.Person{}, false
	}
	p, err := s.cfg.People.Person(r.Context(), who.ID)
	if err != nil {
		s.fail(w, r, "read the person who asks", err)
		return p, false
	}
	return p, true
}

func (s *site) showAccount(w http.ResponseWriter, r *http.Request, status int, wrong wrongs, done string) {
	person, ok := s.ownPerson(w, r)
	if !ok {
		return
	}
	p := accountPage{Shared: s.cfg.Gate.IsDemo(), Problem: wrong.summary(), Done: done, Facts: []term{
		{Name: "Login", Value: label(person.Login)}, {Name: "Name", Value: visible(person.Name, 200)}, {Name: "Role", Value: roleWords(person.Role)}}}
	if person.Organisation != "" {
		p.Facts = append(p.Facts, term{Name: "Organisation", Value: visible(person.Organisation, 200)})
	}
	if person.Email != "" {
		p.Facts = append(p.Facts, term{Name: "Email", Value: visible(person.Email, 254)})
	}
	for _, right := range analytics.Rights {
		if s.asked(r, right) {
			p.Rights = append(p.Rights, rightWords(right))
		}
	}
	if !p.Shared {
		if person.HasPassword {
			p.Entries = append([]entry{{ID: "old", Name: "old", Label: "Password until now", Type: "password", Required: true, Max: 256,
				Autocomplete: "current-password", Wrong: wrong["old"]}}, newPassword(wrong)...)
		}
		sessions, err := s.cfg.People.Sessions(r.Context(), person.ID)
		if err != nil {
			s.fail(w, r, "list sessions", err)
			return
		}
		p.Sessions = sessionRows(sessions, s.cfg.Gate.SessionID(r.Context()), s.cfg.Now())
		p.Others = len(p.Sessions) > 1
	}
	s.render(w, r, status, "account", view{Title: "Your account", Section: "account", Page: p})
}

func sessionRows(list []analytics.Session, current int64, now time.Time) []sessionRow {
	rows := make([]sessionRow, 0, len(list))
	for _, x := range list {
		row := sessionRow{ID: x.ID, Agent: visible(x.Agent, 120), Address: label(x.Address), Current: x.ID == current,
			Started: minuteUTC(x.StartedAt), StartedTime: machineTime(x.StartedAt), Seen: ago(x.SeenAt, now), SeenTime: machineTime(x.SeenAt),
			Ends: minuteUTC(x.ExpiresAt), EndsTime: machineTime(x.ExpiresAt)}
		if row.Agent == "" {
			row.Agent = "a browser that does not say which"
		}
		rows = append(rows, row)
	}
	return rows
}

// sessionsTable is what the template of sessions needs.
type sessionsTable struct {
	// Action is where one is ended.
	Action string
	Rows   []sessionRow
}

func sessionTable(action string, rows []sessionRow) sessionsTable { return sessionsTable{action, rows} }

// handlePassword answers POST /account/password.
func (s *site) handlePassword(w http.ResponseWriter, r *http.Request) {
	if !s.smallForm(w, r) {
		return
	}
	who := analytics.PrincipalOf(r.Context())
	if who.Kind != analytics.KindPerson || s.cfg.Gate.IsDemo() {
		s.deny(w, r)
		return
	}
	wrong, password := wrongs{}, r.PostForm.Get("password")
	passwordWrongs(wrong, who.Name, password, r.PostForm.Get("again"))
	if len(wrong) > 0 {
		s.showAccount(w, r, http.StatusUnprocessableEntity, wrong, "")
		return
	}
	err := s.cfg.Gate.ChangePassword(r.Context(), r.PostForm.Get("old"), password)
	var wait *access.WaitError
	status := http.StatusUnprocessableEntity
	switch {
	case err == nil:
		http.Redirect(w, r, "/account?done=password", http.StatusSeeOther)
		return
	case errors.As(err, &wait):
		retryAfter(w, wait, s.cfg.Now())
		status = http.StatusTooManyRequests
		wrong.add("form", waitWords(wait, s.cfg.Now()))
	case errors.Is(err, access.ErrWrong):
		wrong.add("old", "This is not your password until now.")
	case errors.Is(err, analytics.ErrInvalid):
		wrong.add("password", problemWords(err)[0])
	default:
		s.fail(w, r, "change the password", err)
		return
	}
	s.showAccount(w, r, status, wrong, "")
}

// handleEndOwn answers POST /account/sessions/end: the session with an id, or
// all but this one.
func (s *site) handleEndOwn(w http.ResponseWriter, r *http.Request) {
	if !s.smallForm(w, r) {
		return
	}
	who := analytics.PrincipalOf(r.Context())
	if who.Kind != analytics.KindPerson || s.cfg.Gate.IsDemo() {
		s.deny(w, r)
		return
	}
	id, done, err := int64(0), "others", error(nil)
	if text := r.PostForm.Get("id"); text != "" {
		done = "session"
		if id, err = strconv.ParseInt(text, 10, 64); err != nil || id < 1 {
			s.writeErrorPage(w, r, http.StatusBadRequest)
			return
		}
	}
	if err = s.cfg.People.EndSessions(r.Context(), who.ID, id, s.cfg.Gate.SessionID(r.Context())); err != nil {
		s.fail(w, r, "end sessions", err)
		return
	}
	http.Redirect(w, r, "/account?done="+done+"#sessions", http.StatusSeeOther)
}
