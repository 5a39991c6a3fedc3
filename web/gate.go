package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/web/api"
)

// Gate knows who asks, and signs people in and out.
type Gate interface {
	// Middleware puts the principal into the context of each request.
	Middleware(next http.Handler) http.Handler
	// SignIn signs the browser in. access.ErrWrong: login and password do not
	// go together; *access.WaitError: nothing is compared yet.
	SignIn(ctx context.Context, login, password string) error
	SignOut(ctx context.Context) error
	// IdentityURL is where the identity provider signs somebody in, who is then
	// led to a path of this site.
	IdentityURL(ctx context.Context, to string) (string, error)
	// IdentityReturn signs in whom the provider vouches for, and gives the path.
	IdentityReturn(ctx context.Context, r *http.Request) (to string, err error)
	// Code gives a one-time code that can be used; analytics.ErrNotFound.
	Code(ctx context.Context, secret string) (analytics.Code, error)
	// UseCode uses a code up; first is who becomes the first administrator.
	UseCode(ctx context.Context, secret string, first analytics.Person, password string) error
	// ChangePassword changes that of whoever is signed in. access.ErrWrong: the
	// old one is not right.
	ChangePassword(ctx context.Context, old, new string) error
	// SwitchRole shows the demo as another role.
	SwitchRole(ctx context.Context, role analytics.Role) error
	// SessionID is that of the browser's session, 0 for none.
	SessionID(ctx context.Context) int64
	IsDemo() bool
	// HasIdentity gives the name of the identity provider, if there is one.
	HasIdentity() (name string, ok bool)
}

// need is what a route asks of whoever asks for it.
type need struct {
	// right is empty where it is enough to be somebody.
	right analytics.Right
	// open: nobody is let through, too.
	open bool
}

// guard stands before the handler of a route. A site with a route that has
// none is not built.
type guard struct {
	site *site
	need need
	next http.Handler
}

func (g *guard) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	p := analytics.PrincipalOf(r.Context())
	switch {
	case g.need.open:
	case p.Nobody():
		g.site.askToSignIn(w, r)
		return
	case g.need.right != "" && !g.site.allows(p, g.need.right):
		g.site.deny(w, r)
		return
	}
	g.next.ServeHTTP(w, r)
}

// may lets through whoever has a right.
func (s *site) may(right analytics.Right) func(http.Handler) http.Handler {
	return func(next http.Handler) http.Handler { return &guard{s, need{right: right}, next} }
}

// somebody lets through whoever is known.
func (s *site) somebody(next http.Handler) http.Handler { return &guard{s, need{}, next} }

// open lets everybody through: nothing of the ledger is behind it.
func (s *site) open(next http.Handler) http.Handler { return &guard{s, need{open: true}, next} }

// allows reports whether a principal has a right.
func (s *site) allows(p analytics.Principal, right analytics.Right) bool {
	if s.cfg.Allows != nil {
		return s.cfg.Allows(p, right)
	}
	return p.May(right)
}

// asked reports whether whoever sent the request has a right.
func (s *site) asked(r *http.Request, right analytics.Right) bool {
	return s.allows(analytics.PrincipalOf(r.Context()), right)
}

// known puts who asks into the context. What is the same for everybody is
// answered without asking who it is.
func (s *site) known(next http.Handler) http.Handler {
	if s.cfg.Gate == nil {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			next.ServeHTTP(w, r.WithContext(analytics.WithPrincipal(r.Context(), s.cfg.As)))
		})
	}
	gated := s.cfg.Gate.Middleware(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/healthz" || strings.HasPrefix(r.URL.Path, "/static/") {
			next.ServeHTTP(w, r)
			return
		}
		gated.ServeHTTP(w, r)
	})
}

// challenge tells programs how to be let in.
const challenge = `Bearer realm="fadeledger"`

// askToSignIn answers nobody: a reader is led to the page of signing in and
// comes back from there; what would change something is not sent again.
func (s *site) askToSignIn(w http.ResponseWriter, r *http.Request) {
	reads := r.Method == http.MethodGet || r.Method == http.MethodHead
	part := r.URL.Query().Get("part") == "live"
	if reads && !part && !isAPI(r) && r.URL.Path != "/metrics" && s.cfg.Gate != nil {
		to := "/sign-in"
		if here := localPath(r.URL.RequestURI()); here != "/" {
			to += "?to=" + url.QueryEscape(here)
		}
		http.Redirect(w, r, to, http.StatusSeeOther)
		return
	}
	w.Header().Set("WWW-Authenticate", challenge)
	s.writeErrorPage(w, r, http.StatusUnauthorized)
}

// deny answers somebody who may see the address but not use it.
func (s *site) deny(w http.ResponseWriter, r *http.Request) {
	s.writeErrorPage(w, r, http.StatusForbidden)
}

// longestPath bounds where signing in leads back to.
const longestPath = 2000

// localPath gives a path of this site as it is, and "/" for whatever else: other
// hosts, what browsers read as one, and the pages of signing in.
func localPath(to string) string {
	u, err := url.Parse(to)
	odd := strings.ContainsFunc(to, func(r rune) bool { return r < 0x20 || r == 0x7f || r == '\\' })
	if err != nil || odd || len(to) > longestPath || u.Scheme != "" || u.Host != "" || u.User != nil || u.Opaque != "" ||
		!strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.HasPrefix(u.Path, "//") {
		return "/"
	}
	first, _, _ := strings.Cut(strings.TrimPrefix(u.Path, "/"), "/")
	if slices.Contains([]string{"sign-in", "sign-out", "welcome", "demo"}, first) {
		return "/"
	}
	return to
}

// undeclared gives an error that names the routes without a right.
func undeclared(routes chi.Routes, mounted *api.API) error {
	var bare []string
	// Those of the root are around every route, and guard none.
	shared := len(routes.Middlewares())
	err := chi.Walk(routes, func(method, route string, _ http.Handler, around ...func(http.Handler) http.Handler) error {
		if !slices.ContainsFunc(around[shared:], isGuard) {
			bare = append(bare, method+" "+route)
		}
		return nil
	})
	bare = append(bare, mounted.Undeclared()...)
	slices.Sort(bare)
	if len(bare) > 0 {
		err = errors.Join(err, fmt.Errorf("routes that need no right: %s", strings.Join(bare, ", ")))
	}
	return err
}

// isGuard tells a guard from other middlewares by what it makes of a handler.
func isGuard(around func(http.Handler) http.Handler) bool {
	_, ok := around(http.NotFoundHandler()).(*guard)
	return ok
}
