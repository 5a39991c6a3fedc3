package main

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"fadeledger/ingest/broker"
)

// testAttempts tries what somebody with bad intent would.
func (r *accessRig) testAttempts(t *testing.T) {
	for _, attempt := range []struct {
		name string
		try  func(*testing.T)
	}{
		{"forms of other sites", r.tryOtherSites},
		{"paths out of the folder", r.tryPaths},
		{"names of uploads that are paths", r.tryUploadNames},
		{"tokens that are revoked or over", r.tryOldTokens},
		{"a planted cookie", r.tryPlantedCookie},
		{"a cookie after its session", r.tryOldCookies},
		{"a collector that publishes as another", r.tryOtherSubject},
		{"a token that delivers as another collector", r.tryOtherCollector},
		{"being led elsewhere", r.tryRedirects},
		{"another host", r.tryHosts},
		{"bodies without end", r.tryLargeBodies},
		{"headers within values", r.tryHeaders},
		{"SQL in filters", r.trySQL},
	} {
		t.Run(attempt.name, func(t *testing.T) { r.t = t; attempt.try(t) })
	}
}

// unchanged fails where f changes something.
func (r *accessRig) unchanged(t *testing.T, what string, f func()) {
	t.Helper()
	before := r.digest()
	f()
	if r.digest() != before {
		t.Errorf("%s has changed something", what)
	}
}

// tryOtherSites sends every request that changes something as a browser would
// from the page of another site, with the administrator's cookie.
func (r *accessRig) tryOtherSites(t *testing.T) {
	const column = 5 // the administrator's
	host := strings.TrimPrefix(r.server.URL, "http://")
	origins := map[string][][2]string{
		"another site":                      {{"Sec-Fetch-Site", "cross-site"}, {"Origin", "https://evil.example"}},
		"another site, told by Origin only": {{"Origin", "https://evil.example"}},
		"a sibling of the host":             {{"Sec-Fetch-Site", "same-site"}, {"Origin", "http://pages." + host}},
		"a sibling, told by Origin only":    {{"Origin", "http://pages." + host}},
		"another port of the host":          {{"Origin", "http://127.0.0.1:1"}},
		"a page without an origin":          {{"Origin", "null"}},
	}
	calls := map[string]call{}
	for _, row := range accessRows(t) {
		if row.method != http.MethodGet && row.status[column] < 400 {
			calls[row.key()] = r.ask(row, r.administrator, r.own)
		}
	}
	r.unchanged(t, "another site", func() {
		for key, c := range calls {
			for name, header := range origins {
				foreign := c
				foreign.header = append(header, c.header...)
				if a := r.send(r.server, r.administrator, foreign); a.status != http.StatusForbidden {
					t.Errorf("%s from %s: %d, want 403", key, name, a.status)
				}
			}
		}
	})
	// The same from a page of the service itself is taken.
	c := form("/people", "login", fmt.Sprintf("guest-%d", r.next()), "name", "Guest", "role", "auditor")
	c.header = [][2]string{{"Sec-Fetch-Site", "same-origin"}, {"Origin", r.server.URL}}
	r.want(http.StatusCreated, r.administrator, c)
}

// tryPaths looks for files and pages by paths that lead out of where they are.
func (r *accessRig) tryPaths(t *testing.T) {
	for _, path := range []string{
		"/static/..%2f..%2fgo.mod", "/static/%2e%2e/%2e%2e/go.mod", "/static/%252e%252e%252fgo.mod", "/static/../assets.go", "/static/..%5cassets.go",
		"/static/%2e%2e%2fassets.go", "/static/site.css%00", "/static/", "/static/.", "/static/..", "/static/%2fetc%2fpasswd", "/static//etc/passwd",
		// What is open to everybody opens nothing behind it.
		"/static/../units.csv", "/static/%2e%2e/units.csv", "/static/..%2funits.csv", "/healthz/../units.csv", "/healthz/%2e%2e/units.csv", "/healthz%2f..%2funits.csv",
		"/sign-in/../people", "/sign-in/%2e%2e/people", "/welcome/../tokens", "//units.csv", "/./units.csv", "/units%2ecsv/", "/UNITS.CSV", "/units.csv;x", "/units.csv%00",
		"/api/v1/../../people", "/api/v1/%2e%2e/%2e%2e/people", "/api/v1//people",
	} {
		for _, who := range []visitor{r.nobody, r.installer} {
			a := r.send(r.server, who, call{path: path})
			led := a.status == http.StatusSeeOther && strings.HasPrefix(a.header.Get("Location"), "/sign-in")
			if a.status < 400 && !led || a.status >= 500 || strings.Contains(a.body, "module fadeledger") || strings.Contains(a.body, "root:") || strings.Contains(a.body, "KLB-") || strings.Contains(a.body, r.administrator.login) {
				t.Errorf("%s as %s: %d to %q\n%.200s", path, who.name, a.status, a.header.Get("Location"), a.body)
			}
		}
	}
	// A name that holds a path is a name.
	for _, path := range []string{"/units/..%2f..%2fpeople", "/units/%2e%2e%2ftokens", "/units/KLA-0001%2f..%2fKLB-0001", "/sites/..%2f..%2fetc", "/stacks/%252e%252e", "/registry/models/..%2fmodels.yaml", "/api/v1/units/..%2fKLB-0001", "/collectors/..%2fpeople"} {
		if a := r.send(r.server, r.administrator, call{path: path}); a.status != http.StatusNotFound && a.status != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d, want 404", path, a.status)
		}
	}
}

