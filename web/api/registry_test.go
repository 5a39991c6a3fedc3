package api_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/web/api"
	"fadeledger/web/webtest"
)

func TestADryRunAnswersThePlan(t *testing.T) {
	t.Parallel()
	g := webtest.NewRegistry()
	h := mount(api.Config{Registrar: g, Registry: g})
	post := func(query string, status int) string {
		t.Helper()
		return ask(t, h, "POST", "/api/v1/register?name=units.csv"+query, strings.NewReader("unit,model\nA,HB-5\n"), status, "Content-Type", "text/csv").Body.String()
	}
	b := decode[api.RegistrationBody](t, ask(t, h, "POST", "/api/v1/register?name=units.csv&dry_run=true", strings.NewReader("unit,model\nA,HB-5\n"), 200, "Content-Type", "text/csv"))
	if !b.DryRun || b.Mark != "5feceb66" || b.Units != 5 || b.Unchanged != 3 || len(b.Changes) != 2 || !b.Changes[1].New ||
		b.Changes[0].Fields[0] != (api.FieldChangeBody{Field: "stack", Before: "ST-1", After: "<script>"}) || b.Counts[0].Changed != 1 {
		t.Errorf("got %+v", b)
	}
	if len(g.Marks) != 0 || string(g.Files["units.csv"]) != "unit,model\nA,HB-5\n" {
		t.Errorf("registered with %v, planned %q", g.Marks, g.Files)
	}
	if told := post("&mark=5feceb66", 200); strings.Contains(told, `"mark"`) || fmt.Sprint(g.Marks) != "[5feceb66]" {
		t.Errorf("told %s, registered with %v", told, g.Marks)
	}
	g.ApplyErr = fmt.Errorf("register: %w", analytics.ErrConflict)
	post("&mark=old", 409)
	g.ApplyErr = nil
	g.Wrong = []api.Problem{{File: "units.csv", Line: 2, Field: "model", Message: "no model", Remedy: "load it first"}}
	if told := post("&dry_run=true", 422); !strings.Contains(told, `"location":"units.csv:2:model"`) || !strings.Contains(told, `"message":"no model; load it first"`) {
		t.Errorf("told %s", told)
	}
	ask(t, mount(api.Config{Registrar: g}), "POST", "/api/v1/register?name=units.csv&dry_run=true", strings.NewReader("unit"), 503, "Content-Type", "text/csv")
}

func TestWhatIsRegisteredIsTold(t *testing.T) {
	t.Parallel()
	g := webtest.NewRegistry()
	h := mount(api.Config{Registry: g})
	for path, wants := range map[string][]string{
		"/models":                 {`"name":"HB-5"`, `"rated_kwh":5.2`, `"charge_limit":[{"cell_temp_c":`},
		"/terms":                  {`"name":"HB-5 home 2026"`, `"sold_from":"`, `"depth_pct":80`, `"shallow":"throughput"`, `"remedy":[`},
		"/sites?limit=1":          {`"site":"a/b `, `"units":1`, `"next":"a/b `},
		"/sites?after=a/b~":       {`"site":"garden-lane-4"`, `"stacks":1`, `"placement":"garage"`},
		"/sites/garden-lane-4":    {`"installer":"Elektro Nord"`, `"unit":"HB5-20492"`, `"position":2`, `"shipped":"2025-11-08"`},
		"/sites/a%2Fb%20%3Ci%3E&": {`"unit":"HB/1 `, `"shipped":null`},
		"/stacks/s%2F1":           {`"stack":"s/1"`, `"unit":"HB/1 `},
	} {
		told := ask(t, h, "GET", "/api/v1"+path, nil, 200).Body.String()
		for _, want := range wants {
			if !strings.Contains(told, want) {
				t.Errorf("%s lacks %s:\n%s", path, want, told)
			}
		}
	}
	if body := decode[struct{ Next string }](t, ask(t, h, "GET", "/api/v1/sites?after=a/b~", nil, 200)); body.Next != "" {
		t.Errorf("the last page goes on with %q", body.Next)
	}
	for _, path := range []string{"/sites/none", "/stacks/none"} {
		ask(t, h, "GET", "/api/v1"+path, nil, 404)
	}
	installer := analytics.Principal{Kind: analytics.KindPerson, ID: 2, Name: "i", Role: analytics.RoleInstaller, Organisation: "Elektro Nord"}
	for path, status := range map[string]int{"/models": 200, "/sites": 200, "/sites/garden-lane-4": 200} {
		ask(t, mountFor(installer, api.Config{Registry: g}), "GET", "/api/v1"+path, nil, status)
	}
	ask(t, mountFor(installer, api.Config{Registrar: g, Registry: g}), "POST", "/api/v1/register?name=units.csv", strings.NewReader("unit"), 403, "Content-Type", "text/csv")
	for _, path := range []string{"/models", "/terms", "/sites", "/sites/x", "/stacks/x"} {
		ask(t, mount(api.Config{}), "GET", "/api/v1"+path, nil, 503)
	}
}

func TestACompressedRegistrationMayBeLarger(t *testing.T) {
	t.Parallel()
	g := webtest.NewRegistry()
	h := mount(api.Config{Registrar: g, Registry: g, MaxBody: 256 << 10})
	packed := func(n int) *bytes.Buffer {
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		if _, err := z.Write(bytes.Repeat([]byte("unit,model\n"), n/11)); err != nil {
			t.Fatal(err)
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return &b
	}
	post := func(body io.Reader, encoding string, status int) {
		t.Helper()
		ask(t, h, "POST", "/api/v1/register?name=units.csv", body, status, "Content-Type", "text/csv", "Content-Encoding", encoding)
	}
	post(packed(1<<20), "gzip", 200)
	if n := len(g.Files["units.csv"]); n != (1<<20)/11*11 {
		t.Errorf("%d bytes came through", n)
	}
	post(packed(65<<20), "gzip", 413)
	post(bytes.NewReader(packed(1 << 20).Bytes()[:500]), "gzip", 400)
	post(strings.NewReader("unit,model\n"), "gzip", 400)
	post(strings.NewReader("unit,model\n"), "br", 415)
}
