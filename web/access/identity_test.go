package access

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"fadeledger/analytics"
)

// newIdentityRig makes a rig with a provider that vouches for mira.
func newIdentityRig(t *testing.T, alg jose.SignatureAlgorithm) (*rig, *vouching) {
	t.Helper()
	v := newVouching(t, alg)
	r := newRig(t, func(c *Config) {
		c.Identity = &IdentityConfig{
			Issuer: v.URL, ClientID: clientID, ClientSecret: clientSecret, RedirectURL: "http://localhost/return", Name: "House keys",
		}
	})
	v.vouchFor(r, "subject-1", "mira@example.org", nil)
	return r, v
}

func TestIdentity(t *testing.T) {
	for _, alg := range []jose.SignatureAlgorithm{jose.RS256, jose.ES256} {
		t.Run(string(alg), func(t *testing.T) {
			r, v := newIdentityRig(t, alg)
			if name, ok := r.gate.HasIdentity(); name != "House keys" || !ok {
				t.Errorf("provider %q, %v", name, ok)
			}
			b := r.browser()
			asked := v.ask(b, "/units/KL-0042?view=fade")
			for key, want := range map[string]string{
				"response_type": "code", "client_id": clientID, "redirect_uri": "http://localhost/return",
				"scope": "openid email", "code_challenge_method": "S256",
			} {
				if asked.Get(key) != want {
					t.Errorf("asked with %s=%q, want %q", key, asked.Get(key), want)
				}
			}
			if len(asked.Get("state")) < 26 || len(asked.Get("nonce")) < 26 || asked.Has("code_verifier") {
				t.Errorf("asked with %v", asked)
			}
			before := b.cookie
			b.wants("nobody")
			to, err := v.back(b, asked, nil)
			if err != nil || to != "/units/KL-0042?view=fade" {
				t.Fatalf("led to %q, %v", to, err)
			}
			if b.cookie == before || r.store.rows() != 1 {
				t.Errorf("the token stayed, or %d sessions are kept", r.store.rows())
			}
			b.wants("mira")
			if got := r.store.deeds(); !slices.Equal(got, []string{"mira signed-in person mira"}) {
				t.Errorf("trail %q", got)
			}
		})
	}
}