// tryUploadNames sends files whose names are paths. A name is told, and never
// a place to write to.
func (r *accessRig) tryUploadNames(t *testing.T) {
	mark := fmt.Sprintf("fadeledger-upload-%d.csv", time.Now().UnixNano())
	deep := strings.Repeat("../", 12)
	for _, name := range []string{"../" + mark, deep + "tmp/" + mark, "/tmp/" + mark, `..\\..\\` + mark, "%2e%2e%2f" + mark, "%252e%252e%252f" + mark, mark + "%00.csv", "./" + mark} {
		for _, c := range []call{upload("/api/v1/register", "units.csv", name, unitHead), upload("/registry/import/preview", "file", name, unitHead)} {
			r.unchanged(t, name, func() {
				if a := r.send(r.server, r.administrator, c); a.status >= 500 {
					t.Errorf("%s named %s: %d", c.path, name, a.status)
				}
			})
		}
	}
	for _, dir := range []string{".", "..", "../..", os.TempDir(), "/tmp", "/"} {
		if _, err := os.Lstat(filepath.Join(dir, mark)); err == nil {
			t.Errorf("an upload was written to %s", filepath.Join(dir, mark))
		}
	}
}

// tryOldTokens shows tokens again that were revoked or have come to their end.
func (r *accessRig) tryOldTokens(t *testing.T) {
	for _, end := range []string{`revoked_at = 1`, `expires_at = 1`} {
		name := fmt.Sprintf("old-%d", r.next())
		old := r.newToken(fmt.Sprintf(`{"name":%q,"rights":["see-units","manage-people","deliver"]}`, name))
		r.want(http.StatusOK, old, call{path: "/api/v1/people"})
		_, err := r.owner.Pool().Exec(t.Context(), `UPDATE token SET `+end+` WHERE name = $1`, name)
		r.must(err)
		r.unchanged(t, end, func() {
			for _, c := range []call{
				{path: "/"}, {path: "/api/v1/people"}, {path: "/readyz"}, {path: "/units/KLA-0001?part=live"},
				jsonCall(http.MethodPost, "/api/v1/tokens", `{"name":"another","rights":["manage-people"]}`), telemetryOf("c-a")(r, old, r.own),
			} {
				if a := r.send(r.server, old, c); a.status != http.StatusUnauthorized {
					t.Errorf("%s %s with a token of which %s: %d", c.method, c.path, end, a.status)
				}
			}
			// Nor does a cookie help a token that is none.
			old.cookie = r.administrator.cookie
			if a := r.send(r.server, old, call{path: "/people"}); a.status != http.StatusUnauthorized {
				t.Errorf("with a cookie beside it: %d", a.status)
			}
		})
	}
	for _, text := range []string{"", "fl_", "Bearer", strings.Repeat("x", 52), r.reads.token[:len(r.reads.token)-1], r.reads.token + "x", "fl_" + strings.Repeat("0", 49)} {
		c := call{path: "/api/v1/me", header: [][2]string{{"Authorization", "Bearer " + text}}}
		if a := r.send(r.server, r.nobody, c); a.status != http.StatusUnauthorized {
			t.Errorf("%.20q lets somebody in: %d", text, a.status)
		}
	}
}

