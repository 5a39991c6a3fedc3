package web_test

import (
	"bytes"
	"fmt"
	"html"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/web"
	"fadeledger/web/api"
	"fadeledger/web/webtest"
)

// operator is who registers in these tests.
var operator = analytics.Principal{Kind: analytics.KindPerson, ID: 5, Name: "j.oksanen", Role: analytics.RoleOperations}

func registrySite(t *testing.T, as analytics.Principal) (http.Handler, *webtest.Registry, *webtest.Trail) {
	t.Helper()
	g, trail := webtest.NewRegistry(), &webtest.Trail{}
	return handler(t, web.Config{Ledger: webtest.Fleet(10), Registry: g, Trail: trail, As: as}), g, trail
}

// upload sends files to the preview.
func upload(t *testing.T, h http.Handler, status int, files ...[2]string) string {
	t.Helper()
	var body bytes.Buffer
	m := multipart.NewWriter(&body)
	for _, f := range files {
		w, err := m.CreateFormFile("file", f[0])
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write([]byte(f[1])); err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequest("POST", "/registry/import/preview", &body)
	r.Header.Set("Content-Type", m.FormDataContentType())
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != status {
		t.Fatalf("answered %d, want %d\n%s", w.Code, status, w.Body.String())
	}
	return w.Body.String()
}

// fill posts a form.
func fill(t *testing.T, h http.Handler, path string, form url.Values, status int) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest("POST", path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != status {
		t.Fatalf("POST %s answered %d, want %d\n%s", path, w.Code, status, w.Body.String())
	}
	return w
}

var hidden = regexp.MustCompile(`<input type="hidden" name="([^"]*)" value="([^"]*)">`)

// hiddenOf reads the hidden fields of a page, as a browser sends them.
func hiddenOf(page string) url.Values {
	form := url.Values{}
	for _, m := range hidden.FindAllStringSubmatch(page, -1) {
		form.Add(m[1], html.UnescapeString(m[2]))
	}
	return form
}

const unitsFile = "unit,model,stack,site,shipped,commissioned,terms,position\nHB5-30000,HB-5,,,,,,\n"

func TestRegistryPages(t *testing.T) {
	t.Parallel()
	h, _, _ := registrySite(t, operator)
	for path, wants := range map[string][]string{
		"/registry":                             {"Units 10", "Sites 2", "Models 2", "Editions of terms 4", "Register from files", "units.csv"},
		"/registry?done=1-20-300":               {"Registered: 1 new, 20 changed, 300 as before."},
		"/registry/models":                      {"HB-10", "HB-5 home 2026"},
		"/registry/models/HB-5":                 {"Model HB-5", "Rated energy 5.20 kWh", "Charge limit", "Cell temperature Highest C-rate", "HB-5 home 2026"},
		"/registry/terms/HB-5%20home%202026":    {"an edition never changes once it is registered", "New terms are a new edition", "Cycle life", "Depth of discharge Cycles", "Remedy Through warranty year"},
		"/registry/sites":                       {"garden-lane-4", "Viken, NO", "garage", "Elektro Nord"},
		"/registry/sites?after=a":               {"First page"},
		"/sites/garden-lane-4":                  {"Site garden-lane-4", "2 units in 1 stack", "Installer Elektro Nord", "HB5-20491", "Change the site"},
		"/sites/a%2Fb%20%3Ci%3E&":               {"Site a/b &lt;i&gt;&amp;", "HB/1 &lt;b&gt;"},
		"/stacks/ST-1":                          {"Stack ST-1", "HB5-20491 garden-lane-4 1", "HB5-20492 garden-lane-4 2"},
		"/stacks/s%2F1":                         {"Stack s/1"},
		"/registry/import":                      {"nothing is changed before you confirm", "At most 8.0 MiB together"},
		"/registry/import/preview":              {"Register from files"},
		"/registry/units/new?site=x":            {"Register a unit", "Telemetry that came before"},
		"/registry/units/HB5-20491/edit":        {"Change unit HB5-20491", "HB-5 home 2026 (for HB-5)"},
		"/registry/units/HB%2F1%20%3Cb%3E/edit": {"Change unit HB/1 &lt;b&gt;"},
		"/registry/sites/new":                   {"Register a site", "never the name of a customer"},
		"/registry/sites/garden-lane-4/edit":    {"Change site garden-lane-4"},
	} {
		page := get(t, h, path, 200).Body.String()
		contains(t, words(page), wants...)
		lacks(t, page, "<i>", "<b>", " style=", " onclick", "<script>")
	}
	for path, want := range map[string]string{
		"/registry/models/none": "There is no model none", "/registry/terms/%3Cb%3E": "There is no edition of terms &lt;b&gt;",
		"/sites/none": "There is no site none", "/stacks/none": "There is no stack none",
		"/registry/units/none/edit": "No unit has the serial none", "/registry/sites/none/edit": "There is no site none",
	} {
		contains(t, words(get(t, h, path, 404).Body.String()), want)
	}
	contains(t, get(t, h, "/registry/units/HB5-20491/edit", 200).Body.String(), `<option value="HB-5" selected>`, `name="shipped" type="date" value="2025-11-08"`, `value="ST-1"`)
	lacks(t, get(t, h, "/registry?done=1-x-3", 200).Body.String(), "Registered:")
}

func TestWhoMayReadDoesNotRegister(t *testing.T) {
	t.Parallel()
	for _, p := range []analytics.Principal{manager,
		{Kind: analytics.KindPerson, ID: 9, Name: "s.vik", Role: analytics.RoleInstaller, Organisation: "Elektro Nord"},
		{Kind: analytics.KindPerson, ID: 8, Name: "auditor", Role: analytics.RoleAuditor}} {
		h, g, _ := registrySite(t, p)
		for _, path := range []string{"/registry", "/registry/models/HB-5", "/registry/terms/HB-5%20home%202026", "/registry/sites", "/sites/garden-lane-4", "/stacks/ST-1"} {
			lacks(t, get(t, h, path, 200).Body.String(), "/registry/import", "/edit\"", "/registry/units/new", "/registry/sites/new")
		}
		for _, path := range []string{"/registry/import", "/registry/units/new", "/registry/units/HB5-20491/edit", "/registry/sites/garden-lane-4/edit"} {
			get(t, h, path, 403)
		}
		for _, path := range []string{"/registry/import", "/registry/import/preview", "/registry/units/new", "/registry/units/HB5-20491/edit", "/registry/sites/new"} {
			fill(t, h, path, url.Values{"mark": {"5feceb66"}}, 403)
		}
		if g.Files != nil {
			t.Errorf("%s planned something", p.Role)
		}
	}
	lacks(t, get(t, handler(t, web.Config{Ledger: webtest.Fleet(3)}), "/", 200).Body.String(), `href="/registry"`)
}

func TestDownloadsOfTheRegistry(t *testing.T) {
	t.Parallel()
	h, g, trail := registrySite(t, manager)
	g.UnitList[0].Stack = "=1+1"
	for name, want := range map[string]string{"models.yaml": "models:\n", "sites.csv": "site,zone,", "units.csv": ",'=1+1,"} {
		w := get(t, h, "/registry/"+name, 200)
		if !strings.Contains(w.Body.String(), want) || w.Header().Get("Content-Disposition") != `attachment; filename="`+name+`"` {
			t.Errorf("%s: %v\n%s", name, w.Header(), w.Body.String())
		}
	}
	var told []string
	for _, e := range trail.Entries {
		told = append(told, string(e.Deed)+" "+e.Object)
	}
	if len(told) != 2 || !strings.Contains(fmt.Sprint(told), "exported registry units.csv") {
		t.Errorf("the trail tells %v", told)
	}
	get(t, h, "/registry/..%2Funits.csv", 404)
}

func TestFilesAreRegisteredAsTheyWerePreviewed(t *testing.T) {
	t.Parallel()
	h, g, _ := registrySite(t, operator)
	models := "models: []\n# ü\n"
	page := upload(t, h, 200, [2]string{"../../<b>.csv", unitsFile}, [2]string{"m.txt", models})
	contains(t, words(page), "What will be registered", "5 units: 1 new, 1 changed, 3 as they were",
		"unit HB5-20491 stack ST-1 → becomes &lt;script&gt; position 1 → becomes nothing", "unit HB5-30000 new model HB-5", "Register these changes")
	lacks(t, page, "<b>", "<script>")
	if string(g.Files["units.csv"]) != unitsFile || string(g.Files["models.yaml"]) != models || len(g.Files) != 2 {
		t.Errorf("planned %q", g.Files)
	}
	form := hiddenOf(page)
	if form.Get("mark") != "5feceb66" || len(form["name"]) != 2 {
		t.Fatalf("the form holds %v", form)
	}
	g.Files = nil
	w := fill(t, h, "/registry/import", form, 303)
	if to := w.Header().Get("Location"); to != "/registry?done=1-1-3" {
		t.Errorf("leads to %s", to)
	}
	if string(g.Files["units.csv"]) != unitsFile || string(g.Files["models.yaml"]) != models || fmt.Sprint(g.Marks) != "[5feceb66]" {
		t.Errorf("registered %q with %v", g.Files, g.Marks)
	}
}

func TestWhatChangedMeanwhileIsShownAgain(t *testing.T) {
	t.Parallel()
	h, g, _ := registrySite(t, operator)
	form := hiddenOf(upload(t, h, 200, [2]string{"u.csv", unitsFile}))
	g.ApplyErr = fmt.Errorf("register: %w", analytics.ErrConflict)
	g.Planned = analytics.Plan{Mark: "other", Unchanged: 1, Counts: []analytics.PlanCount{{Kind: analytics.ChangeUnit, Unchanged: 1}}}
	page := fill(t, h, "/registry/import", form, 409).Body.String()
	contains(t, words(page), "Something has changed meanwhile, so nothing was registered", "Nothing would change", "1 unit: 1 as it was")
	lacks(t, page, "Register these changes")
	g.ApplyErr, g.ApplyWrong = nil, []api.Problem{{File: "units.csv", Line: 2, Field: "model", Message: "its samples were counted as model HB-10", Remedy: "leave its model as it is"}}
	contains(t, words(fill(t, h, "/registry/import", form, 422).Body.String()),
		"One thing is wrong. Nothing was changed.", "u.csv, line 2 model its samples were counted as model HB-10 leave its model as it is")
	if len(g.Marks) != 0 {
		t.Errorf("registered with %v", g.Marks)
	}
}

func TestProblemsNameTheChosenFilesAndLines(t *testing.T) {
	t.Parallel()
	h, g, _ := registrySite(t, operator)
	g.Wrong = []api.Problem{{File: "units.csv", Line: 3, Field: "unit", Message: "HB5-30000 stands on line 2 too", Remedy: "keep one of both lines"}}
	page := upload(t, h, 422, [2]string{"<i>a.csv", unitsFile}, [2]string{"b.csv", unitsFile})
	contains(t, words(page), "One thing is wrong", "b.csv, line 2 unit HB5-30000 stands on line 2 of &lt;i&gt;a.csv too keep one of both lines")
	lacks(t, page, "<i>")
	contains(t, words(upload(t, h, 422, [2]string{"x.csv", "time,soc_pct\n"}, [2]string{"y.csv", ""})), "2 things are wrong", "x.csv", "y.csv", "neither models nor terms")
	contains(t, words(upload(t, h, 422)), "No file is chosen")
}

func TestFormsThatAreNotOurs(t *testing.T) {
	t.Parallel()
	h, g, _ := registrySite(t, operator)
	form := hiddenOf(upload(t, h, 200, [2]string{"u.csv", unitsFile}))
	bomb := hiddenOf(upload(t, h, 200, [2]string{"u.csv", "unit,model\n" + strings.Repeat("\n", 7<<20)}))
	for i := range 3 {
		if i > 0 {
			bomb.Add("name", "u.csv")
			bomb.Add("data", bomb.Get("data"))
		}
	}
	without := func(key string) url.Values {
		v := url.Values{}
		for k, list := range form {
			if k != key {
				v[k] = list
			}
		}
		return v
	}
	for name, v := range map[string]url.Values{
		"no mark": without("mark"), "no data": without("data"), "no files": {"mark": {"x"}}, "more than is taken": bomb,
		"no base64": {"mark": {"x"}, "name": {"u.csv"}, "data": {"???"}}, "no gzip": {"mark": {"x"}, "name": {"u.csv"}, "data": {"aGFsbG8"}},
	} {
		t.Run(name, func(t *testing.T) { fill(t, h, "/registry/import", v, 400) })
	}
	away := without("")
	away.Set("to", "https://elsewhere.example/")
	if to := fill(t, h, "/registry/import", away, 303).Header().Get("Location"); to != "/" {
		t.Errorf("leads to %s", to)
	}
	if len(g.Marks) != 1 {
		t.Errorf("registered with %v", g.Marks)
	}
	large := handler(t, web.Config{Ledger: webtest.Fleet(1), Registry: g, As: operator, MaxBody: 128 << 10})
	contains(t, words(upload(t, large, 413, [2]string{"u.csv", unitsFile + strings.Repeat("x", 200<<10)})), "too large for a form", "fadeledger register")
}

func TestAUnitIsChangedByItsForm(t *testing.T) {
	t.Parallel()
	h, g, _ := registrySite(t, operator)
	form := url.Values{"unit": {"another"}, "model": {"HB-5"}, "terms": {""}, "site": {`lane "4", left`}, "stack": {" s "}, "position": {"2"}, "shipped": {"2025-11-08"}}
	page := fill(t, h, "/registry/units/HB5-20491/edit", form, 200).Body.String()
	want := "unit,model,terms,site,stack,position,shipped,commissioned\nHB5-20491,HB-5,,\"lane \"\"4\"\", left\",s,2,2025-11-08,\n"
	if got := string(g.Files["units.csv"]); got != want {
		t.Errorf("planned %q, want %q", got, want)
	}
	if to := fill(t, h, "/registry/import", hiddenOf(page), 303).Header().Get("Location"); to != "/units/HB5-20491" {
		t.Errorf("leads to %s", to)
	}
	g.Wrong = []api.Problem{{File: "units.csv", Line: 2, Field: "site", Message: `no site "x"`, Remedy: "load the sites first"}, {Message: "<b>"}}
	page = fill(t, h, "/registry/units/HB5-20491/edit", form, 422).Body.String()
	contains(t, words(page), "&lt;b&gt;", `No site &#34;x&#34;; load the sites first.`)
	contains(t, page, `aria-describedby="f-site-note f-site-wrong" aria-invalid="true"`, `value="lane &#34;4&#34;, left"`)
	g.Wrong = nil
	form.Set("unit", "HB/9")
	page = fill(t, h, "/registry/units/new", form, 200).Body.String()
	if to := fill(t, h, "/registry/import", hiddenOf(page), 303).Header().Get("Location"); to != "/units/HB%2F9" {
		t.Errorf("leads to %s", to)
	}
	fill(t, h, "/registry/units/none/edit", form, 404)
}

func TestASiteIsChangedByItsForm(t *testing.T) {
	t.Parallel()
	h, g, _ := registrySite(t, operator)
	form := url.Values{"site": {"another"}, "zone": {"Europe/Oslo"}, "placement": {"outdoor"}, "installer": {"Solwerk"}}
	page := fill(t, h, "/registry/sites/garden-lane-4/edit", form, 200).Body.String()
	if got := string(g.Files["sites.csv"]); got != "site,zone,country,region,placement,installer\ngarden-lane-4,Europe/Oslo,,,outdoor,Solwerk\n" {
		t.Errorf("planned %q", got)
	}
	if to := fill(t, h, "/registry/import", hiddenOf(page), 303).Header().Get("Location"); to != "/sites/garden-lane-4" {
		t.Errorf("leads to %s", to)
	}
	g.Wrong = []api.Problem{{Field: "zone", Message: "no time zone", Remedy: "use another"}}
	contains(t, words(fill(t, h, "/registry/sites/new", form, 422).Body.String()), "One field is not right yet", "No time zone; use another.")
	fill(t, h, "/registry/sites/none/edit", form, 404)
}

func TestARegistryThatFails(t *testing.T) {
	t.Parallel()
	h, g, _ := registrySite(t, operator)
	g.Err = fmt.Errorf("away: %w", analytics.ErrDenied)
	for _, path := range []string{"/registry", "/registry/models", "/registry/models/HB-5", "/registry/terms/x", "/registry/sites", "/registry/units.csv", "/registry/units/new"} {
		get(t, h, path, 403)
	}
	upload(t, h, 403, [2]string{"u.csv", unitsFile})
}
