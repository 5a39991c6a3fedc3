package access

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"fadeledger/analytics"
)

// errRefused: a token that lets nobody in.
var errRefused = errors.New("the token does not let anybody in")

// Middleware puts the principal into the context of each request, nobody where
// it has neither a session nor a token; the address is there in any case. A
// token that lets nobody in is answered 401 at once, too many requests 429.
//
// A session is looked for in the store, and its person, at each request: who is
// disabled is out at once. No session is made unless somebody signs in.
func (g *Gate) Middleware(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		from := addressText(address(r, g.cfg.Trusted))
		ctx := analytics.WithPrincipal(r.Context(), analytics.Principal{Address: from})
		var err error
		if text, ok := bearer(r); ok {
			ctx, err = g.byToken(ctx, text)
		} else {
			ctx, err = g.bySession(ctx, w, r)
		}
		if err == nil {
			if wait := g.limits.take(analytics.PrincipalOf(ctx), g.IsDemo(), g.now()); wait > 0 {
				err = g.waitError(wait)
			}
		}
		if err != nil {
			g.turnAway(w, r, err)
			return
		}
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}

// bearer gives the token of a request. Where one is shown in any way that is
// not plain, the text is empty and ok is true.
func bearer(r *http.Request) (text string, ok bool) {
	values := r.Header.Values("Authorization")
	for _, v := range values {
		scheme, rest, _ := strings.Cut(strings.TrimSpace(v), " ")
		if !strings.EqualFold(scheme, "Bearer") {
			continue
		}
		if len(values) > 1 {
			return "", true
		}
		return strings.TrimSpace(rest), true
	}
	return "", false
}

// byToken gives a context with the token as principal.
func (g *Gate) byToken(ctx context.Context, text string) (context.Context, error) {
	from := analytics.PrincipalOf(ctx).Address
	if wait := g.limits.refused.spent(addressKey(from), g.now()); wait > 0 {
		return ctx, g.waitError(wait)
	}
	hash, ok := HashToken(text)
	if !ok {
		return ctx, g.refuse(ctx, "token", "it is not written like one")
	}
	token, err := g.store.TokenByHash(ctx, hash)
	if errors.Is(err, analytics.ErrNotFound) || err == nil && (token.RevokedAt != nil || token.ExpiresAt <= g.instant()) {
		return ctx, g.refuse(ctx, "token", "it is not known, revoked or over")
	}
	if err != nil {
		return ctx, err
	}
	p := token.Principal()
	p.Address = from
	return analytics.WithPrincipal(ctx, p), nil
}

// refuse counts and notes what let nobody in; it gives errRefused, or why not
// even that can be said.
func (g *Gate) refuse(ctx context.Context, object, detail string) error {
	from := addressKey(analytics.PrincipalOf(ctx).Address)
	if wait := g.limits.refused.take(from, g.now()); wait > 0 {
		return g.waitError(wait)
	}
	if err := g.tell(ctx, object, detail); err != nil {
		return err
	}
	return errRefused
}

// tell writes a refusal into the trail, so long as the same address did not
// cause many.
func (g *Gate) tell(ctx context.Context, object, detail string) error {
	from := analytics.PrincipalOf(ctx).Address
	g.log.Debug("refused", "object", object, "address", from, "detail", detail)
	if g.limits.told.take(addressKey(from), g.now()) > 0 {
		return nil
	}
	return g.record(ctx, analytics.DeedRefused, object, detail)
}

