package access

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/netip"
	"time"

	"github.com/alexedwards/scs/v2"

	"fadeledger/analytics"
)

// Errors of signing in, matched with errors.Is.
var (
	// ErrWrong: login and password do not go together. It is the same for a
	// login that is not known, a disabled person and one without a password.
	ErrWrong = errors.New("login and password do not go together")
	// ErrIdentity: signing in by the identity provider did not come to an end.
	ErrIdentity = errors.New("the identity provider did not vouch for anybody")
	// ErrStranger: the identity provider vouches for somebody whom nobody here
	// goes with.
	ErrStranger = errors.New("nobody here goes with that identity")
	// errNoSession: the context is not that of a browser's request.
	errNoSession = errors.New("no browser to sign in")
)

// WaitError says that something was tried too often; nothing was looked at.
type WaitError struct {
	// Until is when it is looked at again.
	Until analytics.Instant
}

// Error says when to try again.
func (e *WaitError) Error() string {
	return "tried too often; not before " + e.Until.Time().Format(time.RFC3339)
}

// Defaults of Config.
const (
	DefaultIdle     = time.Hour
	DefaultLifetime = 12 * time.Hour
)

// Config says how people and machines are let in.
type Config struct {
	// Store is required.
	Store Store
	// Logger may be nil.
	Logger *slog.Logger
	// Now is the clock; nil means time.Now.
	Now func() time.Time
	// Secure: the site is reached over https alone. The cookie is then bound
	// to the host (__Host-) and never sent in the clear.
	Secure bool
	// Idle ends a session that is not used, Lifetime any; 0 means DefaultIdle
	// and DefaultLifetime.
	Idle, Lifetime time.Duration
	// Trusted are the proxies whose X-Forwarded-For is believed.
	Trusted []netip.Prefix
	// Identity is an OpenID Connect provider, nil for none.
	Identity *IdentityConfig
	// Demo are the persons of a demo by role; nil means no demo. Whoever comes
	// without a session is let in as the one of DemoStart.
	Demo      map[analytics.Role]int64
	DemoStart analytics.Role
	// DemoProgram, if not empty, is the role of what comes to a demo without a
	// session and is no browser, such as commands on the same machine.
	DemoProgram analytics.Role

	// RequestRate bounds the requests of one principal, DeliverRate those of a
	// token that may deliver telemetry, NobodyRate those of nobody by address.
	RequestRate, DeliverRate, NobodyRate Rate
	// SignInRate bounds the attempts to sign in by address, CodeRate one-time
	// codes that cannot be used, RefusedRate tokens and cookies that are not
	// known.
	SignInRate, CodeRate, RefusedRate Rate
}

// Gate knows who asks. It is safe for use by several goroutines.
type Gate struct {
	cfg       Config
	store     Store
	log       *slog.Logger
	now       func() time.Time
	sessions  *scs.SessionManager
	passwords *hasher
	identity  *identity
	limits    limits
}

// New makes a gate. It fails where the store is missing, a demo has nobody to
// start as, or the identity provider's addresses are not fit.
func New(cfg Config) (*Gate, error) {
	if cfg.Store == nil {
		return nil, errors.New("access: a store is needed")
	}
	if cfg.Demo != nil && cfg.Demo[cfg.DemoStart] == 0 {
		return nil, fmt.Errorf("access: the demo has nobody of role %q to start as", cfg.DemoStart)
	}
	if cfg.Idle < 0 || cfg.Lifetime < 0 {
		return nil, errors.New("access: a session cannot end before it begins")
	}
	if cfg.Idle == 0 {
		cfg.Idle = DefaultIdle
	}
	if cfg.Lifetime == 0 {
		cfg.Lifetime = DefaultLifetime
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	g := &Gate{
		cfg: cfg, store: cfg.Store, log: cfg.Logger.With("system", "access"), now: cfg.Now,
		passwords: newHasher(), limits: newLimits(cfg),
	}
	g.sessions = newSessions(g)
	if cfg.Identity != nil {
		var err error
		if g.identity, err = newIdentity(*cfg.Identity, cfg.Now); err != nil {
			return nil, fmt.Errorf("access: %w", err)
		}
	}
	return g, nil
}

// IsDemo reports whether everybody is let in as an invented person.
func (g *Gate) IsDemo() bool { return g.cfg.Demo != nil }

// HasIdentity gives the name of the identity provider, if there is one.
func (g *Gate) HasIdentity() (name string, ok bool) {
	if g.identity == nil {
		return "", false
	}
	return g.identity.cfg.Name, true
}

// instant is now.
func (g *Gate) instant() analytics.Instant { return analytics.InstantOf(g.now()) }

// waitError says that something is looked at again after d.
func (g *Gate) waitError(d time.Duration) error {
	return &WaitError{Until: analytics.InstantOf(g.now().Add(d))}
}

// record appends to the trail what was done by the principal of ctx.
func (g *Gate) record(ctx context.Context, deed analytics.Deed, object, detail string) error {
	if err := g.store.Record(ctx, deed, object, detail); err != nil {
		return fmt.Errorf("record %s: %w", deed, err)
	}
	return nil
}

// as gives a context in which a person acts from the address of ctx.
func as(ctx context.Context, person analytics.Person) context.Context {
	p := person.Principal()
	p.Address = analytics.PrincipalOf(ctx).Address
	return analytics.WithPrincipal(ctx, p)
}
