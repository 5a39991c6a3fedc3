package access

import (
	"crypto/sha256"
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
)

func TestTokenForm(t *testing.T) {
	seen := map[string]bool{}
	for range 200 {
		secret, hash := NewToken()
		if seen[secret] || len(secret) != 52 || !strings.HasPrefix(secret, "fl_") {
			t.Fatalf("token %q", secret)
		}
		seen[secret] = true
		if got, ok := HashToken(secret); !ok || got != hash || hash != sha256.Sum256([]byte(secret)) {
			t.Fatalf("hash of %q: %x, %v", secret, got, ok)
		}
	}
	secret, _ := NewToken()
	for i := range secret {
		slip := []byte(secret)
		if slip[i] = 'x'; secret[i] == 'x' {
			slip[i] = 'y'
		}
		if _, ok := HashToken(string(slip)); ok {
			t.Errorf("a slip at %d is not noticed", i)
		}
	}
	for _, text := range []string{"", "fl_", secret[:51], secret + "0", " " + secret[1:], strings.ToUpper(secret), strings.Repeat("é", 26)} {
		if _, ok := HashToken(text); ok {
			t.Errorf("%q is taken for a token", text)
		}
	}
}

func (r *rig) token(change func(*analytics.Token)) string {
	secret, hash := NewToken()
	token := &analytics.Token{
		ID: int64(len(r.store.tokens) + 1), Name: "gateway", Rights: []analytics.Right{analytics.RightSeeUnits},
		ExpiresAt: analytics.InstantOf(r.clock.Add(24 * time.Hour)),
	}
	if change != nil {
		change(token)
	}
	r.store.tokens[hash] = token
	return secret
}

func TestBearer(t *testing.T) {
	past := analytics.Instant(1)
	r := newRig(t, nil)
	good := r.token(nil)
	unknown, _ := NewToken()
	for _, tc := range []struct {
		name          string
		authorization []string
		want          string // who, empty for refused
	}{
		{"good", []string{"Bearer " + good}, "gateway"},
		{"scheme in any case", []string{"bEARER  " + good + " "}, "gateway"},
		{"unknown", []string{"Bearer " + unknown}, ""},
		{"revoked", []string{"Bearer " + r.token(func(t *analytics.Token) { t.RevokedAt = &past })}, ""},
		{"over", []string{"Bearer " + r.token(func(t *analytics.Token) { t.ExpiresAt = past })}, ""},
		{"malformed", []string{"Bearer " + good[:40]}, ""},
		{"another's form", []string{"Bearer eyJhbGciOiJub25lIn0.e30."}, ""},
		{"empty", []string{"Bearer "}, ""},
		{"scheme alone", []string{"Bearer"}, ""},
		{"two headers", []string{"Bearer " + good, "Bearer " + good}, ""},
		{"two schemes", []string{"Basic bWlyYTp4", "Bearer " + good}, ""},
		{"another scheme is none of ours", []string{"Basic bWlyYTp4"}, "mira"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := r.browser().signIn("mira", mirasPassword) // never fallen back to
			b.header["Authorization"] = tc.authorization
			w := b.send(http.MethodGet, "/", nil)
			if tc.want != "" {
				if got := w.Body.String(); got != tc.want+" from 203.0.113.7" {
					t.Fatalf("site saw %q", got)
				}
				if session := w.Header().Get("Session"); tc.want == "gateway" && session != "0" {
					t.Errorf("a token came with session %s", session)
				}
				return
			}
			if w.Code != http.StatusUnauthorized || !strings.HasPrefix(w.Header().Get("WWW-Authenticate"), "Bearer") {
				t.Fatalf("answered %d, challenge %q", w.Code, w.Header().Get("WWW-Authenticate"))
			}
			var problem struct{ Status int }
			if err := json.Unmarshal(w.Body.Bytes(), &problem); err != nil || problem.Status != 401 ||
				w.Header().Get("Content-Type") != "application/problem+json" {
				t.Errorf("body %q of type %q: %v", w.Body, w.Header().Get("Content-Type"), err)
			}
		})
	}
}

func TestRevokedTokenIsNotReplayed(t *testing.T) {
	r := newRig(t, nil)
	secret := r.token(nil)
	b := r.browser()
	b.header.Set("Authorization", "Bearer "+secret)
	b.wants("gateway")
	at := r.gate.instant()
	for _, token := range r.store.tokens {
		token.RevokedAt = &at
	}
	if w := b.send(http.MethodGet, "/", nil); w.Code != http.StatusUnauthorized {
		t.Errorf("answered %d right after it was revoked", w.Code)
	}
	if got := r.store.deeds(); len(got) != 1 || got[0] != "was-refused token" {
		t.Errorf("trail %q", got)
	}
}

func TestTokensSignNobodyIn(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser()
	b.header.Set("Authorization", "Bearer "+r.token(nil))
	if err := b.post("/sign-in", "login", "mira", "password", mirasPassword); err == nil || b.cookie != "" {
		t.Errorf("a machine got a session: %v", err)
	}
}

func TestManyRefusedTokensDoNotFillTheTrail(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser()
	unknown, _ := NewToken()
	b.header.Set("Authorization", "Bearer "+unknown)
	var last int
	for range 150 {
		last = b.send(http.MethodGet, "/", nil).Code
	}
	if last != http.StatusTooManyRequests || len(r.store.trail) != 10 || r.store.asked > 150 {
		t.Errorf("150 at once: last answer %d, %d entries, %d questions to the store", last, len(r.store.trail), r.store.asked)
	}
	r.wait(time.Minute)
	b.header.Set("Authorization", "Bearer "+r.token(nil))
	b.wants("gateway")
}