func TestIdentityRefused(t *testing.T) {
	foreign := newKey(t, jose.ES256)
	for _, tc := range []struct {
		name   string
		claims map[string]any // in the place of good ones
		back   func(url.Values)
		change func(*rig, *vouching)
		want   error
		why    string // part of the reason
	}{
		{name: "wrong state", back: func(q url.Values) { q.Set("state", "x") }, want: ErrIdentity, why: "another question"},
		{name: "no state", back: func(q url.Values) { q.Del("state") }, want: ErrIdentity, why: "another question"},
		{name: "another provider answers", back: func(q url.Values) { q.Set("iss", "https://elsewhere.example") }, want: ErrIdentity, why: "another provider"},
		{name: "the provider refuses", back: func(q url.Values) { q.Set("error", "access_denied"); q.Del("code") }, want: ErrIdentity, why: "access_denied"},
		{name: "another code", back: func(q url.Values) { q.Set("code", "x") }, want: ErrIdentity, why: "invalid_grant"},
		{name: "wrong nonce", claims: map[string]any{"nonce": "x"}, want: ErrIdentity, why: "nonce"},
		{name: "no nonce", claims: map[string]any{"nonce": ""}, want: ErrIdentity, why: "nonce"},
		{name: "expired", claims: map[string]any{"exp": 1}, want: ErrIdentity, why: "expired"},
		{name: "other audience", claims: map[string]any{"aud": "another-site"}, want: ErrIdentity, why: "audience"},
		{name: "several audiences", claims: map[string]any{"aud": []string{clientID, "another-site"}}, want: ErrIdentity, why: "somebody else"},
		{name: "other party", claims: map[string]any{"azp": "another-site"}, want: ErrIdentity, why: "somebody else"},
		{name: "other issuer", claims: map[string]any{"iss": "https://elsewhere.example"}, want: ErrIdentity, why: "different provider"},
		{name: "no subject", claims: map[string]any{"sub": ""}, want: ErrIdentity, why: "somebody else"},
		{name: "other key", change: func(_ *rig, v *vouching) { v.sign = foreign }, want: ErrIdentity, why: "verify"},
		{name: "unverified email", claims: map[string]any{"email_verified": false}, want: ErrStranger},
		{name: "email without a word on it", claims: map[string]any{"email_verified": nil}, want: ErrStranger},
		{name: "unknown person", claims: map[string]any{"email": "nemo@example.org"}, want: ErrStranger},
		{name: "disabled person", change: func(r *rig, _ *vouching) { at := analytics.Instant(1); r.store.people[1].DisabledAt = &at }, want: ErrStranger},
		{name: "too late", change: func(r *rig, _ *vouching) { r.wait(askingHolds) }, want: ErrIdentity, why: "long ago"},
		{name: "the provider is away", change: func(_ *rig, v *vouching) { v.Close() }, want: ErrIdentity, why: "cannot be reached"},
		{name: "the trail is away", change: func(r *rig, _ *vouching) { r.store.mute = true }, want: errDown},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r, v := newIdentityRig(t, jose.ES256)
			if tc.claims != nil {
				v.vouchFor(r, "subject-1", "mira@example.org", tc.claims)
			}
			b := r.browser()
			asked := v.ask(b, "/")
			if tc.change != nil {
				tc.change(r, v)
			}
			if to, err := v.back(b, asked, tc.back); !errors.Is(err, tc.want) || !strings.Contains(err.Error(), tc.why) || to != "" {
				t.Fatalf("led to %q, error %v; want %v with %q", to, err, tc.want, tc.why)
			}
			b.wants("nobody")
			if r.store.rows() != 0 {
				t.Errorf("%d sessions are left", r.store.rows())
			}
			if tc.want != errDown && (len(r.store.trail) != 1 || r.store.trail[0].Deed != analytics.DeedRefused) {
				t.Errorf("trail %q", r.store.deeds())
			}
			// The right answer does not count any more either.
			if _, err := v.back(b, asked, nil); err == nil {
				t.Error("an answer is taken after another was refused")
			}
		})
	}
}

// The answer to somebody else's question signs nobody in: neither one that was
// never asked by this browser, nor one that was used before.
func TestIdentityAnswersAreForOneBrowserOnce(t *testing.T) {
	r, v := newIdentityRig(t, jose.ES256)
	attacker, victim := r.browser(), r.browser()
	asked := v.ask(attacker, "/")
	if _, err := v.back(victim, asked, nil); !errors.Is(err, ErrIdentity) {
		t.Errorf("a browser that asked nothing: %v", err)
	}
	v.ask(victim, "/")
	if _, err := v.back(victim, asked, nil); !errors.Is(err, ErrIdentity) {
		t.Errorf("a browser that asked something else: %v", err)
	}
	if _, err := v.back(attacker, asked, nil); err != nil {
		t.Fatal(err)
	}
	if _, err := v.back(attacker, asked, nil); !errors.Is(err, ErrIdentity) {
		t.Errorf("an answer that was used: %v", err)
	}
	victim.wants("nobody")
	attacker.wants("mira")
}

// A code that was caught on its way is worth nothing without what the browser's
// session keeps.
func TestIdentityChecksThePKCEVerifier(t *testing.T) {
	r, v := newIdentityRig(t, jose.ES256)
	b := r.browser()
	asked := v.ask(b, "/")
	caught := url.Values{}
	for k, values := range asked {
		caught[k] = slices.Clone(values)
	}
	caught.Set("code_challenge", "another")
	if _, err := v.back(b, caught, nil); !errors.Is(err, ErrIdentity) || !slices.Equal(v.exchanged, []int{http.StatusBadRequest}) {
		t.Errorf("error %v, exchanges %v", err, v.exchanged)
	}
}