// signedIn reports who a cookie lets in, empty for nobody.
func (r *accessRig) signedIn(cookie string) string {
	r.t.Helper()
	a := r.send(r.server, visitor{name: "a cookie", cookie: cookie}, call{path: "/api/v1/me"})
	if a.status != http.StatusOK {
		return ""
	}
	var me struct{ Name string }
	decodeJSON(r.t, []byte(a.body), &me)
	return me.Name
}

// tryPlantedCookie plants a cookie in a browser before somebody signs in with
// it. Whoever planted it is not signed in by that.
func (r *accessRig) tryPlantedCookie(t *testing.T) {
	random := make([]byte, 32)
	_, _ = rand.Read(random) // it never fails
	attacker := *r.session(r.installer)
	for name, planted := range map[string]string{"made up": base64.RawURLEncoding.EncodeToString(random), "of a session of the attacker's": attacker.cookie, "empty": ""} {
		if name == "made up" {
			r.send(r.server, visitor{cookie: planted}, call{path: "/sign-in"})
		}
		c := form("/sign-in", "login", r.manager.login, "password", r.manager.password)
		a := r.want(http.StatusSeeOther, visitor{name: "victim", cookie: planted}, c)
		if a.cookie() == "" || a.cookie() == planted || r.signedIn(a.cookie()) != r.manager.login {
			t.Errorf("%s: the victim is let in as %q by its own cookie", name, r.signedIn(a.cookie()))
		}
		if who := r.signedIn(planted); planted != "" && who != "" {
			t.Errorf("%s: the planted cookie lets in as %s", name, who)
		}
	}
	// A one-time code signs in by a new cookie, too.
	planted := r.session(r.installer).cookie
	password := r.newPassword()
	a := r.want(http.StatusSeeOther, visitor{name: "victim", cookie: planted},
		form("/welcome/use", "code", r.newCode(r.somePerson()), "password", password, "again", password))
	if a.cookie() == "" || a.cookie() == planted || r.signedIn(planted) != "" {
		t.Errorf("a code signs in with the planted cookie, as %s", r.signedIn(planted))
	}
	for _, set := range a.header.Values("Set-Cookie") {
		if !strings.Contains(set, "HttpOnly") || !strings.Contains(set, "SameSite=Lax") || strings.Contains(set, "Domain=") {
			t.Errorf("the cookie can be read or sent from elsewhere: %s", strings.Replace(set, a.cookie(), "…", 1))
		}
	}
}

// tryOldCookies uses cookies after their sessions have ended.
func (r *accessRig) tryOldCookies(t *testing.T) {
	ended := func(how string, cookie string) {
		t.Helper()
		if who := r.signedIn(cookie); who != "" {
			t.Errorf("%s: the cookie lets %s in", how, who)
		}
		c := form("/units/KLA-0001/corrections", r.span("what", "nothing", "why", "a test", "seen", "e3b0c44298fc1c14")...)
		r.unchanged(t, how, func() {
			if a := r.send(r.server, visitor{cookie: cookie}, c); a.status != http.StatusUnauthorized {
				t.Errorf("%s: a form is answered %d", how, a.status)
			}
		})
	}
	signedOut := r.session(r.manager)
	r.want(http.StatusSeeOther, *signedOut, form("/sign-out"))
	ended("after signing out", signedOut.cookie)

	somebody := r.newPerson(fmt.Sprintf("guest-%d", r.next()), "service-manager", "")
	r.signIn(&somebody)
	other := r.session(somebody)
	password := r.newPassword()
	a := r.want(http.StatusSeeOther, somebody, form("/account/password", "old", somebody.password, "password", password, "again", password))
	ended("after another password was chosen elsewhere", other.cookie)
	ended("after another password was chosen", somebody.cookie)
	somebody.password, somebody.cookie = password, a.cookie()
	if r.signedIn(somebody.cookie) == "" {
		t.Error("whoever chose another password is signed out by it")
	}
	id := r.number(`SELECT person_id FROM person WHERE login = $1`, somebody.login)
	r.want(http.StatusSeeOther, r.administrator, form(fmt.Sprintf("/people/%d/sessions/end", id)))
	ended("after an administrator ended it", somebody.cookie)
	r.signIn(&somebody)
	r.want(http.StatusSeeOther, r.administrator, form(fmt.Sprintf("/people/%d/disable", id)))
	ended("after its person was disabled", somebody.cookie)
	if a := r.send(r.server, r.nobody, form("/sign-in", "login", somebody.login, "password", somebody.password)); a.status != http.StatusUnprocessableEntity {
		t.Errorf("a disabled person signs in: %d", a.status)
	}
	r.want(http.StatusSeeOther, r.administrator, form(fmt.Sprintf("/people/%d/disable", id), "enable", "1"))
	ended("after its person was let in again", somebody.cookie)
	r.signIn(&somebody)
	_, err := r.owner.Pool().Exec(t.Context(), `DELETE FROM session WHERE person_id = $1`, id)
	r.must(err)
	ended("after it ran out", somebody.cookie)
}