// bySession gives a context with the visit and the person who is signed in.
func (g *Gate) bySession(ctx context.Context, w http.ResponseWriter, r *http.Request) (context.Context, error) {
	v := &visit{header: w.Header(), agent: agentOf(r)}
	ctx = context.WithValue(ctx, visitKey{}, v)
	from := addressKey(analytics.PrincipalOf(ctx).Address)
	token := g.cookieOf(r)
	if token != "" {
		if wait := g.limits.refused.spent(from, g.now()); wait > 0 {
			return ctx, g.waitError(wait)
		}
	}
	ctx, err := g.sessions.Load(ctx, token)
	if err != nil {
		return ctx, err
	}
	if token != "" && v.session == 0 {
		g.limits.refused.take(from, g.now())
	}
	person, err := g.signedIn(ctx)
	if err != nil {
		return ctx, err
	}
	if person == 0 && g.IsDemo() {
		person = g.cfg.Demo[g.cfg.DemoStart]
		// Browsers say with every request to a name of this machine where it
		// comes from, and no page can keep them from it.
		if g.cfg.DemoProgram != "" && token == "" && r.Header.Get("Sec-Fetch-Site") == "" {
			person = g.cfg.Demo[g.cfg.DemoProgram]
		}
	}
	return g.withPerson(ctx, person)
}

// signedIn gives whose session it is, 0 for nobody's, and notes now and then
// that it is used.
func (g *Gate) signedIn(ctx context.Context) (person int64, err error) {
	person = g.sessions.GetInt64(ctx, keyPerson)
	if person == 0 {
		return 0, nil
	}
	now, seen := g.instant(), analytics.Instant(g.sessions.GetInt64(ctx, keySeen))
	if now < after(seen, min(seenEvery, g.cfg.Idle/4)) {
		return person, nil
	}
	g.sessions.Put(ctx, keySeen, int64(now))
	_, _, err = g.sessions.Commit(ctx)
	return person, err
}

// withPerson makes a person the principal. Where it may not be signed in, the
// session ends and the principal is nobody.
func (g *Gate) withPerson(ctx context.Context, id int64) (context.Context, error) {
	if id == 0 {
		return ctx, nil
	}
	person, err := g.store.SignedIn(ctx, id)
	if errors.Is(err, analytics.ErrNotFound) || err == nil && person.DisabledAt != nil {
		return ctx, g.sessions.Destroy(ctx)
	}
	if err != nil {
		return ctx, err
	}
	return as(ctx, person), nil
}

// turnAway answers a request that goes no further.
func (g *Gate) turnAway(w http.ResponseWriter, r *http.Request, err error) {
	var wait *WaitError
	switch {
	case r.Context().Err() != nil:
		// Whoever asked has gone.
	case errors.As(err, &wait):
		left := wait.Until.Time().Sub(g.now())
		seconds := max(1, int(math.Ceil(left.Seconds())))
		w.Header().Set("Retry-After", strconv.Itoa(seconds))
		say(w, r, http.StatusTooManyRequests, "Too many requests. Ask again in "+strconv.Itoa(seconds)+" s.")
	case errors.Is(err, errRefused):
		w.Header().Set("WWW-Authenticate", `Bearer realm="fadeledger", error="invalid_token"`)
		say(w, r, http.StatusUnauthorized, "This token does not let anybody in: it is mistyped, revoked or over. Make a new one.")
	default:
		g.log.Error("who asks cannot be found out", "path", r.URL.Path, "err", err)
		w.Header().Set("Retry-After", strconv.Itoa(int((5 * time.Second).Seconds())))
		say(w, r, http.StatusServiceUnavailable, "Who asks cannot be found out just now. Ask again in a moment.")
	}
}

// say answers in plain text to a browser and as a problem document (RFC 9457)
// to a program.
func say(w http.ResponseWriter, r *http.Request, status int, detail string) {
	w.Header().Set("Cache-Control", "no-store")
	if r.Header.Get("Authorization") == "" && strings.Contains(r.Header.Get("Accept"), "text/html") {
		http.Error(w, detail, status)
		return
	}
	body, _ := json.Marshal(struct { // strings and a number: it cannot fail
		Title  string `json:"title"`
		Status int    `json:"status"`
		Detail string `json:"detail"`
	}{http.StatusText(status), status, detail})
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	w.Write(body) // whoever does not read it has gone
}
