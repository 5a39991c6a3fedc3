package api_test

import (
	"encoding/hex"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/web/api"
	"fadeledger/web/webtest"
)

// deed records in a trail what a principal did.
func deed(t *testing.T, trail *webtest.Trail, p analytics.Principal, d analytics.Deed, object string) {
	t.Helper()
	if err := trail.Record(analytics.WithPrincipal(t.Context(), p), d, object, ""); err != nil {
		t.Fatal(err)
	}
}

func TestPeople(t *testing.T) {
	t.Parallel()
	staff := webtest.Staff()
	h := mount(api.Config{People: staff, Now: func() time.Time { return webtest.Now }})
	post := func(path, body string, status int) string {
		t.Helper()
		w := ask(t, h, "POST", "/api/v1"+path, strings.NewReader(body), status, "Content-Type", "application/json")
		if status == 201 && w.Header().Get("Cache-Control") != "no-store" {
			t.Errorf("%s: an answer with a secret may be kept", path)
		}
		return w.Body.String()
	}
	list := decode[struct{ People []api.PersonBody }](t, ask(t, h, "GET", "/api/v1/people", nil, 200)).People
	if len(list) != 4 || list[1].Role != "installer" || list[2].DisabledAt == nil || !list[0].Password {
		t.Errorf("got %+v", list)
	}
	told := post("/people", `{"login":"j.oksanen","name":" J. Oksanen ","role":"operations"}`, 201)
	if !strings.Contains(told, `"kind":"invitation"`) || !strings.Contains(told, `"expires_at":"2026-12-01T14:30:00Z"`) || len(staff.Codes) != 1 || staff.Known[4].Name != "J. Oksanen" {
		t.Errorf("told %s", told)
	}
	if told := post("/people", `{"login":"a b","name":"","role":"owner","email":"x"}`, 422); strings.Count(told, `"location":"body.`) != 4 {
		t.Errorf("told %s", told)
	}
	post("/people", `{"login":"J.Oksanen","name":"J","role":"auditor"}`, 409)
	if told := post("/people/2", `{"name":"T. Salo","role":"auditor"}`, 200); !strings.Contains(told, `"role":"auditor"`) || staff.Known[1].Organisation != "" {
		t.Errorf("told %s", told)
	}
	post("/people/2", `{"name":"T. Salo","role":"installer"}`, 422)
	post("/people/1", `{"name":"E.","role":"auditor"}`, 409)
	post("/people/4/disable", ``, 200)
	if staff.Known[3].DisabledAt == nil {
		t.Error("nobody was disabled")
	}
	post("/people/4/code", ``, 409)
	post("/people/4/disable", `{"disabled":false}`, 200)
	if told := post("/people/4/code", ``, 201); !strings.Contains(told, `"kind":"recovery"`) {
		t.Errorf("told %s", told)
	}
	post("/people/1/disable", `{}`, 409)
	post("/people/99", `{"name":"x","role":"auditor"}`, 404)
	post("/people/99/disable", ``, 404)
	post("/people/99/code", ``, 404)
	staff.Err = errors.New("secret detail")
	if told := ask(t, h, "GET", "/api/v1/people", nil, 500).Body.String(); strings.Contains(told, "secret detail") {
		t.Errorf("told %s", told)
	}
	ask(t, mount(api.Config{}), "GET", "/api/v1/people", nil, 503)
}

