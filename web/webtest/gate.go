package webtest

import (
	"context"
	"fmt"
	"net/http"
	"sync"

	"fadeledger/analytics"
	"fadeledger/web/access"
)

// Gate lets in whom it is told to: a request without anything is Who's, one
// with the token of a principal in Tokens is that one's. The password of every
// login is Password, the one-time codes are Codes.
type Gate struct {
	mu  sync.Mutex
	Who analytics.Principal
	// Tokens are principals by their bearer token, People persons by login.
	Tokens   map[string]analytics.Principal
	People   map[string]analytics.Person
	Password string
	Codes    map[string]analytics.Code
	// Waits, where set, is answered to whatever may be tried too often.
	Waits analytics.Instant
	// Taken is a login that the first administrator cannot have.
	Taken string
	// Err is answered by everything that signs somebody in.
	Err      error
	Session  int64
	Demo     bool
	Identity string
	// Used are the codes that were used, First who became administrator.
	Used  []string
	First analytics.Person
	// Out counts how often somebody signed out.
	Out int
}

// Middleware puts the principal into the context.
func (g *Gate) Middleware(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		g.mu.Lock()
		p := g.Who
		if text := r.Header.Get("Authorization"); text != "" {
			p = g.Tokens[text]
		}
		g.mu.Unlock()
		next.ServeHTTP(w, r.WithContext(analytics.WithPrincipal(r.Context(), p)))
	})
}

func (g *Gate) wait() error {
	if g.Err != nil {
		return g.Err
	}
	if g.Waits != 0 {
		return &access.WaitError{Until: g.Waits}
	}
	return nil
}

// SignIn makes a known person Who.
func (g *Gate) SignIn(_ context.Context, login, password string) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if err := g.wait(); err != nil {
		return err
	}
	p, ok := g.People[login]
	if !ok || password != g.Password {
		return access.ErrWrong
	}
	g.Who = p.Principal()
	return nil
}

// SignOut makes Who nobody.
func (g *Gate) SignOut(context.Context) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.Who = analytics.Principal{}
	g.Out++
	return g.Err
}

// IdentityURL leads to an invented provider.
func (g *Gate) IdentityURL(_ context.Context, to string) (string, error) {
	return "https://identity.example/authorize?state=" + to, g.wait()
}

// IdentityReturn gives the state that came back.
func (g *Gate) IdentityReturn(_ context.Context, r *http.Request) (string, error) {
	return r.URL.Query().Get("state"), g.wait()
}

// Code gives one of Codes.
func (g *Gate) Code(_ context.Context, secret string) (analytics.Code, error) {
	if err := g.wait(); err != nil {
		return analytics.Code{}, err
	}
	c, ok := g.Codes[secret]
	if !ok {
		return c, fmt.Errorf("code: %w", analytics.ErrNotFound)
	}
	return c, nil
}

// UseCode notes that a code is used.
func (g *Gate) UseCode(ctx context.Context, secret string, first analytics.Person, _ string) error {
	if _, err := g.Code(ctx, secret); err != nil {
		return err
	}
	if g.Taken != "" && first.Login == g.Taken {
		return fmt.Errorf("login: %w", analytics.ErrConflict)
	}
	g.Used, g.First = append(g.Used, secret), first
	return nil
}

// ChangePassword changes Password.
func (g *Gate) ChangePassword(_ context.Context, old, new string) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if err := g.wait(); err != nil {
		return err
	}
	if old != g.Password {
		return access.ErrWrong
	}
	g.Password = new
	return nil
}

// SwitchRole gives Who another role.
func (g *Gate) SwitchRole(_ context.Context, role analytics.Role) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.Who.Role = role
	if role == analytics.RoleInstaller {
		g.Who.Organisation = "Northlight Electric"
	} else {
		g.Who.Organisation = ""
	}
	return g.Err
}

// SessionID is Session.
func (g *Gate) SessionID(context.Context) int64 { return g.Session }

// IsDemo is Demo.
func (g *Gate) IsDemo() bool { return g.Demo }

// HasIdentity gives Identity.
func (g *Gate) HasIdentity() (string, bool) { return g.Identity, g.Identity != "" }
