package access

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"

	"fadeledger/analytics"
)

// A one-time code is seven groups of four characters: 27 random ones (135 bits)
// and one that tells slips of typing. The alphabet has no two that look alike.
const (
	codeAlphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
	codeRandom   = 27
	codeGroup    = 4
)

// NewCode makes a one-time code, such as one in groups of four with dashes, and
// the hash that it is kept by.
func NewCode() (secret string, hash [32]byte) {
	body := randomText(codeAlphabet, codeRandom)
	body += codeCheck(body)
	var groups []string
	for i := 0; i < len(body); i += codeGroup {
		groups = append(groups, body[i:i+codeGroup])
	}
	return strings.Join(groups, "-"), sha256.Sum256([]byte(body))
}

// HashCode gives the hash that a code is kept by. Blanks, dashes and case do not
// matter, O reads as 0, I and L as 1. ok is false where the text cannot be a
// code.
func HashCode(text string) (hash [32]byte, ok bool) {
	if len(text) > 200 {
		return hash, false
	}
	body := strings.Map(func(r rune) rune {
		switch r {
		case ' ', '\t', '\r', '\n', '-', '\u00a0', '\u2010', '\u2011', '\u2013':
			return -1
		case 'O':
			return '0'
		case 'I', 'L':
			return '1'
		}
		return r
	}, strings.ToUpper(text))
	if len(body) != codeRandom+1 || strings.Trim(body, codeAlphabet) != "" || body[codeRandom:] != codeCheck(body[:codeRandom]) {
		return hash, false
	}
	return sha256.Sum256([]byte(body)), true
}

// codeCheck is the last character of a code.
func codeCheck(body string) string {
	sum := sha256.Sum256([]byte(body))
	at := int(sum[0]) % len(codeAlphabet)
	return codeAlphabet[at : at+1]
}

// Code gives a one-time code that can be used. analytics.ErrNotFound where it
// is mistyped, not known, used or over; *WaitError after many of those from one
// address.
func (g *Gate) Code(ctx context.Context, secret string) (analytics.Code, error) {
	_, c, err := g.code(ctx, secret)
	return c, err
}

func (g *Gate) code(ctx context.Context, secret string) (hash [32]byte, c analytics.Code, err error) {
	from := addressKey(analytics.PrincipalOf(ctx).Address)
	if wait := g.limits.code.spent(from, g.now()); wait > 0 {
		return hash, c, g.waitError(wait)
	}
	hash, ok := HashCode(secret)
	if ok {
		c, err = g.store.Code(ctx, hash)
	}
	if !ok || errors.Is(err, analytics.ErrNotFound) || err == nil && c.ExpiresAt <= g.instant() {
		g.limits.code.take(from, g.now())
		if err := g.tell(ctx, "code", "it is mistyped, not known, used or over"); err != nil {
			return hash, analytics.Code{}, err
		}
		return hash, analytics.Code{}, fmt.Errorf("one-time code: %w", analytics.ErrNotFound)
	}
	if err != nil {
		return hash, analytics.Code{}, fmt.Errorf("look for a one-time code: %w", err)
	}
	return hash, c, nil
}

// UseCode uses a code up, sets the password of whom it is for and signs in.
// With a code of kind CodeFirst, first's login and name are those of the new
// administrator. Errors as of Code; *PasswordError and other
// analytics.ErrInvalid for what cannot be taken, and the code can then be used
// still; analytics.ErrConflict where the login is taken.
func (g *Gate) UseCode(ctx context.Context, secret string, first analytics.Person, password string) error {
	if _, err := visitOf(ctx); err != nil {
		return err
	}
	hash, c, err := g.code(ctx, secret)
	if err != nil {
		return err
	}
	login := c.Person.Login
	if c.Kind == analytics.CodeFirst {
		first.Login, first.Name = strings.TrimSpace(first.Login), strings.TrimSpace(first.Name)
		if !sound(first.Login) || first.Name == "" {
			return fmt.Errorf("first administrator: a login and a name are needed: %w", analytics.ErrInvalid)
		}
		login = first.Login
	}
	if err := CheckPassword(login, password); err != nil {
		return err
	}
	kept, err := g.passwords.hash(ctx, password)
	if err != nil {
		return err
	}
	person, err := g.store.UseCode(ctx, hash, first, kept)
	if err != nil {
		return fmt.Errorf("use a one-time code: %w", err)
	}
	return g.enter(ctx, person, "by one-time code of kind "+string(c.Kind))
}
