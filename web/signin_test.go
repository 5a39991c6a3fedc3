package web_test

import (
	"errors"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/web"
	"fadeledger/web/access"
	"fadeledger/web/webtest"
)

// send posts a form as a page of the site does.
func send(h *house, path string, form url.Values) *httptest.ResponseRecorder {
	return ask(h, "POST", path, form.Encode(), "Content-Type", "application/x-www-form-urlencoded", "Sec-Fetch-Site", "same-origin")
}

// answers checks a status and gives the page.
func answers(t *testing.T, w *httptest.ResponseRecorder, status int) string {
	t.Helper()
	if w.Code != status {
		t.Fatalf("answered %d, want %d\n%s", w.Code, status, words(w.Body.String()))
	}
	return w.Body.String()
}

// leads checks where an answer leads.
func leads(t *testing.T, w *httptest.ResponseRecorder, want string) {
	t.Helper()
	if got := w.Header().Get("Location"); w.Code != 303 || got != want {
		t.Errorf("answered %d to %q, want %q\n%s", w.Code, got, want, words(w.Body.String()))
	}
}

const evil = `"><script>alert(1)</script>`

func TestSigningIn(t *testing.T) {
	t.Parallel()
	h := houseFor(t, analytics.Principal{})
	page := ask(h, "GET", "/sign-in?to=%2Fingest%3Fbefore%3D7", "")
	contains(t, answers(t, page, 200), `name="to" value="/ingest?before=7"`, `autocomplete="username"`, `autocomplete="current-password"`, `<label for="login">Login</label>`)
	lacks(t, page.Body.String(), "Without a password", `href="/ingest"`)
	if got := page.Header().Get("Cache-Control"); got != "no-store" {
		t.Errorf("Cache-Control is %q", got)
	}
	form := url.Values{"login": {" e.koski "}, "password": {"several plain words"}, "to": {"/ingest?before=7"}}
	leads(t, send(h, "/sign-in", form), "/ingest?before=7")
	leads(t, ask(h, "GET", "/sign-in?to=/trail", ""), "/trail")
	leads(t, send(h, "/sign-out", nil), "/sign-in")
	if h.gate.Out != 1 {
		t.Errorf("signed out %d times", h.gate.Out)
	}
	for _, to := range []string{"//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "/\t/elsewhere.example"} {
		form.Set("to", to)
		h.gate.Who = analytics.Principal{}
		lacks(t, ask(h, "GET", "/sign-in?to="+url.QueryEscape(to), "").Body.String(), "elsewhere")
		leads(t, send(h, "/sign-in", form), "/")
	}
}

func TestSigningInThatFails(t *testing.T) {
	t.Parallel()
	h := houseFor(t, analytics.Principal{})
	wrong := func(login, password string) string {
		return answers(t, send(h, "/sign-in", url.Values{"login": {login}, "password": {password}, "to": {"/trail"}}), 422)
	}
	known, unknown := wrong("e.koski", "secret word"), wrong("nobody.here", "secret word")
	contains(t, known, "Login and password do not go together", `value="e.koski"`, `name="to" value="/trail"`)
	lacks(t, known, "secret word")
	if strings.ReplaceAll(known, "e.koski", "nobody.here") != unknown {
		t.Error("a login that is not known is answered otherwise")
	}
	page := wrong(evil, evil)
	lacks(t, page, "<script>alert")
	h.gate.Waits = analytics.InstantOf(webtest.Now) + 90_500
	w := send(h, "/sign-in", url.Values{"login": {"e.koski"}, "password": {"several plain words"}})
	contains(t, words(answers(t, w, 429)), "Wait until 14:31:30 UTC, which is 1 min 31 s from now")
	if got := w.Header().Get("Retry-After"); got != "91" {
		t.Errorf("Retry-After is %q", got)
	}
	h.gate.Err = errors.New("secret detail")
	lacks(t, answers(t, send(h, "/sign-in", url.Values{}), 500), "secret detail")
	answers(t, send(h, "/sign-in", url.Values{"login": {strings.Repeat("x", 70_000)}}), 400)
}

