package access

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"fadeledger/analytics"
)

// What a session holds while somebody is at the provider.
const (
	keyState    = "asking-state"
	keyNonce    = "asking-nonce"
	keyVerifier = "asking-verifier"
	keyTo       = "asking-to"
	keyAsked    = "asking-since"
)

// IdentityURL is where the identity provider signs somebody in, who is then led
// to a path of this site. It keeps in a session of this browser what must come
// back. analytics.ErrNotFound where there is no provider; *WaitError after many
// attempts from one address.
func (g *Gate) IdentityURL(ctx context.Context, to string) (string, error) {
	v, err := visitOf(ctx)
	if err != nil {
		return "", err
	}
	if g.identity == nil {
		return "", fmt.Errorf("identity provider: %w", analytics.ErrNotFound)
	}
	if wait := g.limits.signIn.take(addressKey(analytics.PrincipalOf(ctx).Address), g.now()); wait > 0 {
		return "", g.waitError(wait)
	}
	p, err := g.identity.provider(ctx)
	if err != nil {
		return "", err
	}
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.HasPrefix(to, "/\\") {
		to = "/"
	}
	state, nonce, verifier := rand.Text(), rand.Text(), oauth2.GenerateVerifier()
	now := int64(g.instant())
	if g.sessions.GetInt64(ctx, keyPerson) == 0 {
		g.sessions.Put(ctx, keyStarted, now)
		g.sessions.Put(ctx, keySeen, now)
	}
	g.sessions.Put(ctx, keyState, state)
	g.sessions.Put(ctx, keyNonce, nonce)
	g.sessions.Put(ctx, keyVerifier, verifier)
	g.sessions.Put(ctx, keyTo, to)
	g.sessions.Put(ctx, keyAsked, now)
	token, _, err := g.sessions.Commit(ctx)
	if err != nil {
		return "", err
	}
	g.give(ctx, v, token)
	return p.oauth.AuthCodeURL(state, oidc.Nonce(nonce), oauth2.S256ChallengeOption(verifier)), nil
}

// asking is what was kept for the way back.
type asking struct{ state, nonce, verifier, to string }

// takeAsking gives it once: it is not there any more, whatever comes of it.
func (g *Gate) takeAsking(ctx context.Context) (asking, error) {
	a := asking{
		state: g.sessions.PopString(ctx, keyState), nonce: g.sessions.PopString(ctx, keyNonce),
		verifier: g.sessions.PopString(ctx, keyVerifier), to: g.sessions.PopString(ctx, keyTo),
	}
	since, _ := g.sessions.Pop(ctx, keyAsked).(int64)
	if a.state == "" {
		return asking{}, nil
	}
	var err error
	if g.sessions.GetInt64(ctx, keyPerson) == 0 {
		err = g.sessions.Destroy(ctx)
	} else {
		_, _, err = g.sessions.Commit(ctx)
	}
	if err != nil || g.instant() >= after(analytics.Instant(since), askingHolds) {
		return asking{}, err
	}
	return a, nil
}

// IdentityReturn signs in whom the provider vouches for, and gives the path that
// IdentityURL was given. ErrIdentity: the provider did not, or what it sent is
// not what was asked for; ErrStranger: nobody here goes with that identity. A
// person whose email the provider has verified is linked to the identity once.
func (g *Gate) IdentityReturn(ctx context.Context, r *http.Request) (to string, err error) {
	if _, err := visitOf(ctx); err != nil {
		return "", err
	}
	if g.identity == nil {
		return "", fmt.Errorf("identity provider: %w", analytics.ErrNotFound)
	}
	a, err := g.takeAsking(ctx)
	if err != nil {
		return "", err
	}
	vouched, err := g.identity.vouched(ctx, a, r.URL.Query())
	if err != nil {
		if told := g.tell(ctx, "identity", plain(err.Error(), longestAgent)); told != nil {
			return "", told
		}
		return "", err
	}
	person, err := g.store.PersonByIdentity(ctx, g.identity.cfg.Issuer, vouched.subject, vouched.email)
	if errors.Is(err, analytics.ErrNotFound) || err == nil && person.DisabledAt != nil {
		if err := g.tell(ctx, "identity "+plain(vouched.subject, toldLogin), "nobody here goes with it"); err != nil {
			return "", err
		}
		return "", ErrStranger
	}
	if err != nil {
		return "", fmt.Errorf("find a person by identity: %w", err)
	}
	if err := g.enter(ctx, person, "by identity provider"); err != nil {
		return "", err
	}
	return a.to, nil
}
