package access

import (
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"fadeledger/analytics"
)

func TestNobodyLeavesNothing(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser()
	for range 3 {
		w := b.send(http.MethodGet, "/", nil)
		if got := w.Body.String(); got != "nobody from 203.0.113.7" {
			t.Errorf("site saw %q", got)
		}
		if c := w.Header().Values("Set-Cookie"); len(c) != 0 {
			t.Errorf("a cookie for nobody: %q", c)
		}
	}
	if r.store.rows() != 0 || r.store.asked != 1 {
		t.Errorf("%d sessions and %d questions to the store, want none and the test's own", r.store.rows(), r.store.asked)
	}
	b.cookie = "not-a-token"
	b.wants("nobody")
	b.cookie = strings.Repeat("A", sessionTokenLength)
	b.wants("nobody")
	if r.store.rows() != 0 {
		t.Error("an unknown cookie made a session")
	}
}

func TestCookie(t *testing.T) {
	for _, tc := range []struct {
		name   string
		secure bool
		want   string
	}{
		{"over http", false, "fadeledger=TOKEN; Path=/; HttpOnly; SameSite=Lax"},
		{"over https", true, "__Host-fadeledger=TOKEN; Path=/; HttpOnly; Secure; SameSite=Lax"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := newRig(t, func(c *Config) { c.Secure = tc.secure })
			b := r.browser()
			w := b.send(http.MethodPost, "/sign-in", map[string][]string{"login": {"mira"}, "password": {mirasPassword}})
			set := w.Header().Values("Set-Cookie")
			if len(set) != 1 || strings.Replace(set[0], b.cookie, "TOKEN", 1) != tc.want {
				t.Fatalf("Set-Cookie %q, want %q", set, tc.want)
			}
			for hash, s := range r.store.sessions {
				if strings.Contains(string(s.data), b.cookie) || strings.Contains(string(hash[:]), b.cookie) {
					t.Error("the store has the token itself")
				}
				if s.Person != 1 || s.Address != "203.0.113.7" || s.Agent != "Testbrowser/1" || s.StartedAt != r.gate.instant() {
					t.Errorf("kept %+v", s.Session)
				}
				if want := analytics.InstantOf(r.clock.Add(time.Hour)); s.ExpiresAt != want {
					t.Errorf("ends %v, want %v", s.ExpiresAt.Time(), want.Time())
				}
			}
			b.wants("mira")
		})
	}
}

func TestSessionFixation(t *testing.T) {
	r := newRig(t, nil)
	t.Run("a cookie that was made up", func(t *testing.T) {
		b := r.browser()
		planted := strings.Repeat("B", sessionTokenLength)
		b.cookie = planted
		b.signIn("mira", mirasPassword)
		if b.cookie == planted {
			t.Fatal("signed in under a token that came from outside")
		}
		other := r.browser()
		other.cookie = planted
		other.wants("nobody")
	})
	t.Run("a session of somebody else's", func(t *testing.T) {
		attacker := r.browser().signIn("tove", tovesPassword)
		planted := attacker.cookie
		victim := r.browser()
		victim.cookie = planted
		victim.signIn("mira", mirasPassword)
		if victim.cookie == planted {
			t.Fatal("the token stayed the same")
		}
		attacker.wants("nobody")
		victim.wants("mira")
	})
}

func TestEndedSessionIsNotReplayed(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser().signIn("mira", mirasPassword)
	old := b.cookie
	if err := b.post("/sign-out"); err != nil {
		t.Fatal(err)
	}
	if b.cookie != "" || r.store.rows() != 0 {
		t.Errorf("after signing out there is cookie %q and %d sessions", b.cookie, r.store.rows())
	}
	b.cookie = old
	b.wants("nobody")
	want := []string{"mira signed-in person mira", "mira signed-out person mira"}
	if got := r.store.deeds(); !slices.Equal(got, want) {
		t.Errorf("trail %q, want %q", got, want)
	}
}

// A request that is under way while the session ends does not bring it back.
func TestSessionEndsUnderWay(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser().signIn("mira", mirasPassword)
	r.wait(2 * time.Minute) // so that the next request writes the row
	inner := r.site
	r.site = r.gate.Middleware(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {
		clear(r.store.sessions)
	}))
	b.send(http.MethodGet, "/", nil)
	r.site = inner
	b.wants("nobody")
}