// tryOtherSubject signs in to the broker as one collector and publishes as
// another.
func (r *accessRig) tryOtherSubject(t *testing.T) {
	ctx, stop := context.WithCancel(context.WithoutCancel(t.Context()))
	kept := make(chan error, 1)
	go func() { kept <- r.keepLogins(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-kept; err != nil {
			t.Error(err)
		}
	})
	name, _ := r.newCollector()
	a := r.want(http.StatusCreated, r.operations, jsonCall(http.MethodPost, "/api/v1/collectors/"+name+"/logins", ""))
	var login struct{ User, Password string }
	decodeJSON(t, []byte(a.body), &login)
	if nc, err := nats.Connect(r.brokerURL, nats.NoReconnect()); err == nil {
		nc.Close()
		t.Error("the broker lets in who says nothing")
	}
	if nc, err := nats.Connect(r.brokerURL, nats.UserInfo("c-a", login.Password), nats.NoReconnect()); err == nil {
		nc.Close()
		t.Error("the broker lets in by another's password")
	}
	var nc *nats.Conn
	denied := make(chan error, 100)
	eventually(t, "the collector to be let in", func() (err error) {
		nc, err = nats.Connect(r.brokerURL, nats.UserInfo(login.User, login.Password), nats.NoReconnect(),
			nats.CustomInboxPrefix(broker.InboxPrefix(name)), nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { denied <- err }))
		return err
	})
	t.Cleanup(nc.Close)
	body := []byte("unit,time,soc_pct\nKLA-0001,2026-01-05T00:00:00Z,50\n")
	own := &nats.Msg{Subject: broker.Subject(name), Header: nats.Header{"Content-Type": {"text/csv"}}, Data: body}
	if _, err := nc.RequestMsg(own, 5*time.Second); err != nil {
		t.Fatalf("its own delivery is not taken: %v", err)
	}
	state, err := broker.State(t.Context(), r.stream)
	r.must(err)
	subjects := []string{
		broker.Subject("c-a"), broker.Subject(name + ".c-a"), "telemetry.0.c-a", "telemetry.>", "telemetry.*", "telemetry." + name + ".0", "TELEMETRY.c-a",
		"$JS.API.STREAM.INFO.TELEMETRY", "$JS.API.STREAM.PURGE.TELEMETRY", "$JS.API.STREAM.DELETE.TELEMETRY", "$JS.API.STREAM.MSG.GET.TELEMETRY", "$SYS.REQ.SERVER.PING",
		broker.ReceiptSubject("c-a"), broker.InboxPrefix("c-a") + ".x",
	}
	for _, subject := range subjects {
		r.must(nc.PublishMsg(&nats.Msg{Subject: subject, Header: own.Header, Data: body}))
	}
	for _, subject := range []string{">", "telemetry.>", broker.Subject("c-a"), broker.InboxPrefix("c-a") + ".>", "$SYS.>", "$JS.>"} {
		if _, err := nc.SubscribeSync(subject); err != nil {
			t.Error(err)
		}
	}
	r.must(nc.Flush())
	for n := range len(subjects) + 6 {
		select {
		case err := <-denied:
			if !strings.Contains(strings.ToLower(err.Error()), "permissions violation") {
				t.Errorf("denied by %v", err)
			}
		case <-time.After(5 * time.Second):
			t.Fatalf("%d of %d were denied", n, len(subjects)+6)
		}
	}
	after, err := broker.State(t.Context(), r.stream)
	if err != nil || after.LastSequence != state.LastSequence {
		t.Errorf("the stream went on from %d to %d, %v", state.LastSequence, after.LastSequence, err)
	}
}

