package web_test

import (
	"crypto/sha256"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/web/webtest"
)

func TestPeople(t *testing.T) {
	t.Parallel()
	h := houseFor(t, koski)
	page := answers(t, ask(h, "GET", "/people", ""), 200)
	contains(t, words(page), "t.salo invited T. Salo installer Northlight Electric not yet never", "r.lind disabled", "m.aalto waits after wrong passwords",
		"e.koski E. Koski administrator password or identity provider 1 h ago")
	contains(t, page, `<option value="Northlight Electric">`, `<label for="invite-login">Login</label>`)
	form := url.Values{"login": {"j.oksanen"}, "name": {"J. Oksanen"}, "email": {"j@home.example"}, "role": {"operations"}}
	w := send(h, "/people", form)
	told := answers(t, w, 201)
	if w.Header().Get("Cache-Control") != "no-store" {
		t.Error("a page with a code may be kept")
	}
	contains(t, words(told), "A link for J. Oksanen", "It holds once, until 1 Dec 2026, 14:30 UTC.", "the password of j.oksanen")
	m := regexp.MustCompile(`http://example\.com/welcome#([0-9A-Z-]{20,})<`).FindStringSubmatch(told)
	if m == nil {
		t.Fatal("no link is told")
	}
	code, ok := h.people.Codes[sha256.Sum256([]byte(strings.ReplaceAll(m[1], "-", "")))]
	if !ok || code.Kind != analytics.CodeInvitation || code.Person.ID != 5 || code.MadeBy != "e.koski" || code.ExpiresAt.Time() != webtest.Now.Add(7*24*time.Hour) {
		t.Errorf("kept %+v", h.people.Codes)
	}
	if added := h.people.Known[4]; added.Role != analytics.RoleOperations || added.Email != "j@home.example" || added.CreatedAt.Time() != webtest.Now {
		t.Errorf("added %+v", added)
	}
	contains(t, words(answers(t, send(h, "/people", form), 409)), "There is somebody with this login or this email already.")
}

func TestInvitingWhoIsNotRight(t *testing.T) {
	t.Parallel()
	whole := map[string]string{"login": "a.b", "name": "A. B", "role": "installer", "organisation": "Northlight Electric"}
	cases := map[string]struct{ field, value, want string }{
		"no login":                 {"login", " ", "The login is missing."},
		"a login with blanks":      {"login", "a b", "A login begins with"},
		"a long login":             {"login", strings.Repeat("a", 65), "A login begins with"},
		"no name":                  {"name", "", "The name is missing."},
		"a long name":              {"name", strings.Repeat("é", 201), "The name is too long"},
		"no email address":         {"email", "A <a@b.example>", "This is no email address."},
		"no role":                  {"role", "", "Choose a role."},
		"a role that there is not": {"role", "owner", "Choose a role."},
		"an installer of nobody":   {"organisation", "", "An installer needs an organisation"},
		"an auditor of somebody":   {"role", "auditor", "Only installers have an organisation"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := houseFor(t, koski)
			form := url.Values{}
			for k, v := range whole {
				form.Set(k, v)
			}
			form.Set(c.field, c.value)
			page := answers(t, send(h, "/people", form), 422)
			contains(t, words(page), c.want, "One field is not right yet. Nothing was changed.")
			contains(t, page, `aria-invalid="true"`)
			if len(h.people.Known) != 4 || len(h.people.Codes) != 0 {
				t.Error("somebody was added")
			}
		})
	}
	h := houseFor(t, koski)
	page := answers(t, send(h, "/people", url.Values{"login": {evil}, "name": {evil}, "email": {evil}, "role": {evil}, "organisation": {evil}}), 422)
	lacks(t, page, "<script>alert")
	contains(t, page, "&lt;script&gt;alert(1)")
}

