package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/ingest/broker"
	"fadeledger/store"
	"fadeledger/store/storetest"
	"fadeledger/web"
	"fadeledger/web/access"
)

// Two organisations share the service of these tests.
const (
	crewA = "crew-a"
	crewB = "crew-b"
)

// TestAccess looks at one service from all sides: what everybody may do by
// which address, and what must not be had by any way round. The subtests stand
// in their order: the last ones look at what the others left behind.
func TestAccess(t *testing.T) {
	r := newAccessRig(t)
	t.Run("routes", r.testRoutes)
	t.Run("boundary", r.testBoundary)
	t.Run("attempts", r.testAttempts)
	t.Run("hostile text", r.testHostileText)
	t.Run("secrets", r.testSecrets)
}

// visitor is somebody who asks: a browser with a cookie, a machine with a
// token, or nobody.
type visitor struct {
	name          string
	login         string
	password      string
	cookie, token string
	role          analytics.Role
	organisation  string
}

// call is a request.
type call struct {
	method, path string
	kind, body   string
	header       [][2]string
	// as, if not nil, asks instead of whoever was to ask: with a session of
	// its own that the request may end.
	as *visitor
}

// answer is what came back.
type answer struct {
	status int
	header http.Header
	body   string
}

// accessRig is a whole service with people, tokens and units of two
// organisations. No worker runs once it is made, so that nothing changes but by
// requests.
type accessRig struct {
	*services
	t testing.TB
	// server is the service; unguarded is the same one with the handlers' own
	// checks off.
	server, unguarded *httptest.Server
	router            chi.Routes
	// owner sees and changes everything.
	owner     *store.DB
	brokerURL string
	said      *lockedBuffer
	// secrets are those that were ever told, with what they are.
	mu      sync.Mutex
	secrets map[string]string
	// locations are all Location headers.
	locations []string
	client    *http.Client
	count     int
	// sums is the query that digest asks, once it is made.
	sums string

	nobody, manager, installer, operations, administrator, auditor visitor
	installerB                                                     visitor
	delivers, reads, revoked                                       visitor
	own, other, none                                               object
}

// object is what a request is about.
type object struct {
	unit, site, stack string
	correction        int64
}

func newAccessRig(t *testing.T) *accessRig {
	t.Helper()
	r := &accessRig{
		t: t, said: &lockedBuffer{}, secrets: map[string]string{},
		own:   object{unit: "KLA-0001", site: "site-a", stack: "stack-a"},
		other: object{unit: "KLB-0001", site: "site-b", stack: "stack-b"},
		none:  object{unit: "KLX-9999", site: "site-x", stack: "stack-x"},
		client: &http.Client{
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
			Transport:     &http.Transport{DisableCompression: true, MaxIdleConnsPerHost: 8},
		},
	}
	t.Cleanup(r.client.CloseIdleConnections)
	r.start(t)
	r.letPeopleIn()
	r.makeTokens()
	r.fill()
	return r
}

// start starts broker, database and handlers.
func (r *accessRig) start(t *testing.T) {
	ctx := t.Context()
	log := slog.New(slog.NewTextHandler(r.said, &slog.HandlerOptions{Level: slog.LevelDebug}))
	r.services = &services{log: log}
	t.Cleanup(r.services.Close)
	embedded, err := broker.StartEmbedded(ctx, broker.EmbeddedConfig{
		DataDir: filepath.Join(t.TempDir(), "broker"), Listen: "127.0.0.1:0", Logger: log, Sync: broker.SyncLater,
		Logins: []broker.Login{}, MaxStore: 256 << 20,
	})
	r.must(err)
	r.embedded, r.brokerURL = embedded, embedded.ClientURL()
	r.onClose(func(ctx context.Context) { _ = embedded.Shutdown(ctx) })
	nc, err := embedded.Connect(ctx)
	r.must(err)
	r.onClose(func(context.Context) { nc.Close() })
	database := storetest.Database(t)
	_, err = r.open(ctx, database, nc, broker.Config{MaxBytes: embedded.StreamBytes()}, 1, store.ForWorker, store.ForWeb)
	r.must(err)
	r.owner, err = store.Open(ctx, database, log)
	r.must(err)
	t.Cleanup(r.owner.Close)
	// Everything comes from one address here, much more than a person asks for.
	often := access.Rate{Events: 100_000, Per: time.Second, Burst: 100_000}
	gate, err := access.New(access.Config{
		Store: door{r.web}, Logger: log, RequestRate: often, DeliverRate: often, NobodyRate: often, SignInRate: often, CodeRate: often, RefusedRate: often,
	})
	r.must(err)
	handler, err := r.handler(web.Config{Gate: gate, Hosts: web.LoopbackHosts()})
	r.must(err)
	r.router = handler.(chi.Routes)
	r.server = r.serveOn(t, handler)
	// The same with the checks of pages and interface off: only Postgres is
	// left to keep a boundary.
	handler, err = r.handler(web.Config{Gate: gate, Allows: func(analytics.Principal, analytics.Right) bool { return true }})
	r.must(err)
	r.unguarded = r.serveOn(t, handler)
}