// tryOtherCollector delivers over HTTP as another collector than the token's.
func (r *accessRig) tryOtherCollector(t *testing.T) {
	r.unchanged(t, "a delivery as c-b", func() {
		for _, query := range []string{"collector=c-b", "collector=c-b&collector=c-a", "collector=C-A", "Collector=c-b", "collector=c-a%00", "collector=c-a.c-b"} {
			c := telemetryOf("c-a")(r, r.delivers, r.own)
			c.path = "/api/v1/telemetry?" + query
			if a := r.send(r.server, r.delivers, c); a.status < 400 || a.status >= 500 {
				t.Errorf("%s: %d", query, a.status)
			}
		}
	})
	// Whatever else it says, what is taken is of its own collector.
	said := `{"collector":"c-b","samples":[{"unit":"KLB-0001","time":1767571200,"soc_pct":50}]}`
	for _, query := range []string{"", "?collector=c-a", "?collector=c-a&collector=c-b"} {
		if a := r.send(r.server, r.delivers, jsonCall(http.MethodPost, "/api/v1/telemetry"+query, said)); a.status != http.StatusAccepted || !strings.Contains(a.body, "collector-mismatch") {
			t.Errorf("%s: %d %s", query, a.status, a.body)
		}
		state, err := broker.State(t.Context(), r.stream)
		r.must(err)
		m, err := r.stream.GetMsg(t.Context(), state.LastSequence)
		r.must(err)
		if of, _, _ := broker.CollectorOf(m.Subject); of != "c-a" {
			t.Errorf("%s: stored as of %s", query, of)
		}
	}
}

// elsewhere are addresses that lead away from the service, for browsers that
// read them kindly.
var elsewhere = []string{
	"//evil.example", "///evil.example", "http://evil.example", "https://evil.example/", "HTTP:evil.example", "http:/evil.example", `/\evil.example`, `\\evil.example`, `\/evil.example`,
	"/\t/evil.example", "/\n/evil.example", "\t//evil.example", " //evil.example", "/%09/evil.example", "/%2f/evil.example", "/%5cevil.example", "//evil.example@127.0.0.1",
	"javascript:alert(1)", "data:text/html,x", "evil.example", "/..//evil.example", "/./\\evil.example", "//127.0.0.1@evil.example/", "/sign-out", "/x\r\nLocation: https://evil.example",
}

// tryRedirects has signing in and registering lead elsewhere.
func (r *accessRig) tryRedirects(t *testing.T) {
	here, err := url.Parse(r.server.URL + "/sign-in")
	r.must(err)
	local := func(how, to string, a answer) {
		t.Helper()
		location := a.header.Get("Location")
		u, err := here.Parse(location)
		if err != nil || u.Host != here.Host || u.Scheme != "http" || !strings.HasPrefix(location, "/") || strings.HasPrefix(location, "//") || strings.ContainsAny(location, "\\\t\r\n") || len(a.header.Values("Location")) != 1 {
			t.Errorf("%s to %q leads to %q", how, to, location)
		}
	}
	manager := r.session(r.manager)
	for _, to := range elsewhere {
		local("a page for nobody, signed in", to, r.want(http.StatusSeeOther, *manager, call{path: "/sign-in?to=" + url.QueryEscape(to)}))
		page := r.want(http.StatusOK, r.nobody, call{path: "/sign-in?to=" + url.QueryEscape(to)})
		if strings.Contains(page.body, "evil.example") && !strings.Contains(page.body, `name="to" value="/%`) && !strings.Contains(page.body, `name="to" value="/..//`) {
			t.Errorf("the page of signing in hands on %q", to)
		}
	}
	for _, to := range elsewhere[:8] {
		c := form("/sign-in", "login", r.auditor.login, "password", r.auditor.password, "to", to)
		local("signing in", to, r.want(http.StatusSeeOther, r.nobody, c))
	}
	for _, path := range []string{"//evil.example/..%2f", "/%5cevil.example", "//evil.example", "///evil.example/x", "/units/%2f%2fevil.example", "/units/%5c%5cevil.example/corrections", "/units/..%2f..%2fevil.example/corrections"} {
		if a := r.send(r.server, *manager, call{path: path}); a.header.Get("Location") != "" {
			local("a path", path, a)
		}
		if a := r.send(r.server, r.nobody, call{path: path}); a.header.Get("Location") != "" {
			local("a path", path, a)
		}
	}
	for _, to := range elsewhere {
		c := r.previewed("units.csv", r.newRow())
		v, err := url.ParseQuery(c.body)
		r.must(err)
		v.Set("to", to)
		c.body = v.Encode()
		local("registering", to, r.want(http.StatusSeeOther, r.administrator, c))
	}
}
