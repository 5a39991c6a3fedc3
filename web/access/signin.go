package access

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"fadeledger/analytics"
)

// longestLogin is the longest login that is looked for, in runes; toldLogin is
// as much of it as the trail tells.
const (
	longestLogin = 128
	toldLogin    = 64
)

// loginObject is how the trail calls a login that may be nobody's.
func loginObject(login string) string { return "login " + plain(login, toldLogin) }

// sound reports whether a login can be one.
func sound(login string) bool {
	return login != "" && utf8.RuneCountInString(login) <= longestLogin && plain(login, longestLogin) == login
}

// SignIn signs the browser in. It gives ErrWrong where login and password do
// not go together, and *WaitError where nothing was compared, after many
// attempts of the address or for the login. An attempt counts before the
// password is looked at, and one for a login that is not known takes the same
// work and gives the same answer.
//
// When it gives nil the session is kept, the trail tells of it and the cookie
// is set: call it before the answer is written. Its context is not changed; the
// principal is there from the next request on.
func (g *Gate) SignIn(ctx context.Context, login, password string) error {
	if _, err := visitOf(ctx); err != nil {
		return err
	}
	from := addressKey(analytics.PrincipalOf(ctx).Address)
	if wait := g.limits.signIn.take(from, g.now()); wait > 0 {
		return g.waitError(wait)
	}
	login = strings.TrimSpace(login)
	attempt, weak, err := g.try(ctx, login, password)
	if errors.Is(err, ErrWrong) {
		if told := g.record(ctx, analytics.DeedRefused, loginObject(login), "login and password do not go together"); told != nil {
			return told
		}
	}
	if err != nil {
		return err
	}
	if weak {
		g.strengthen(ctx, attempt, password)
	}
	return g.enter(ctx, attempt.Person, "by password")
}

// try compares a password with a login's and counts the attempt. weak: the
// password is right, and its hash is to be made anew.
func (g *Gate) try(ctx context.Context, login, password string) (a Attempt, weak bool, err error) {
	if sound(login) {
		if a, err = g.store.BeginSignIn(ctx, login); err != nil {
			return a, false, fmt.Errorf("begin a sign-in: %w", err)
		}
	}
	if a.WaitUntil > g.instant() {
		return a, false, &WaitError{Until: a.WaitUntil}
	}
	if _, bad := parsePHC(a.PasswordHash); bad != nil && a.PasswordHash != "" {
		g.log.Error("a password's hash cannot be read; nobody signs in with it", "person", a.Person.ID)
	}
	ok, weak, err := g.passwords.matches(ctx, a.PasswordHash, password)
	if err != nil {
		return a, false, err
	}
	if !ok || a.Person.ID == 0 || a.Person.DisabledAt != nil {
		return a, false, ErrWrong
	}
	if err := g.store.EndSignIn(ctx, a.Person.ID); err != nil {
		return a, false, fmt.Errorf("end a sign-in: %w", err)
	}
	return a, weak, nil
}

// strengthen keeps a password by a hash that costs today's work. A failure
// leaves the old hash, which is as good as it was.
func (g *Gate) strengthen(ctx context.Context, a Attempt, password string) {
	store, ok := g.store.(Rehasher)
	if !ok {
		return
	}
	hash, err := g.passwords.hash(ctx, password)
	if err == nil {
		err = store.RenewHash(ctx, a.Person.ID, a.PasswordHash, hash)
	}
	if err != nil {
		g.log.Warn("a password's hash stays weak", "person", a.Person.ID, "err", err)
	}
}