func TestPerson(t *testing.T) {
	t.Parallel()
	h := houseFor(t, koski)
	h.people.Known[1].Name, h.people.Known[1].Organisation, h.people.Known[1].Email = evil, evil, evil
	page := answers(t, ask(h, "GET", "/people/2", ""), 200)
	lacks(t, page, "<script>alert")
	contains(t, page, "Make a new invitation link", `<option value="installer" selected>`)
	form := url.Values{"name": {"T. Salo"}, "role": {"installer"}, "organisation": {"Quarry & Sons"}, "login": {"forged"}}
	leads(t, send(h, "/people/2", form), "/people/2?done=changed")
	if p := h.people.Known[1]; p.Organisation != "Quarry & Sons" || p.Email != "" || p.Login != "t.salo" {
		t.Errorf("kept %+v", p)
	}
	contains(t, ask(h, "GET", "/people/2?done=changed", "").Body.String(), "The change is kept.")
	form.Set("role", "auditor")
	bad := answers(t, send(h, "/people/2", form), 422)
	contains(t, words(bad), "Only installers have an organisation")
	contains(t, bad, `<option value="auditor" selected>`)

	leads(t, send(h, "/people/4/disable", nil), "/people/4?done=disabled")
	contains(t, words(ask(h, "GET", "/people/4?done=disabled", "").Body.String()), "m.aalto disabled", "This person cannot sign in any more", "Let it sign in again")
	lacks(t, ask(h, "GET", "/people/4", "").Body.String(), "recovery link")
	answers(t, send(h, "/people/4/code", nil), 409)
	leads(t, send(h, "/people/4/disable", url.Values{"enable": {"1"}}), "/people/4?done=enabled")
	told := answers(t, send(h, "/people/4/code", nil), 201)
	contains(t, words(told), "until 25 Nov 2026, 14:30 UTC", "The old password holds until a new one is chosen.")

	contains(t, words(answers(t, send(h, "/people/1/disable", nil), 409)), "nobody would be left who manages people")
	contains(t, words(answers(t, send(h, "/people/1", url.Values{"name": {"E."}, "role": {"auditor"}}), 409)), "nobody would be left who manages people")
	contains(t, words(ask(h, "GET", "/people/1", "").Body.String()), "you would be signed out at once", "End all others")

	leads(t, send(h, "/people/4/sessions/end", url.Values{"id": {"11"}}), "/people/4?done=sessions")
	if len(h.people.Live) != 3 {
		t.Error("a session of somebody else was ended")
	}
	leads(t, send(h, "/people/4/sessions/end", nil), "/people/4?done=sessions")
	leads(t, send(h, "/people/1/sessions/end", nil), "/people/1?done=sessions")
	if len(h.people.Live) != 1 || h.people.Live[0].ID != 11 {
		t.Errorf("left are %+v", h.people.Live)
	}
	answers(t, send(h, "/people/4/sessions/end", url.Values{"id": {"-1"}}), 400)
	for _, path := range []string{"/people/99", "/people/0", "/people/x", "/people/99999999999999999999"} {
		answers(t, ask(h, "GET", path, ""), 404)
		answers(t, send(h, path+"/disable", nil), 404)
	}
}

