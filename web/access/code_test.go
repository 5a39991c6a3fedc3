package access

import (
	"errors"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
)

func TestCodeForm(t *testing.T) {
	form := regexp.MustCompile(`^([0-9A-HJKMNP-TV-Z]{4}-){6}[0-9A-HJKMNP-TV-Z]{4}$`)
	seen := map[string]bool{}
	for range 200 {
		secret, hash := NewCode()
		if seen[secret] || !form.MatchString(secret) {
			t.Fatalf("code %q", secret)
		}
		seen[secret] = true
		bare := strings.ReplaceAll(secret, "-", "")
		alike := strings.NewReplacer("0", "o", "1", "l").Replace(bare)
		for _, typed := range []string{secret, bare, strings.ToLower(secret), " " + strings.ReplaceAll(secret, "-", " ") + "\n", alike,
			strings.ReplaceAll(secret, "-", "–")} {
			if got, ok := HashCode(typed); !ok || got != hash {
				t.Fatalf("%q typed as %q: %x, %v", secret, typed, got, ok)
			}
		}
	}
	secret, _ := NewCode()
	for _, typed := range []string{"", "-", secret[:30], secret + "7", strings.Repeat("-", 500) + secret, "U" + secret[1:], "é" + secret[1:]} {
		if _, ok := HashCode(typed); ok {
			t.Errorf("%q is taken for a code", typed)
		}
	}
}

func (r *rig) code(kind analytics.CodeKind, person int64) string {
	secret, hash := NewCode()
	c := &analytics.Code{Kind: kind, ExpiresAt: analytics.InstantOf(r.clock.Add(time.Hour))}
	if person != 0 {
		c.Person = *r.store.people[person]
	}
	r.store.codes[hash] = c
	return secret
}

func TestUseCode(t *testing.T) {
	const chosen = "nine pears under a bridge"
	r := newRig(t, nil)
	r.person(3, "ines", analytics.RoleAuditor, "")
	secret := r.code(analytics.CodeInvitation, 3)
	b := r.browser()
	if err := b.post("/code", "code", strings.ToLower(secret)); err != nil {
		t.Fatal(err)
	}
	var weak *PasswordError
	if err := b.post("/welcome", "code", secret, "password", "short"); !errors.As(err, &weak) {
		t.Fatalf("with a short password: %v", err)
	}
	if err := b.post("/welcome", "code", secret, "password", chosen); err != nil {
		t.Fatal(err)
	}
	b.wants("ines")
	again := r.browser()
	if err := again.post("/welcome", "code", secret, "password", chosen); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("used twice: %v", err)
	}
	again.wants("nobody")
	again.signIn("ines", chosen)
	want := []string{"ines changed person ines", "ines signed-in person ines", "was-refused code", "ines signed-in person ines"}
	if got := r.store.deeds(); !slices.Equal(got, want) {
		t.Errorf("trail %q, want %q", got, want)
	}
}

func TestFirstAdministrator(t *testing.T) {
	const chosen = "nine pears under a bridge"
	r := newRig(t, nil)
	secret := r.code(analytics.CodeFirst, 0)
	b := r.browser()
	for _, wrong := range [][]string{{"", "Ada"}, {"ada", " "}, {"a\x00da", "Ada"}} {
		err := b.post("/welcome", "code", secret, "login", wrong[0], "name", wrong[1], "password", chosen)
		if !errors.Is(err, analytics.ErrInvalid) {
			t.Errorf("login and name %q: %v", wrong, err)
		}
	}
	if err := b.post("/welcome", "code", secret, "login", "MIRA", "name", "Ada", "password", chosen); !errors.Is(err, analytics.ErrConflict) {
		t.Errorf("a login that is taken: %v", err)
	}
	if err := b.post("/welcome", "code", secret, "login", "ada", "name", "Ada", "password", chosen); err != nil {
		t.Fatal(err)
	}
	b.wants("ada")
}

func TestCodeIsOver(t *testing.T) {
	r := newRig(t, nil)
	secret := r.code(analytics.CodeRecovery, 1)
	r.wait(time.Hour)
	if err := r.browser().post("/code", "code", secret); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("a code that is over: %v", err)
	}
}

func TestGuessingCodes(t *testing.T) {
	r := newRig(t, nil)
	secret := r.code(analytics.CodeRecovery, 1)
	b := r.browser()
	for range 10 {
		guess, _ := NewCode()
		if err := b.post("/code", "code", guess); !errors.Is(err, analytics.ErrNotFound) {
			t.Fatal(err)
		}
	}
	var wait *WaitError
	for path, pairs := range map[string][]string{
		"/code":    {"code", secret},
		"/welcome": {"code", secret, "password", "nine pears under a bridge"},
	} {
		if err := b.post(path, pairs...); !errors.As(err, &wait) {
			t.Errorf("%s after ten guesses: %v, want a wait", path, err)
		}
	}
	r.wait(6 * time.Second)
	if err := b.post("/code", "code", secret); err != nil {
		t.Error(err)
	}
	for range 30 { // good ones are not counted
		if err := b.post("/code", "code", secret); err != nil {
			t.Fatal(err)
		}
	}
}