func TestSigningInByIdentity(t *testing.T) {
	t.Parallel()
	h := houseFor(t, analytics.Principal{}, func(cfg *web.Config) { cfg.Gate.(*webtest.Gate).Identity = evil })
	page := ask(h, "GET", "/sign-in?to=/trail", "").Body.String()
	contains(t, page, `href="/sign-in/identity?to=%2Ftrail"`, "Without a password")
	lacks(t, page, "<script>alert")
	leads(t, ask(h, "GET", "/sign-in/identity?to=/trail", ""), "https://identity.example/authorize?state=/trail")
	leads(t, ask(h, "GET", "/sign-in/identity?to=//elsewhere.example", ""), "https://identity.example/authorize?state=/")
	leads(t, ask(h, "GET", "/sign-in/return?state=/trail", ""), "/trail")
	leads(t, ask(h, "GET", "/sign-in/return?state=//elsewhere.example", ""), "/")
	h.gate.Err = access.ErrStranger
	contains(t, answers(t, ask(h, "GET", "/sign-in/return", ""), 422), "nobody here goes with that identity")
	h.gate.Err = access.ErrIdentity
	contains(t, answers(t, ask(h, "GET", "/sign-in/return", ""), 422), "did not vouch for you")
	h.gate.Err, h.gate.Waits = nil, analytics.InstantOf(webtest.Now)+5000
	answers(t, ask(h, "GET", "/sign-in/identity", ""), 429)
	if w := ask(houseFor(t, analytics.Principal{}), "GET", "/sign-in/identity", ""); w.Code != 404 {
		t.Errorf("without a provider answered %d", w.Code)
	}
}

func TestDemo(t *testing.T) {
	t.Parallel()
	h := houseFor(t, salo, func(cfg *web.Config) { cfg.Gate.(*webtest.Gate).Demo = true })
	page := ask(h, "GET", "/units/HB5-20491?span=1y", "").Body.String()
	contains(t, words(page), "This is a demo: whoever opens it is let in. You are signed in as installer .")
	contains(t, page, `name="to" value="/units/HB5-20491?span=1y"`, `<option value="installer" selected>`)
	lacks(t, page, "Sign out")
	leads(t, send(h, "/demo/role", url.Values{"role": {"auditor"}, "to": {"/trail"}}), "/trail")
	contains(t, words(ask(h, "GET", "/ingest", "").Body.String()), "You are signed in as auditor .")
	contains(t, words(ask(h, "GET", "/people", "").Body.String()), "That is not for your role", "See it as")
	answers(t, send(h, "/demo/role", url.Values{"role": {"owner"}}), 400)
	leads(t, send(h, "/demo/role", url.Values{"role": {"auditor"}, "to": {"//elsewhere.example"}}), "/")
	contains(t, words(ask(h, "GET", "/account", "").Body.String()), "Its people are invented and have no passwords.")
	lacks(t, ask(h, "GET", "/account", "").Body.String(), "192.0.2.7", `name="password"`)
	answers(t, send(h, "/account/password", url.Values{}), 403)
	answers(t, send(h, "/account/sessions/end", url.Values{}), 403)
	answers(t, send(houseFor(t, salo), "/demo/role", url.Values{"role": {"auditor"}}), 404)
}

func TestWelcome(t *testing.T) {
	t.Parallel()
	h := houseFor(t, analytics.Principal{})
	until := analytics.InstantOf(webtest.Now) + 3_600_000
	h.gate.Codes = map[string]analytics.Code{
		"FIRST":   {Kind: analytics.CodeFirst, ExpiresAt: until},
		"INVITED": {Kind: analytics.CodeInvitation, Person: analytics.Person{Login: "t.salo", Name: evil, Role: analytics.RoleInstaller}, ExpiresAt: until},
		"FORGOT":  {Kind: analytics.CodeRecovery, Person: h.people.Known[3], ExpiresAt: until},
	}
	page := ask(h, "GET", "/welcome", "")
	contains(t, answers(t, page, 200), `name="code"`, `autocomplete="one-time-code"`, "/static/welcome.")
	if page.Header().Get("Cache-Control") != "no-store" {
		t.Error("a page of a code may be kept")
	}
	contains(t, answers(t, send(h, "/welcome", url.Values{"code": {"OLD"}}), 422), "This code cannot be used")
	lacks(t, answers(t, send(h, "/welcome/use", url.Values{"code": {evil}}), 422), "<script>alert")
	invited := answers(t, send(h, "/welcome", url.Values{"code": {" INVITED "}}), 200)
	contains(t, words(invited), "you were invited as installer", "The code holds until 24 Nov 2026, 15:30 UTC")
	contains(t, invited, `name="code" value="INVITED"`, `value="t.salo" readonly autocomplete="username"`, `autocomplete="new-password"`)
	lacks(t, invited, "<script>alert", `name="name"`)
	contains(t, answers(t, send(h, "/welcome", url.Values{"code": {"FORGOT"}}), 200), "choose a new password for m.aalto")

	use := func(code, login, name, password, again string, status int) string {
		t.Helper()
		return answers(t, send(h, "/welcome/use", url.Values{"code": {code}, "login": {login}, "name": {name}, "password": {password}, "again": {again}}), status)
	}
	contains(t, use("INVITED", "", "", "too short", "too short", 422), "The password is too short", `aria-invalid="true"`)
	page2 := use("FIRST", "no login!", evil, "many different words", "other different words", 422)
	contains(t, page2, "A login begins with", "The two are not the same.", "2 fields are not right yet", `aria-describedby="again-wrong"`)
	lacks(t, page2, "many different words", "<script>alert")
	contains(t, use("FIRST", "", "", "many different words", "many different words", 422), "The login is missing.", "The name is missing.")
	h.gate.Taken = "e.koski"
	contains(t, use("FIRST", "e.koski", "E. Koski", "many different words", "many different words", 422), "This login is taken.")
	if len(h.gate.Used) != 0 {
		t.Fatalf("used %v", h.gate.Used)
	}
	use("FIRST", "a.first", "A. First", "many different words", "many different words", 303)
	use("INVITED", "", "", "many different words", "many different words", 303)
	if len(h.gate.Used) != 2 {
		t.Errorf("used %v", h.gate.Used)
	}
	h.gate.Waits = until
	answers(t, send(h, "/welcome", url.Values{"code": {"FIRST"}}), 429)
	h.gate.Who = koski
	contains(t, ask(h, "GET", "/welcome", "").Body.String(), "You are signed in as e.koski in this browser.")
}

