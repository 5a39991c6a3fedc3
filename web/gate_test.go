package web_test

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/web"
	"fadeledger/web/access"
	"fadeledger/web/webtest"
)

// The gate of package access is one.
var _ web.Gate = (*access.Gate)(nil)

var (
	koski = analytics.Principal{Kind: analytics.KindPerson, ID: 1, Name: "e.koski", Role: analytics.RoleAdministrator}
	salo  = analytics.Principal{Kind: analytics.KindPerson, ID: 2, Name: "t.salo", Role: analytics.RoleInstaller, Organisation: "Northlight Electric"}
	lind  = analytics.Principal{Kind: analytics.KindPerson, ID: 3, Name: "r.lind", Role: analytics.RoleAuditor}
)

// house is a site with everything, for whoever the gate says.
type house struct {
	http.Handler
	gate   *webtest.Gate
	people *webtest.People
	trail  *webtest.Trail
	ledger *webtest.Ledger
	clock  *time.Time
}

// houseFor builds the site as it is for a principal.
func houseFor(t *testing.T, who analytics.Principal, change ...func(*web.Config)) *house {
	t.Helper()
	h := &house{people: webtest.Staff(), trail: &webtest.Trail{}, ledger: webtest.Fleet(3)}
	now := webtest.Now
	h.clock = &now
	h.gate = &webtest.Gate{Who: who, Password: "several plain words", Session: 11, People: map[string]analytics.Person{"e.koski": h.people.Known[0]},
		Tokens: map[string]analytics.Principal{"Bearer monitor": {Kind: analytics.KindToken, ID: 22, Name: "monitor", Granted: []analytics.Right{analytics.RightSeeIngest}}}}
	cfg := web.Config{Ledger: h.ledger, Upkeep: &webtest.Upkeep{Ledger: h.ledger}, People: h.people, Trail: h.trail, Gate: h.gate,
		Registry: webtest.NewRegistry(), Collectors: webtest.Gateways(), Now: func() time.Time { return *h.clock }}
	for _, c := range change {
		c(&cfg)
	}
	var err error
	if h.Handler, err = web.New(cfg); err != nil {
		t.Fatal(err)
	}
	return h
}

