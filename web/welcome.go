package web

import (
	"errors"
	"net/http"
	"strings"

	"fadeledger/analytics"
	"fadeledger/web/access"
	"fadeledger/web/api"
)

// welcomePage takes a one-time code, and then what it is for.
type welcomePage struct {
	// Entries are the code, or what is to be chosen with it.
	Entries []entry
	// Code is the secret once it is known to be right.
	Code    string
	Problem string
	// For says what the code is for, Login who will sign in with it.
	Title, For, Login string
	// SignedIn: somebody is signed in here already.
	SignedIn string
}

// handleWelcome answers GET /welcome. The code stands in the fragment of the
// address, which no server sees; a small module puts it into the form.
func (s *site) handleWelcome(w http.ResponseWriter, r *http.Request) {
	s.askForCode(w, r, http.StatusOK, "")
}

func (s *site) askForCode(w http.ResponseWriter, r *http.Request, status int, problem string) {
	p := welcomePage{Problem: problem, Title: "Welcome", SignedIn: s.signedIn(r), Entries: []entry{
		{ID: "code", Name: "code", Label: "One-time code", Type: "text", Required: true, Max: 200, Autocomplete: "one-time-code"}}}
	s.showWelcome(w, r, status, p)
}

func (s *site) showWelcome(w http.ResponseWriter, r *http.Request, status int, p welcomePage) {
	secret(w)
	s.render(w, r, status, "welcome", view{Title: p.Title, Section: "sign-in", Page: p})
}

// signedIn is the name of the person who is signed in, empty for none.
func (s *site) signedIn(r *http.Request) string {
	if p := analytics.PrincipalOf(r.Context()); p.Kind == analytics.KindPerson {
		return label(p.Name)
	}
	return ""
}

// usableCode looks a code up, and answers where it cannot be used.
func (s *site) usableCode(w http.ResponseWriter, r *http.Request) (secret string, c analytics.Code, ok bool) {
	if !s.smallForm(w, r) {
		return "", c, false
	}
	secret = strings.TrimSpace(r.PostForm.Get("code"))
	c, err := s.cfg.Gate.Code(r.Context(), secret)
	if err != nil {
		s.codeFailed(w, r, err)
		return "", c, false
	}
	return secret, c, true
}

func (s *site) codeFailed(w http.ResponseWriter, r *http.Request, err error) {
	var wait *access.WaitError
	switch {
	case errors.As(err, &wait):
		retryAfter(w, wait, s.cfg.Now())
		s.askForCode(w, r, http.StatusTooManyRequests, waitWords(wait, s.cfg.Now()))
	case errors.Is(err, analytics.ErrNotFound):
		s.askForCode(w, r, http.StatusUnprocessableEntity,
			"This code cannot be used: it was used before, it is over, or it is not whole. Compare it, or ask whoever gave it to you for a new one.")
	default:
		s.fail(w, r, "look up a code", err)
	}
}

// handleWelcomeCode answers POST /welcome: it asks for what the code is for. The
// code is not used up by it.
func (s *site) handleWelcomeCode(w http.ResponseWriter, r *http.Request) {
	secret, c, ok := s.usableCode(w, r)
	if ok {
		s.showChoices(w, r, http.StatusOK, secret, c, analytics.Person{}, nil)
	}
}

// showChoices asks for a password, and of the first administrator for login and
// name, too.
func (s *site) showChoices(w http.ResponseWriter, r *http.Request, status int, code string, c analytics.Code, first analytics.Person, wrong wrongs) {
	p := welcomePage{Code: code, Problem: wrong.summary(), SignedIn: s.signedIn(r), Title: "Choose a password"}
	until := " The code holds until " + minuteUTC(c.ExpiresAt) + "."
	switch c.Kind {
	case analytics.CodeFirst:
		p.Title, p.For = "The first administrator", "You will manage who else may sign in."+until
		p.Entries = []entry{
			{ID: "login", Name: "login", Label: "Login", Type: "text", Value: first.Login, Required: true, Max: 64, Autocomplete: "username", Wrong: wrong["login"], Note: "What you type to sign in. It stays."},
			{ID: "name", Name: "name", Label: "Name", Type: "text", Value: first.Name, Required: true, Max: 200, Autocomplete: "name", Wrong: wrong["name"]},
		}
	case analytics.CodeInvitation:
		p.Login = label(c.Person.Login)
		p.For = label(c.Person.Name) + ", you were invited as " + roleWords(c.Person.Role) + ". Sign in as " + p.Login + " from now on." + until
	default:
		p.Login = label(c.Person.Login)
		p.For = label(c.Person.Name) + ", choose a new password for " + p.Login + ". Wherever you are signed in now, you will be signed out." + until
	}
	p.Entries = append(p.Entries, newPassword(wrong)...)
	s.showWelcome(w, r, status, p)
}

// newPassword are the fields for a password that is chosen.
func newPassword(wrong wrongs) []entry {
	return []entry{
		{ID: "password", Name: "password", Label: "New password", Type: "password", Required: true, Max: 256, Autocomplete: "new-password", Wrong: wrong["password"],
			Note: "At least 12 characters; several words in a row do well."},
		{ID: "again", Name: "again", Label: "The same once more", Type: "password", Required: true, Max: 256, Autocomplete: "new-password", Wrong: wrong["again"]},
	}
}

// passwordWrongs says what is wrong with a password that is chosen for a login.
func passwordWrongs(wrong wrongs, login, password, again string) {
	if err := access.CheckPassword(login, password); err != nil {
		wrong.add("password", err.Error())
	} else if password != again {
		wrong.add("again", "The two are not the same.")
	}
}

// handleWelcomeUse answers POST /welcome/use: it uses the code up.
func (s *site) handleWelcomeUse(w http.ResponseWriter, r *http.Request) {
	code, c, ok := s.usableCode(w, r)
	if !ok {
		return
	}
	first := analytics.Person{Login: strings.TrimSpace(r.PostForm.Get("login")), Name: strings.TrimSpace(r.PostForm.Get("name"))}
	wrong, login := wrongs{}, c.Person.Login
	if c.Kind == analytics.CodeFirst {
		login = first.Login
		wrong.add("login", api.LoginProblem(first.Login))
		wrong.add("name", api.NameProblem(first.Name))
	}
	password := r.PostForm.Get("password")
	passwordWrongs(wrong, login, password, r.PostForm.Get("again"))
	if len(wrong) == 0 {
		err := s.cfg.Gate.UseCode(r.Context(), code, first, password)
		switch {
		case err == nil:
			secret(w)
			http.Redirect(w, r, "/", http.StatusSeeOther)
			return
		case errors.Is(err, analytics.ErrConflict):
			wrong.add("login", "This login is taken.")
		case errors.Is(err, analytics.ErrInvalid):
			wrong.add("password", problemWords(err)[0])
		default:
			s.codeFailed(w, r, err)
			return
		}
	}
	s.showChoices(w, r, http.StatusUnprocessableEntity, code, c, first, wrong)
}