func TestTokens(t *testing.T) {
	t.Parallel()
	h := houseFor(t, koski)
	h.people.Made[1].Name, h.people.Made[1].MadeBy, h.people.Made[1].Organisation, h.people.Made[1].Collector = evil, evil, evil, evil
	page := answers(t, ask(h, "GET", "/tokens", ""), 200)
	lacks(t, page, "<script>alert")
	contains(t, words(page), "roof gateway deliver collector rooftop_gw e.koski 23 Nov 2026, 14:30 UTC 1 h ago 23 Jan 2027, 14:30 UTC Revoke", "over see-ingest, see-units",
		"old script revoked on 24 Nov 2026, 13:30 UTC")
	contains(t, page, `name="days" type="number" value="90"`)
	if n := strings.Count(page, `aria-label="Revoke token`); n != 1 {
		t.Errorf("%d tokens can be revoked, want 1", n)
	}
	w := send(h, "/tokens", url.Values{"name": {"cellar"}, "right": {"deliver", "see-units"}, "collector": {"c-01"}, "days": {"30"}})
	told := answers(t, w, 201)
	contains(t, words(told), "It holds until 24 Dec 2026, 14:30 UTC.", "It may hand in telemetry; see the fleet", "It is bound to: collector c-01.")
	if w.Header().Get("Cache-Control") != "no-store" {
		t.Error("a page with a secret may be kept")
	}
	m := regexp.MustCompile(`id="secret">([^<]+)<`).FindStringSubmatch(told)
	if m == nil {
		t.Fatal("no secret is told")
	}
	made := h.people.Made[3]
	if h.people.Hashes[made.ID] == ([32]byte{}) || made.MadeBy != "e.koski" || made.Collector != "c-01" || made.ExpiresAt.Time() != webtest.Now.AddDate(0, 0, 30) || len(made.Rights) != 2 {
		t.Errorf("made %+v", made)
	}
	lacks(t, ask(h, "GET", "/tokens", "").Body.String(), m[1])
	leads(t, send(h, "/tokens/21/revoke", nil), "/tokens?done=revoked")
	contains(t, ask(h, "GET", "/tokens?done=revoked", "").Body.String(), "The token is revoked.")
	answers(t, send(h, "/tokens/21/revoke", nil), 404)
	answers(t, send(h, "/tokens/x/revoke", nil), 404)
}

func TestATokenThatIsNotRight(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		form url.Values
		want string
	}{
		"no name":                   {url.Values{"right": {"deliver"}, "days": {"9"}}, "The name is missing"},
		"no right":                  {url.Values{"name": {"x"}, "days": {"9"}}, "Choose at least one right."},
		"a right that there is not": {url.Values{"name": {"x"}, "right": {"fly"}, "days": {"9"}}, "There is no such right as fly."},
		"a right twice":             {url.Values{"name": {"x"}, "right": {"deliver", "deliver"}, "days": {"9"}}, "is named twice"},
		"no days":                   {url.Values{"name": {"x"}, "right": {"deliver"}, "days": {"soon"}}, "A token holds from 1 to 400 days."},
		"too many days":             {url.Values{"name": {"x"}, "right": {"deliver"}, "days": {"401"}}, "A token holds from 1 to 400 days."},
		"a collector's name":        {url.Values{"name": {"x"}, "right": {"deliver"}, "collector": {"a.b"}, "days": {"9"}}, "A collector is named with"},
		"a collector in vain":       {url.Values{"name": {"x"}, "right": {"see-units"}, "collector": {"c"}, "days": {"9"}}, "has to hand in telemetry"},
		"an organisation in vain":   {url.Values{"name": {"x"}, "right": {"see-units", "see-ingest"}, "organisation": {"N"}, "days": {"9"}}, "can see units, and nothing else"},
		"script":                    {url.Values{"name": {evil}, "right": {evil}, "collector": {evil}, "organisation": {evil}, "days": {evil}}, "4 fields are not right yet"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := houseFor(t, koski)
			page := answers(t, send(h, "/tokens", c.form), 422)
			contains(t, words(page), c.want)
			lacks(t, page, "<script>alert")
			if len(h.people.Made) != 3 {
				t.Error("a token was made")
			}
		})
	}
}

func TestNobodyHandsOnWhatItMayNotDo(t *testing.T) {
	t.Parallel()
	h := houseFor(t, analytics.Principal{Kind: analytics.KindToken, ID: 9, Name: "clerk", Granted: []analytics.Right{analytics.RightPeople, analytics.RightDeliver}})
	contains(t, words(answers(t, send(h, "/tokens", url.Values{"name": {"x"}, "right": {"read-trail"}, "days": {"9"}}), 422)), "You cannot hand on the right read-trail")
	answers(t, send(h, "/tokens", url.Values{"name": {"x"}, "right": {"deliver"}, "days": {"9"}}), 201)
	page := ask(h, "GET", "/tokens", "").Body.String()
	contains(t, page, `value="deliver"`)
	lacks(t, page, `value="read-trail"`)
}