func TestTokens(t *testing.T) {
	t.Parallel()
	staff := webtest.Staff()
	cfg := api.Config{People: staff, Now: func() time.Time { return webtest.Now }}
	h := mount(cfg)
	w := ask(t, h, "POST", "/api/v1/tokens", strings.NewReader(`{"name":"cellar","rights":["deliver"],"collector":"c-01"}`), 201, "Content-Type", "application/json")
	got := decode[struct {
		Token  api.TokenBody
		Secret string
	}](t, w)
	if got.Secret == "" || got.Token.Collector != "c-01" || !got.Token.ExpiresAt.Equal(webtest.Now.AddDate(0, 0, 90)) || got.Token.MadeBy != "m.aalto" || w.Header().Get("Cache-Control") != "no-store" {
		t.Errorf("got %+v", got)
	}
	list := ask(t, h, "GET", "/api/v1/tokens", nil, 200).Body.String()
	if strings.Contains(list, got.Secret) || len(decode[struct{ Tokens []api.TokenBody }](t, ask(t, h, "GET", "/api/v1/tokens", nil, 200)).Tokens) != 4 {
		t.Errorf("listed %s", list)
	}
	for _, body := range []string{`{"name":"x","rights":[]}`, `{"name":"x","rights":["deliver"],"days":401}`, `{"name":"x","rights":["deliver"],"days":0}`, `{"name":"","rights":["deliver"]}`, `{"name":"x","rights":["fly"]}`} {
		ask(t, h, "POST", "/api/v1/tokens", strings.NewReader(body), 422, "Content-Type", "application/json")
	}
	clerk := mountFor(analytics.Principal{Kind: analytics.KindToken, Name: "clerk", Granted: []analytics.Right{analytics.RightPeople}}, cfg)
	if told := ask(t, clerk, "POST", "/api/v1/tokens", strings.NewReader(`{"name":"x","rights":["read-trail"]}`), 422, "Content-Type", "application/json").Body.String(); !strings.Contains(told, "which you do not have") {
		t.Errorf("told %s", told)
	}
	ask(t, h, "POST", "/api/v1/tokens/21/revoke", nil, 204)
	ask(t, h, "POST", "/api/v1/tokens/21/revoke", nil, 404)
}

func TestTrail(t *testing.T) {
	t.Parallel()
	trail := &webtest.Trail{}
	h := mount(api.Config{Trail: trail})
	for range 3 {
		deed(t, trail, administrator, analytics.DeedSaw, "unit A")
	}
	type page struct {
		Entries []api.EntryBody
		Next    int64
	}
	got := decode[page](t, ask(t, h, "GET", "/api/v1/trail?limit=2&who=m.aalto&deed=saw&object=unit", nil, 200))
	if len(got.Entries) != 2 || got.Next != 2 || got.Entries[0].Number != 3 || got.Entries[0].Previous != got.Entries[1].Hash || got.Entries[0].Object != "unit A" {
		t.Errorf("got %+v", got)
	}
	if rest := decode[page](t, ask(t, h, "GET", "/api/v1/trail?limit=2&before=2", nil, 200)); len(rest.Entries) != 1 || rest.Next != 0 {
		t.Errorf("got %+v", rest)
	}
	check := ask(t, h, "GET", "/api/v1/trail/check?number=3&hash="+got.Entries[0].Hash, nil, 200).Body.String()
	if want := `{"entries":3,"number":3,"hash":"` + got.Entries[0].Hash + `","faults":[]}`; strings.TrimSpace(check) != want {
		t.Errorf("got  %s\nwant %s", check, want)
	}
	if hash := trail.Heads[0].Hash; len(trail.Heads) != 1 || hex.EncodeToString(hash[:]) != got.Entries[0].Hash {
		t.Errorf("held against %v", trail.Heads)
	}
	ask(t, h, "GET", "/api/v1/trail/check?number=3", nil, 422)
	ask(t, h, "GET", "/api/v1/trail/check?number=3&hash=xyz", nil, 422)
	ask(t, mount(api.Config{}), "GET", "/api/v1/trail", nil, 503)
}

func TestMe(t *testing.T) {
	t.Parallel()
	p := analytics.Principal{Kind: analytics.KindPerson, ID: 2, Name: "t.salo", Role: analytics.RoleInstaller, Organisation: "Northlight Electric"}
	got := decode[api.MeBody](t, ask(t, mountFor(p, api.Config{}), "GET", "/api/v1/me", nil, 200))
	if got.Name != "t.salo" || got.Role != "installer" || got.Organisation != p.Organisation || !slices.Equal(got.Rights, []string{"see-units"}) {
		t.Errorf("got %+v", got)
	}
	p.Organisation = ""
	if got := decode[api.MeBody](t, ask(t, mountFor(p, api.Config{}), "GET", "/api/v1/me", nil, 200)); len(got.Rights) != 0 {
		t.Errorf("an installer of nobody may %v", got.Rights)
	}
}
