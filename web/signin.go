package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/web/access"
)

// signInPage asks for login and password.
type signInPage struct {
	Entries []entry
	To      string
	// Problem says why it did not work.
	Problem string
	// Identity is the name of the identity provider, IdentityHref where it
	// signs in; empty for none.
	Identity, IdentityHref string
}

// signInRoutes are the pages that nobody needs to be known for.
func (s *site) signInRoutes(r chi.Router) {
	if s.cfg.Gate == nil {
		return
	}
	r = r.With(s.open, s.browsers)
	r.Get("/sign-in", s.handleSignIn)
	r.Post("/sign-in", s.handleSignInForm)
	r.Post("/sign-out", s.handleSignOut)
	r.Get("/welcome", s.handleWelcome)
	r.Post("/welcome", s.handleWelcomeCode)
	r.Post("/welcome/use", s.handleWelcomeUse)
	if _, ok := s.cfg.Gate.HasIdentity(); ok {
		r.Get("/sign-in/identity", s.handleIdentity)
		r.Get("/sign-in/return", s.handleIdentityReturn)
	}
	if s.cfg.Gate.IsDemo() {
		r.Post("/demo/role", s.handleRole)
	}
}

// browsers keeps machines from pages that are about a browser's session.
func (s *site) browsers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if analytics.PrincipalOf(r.Context()).Kind == analytics.KindToken {
			s.deny(w, r)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// handleSignIn answers GET /sign-in.
func (s *site) handleSignIn(w http.ResponseWriter, r *http.Request) {
	to := localPath(r.URL.Query().Get("to"))
	if !analytics.PrincipalOf(r.Context()).Nobody() {
		http.Redirect(w, r, to, http.StatusSeeOther)
		return
	}
	s.showSignIn(w, r, http.StatusOK, to, "", "")
}

func (s *site) showSignIn(w http.ResponseWriter, r *http.Request, status int, to, login, problem string) {
	p := signInPage{To: to, Problem: problem, Entries: []entry{
		{ID: "login", Name: "login", Label: "Login", Type: "text", Value: login, Required: true, Max: 200, Autocomplete: "username"},
		{ID: "password", Name: "password", Label: "Password", Type: "password", Required: true, Max: 256, Autocomplete: "current-password"},
	}}
	if name, ok := s.cfg.Gate.HasIdentity(); ok {
		p.Identity, p.IdentityHref = label(name), "/sign-in/identity?to="+url.QueryEscape(to)
	}
	secret(w)
	s.render(w, r, status, "signin", view{Title: "Sign in", Section: "sign-in", Page: p})
}

// handleSignInForm answers POST /sign-in. What it says of a wrong password it
// says of a login that is not known, too.
func (s *site) handleSignInForm(w http.ResponseWriter, r *http.Request) {
	if !s.smallForm(w, r) {
		return
	}
	login, to := strings.TrimSpace(r.PostForm.Get("login")), localPath(r.PostForm.Get("to"))
	err := s.cfg.Gate.SignIn(r.Context(), login, r.PostForm.Get("password"))
	var wait *access.WaitError
	switch {
	case err == nil:
		http.Redirect(w, r, to, http.StatusSeeOther)
	case errors.As(err, &wait):
		retryAfter(w, wait, s.cfg.Now())
		s.showSignIn(w, r, http.StatusTooManyRequests, to, login, waitWords(wait, s.cfg.Now()))
	case errors.Is(err, access.ErrWrong):
		s.showSignIn(w, r, http.StatusUnprocessableEntity, to, login,
			"Login and password do not go together. After a few wrong ones in a row you have to wait before the next.")
	default:
		s.fail(w, r, "sign in", err)
	}
}

// waitWords says until when nothing is tried.
func waitWords(wait *access.WaitError, now time.Time) string {
	left := max(wait.Until-analytics.InstantOf(now), 1000)
	return "That was tried too often. Wait until " + wait.Until.Time().Format("15:04:05") + " UTC, which is " + length(analytics.Millis(left)) + " from now, and try again then."
}

// retryAfter tells programs when to try again.
func retryAfter(w http.ResponseWriter, wait *access.WaitError, now time.Time) {
	seconds := (int64(wait.Until-analytics.InstantOf(now)) + 999) / 1000
	w.Header().Set("Retry-After", strconv.FormatInt(max(seconds, 1), 10))
}

// handleSignOut answers POST /sign-out.
func (s *site) handleSignOut(w http.ResponseWriter, r *http.Request) {
	if err := s.cfg.Gate.SignOut(r.Context()); err != nil {
		s.fail(w, r, "sign out", err)
		return
	}
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
}

// handleIdentity answers GET /sign-in/identity: it leads to the provider. It is
// a link and no form, since a form must not lead to another site.
func (s *site) handleIdentity(w http.ResponseWriter, r *http.Request) {
	there, err := s.cfg.Gate.IdentityURL(r.Context(), localPath(r.URL.Query().Get("to")))
	if err != nil {
		s.identityFailed(w, r, err)
		return
	}
	secret(w)
	http.Redirect(w, r, there, http.StatusSeeOther)
}

// handleIdentityReturn answers GET /sign-in/return, where the provider leads
// back to.
func (s *site) handleIdentityReturn(w http.ResponseWriter, r *http.Request) {
	to, err := s.cfg.Gate.IdentityReturn(r.Context(), r)
	if err != nil {
		s.identityFailed(w, r, err)
		return
	}
	secret(w)
	http.Redirect(w, r, localPath(to), http.StatusSeeOther)
}

func (s *site) identityFailed(w http.ResponseWriter, r *http.Request, err error) {
	var wait *access.WaitError
	problem := "The identity provider did not vouch for you. Try again; if it goes on, sign in with your password or ask an administrator."
	status := http.StatusUnprocessableEntity
	switch {
	case errors.As(err, &wait):
		retryAfter(w, wait, s.cfg.Now())
		status, problem = http.StatusTooManyRequests, waitWords(wait, s.cfg.Now())
	case errors.Is(err, access.ErrStranger), errors.Is(err, analytics.ErrNotFound):
		problem = "The identity provider vouches for you, but nobody here goes with that identity. Ask an administrator to enter your email."
	default:
		s.log.Warn("sign in by the identity provider", "err", err)
	}
	s.showSignIn(w, r, status, "/", "", problem)
}

// handleRole answers POST /demo/role: the demo is seen as another role.
func (s *site) handleRole(w http.ResponseWriter, r *http.Request) {
	if !s.smallForm(w, r) {
		return
	}
	role := analytics.Role(r.PostForm.Get("role"))
	if !slices.Contains(analytics.Roles, role) {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return
	}
	if err := s.cfg.Gate.SwitchRole(r.Context(), role); err != nil {
		s.fail(w, r, "switch the role", err)
		return
	}
	http.Redirect(w, r, localPath(r.PostForm.Get("to")), http.StatusSeeOther)
}