func (r *accessRig) serveOn(t *testing.T, handler http.Handler) *httptest.Server {
	s := httptest.NewUnstartedServer(handler)
	s.Config = web.Server(handler, r.log)
	s.Start()
	t.Cleanup(s.Close)
	return s
}

func (r *accessRig) must(err error) {
	r.t.Helper()
	if err != nil {
		r.t.Fatal(err)
	}
}

// next gives a number that was not given before.
func (r *accessRig) next() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.count++
	return r.count
}

// What secrets look like where they are told.
var (
	tokenText = regexp.MustCompile(`\bfl_[0-9A-Za-z]{49}\b`)
	codeText  = regexp.MustCompile(`\b(?:[0-9A-Z]{4}-){6}[0-9A-Z]{4}\b`)
	loginText = regexp.MustCompile(`\b[A-Z2-7]{26}\b`)
)

// keepSecret notes a secret, so that it is looked for later.
func (r *accessRig) keepSecret(text, what string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if text != "" {
		r.secrets[text] = what
	}
}

// send sends a request as somebody.
func (r *accessRig) send(to *httptest.Server, who visitor, c call) answer {
	r.t.Helper()
	if c.as != nil {
		who = *c.as
	}
	if c.method == "" {
		c.method = http.MethodGet
	}
	req, err := http.NewRequestWithContext(r.t.Context(), c.method, to.URL+c.path, strings.NewReader(c.body))
	r.must(err)
	if c.kind != "" {
		req.Header.Set("Content-Type", c.kind)
	}
	if who.token != "" {
		req.Header.Set("Authorization", "Bearer "+who.token)
	}
	if who.cookie != "" {
		req.Header.Set("Cookie", "fadeledger="+who.cookie)
	}
	for _, h := range c.header {
		if h[0] == "Host" {
			req.Host = h[1]
		}
		req.Header.Add(h[0], h[1])
	}
	resp, err := r.client.Do(req)
	if err != nil {
		r.t.Fatalf("%s %s as %s: %v", c.method, c.path, who.name, err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	r.must(err)
	a := answer{resp.StatusCode, resp.Header, string(body)}
	r.heed(resp, a)
	return a
}

// heed notes the secrets that an answer tells.
func (r *accessRig) heed(resp *http.Response, a answer) {
	for _, c := range resp.Cookies() {
		r.keepSecret(c.Value, "cookie")
	}
	if resp.Request.Method == http.MethodPost && a.status == http.StatusCreated {
		for text, what := range map[*regexp.Regexp]string{tokenText: "token", codeText: "code", loginText: "password of a login"} {
			for _, found := range text.FindAllString(a.body, -1) {
				r.keepSecret(found, what)
			}
		}
	}
	if strings.Contains(a.body, "SQLSTATE") {
		r.t.Errorf("%s %s tells what Postgres says:\n%.300s", resp.Request.Method, resp.Request.URL, a.body)
	}
	if to := a.header.Get("Location"); to != "" {
		r.mu.Lock()
		r.locations = append(r.locations, to)
		r.mu.Unlock()
	}
}

// cookie is what an answer set, empty for none.
func (a answer) cookie() string {
	for _, c := range (&http.Response{Header: a.header}).Cookies() {
		if c.Name == "fadeledger" {
			return c.Value
		}
	}
	return ""
}

// form is the call of a form.
func form(path string, pairs ...string) call {
	v := url.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		v.Add(pairs[i], pairs[i+1])
	}
	return call{method: http.MethodPost, path: path, kind: "application/x-www-form-urlencoded", body: v.Encode()}
}

// jsonCall is the call of an operation.
func jsonCall(method, path, body string) call {
	return call{method: method, path: path, kind: "application/json", body: body}
}

// want sends a request that has to be answered so.
func (r *accessRig) want(status int, who visitor, c call) answer {
	r.t.Helper()
	a := r.send(r.server, who, c)
	if a.status != status {
		r.t.Fatalf("%s %s as %s: %d, want %d\n%.600s", c.method, c.path, who.name, a.status, status, a.body)
	}
	return a
}

// letPeopleIn makes the first administrator by its link and lets it invite the
// others; each chooses a password and signs in with it.
func (r *accessRig) letPeopleIn() {
	now := time.Now()
	code, hash := access.NewCode()
	r.keepSecret(code, "code")
	r.must(r.web.AddFirstCode(asConsole(r.t.Context()), hash, analytics.Code{
		Kind: analytics.CodeFirst, MadeBy: "console", CreatedAt: analytics.InstantOf(now), ExpiresAt: analytics.InstantOf(now.Add(time.Hour)),
	}))
	r.nobody = visitor{name: "nobody"}
	r.administrator = visitor{name: "administrator", login: "ada", password: r.newPassword(), role: analytics.RoleAdministrator}
	r.welcome(&r.administrator, code)
	r.signIn(&r.administrator)
	for _, p := range []struct {
		who          *visitor
		name, login  string
		role         analytics.Role
		organisation string
	}{
		{&r.manager, "service manager", "mara", analytics.RoleServiceManager, ""},
		{&r.installer, "installer", "ilja", analytics.RoleInstaller, crewA},
		{&r.installerB, "installer of the other organisation", "bela", analytics.RoleInstaller, crewB},
		{&r.operations, "operations", "odil", analytics.RoleOperations, ""},
		{&r.auditor, "auditor", "aure", analytics.RoleAuditor, ""},
	} {
		*p.who = r.newPerson(p.login, p.role, p.organisation)
		p.who.name = p.name
		r.signIn(p.who)
	}
}

func (r *accessRig) newPassword() string {
	password := fmt.Sprintf("slow harbour lantern %d moss", r.next())
	r.keepSecret(password, "password")
	return password
}

// welcome uses a one-time code as a browser does.
func (r *accessRig) welcome(v *visitor, code string) {
	r.t.Helper()
	r.want(http.StatusOK, r.nobody, form("/welcome", "code", code))
	a := r.want(http.StatusSeeOther, r.nobody, form("/welcome/use", "code", code, "login", v.login, "name", "Name of "+v.login,
		"password", v.password, "again", v.password))
	v.cookie = a.cookie()
}

// newPerson invites somebody who then chooses a password.
func (r *accessRig) newPerson(login string, role analytics.Role, organisation string) visitor {
	r.t.Helper()
	v := visitor{name: string(role), login: login, password: r.newPassword(), role: role, organisation: organisation}
	a := r.want(http.StatusCreated, r.administrator, jsonCall(http.MethodPost, "/api/v1/people",
		fmt.Sprintf(`{"login":%q,"name":%q,"role":%q,"organisation":%q}`, login, "Name of "+login, role, organisation)))
	var made struct{ Code string }
	decodeJSON(r.t, []byte(a.body), &made)
	r.welcome(&v, made.Code)
	return v
}

// signIn signs a browser in by password.
func (r *accessRig) signIn(v *visitor) {
	r.t.Helper()
	a := r.want(http.StatusSeeOther, r.nobody, form("/sign-in", "login", v.login, "password", v.password))
	if v.cookie = a.cookie(); v.cookie == "" {
		r.t.Fatalf("%s is not signed in", v.login)
	}
}

// session gives the same person in another browser, nobody for nobody and
// tokens as they are.
func (r *accessRig) session(who visitor) *visitor {
	if who.cookie != "" {
		r.signIn(&who)
	}
	return &who
}

func (r *accessRig) makeTokens() {
	r.delivers = r.newToken(`{"name":"delivers","rights":["deliver"],"collector":"c-a"}`)
	r.reads = r.newToken(`{"name":"reads","rights":["see-units"],"organisation":"crew-a"}`)
	r.revoked = r.newToken(`{"name":"revoked","rights":["see-units","see-ingest","deliver","manage-people"]}`)
	r.want(http.StatusOK, r.revoked, call{path: "/api/v1/me"})
	var list struct {
		Tokens []struct {
			ID   int64
			Name string
		}
	}
	decodeJSON(r.t, []byte(r.want(http.StatusOK, r.administrator, call{path: "/api/v1/tokens"}).body), &list)
	for _, x := range list.Tokens {
		if x.Name == "revoked" {
			r.want(http.StatusNoContent, r.administrator, jsonCall(http.MethodPost, fmt.Sprintf("/api/v1/tokens/%d/revoke", x.ID), ""))
		}
	}
}

func (r *accessRig) newToken(body string) visitor {
	var made struct {
		Secret string
		Token  struct{ Name string }
	}
	decodeJSON(r.t, []byte(r.want(http.StatusCreated, r.administrator, jsonCall(http.MethodPost, "/api/v1/tokens", body)).body), &made)
	return visitor{name: "token that " + made.Token.Name, token: made.Secret}
}