func TestAccount(t *testing.T) {
	t.Parallel()
	h := houseFor(t, koski)
	h.people.Known[0].Name, h.people.Live[1].Agent = evil, evil
	page := answers(t, ask(h, "GET", "/account", ""), 200)
	lacks(t, page, "<script>alert", "192.0.2.9")
	contains(t, words(page), "Role administrator", "Firefox 141 on Linux this browser", "192.0.2.7", "End all others", "manage people and tokens")
	change := func(old, password, again string) *httptest.ResponseRecorder {
		return send(h, "/account/password", url.Values{"old": {old}, "password": {password}, "again": {again}})
	}
	contains(t, answers(t, change("wrong", "many different words", "many different words"), 422), "This is not your password until now.")
	wrong := answers(t, change("several plain words", "short", "short"), 422)
	contains(t, wrong, "too short")
	lacks(t, wrong, "several plain words")
	contains(t, answers(t, change("several plain words", "many different words", "x"), 422), "The two are not the same.")
	leads(t, change("several plain words", "many different words", "many different words"), "/account?done=password")
	if h.gate.Password != "many different words" {
		t.Errorf("the password is %q", h.gate.Password)
	}
	contains(t, ask(h, "GET", "/account?done=password", "").Body.String(), "Your password is changed.")
	h.gate.Waits = analytics.InstantOf(webtest.Now) + 5000
	answers(t, change("x", "many different words", "many different words"), 429)

	// A session of somebody else is not ended by its number.
	leads(t, send(h, "/account/sessions/end", url.Values{"id": {"13"}}), "/account?done=session#sessions")
	if len(h.people.Live) != 3 {
		t.Fatalf("%d sessions are left", len(h.people.Live))
	}
	answers(t, send(h, "/account/sessions/end", url.Values{"id": {"x"}}), 400)
	leads(t, send(h, "/account/sessions/end", nil), "/account?done=others#sessions")
	if len(h.people.Live) != 2 || h.people.Live[0].ID != 11 {
		t.Errorf("left are %+v", h.people.Live)
	}
	h.people.Known[0].HasPassword = false
	contains(t, ask(h, "GET", "/account", "").Body.String(), "You sign in by the identity provider")
	for _, path := range []string{"/account/password", "/account/sessions/end"} {
		if w := ask(h, "POST", path, "", "Authorization", "Bearer monitor"); w.Code != 403 {
			t.Errorf("a token at %s was answered %d", path, w.Code)
		}
	}
	if w := ask(h, "GET", "/account", "", "Authorization", "Bearer monitor"); w.Code != 403 {
		t.Errorf("a token was answered %d", w.Code)
	}
}

func TestOtherSitesSignNobodyIn(t *testing.T) {
	t.Parallel()
	h := houseFor(t, koski)
	for _, path := range []string{"/sign-in", "/sign-out", "/welcome", "/welcome/use", "/account/password", "/account/sessions/end", "/people", "/people/1", "/people/1/disable",
		"/people/1/code", "/people/1/sessions/end", "/tokens", "/tokens/21/revoke", "/trail/check", "/api/v1/people", "/api/v1/tokens"} {
		for _, header := range [][2]string{{"Sec-Fetch-Site", "cross-site"}, {"Origin", "https://elsewhere.example"}} {
			w := ask(h, "POST", path, "login=e.koski&password=several+plain+words", "Content-Type", "application/x-www-form-urlencoded", header[0], header[1])
			if w.Code != 403 {
				t.Errorf("POST %s with %v answered %d", path, header, w.Code)
			}
			contains(t, w.Body.String(), "Only the pages of this service may change something in it")
			lacks(t, w.Body.String(), "not for your role")
		}
	}
	if len(h.people.Known) != 4 || len(h.people.Codes) != 0 || h.people.Made[0].RevokedAt != nil || h.gate.Out != 0 {
		t.Error("another site has changed something")
	}
}
