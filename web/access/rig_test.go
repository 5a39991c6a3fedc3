package access

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"fadeledger/analytics"
)

// The invented people of the tests.
const (
	mirasPassword = "slow otters carry lanterns"
	tovesPassword = "eleven kites above the bay"
)

// rig is a gate before a small site, with a clock and a store of the test's.
type rig struct {
	t     *testing.T
	gate  *Gate
	store *memory
	clock time.Time
	site  http.Handler
	work  atomic.Int64 // hashes that were derived
	log   bytes.Buffer
	// last is the error of the latest deed of the site.
	last error
}

// newRig makes a rig; change may alter the configuration.
func newRig(t *testing.T, change func(*Config)) *rig {
	t.Helper()
	r := &rig{t: t, clock: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	r.store = newMemory(func() analytics.Instant { return analytics.InstantOf(r.clock) })
	cfg := Config{
		Store: r.store, Now: func() time.Time { return r.clock },
		Logger: slog.New(slog.NewTextHandler(&r.log, &slog.HandlerOptions{Level: slog.LevelDebug})),
	}
	if change != nil {
		change(&cfg)
	}
	var err error
	if r.gate, err = New(cfg); err != nil {
		t.Fatal(err)
	}
	// The real work is tested on its own; here it is counted.
	r.gate.passwords.derive = func(password, salt []byte, p parameters, size int) []byte {
		r.work.Add(1)
		sum := sha256.Sum256([]byte(string(password) + string(salt) + strconv.Itoa(int(p.memory))))
		return sum[:min(size, 32)]
	}
	r.person(1, "mira", analytics.RoleServiceManager, mirasPassword)
	r.person(2, "tove", analytics.RoleInstaller, tovesPassword).Organisation = "Fjordlys"
	r.site = r.gate.Middleware(r.routes())
	r.work.Store(0)
	return r
}

func (r *rig) person(id int64, login string, role analytics.Role, password string) *analytics.Person {
	p := &analytics.Person{ID: id, Login: login, Name: strings.ToUpper(login), Role: role, Email: login + "@example.org"}
	r.store.people[id] = p
	if password != "" {
		hash, err := r.gate.passwords.hash(r.t.Context(), password)
		if err != nil {
			r.t.Fatal(err)
		}
		r.store.hashes[id] = hash
	}
	return p
}

// routes are a site that does what its forms say and tells who asks.
func (r *rig) routes() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /", func(w http.ResponseWriter, q *http.Request) {
		p := analytics.PrincipalOf(q.Context())
		w.Header().Set("Session", strconv.FormatInt(r.gate.SessionID(q.Context()), 10))
		who := p.Name
		if p.Nobody() {
			who = "nobody"
		}
		w.Write([]byte(who + " from " + p.Address))
	})
	do := func(path string, deed func(ctx context.Context, q *http.Request) error) {
		mux.HandleFunc(path, func(w http.ResponseWriter, q *http.Request) {
			if r.last = deed(q.Context(), q); r.last != nil {
				w.WriteHeader(http.StatusUnprocessableEntity)
			}
		})
	}
	g := r.gate
	do("POST /sign-in", func(ctx context.Context, q *http.Request) error {
		return g.SignIn(ctx, q.FormValue("login"), q.FormValue("password"))
	})
	do("POST /sign-out", func(ctx context.Context, _ *http.Request) error { return g.SignOut(ctx) })
	do("POST /password", func(ctx context.Context, q *http.Request) error {
		return g.ChangePassword(ctx, q.FormValue("old"), q.FormValue("new"))
	})
	do("POST /role", func(ctx context.Context, q *http.Request) error {
		return g.SwitchRole(ctx, analytics.Role(q.FormValue("role")))
	})
	do("POST /code", func(ctx context.Context, q *http.Request) error {
		_, err := g.Code(ctx, q.FormValue("code"))
		return err
	})
	do("POST /welcome", func(ctx context.Context, q *http.Request) error {
		first := analytics.Person{Login: q.FormValue("login"), Name: q.FormValue("name")}
		return g.UseCode(ctx, q.FormValue("code"), first, q.FormValue("password"))
	})
	mux.HandleFunc("GET /identity", func(w http.ResponseWriter, q *http.Request) {
		var to string
		if to, r.last = g.IdentityURL(q.Context(), q.FormValue("to")); r.last != nil {
			w.WriteHeader(http.StatusUnprocessableEntity)
			return
		}
		http.Redirect(w, q, to, http.StatusSeeOther)
	})
	mux.HandleFunc("GET /return", func(w http.ResponseWriter, q *http.Request) {
		var to string
		if to, r.last = g.IdentityReturn(q.Context(), q); r.last != nil {
			w.WriteHeader(http.StatusUnprocessableEntity)
			return
		}
		http.Redirect(w, q, to, http.StatusSeeOther)
	})
	return mux
}

// browser keeps one cookie, as a browser does.
type browser struct {
	*rig
	address string
	cookie  string
	header  http.Header
}

func (r *rig) browser() *browser {
	return &browser{rig: r, address: "203.0.113.7:4711", header: http.Header{"User-Agent": {"Testbrowser/1"}, "Accept": {"text/html"}}}
}

// send asks and takes in a cookie that comes back.
func (b *browser) send(method, to string, form url.Values) *httptest.ResponseRecorder {
	q := httptest.NewRequest(method, to, strings.NewReader(form.Encode()))
	q.RemoteAddr = b.address
	for k, v := range b.header {
		q.Header[k] = v
	}
	if method == http.MethodPost {
		q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if b.cookie != "" {
		q.AddCookie(&http.Cookie{Name: b.gate.sessions.Cookie.Name, Value: b.cookie})
	}
	w := httptest.NewRecorder()
	b.site.ServeHTTP(w, q)
	for _, c := range w.Result().Cookies() {
		if b.cookie = c.Value; c.MaxAge < 0 {
			b.cookie = ""
		}
	}
	return w
}

// sees gives whom the site takes the browser for.
func (b *browser) sees() string {
	b.t.Helper()
	w := b.send(http.MethodGet, "/", nil)
	if w.Code != http.StatusOK {
		b.t.Fatalf("GET / answered %d: %s", w.Code, w.Body)
	}
	who, _, _ := strings.Cut(w.Body.String(), " from ")
	return who
}

// post does a deed and gives its error.
func (b *browser) post(to string, pairs ...string) error {
	form := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		form.Set(pairs[i], pairs[i+1])
	}
	b.last = errors.New("the site was not reached")
	b.send(http.MethodPost, to, form)
	return b.last
}

// signIn signs in and fails the test where that does not work.
func (b *browser) signIn(login, password string) *browser {
	b.t.Helper()
	if err := b.post("/sign-in", "login", login, "password", password); err != nil {
		b.t.Fatalf("sign in as %s: %v", login, err)
	}
	return b
}

// wants fails the test unless the site takes the browser for who.
func (b *browser) wants(who string) {
	b.t.Helper()
	if got := b.sees(); got != who {
		b.t.Fatalf("the site takes the browser for %q, want %q", got, who)
	}
}

// wait moves the clock.
func (r *rig) wait(d time.Duration) { r.clock = r.clock.Add(d) }