// enter makes a new session for a person in the place of the browser's. Its
// token was never sent before, so that nobody can have planted it; nothing that
// the old session held is taken over. What cannot be written into the trail
// does not happen.
func (g *Gate) enter(ctx context.Context, person analytics.Person, how string) error {
	v, err := visitOf(ctx)
	if err != nil {
		return err
	}
	if err := g.sessions.RenewToken(ctx); err != nil {
		return err
	}
	if err := g.sessions.Clear(ctx); err != nil {
		return fmt.Errorf("empty a session: %w", err)
	}
	now := int64(g.instant())
	ctx = as(ctx, person)
	g.sessions.Put(ctx, keyPerson, person.ID)
	g.sessions.Put(ctx, keyStarted, now)
	g.sessions.Put(ctx, keySeen, now)
	g.sessions.Put(ctx, keyAddress, analytics.PrincipalOf(ctx).Address)
	g.sessions.Put(ctx, keyAgent, v.agent)
	token, _, err := g.sessions.Commit(ctx)
	if err == nil {
		err = g.record(ctx, analytics.DeedSignedIn, "person "+person.Login, how)
	}
	if err != nil {
		// The token was told to nobody; the row goes even where the reader has.
		return errors.Join(err, g.sessions.Destroy(context.WithoutCancel(ctx)))
	}
	g.give(ctx, v, token)
	return nil
}

// SignOut ends the browser's session. It is ended even where that cannot be
// written into the trail, which is then the error.
func (g *Gate) SignOut(ctx context.Context) error {
	v, err := visitOf(ctx)
	if err != nil {
		return err
	}
	had := v.session != 0
	if err := g.sessions.Destroy(ctx); err != nil {
		return err
	}
	g.give(ctx, v, "")
	p := analytics.PrincipalOf(ctx)
	if !had || p.Kind != analytics.KindPerson {
		return nil
	}
	return g.record(ctx, analytics.DeedSignedOut, "person "+p.Name, "")
}

// ChangePassword changes that of whoever is signed in, ends the person's other
// sessions and gives this one a new token. ErrWrong: the old one is not right,
// which counts as an attempt to sign in; *PasswordError: the new one cannot be
// taken; analytics.ErrDenied: nobody is signed in.
func (g *Gate) ChangePassword(ctx context.Context, old, new string) error {
	v, err := visitOf(ctx)
	if err != nil {
		return err
	}
	p := analytics.PrincipalOf(ctx)
	if p.Kind != analytics.KindPerson || v.session == 0 {
		return fmt.Errorf("change a password: %w", analytics.ErrDenied)
	}
	if err := CheckPassword(p.Name, new); err != nil {
		return err
	}
	if wait := g.limits.signIn.take(addressKey(p.Address), g.now()); wait > 0 {
		return g.waitError(wait)
	}
	attempt, _, err := g.try(ctx, p.Name, old)
	if err == nil && attempt.Person.ID != p.ID {
		err = ErrWrong
	}
	if errors.Is(err, ErrWrong) {
		if told := g.record(ctx, analytics.DeedRefused, loginObject(p.Name), "the old password is not right"); told != nil {
			return told
		}
	}
	if err != nil {
		return err
	}
	hash, err := g.passwords.hash(ctx, new)
	if err != nil {
		return err
	}
	if err := g.store.SetPassword(ctx, p.ID, hash, v.session); err != nil {
		return fmt.Errorf("change a password: %w", err)
	}
	return g.renew(ctx, v)
}

// renew gives the session a new token; the old one is worth nothing any more.
func (g *Gate) renew(ctx context.Context, v *visit) error {
	if err := g.sessions.RenewToken(ctx); err != nil {
		return err
	}
	token, _, err := g.sessions.Commit(ctx)
	if err != nil {
		return err
	}
	g.give(ctx, v, token)
	return nil
}

// SwitchRole shows the demo as another role. analytics.ErrDenied where there is
// no demo, analytics.ErrNotFound where nobody in it has that role.
func (g *Gate) SwitchRole(ctx context.Context, role analytics.Role) error {
	if !g.IsDemo() {
		return fmt.Errorf("switch roles: %w", analytics.ErrDenied)
	}
	id := g.cfg.Demo[role]
	if id == 0 {
		return fmt.Errorf("switch to %q: %w", plain(string(role), toldLogin), analytics.ErrNotFound)
	}
	person, err := g.store.SignedIn(ctx, id)
	if err != nil {
		return fmt.Errorf("switch to %s: %w", role, err)
	}
	return g.enter(ctx, person, "role of the demo")
}