func TestIdentityIsLinkedOnce(t *testing.T) {
	r, v := newIdentityRig(t, jose.ES256)
	enter := func(subject, email string, verified any) (*browser, error) {
		v.vouchFor(r, subject, email, map[string]any{"email_verified": verified})
		b := r.browser()
		_, err := v.back(b, v.ask(b, "/"), nil)
		return b, err
	}
	if _, err := enter("subject-1", "MIRA@example.org", "true"); err != nil {
		t.Fatal(err)
	}
	b, err := enter("subject-1", "moved@example.org", false)
	if err != nil {
		t.Fatalf("with another email afterwards: %v", err)
	}
	b.wants("mira")
	if b, err := enter("subject-2", "mira@example.org", true); !errors.Is(err, ErrStranger) {
		t.Errorf("a second identity of the same email: %v", err)
	} else {
		b.wants("nobody")
	}
}

func TestIdentityLeadsBackHereOnly(t *testing.T) {
	for to, want := range map[string]string{
		"/units": "/units", "": "/", "https://elsewhere.example/": "/", "//elsewhere.example": "/", "/\\elsewhere.example": "/",
	} {
		r, v := newIdentityRig(t, jose.ES256)
		b := r.browser()
		if got, err := v.back(b, v.ask(b, to), nil); got != want || err != nil {
			t.Errorf("%q leads to %q, %v", to, got, err)
		}
	}
}

func TestIdentityFromWithinASession(t *testing.T) {
	r, v := newIdentityRig(t, jose.ES256)
	b := r.browser().signIn("tove", tovesPassword)
	asked := v.ask(b, "/")
	if _, err := v.back(b, asked, func(q url.Values) { q.Set("state", "x") }); !errors.Is(err, ErrIdentity) {
		t.Fatal(err)
	}
	b.wants("tove")
	if _, err := v.back(b, v.ask(b, "/"), nil); err != nil {
		t.Fatal(err)
	}
	b.wants("mira")
}

func TestWaitingForTheProviderIsBounded(t *testing.T) {
	r, v := newIdentityRig(t, jose.ES256)
	for range 20 {
		v.ask(r.browser(), "/")
	}
	b := r.browser()
	b.send(http.MethodGet, "/identity", nil)
	var wait *WaitError
	if !errors.As(b.last, &wait) || r.store.rows() != 20 {
		t.Errorf("attempt 21: %v, %d sessions", b.last, r.store.rows())
	}
	for _, s := range r.store.sessions {
		if s.Person != 0 || s.ExpiresAt != analytics.InstantOf(r.clock.Add(10*time.Minute)) {
			t.Errorf("kept %+v", s.Session)
		}
	}
}

func TestIdentityConfig(t *testing.T) {
	good := IdentityConfig{Issuer: "https://id.example", ClientID: "x", RedirectURL: "https://ledger.example/sign-in/return"}
	for _, tc := range []struct {
		name   string
		change func(*IdentityConfig)
		fits   bool
	}{
		{"good", func(*IdentityConfig) {}, true},
		{"on this machine", func(c *IdentityConfig) { c.Issuer, c.RedirectURL = "http://127.0.0.1:9", "http://localhost:8080/r" }, true},
		{"issuer in the clear", func(c *IdentityConfig) { c.Issuer = "http://id.example" }, false},
		{"redirect in the clear", func(c *IdentityConfig) { c.RedirectURL = "http://ledger.example/" }, false},
		{"no issuer", func(c *IdentityConfig) { c.Issuer = "" }, false},
		{"no address", func(c *IdentityConfig) { c.Issuer = "id.example" }, false},
		{"no client", func(c *IdentityConfig) { c.ClientID = "" }, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			cfg := good
			tc.change(&cfg)
			g, err := New(Config{Store: newMemory(nil), Identity: &cfg})
			if (err == nil) != tc.fits {
				t.Fatalf("error %v", err)
			}
			if err == nil {
				if name, ok := g.HasIdentity(); name == "" || !ok {
					t.Errorf("name %q, %v", name, ok)
				}
			}
		})
	}
}

func TestConfig(t *testing.T) {
	store := newMemory(nil)
	for name, cfg := range map[string]Config{
		"no store":              {},
		"a demo without people": {Store: store, Demo: map[analytics.Role]int64{}, DemoStart: analytics.RoleAuditor},
		"ends before it begins": {Store: store, Idle: -1},
	} {
		if _, err := New(cfg); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	g, err := New(Config{Store: store})
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := g.HasIdentity(); ok || g.IsDemo() {
		t.Error("the zero configuration has a provider or a demo")
	}
}