// ask sends a request with headers.
func ask(h http.Handler, method, path, body string, header ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// openRoutes are all that nobody is let through to.
var openRoutes = []string{"GET /healthz", "GET /readyz", "GET /static/{name}", "GET /sign-in", "POST /sign-in", "POST /sign-out", "GET /welcome", "POST /welcome",
	"POST /welcome/use", "GET /sign-in/identity", "GET /sign-in/return"}

// forSomebody are those that every person may use.
var forSomebody = []string{"GET /account", "POST /account/password", "POST /account/sessions/end", "GET /api/v1/me"}

// TestEveryRouteIsGuarded walks all routes as nobody and as a person without
// any right.
func TestEveryRouteIsGuarded(t *testing.T) {
	t.Parallel()
	everything := func(cfg *web.Config) { cfg.Gate.(*webtest.Gate).Identity = "Home Directory" }
	nobody := houseFor(t, analytics.Principal{}, everything)
	installerOfNone := analytics.Principal{Kind: analytics.KindPerson, ID: 2, Name: "t.salo", Role: analytics.RoleInstaller}
	powerless := houseFor(t, installerOfNone, everything)
	routes, ok := nobody.Handler.(chi.Routes)
	if !ok {
		t.Fatal("the site is no router")
	}
	var seen []string
	err := chi.Walk(routes, func(method, route string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
		name := method + " " + route
		seen = append(seen, name)
		path := strings.NewReplacer("{", "", "}", "").Replace(strings.NewReplacer("{person}", "1", "{token}", "21", "{correction}", "7", "{alarm}", "12", "{sequence}", "1").Replace(route))
		// Some of them sign in or out.
		nobody.gate.Who, powerless.gate.Who = analytics.Principal{}, installerOfNone
		stranger, lacking := ask(nobody, method, path, ""), ask(powerless, method, path, "")
		if slices.Contains(openRoutes, name) {
			if stranger.Code == 401 || stranger.Code == 403 {
				t.Errorf("%s answered nobody %d", name, stranger.Code)
			}
			return nil
		}
		away := stranger.Code == 401 || stranger.Code == 303 && strings.HasPrefix(stranger.Header().Get("Location"), "/sign-in?to=") || route == "/" && stranger.Header().Get("Location") == "/sign-in"
		if !away {
			t.Errorf("%s answered nobody %d to %q", name, stranger.Code, stranger.Header().Get("Location"))
		}
		document := strings.HasPrefix(route, "/api/v1/openapi")
		if want := !slices.Contains(forSomebody, name) && !document; want != (lacking.Code == 403) {
			t.Errorf("%s answered somebody without rights %d", name, lacking.Code)
		}
		return nil
	})
	if err != nil || len(seen) < 120 {
		t.Fatalf("%d routes were walked: %v", len(seen), err)
	}
	for _, name := range slices.Concat(openRoutes, forSomebody) {
		if !slices.Contains(seen, name) {
			t.Errorf("there is no route %s", name)
		}
	}
}

// TestWhatRolesSee holds pages against the roles that may see them.
func TestWhatRolesSee(t *testing.T) {
	t.Parallel()
	who := map[string]analytics.Principal{"administrator": koski, "installer": salo, "auditor": lind, "manager": manager,
		"operations": {Kind: analytics.KindPerson, ID: 5, Name: "o", Role: analytics.RoleOperations}}
	pages := map[string][]string{
		"/":                              {"administrator", "installer", "auditor", "manager", "operations"},
		"/units/HB5-20491":               {"administrator", "installer", "auditor", "manager", "operations"},
		"/ingest":                        {"administrator", "auditor", "manager", "operations"},
		"/metrics":                       {"administrator", "auditor", "manager", "operations"},
		disputed + "/corrections/new":    {"administrator", "manager"},
		"/people":                        {"administrator"},
		"/tokens":                        {"administrator"},
		"/trail":                         {"administrator", "auditor"},
		"/trail.ndjson":                  {"administrator", "auditor"},
		"/api/v1/quarantine":             {"administrator", "auditor", "manager", "operations"},
		"/api/v1/units/HB5-20491/ledger": {"administrator", "installer", "auditor", "manager", "operations"},
	}
	for name, p := range who {
		h := houseFor(t, p)
		for path, may := range pages {
			want := 403
			if slices.Contains(may, name) {
				want = 200
			}
			w := ask(h, "GET", path, "")
			if w.Code != want {
				t.Errorf("%s: %s answered %d, want %d", name, path, w.Code, want)
			}
			if want == 403 && !strings.HasPrefix(path, "/api/") {
				contains(t, words(w.Body.String()), "That is not for your role")
				lacks(t, w.Body.String(), "asked for by another site")
			}
		}
	}
}

// TestWhatMayNotBeDoneIsNotOffered looks for links and buttons of pages.
func TestWhatMayNotBeDoneIsNotOffered(t *testing.T) {
	t.Parallel()
	h := houseFor(t, salo)
	page := ask(h, "GET", disputed, "").Body.String()
	contains(t, words(page), "Signed in as t.salo (installer, Northlight Electric)", "Sign out", "See the versions")
	lacks(t, page, `href="/ingest`, `href="/people"`, `href="/trail"`, "corrections/new", "See what that does", "Make a correction")
	h.gate.Who = lind
	page = ask(h, "GET", "/ingest", "").Body.String()
	contains(t, page, `href="/trail"`)
	lacks(t, page, "I have seen to it", `href="/people"`)
	lacks(t, ask(h, "GET", "/ingest/quarantine?reason=bad-number", "").Body.String(), "Release")
	h.gate.Who = koski
	contains(t, ask(h, "GET", "/ingest", "").Body.String(), "I have seen to it", `href="/people"`, `href="/tokens"`, `href="/trail"`)
}

func TestNobodyIsLedToSignIn(t *testing.T) {
	t.Parallel()
	h := houseFor(t, analytics.Principal{})
	if w := ask(h, "GET", "/units/A%2FB?span=1y&x=%C3%A9", ""); w.Code != 303 || w.Header().Get("Location") != "/sign-in?to="+url.QueryEscape("/units/A%2FB?span=1y&x=%C3%A9") {
		t.Errorf("led to %d %q", w.Code, w.Header().Get("Location"))
	}
	w := ask(h, "GET", "/api/v1/fleet", "")
	if w.Code != 401 || w.Header().Get("WWW-Authenticate") != `Bearer realm="fadeledger"` || w.Header().Get("Content-Type") != "application/problem+json" {
		t.Errorf("the interface answered %d with %v", w.Code, w.Header())
	}
	for path, method := range map[string]string{"/ingest/quarantine/release": "POST", "/?part=live": "GET", "/metrics": "GET"} {
		w := ask(h, method, path, "")
		if w.Code != 401 || w.Header().Get("Location") != "" {
			t.Errorf("%s %s answered %d", method, path, w.Code)
		}
		contains(t, words(w.Body.String()), "Sign in first")
	}
	lacks(t, ask(h, "GET", "/none", "").Body.String(), `href="/ingest"`, `href="/about/numbers"`)
	if w := ask(h, "GET", "/ingest", "", "Authorization", "Bearer monitor"); w.Code != 200 {
		t.Errorf("a token was answered %d", w.Code)
	}
	if w := ask(h, "POST", "/sign-out", "", "Authorization", "Bearer monitor"); w.Code != 403 {
		t.Errorf("a token that signs out was answered %d", w.Code)
	}
}

func TestReasonsAreNotForStrangers(t *testing.T) {
	t.Parallel()
	broken := func(cfg *web.Config) {
		cfg.Ready = func(context.Context) error { return errors.New("no answer from 10.0.0.1") }
	}
	h := houseFor(t, analytics.Principal{}, broken)
	if w := ask(h, "GET", "/readyz", ""); w.Code != 503 || w.Body.String() != "not ready\n" {
		t.Errorf("a stranger was told %d %q", w.Code, w.Body.String())
	}
	if w := ask(h, "GET", "/readyz", "", "Accept", "application/json"); w.Body.String() != `{"ready":false,"reasons":[]}`+"\n" {
		t.Errorf("a stranger was told %q", w.Body.String())
	}
	contains(t, ask(h, "GET", "/readyz", "", "Authorization", "Bearer monitor").Body.String(), "10.0.0.1")
}

func TestSecureSiteSaysSo(t *testing.T) {
	t.Parallel()
	secure := houseFor(t, koski, func(cfg *web.Config) { cfg.Secure = true })
	if got := ask(secure, "GET", "/", "").Header().Get("Strict-Transport-Security"); got != "max-age=31536000" {
		t.Errorf("told %q", got)
	}
	if got := ask(houseFor(t, koski), "GET", "/", "").Header().Get("Strict-Transport-Security"); got != "" {
		t.Errorf("a site without https told %q", got)
	}
	contains(t, ask(secure, "POST", "/people/4/code", "").Body.String(), "https://example.com/welcome#")
}

func TestChecksOfPagesCanBeSwitchedOff(t *testing.T) {
	t.Parallel()
	h := houseFor(t, salo, func(cfg *web.Config) { cfg.Allows = func(analytics.Principal, analytics.Right) bool { return true } })
	if w := ask(h, "GET", "/people", ""); w.Code != 200 {
		t.Errorf("answered %d", w.Code)
	}
}
