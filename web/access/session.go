package access

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"
	"unicode"

	"github.com/alexedwards/scs/v2"

	"fadeledger/analytics"
)

// What a session holds.
const (
	keyPerson  = "person"  // int64, none before somebody has signed in
	keyStarted = "started" // int64, analytics.Instant
	keySeen    = "seen"    // int64, analytics.Instant
	keyAddress = "address" // string
	keyAgent   = "agent"   // string
)

// Names of the cookie. A browser takes the first only over https, for the whole
// host, and from nobody but the host itself.
const (
	cookieSecure = "__Host-fadeledger"
	cookiePlain  = "fadeledger"
)

const (
	// seenEvery is how often at most a session's row is written for being used.
	seenEvery = time.Minute
	// askingHolds ends a session that only waits for the identity provider.
	askingHolds = 10 * time.Minute
	// longestAgent bounds what a browser calls itself, in runes.
	longestAgent = 200
)

// visit is a browser's request: what is known of its session. Only the
// goroutine of the request uses it.
type visit struct {
	header  http.Header
	agent   string
	session int64
}

type visitKey struct{}

// visitOf gives the visit that Middleware put into the context.
func visitOf(ctx context.Context) (*visit, error) {
	v, ok := ctx.Value(visitKey{}).(*visit)
	if !ok {
		return nil, errNoSession
	}
	return v, nil
}

// SessionID is that of the browser's session, 0 for none.
func (g *Gate) SessionID(ctx context.Context) int64 {
	v, err := visitOf(ctx)
	if err != nil {
		return 0
	}
	return v.session
}

// newSessions makes the manager. Its own clock is not used: rows says when a
// session is over.
func newSessions(g *Gate) *scs.SessionManager {
	m := scs.New()
	m.Store = rows{g}
	m.Lifetime = g.cfg.Lifetime
	m.Cookie.Name = cookiePlain
	if g.cfg.Secure {
		m.Cookie.Name = cookieSecure
	}
	m.Cookie.Secure = g.cfg.Secure
	m.Cookie.HttpOnly = true
	m.Cookie.SameSite = http.SameSiteLaxMode
	m.Cookie.Path = "/"
	m.Cookie.Persist = false
	return m
}

// give sets the cookie, an empty token takes it away. It takes the place of one
// that was set before in the same answer.
func (g *Gate) give(ctx context.Context, v *visit, token string) {
	set := v.header.Values("Set-Cookie")
	v.header.Del("Set-Cookie")
	for _, c := range set {
		if !strings.HasPrefix(c, g.sessions.Cookie.Name+"=") {
			v.header.Add("Set-Cookie", c)
		}
	}
	var expiry time.Time
	if token != "" {
		expiry = g.now().Add(g.cfg.Lifetime)
	}
	g.sessions.WriteSessionCookie(ctx, addingTo{v.header}, token, expiry)
}

// addingTo is as much of an answer as setting a cookie needs.
type addingTo struct{ header http.Header }

func (a addingTo) Header() http.Header       { return a.header }
func (addingTo) Write(b []byte) (int, error) { return len(b), nil }
func (addingTo) WriteHeader(int)             {}

// sessionTokenLength is that of 32 bytes in unpadded base64.
const sessionTokenLength = 43

// cookieOf gives the token that a browser sends, empty where it cannot be one.
func (g *Gate) cookieOf(r *http.Request) string {
	c, err := r.Cookie(g.sessions.Cookie.Name)
	if err != nil || len(c.Value) != sessionTokenLength {
		return ""
	}
	if _, err := base64.RawURLEncoding.DecodeString(c.Value); err != nil {
		return ""
	}
	return c.Value
}

// agentOf gives what a browser calls itself, fit to be shown.
func agentOf(r *http.Request) string { return plain(r.UserAgent(), longestAgent) }

// plain cuts a text to a number of runes and takes out what cannot be shown.
func plain(s string, runes int) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
	if r := []rune(s); len(r) > runes {
		return string(r[:runes])
	}
	return s
}

// rows keeps sessions in the Store, as scs asks for it. A token is kept as its
// SHA-256 alone.
type rows struct{ gate *Gate }

var _ scs.CtxStore = rows{}

// errNoContext: scs asks by context where a store can be asked so.
var errNoContext = errors.New("sessions are asked for with a context")

// Delete, Find and Commit are never called; the ones with a context are.
func (rows) Delete(string) error                    { return errNoContext }
func (rows) Find(string) ([]byte, bool, error)      { return nil, false, errNoContext }
func (rows) Commit(string, []byte, time.Time) error { return errNoContext }

// DeleteCtx ends a session.
func (s rows) DeleteCtx(ctx context.Context, token string) error {
	if v, err := visitOf(ctx); err == nil {
		v.session = 0
	}
	if token == "" {
		return nil
	}
	if err := s.gate.store.DropSession(ctx, sha256.Sum256([]byte(token))); err != nil {
		return fmt.Errorf("end a session: %w", err)
	}
	return nil
}

// FindCtx gives what a session holds, unless it is over.
func (s rows) FindCtx(ctx context.Context, token string) ([]byte, bool, error) {
	hash := sha256.Sum256([]byte(token))
	id, data, err := s.gate.store.FindSession(ctx, hash)
	if err != nil {
		return nil, false, fmt.Errorf("find a session: %w", err)
	}
	if data == nil {
		return nil, false, nil
	}
	row, err := s.gate.sessionOf(data)
	if err != nil || row.ExpiresAt <= s.gate.instant() {
		return nil, false, s.DeleteCtx(ctx, token)
	}
	if v, err := visitOf(ctx); err == nil {
		v.session = id
	}
	return data, true, nil
}

// CommitCtx keeps a session. One that was found keeps its number, and is not
// made anew where it has ended meanwhile.
func (s rows) CommitCtx(ctx context.Context, token string, data []byte, _ time.Time) error {
	row, err := s.gate.sessionOf(data)
	if err != nil {
		return err
	}
	v, err := visitOf(ctx)
	if err != nil {
		return err
	}
	row.ID = v.session
	hash := sha256.Sum256([]byte(token))
	if err := s.gate.store.SaveSession(ctx, hash, row, data); err != nil {
		return fmt.Errorf("keep a session: %w", err)
	}
	if row.ID != 0 {
		return nil
	}
	if v.session, _, err = s.gate.store.FindSession(ctx, hash); err != nil {
		return fmt.Errorf("number a session: %w", err)
	}
	return nil
}

// sessionOf reads the row out of what scs keeps.
func (g *Gate) sessionOf(data []byte) (analytics.Session, error) {
	_, values, err := scs.GobCodec{}.Decode(data)
	if err != nil {
		return analytics.Session{}, fmt.Errorf("read a session: %w", err)
	}
	number := func(key string) int64 { n, _ := values[key].(int64); return n }
	text := func(key string) string { s, _ := values[key].(string); return s }
	s := analytics.Session{
		Person: number(keyPerson), StartedAt: analytics.Instant(number(keyStarted)), SeenAt: analytics.Instant(number(keySeen)),
		Address: text(keyAddress), Agent: text(keyAgent),
	}
	idle, lifetime := g.cfg.Idle, g.cfg.Lifetime
	if s.Person == 0 {
		idle, lifetime = askingHolds, askingHolds
	}
	s.ExpiresAt = min(after(s.StartedAt, lifetime), after(s.SeenAt, idle))
	return s, nil
}

// after gives the instant that is d later.
func after(i analytics.Instant, d time.Duration) analytics.Instant {
	return i + analytics.Instant(d.Milliseconds())
}