func TestSessionExpires(t *testing.T) {
	t.Run("when it is not used", func(t *testing.T) {
		r := newRig(t, nil)
		b := r.browser().signIn("mira", mirasPassword)
		r.wait(59 * time.Minute)
		b.wants("mira")
		r.wait(59 * time.Minute)
		b.wants("mira")
		r.wait(time.Hour)
		b.wants("nobody")
		if r.store.rows() != 0 {
			t.Error("what is over is kept")
		}
	})
	t.Run("in any case", func(t *testing.T) {
		r := newRig(t, func(c *Config) { c.Lifetime = 2 * time.Hour })
		b := r.browser().signIn("mira", mirasPassword)
		for range 11 {
			r.wait(10 * time.Minute)
			b.wants("mira")
		}
		r.wait(10 * time.Minute)
		b.wants("nobody")
	})
}

func TestUseIsNotedOnceAMinute(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser().signIn("mira", mirasPassword)
	before := r.store.saves
	for range 120 {
		r.wait(time.Second)
		b.wants("mira")
	}
	if got := r.store.saves - before; got != 2 {
		t.Errorf("120 requests in two minutes wrote the session %d times, want 2", got)
	}
}

func TestDisabledPersonIsOut(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser().signIn("mira", mirasPassword)
	at := r.gate.instant()
	r.store.people[1].DisabledAt = &at
	b.wants("nobody")
	if r.store.rows() != 0 {
		t.Error("the session of a disabled person is kept")
	}
	r.store.people[1].DisabledAt = nil
	b.wants("nobody")
}

func TestRolesAreThoseOfNow(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser().signIn("tove", tovesPassword)
	var role analytics.Role
	r.site = r.gate.Middleware(http.HandlerFunc(func(_ http.ResponseWriter, q *http.Request) {
		role = analytics.PrincipalOf(q.Context()).Role
	}))
	r.store.people[2].Role = analytics.RoleAuditor
	b.send(http.MethodGet, "/", nil)
	if role != analytics.RoleAuditor {
		t.Errorf("a changed role is %q at the next request", role)
	}
}

func TestStoreIsAway(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser().signIn("mira", mirasPassword)
	r.store.broken = true
	if w := b.send(http.MethodGet, "/", nil); w.Code != http.StatusServiceUnavailable {
		t.Errorf("answered %d, want 503", w.Code)
	}
	r.store.broken = false
	b.wants("mira")
}

func TestDemo(t *testing.T) {
	r := newRig(t, func(c *Config) {
		c.Demo = map[analytics.Role]int64{analytics.RoleServiceManager: 1, analytics.RoleInstaller: 2}
		c.DemoStart = analytics.RoleServiceManager
	})
	b := r.browser()
	b.wants("mira")
	if r.store.rows() != 0 || b.cookie != "" {
		t.Error("looking at the demo made a session")
	}
	if err := b.post("/role", "role", "installer"); err != nil {
		t.Fatal(err)
	}
	first := b.cookie
	b.wants("tove")
	if err := b.post("/role", "role", "service-manager"); err != nil {
		t.Fatal(err)
	}
	if b.cookie == first {
		t.Error("the token stayed the same with another role")
	}
	b.wants("mira")
	if err := b.post("/role", "role", "auditor"); err == nil {
		t.Error("switched to a role that nobody in the demo has")
	}
	old := r.browser()
	old.cookie = first
	old.wants("mira") // without a session everybody is who the demo starts as
	if r.store.rows() != 1 {
		t.Errorf("%d sessions, want 1", r.store.rows())
	}
}

func TestNoDemo(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser().signIn("tove", tovesPassword)
	if err := b.post("/role", "role", "service-manager"); err == nil {
		t.Error("roles are switched without a demo")
	}
	b.wants("tove")
}

// Many requests of one browser at once get along, as a page makes them.
func TestRequestsAtOnce(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser().signIn("mira", mirasPassword)
	r.wait(2 * time.Minute)
	var all sync.WaitGroup
	for range 40 {
		all.Go(func() {
			q := httptest.NewRequest(http.MethodGet, "/", nil)
			q.RemoteAddr = b.address
			q.AddCookie(&http.Cookie{Name: cookiePlain, Value: b.cookie})
			w := httptest.NewRecorder()
			r.site.ServeHTTP(w, q)
			if !strings.HasPrefix(w.Body.String(), "mira ") {
				t.Errorf("answered %d %s", w.Code, w.Body)
			}
		})
	}
	all.Wait()
	if r.store.rows() != 1 {
		t.Errorf("%d sessions", r.store.rows())
	}
}
