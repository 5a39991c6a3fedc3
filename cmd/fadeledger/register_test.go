package main

import (
	"bytes"
	"errors"
	"html"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"fadeledger/analytics"
)

const unitsHeader = "unit,model,stack,site,shipped,commissioned,terms,position\n"

func TestFilesOfOneKindAreJoined(t *testing.T) {
	a := writeFile(t, "ua.csv", "\ufeff"+unitsHeader+"HB5-1,HB-5,,,2025-11-01,,,1")
	b := writeFile(t, "ub.csv", "\n"+strings.ReplaceAll(unitsHeader, ",", " , ")+"HB5-2,HB-5,,,2025-11-01,,,1\n")
	bundle, err := bundleOf([]string{a, b})
	if err != nil {
		t.Fatal(err)
	}
	want := "\ufeff" + unitsHeader + "HB5-1,HB-5,,,2025-11-01,,,1\nHB5-2,HB-5,,,2025-11-01,,,1\n"
	if got := string(bundle.Files()["units.csv"]); got != want {
		t.Fatalf("got %q", got)
	}
	for told, want := range map[string]string{
		"units.csv:2:model: no model":                        a + ":2:model: no model",
		"units.csv:3:unit: HB5-1 stands on line 2 too; mend": b + ":3:unit: HB5-1 stands on line 2 of " + a + " too; mend",
		"units.csv: the file as a whole":                     "units.csv: the file as a whole",
		"sites.csv:3: x":                                     "sites.csv:3: x",
		"no place":                                           "no place",
	} {
		if got := inUsersFiles(bundle, told); got != want {
			t.Errorf("%q is told as %q, want %q", told, got, want)
		}
	}
}

func TestRegistrationsThatAreNotSent(t *testing.T) {
	yaml := "models: []\n"
	for name, files := range map[string][]string{
		"two of models":     {writeFile(t, "a.yaml", yaml), writeFile(t, "b.yml", yaml)},
		"different headers": {writeFile(t, "a.csv", unitsHeader), writeFile(t, "b.csv", "unit,model\n")},
		"neither":           {writeFile(t, "x.csv", "a,b\n1,2\n")},
		"empty":             {writeFile(t, "y.csv", "")},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := bundleOf(files)
			if err == nil {
				t.Fatal("taken")
			}
			for _, f := range files {
				if !strings.Contains(err.Error(), f) {
					t.Errorf("%q does not name %s", err, f)
				}
			}
		})
	}
}

// TestTwoFilesOfUnitsAreRegistered registers units from two files, and two files
// of which one is wrong.
func TestTwoFilesOfUnitsAreRegistered(t *testing.T) {
	ts := newService(t)
	models := writeFile(t, "m.yaml", readFile(t, "catalogue", "models.yaml"))
	unit := func(serial, model string) string {
		return serial + "," + model + ",,,2025-11-01,2025-12-01,HB-5 home 2026,1\n"
	}
	a, b := writeFile(t, "ua.csv", unitsHeader+unit("HB5-1", "HB-5")), writeFile(t, "ub.csv", unitsHeader+unit("HB5-2", "HB-5"))
	if err := (registerCmd{server: ts.server(), Files: []string{models, a, b}}).Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, serial := range []string{"HB5-1", "HB5-2"} {
		ts.get(t, "/api/v1/units/"+serial+"/ledger")
	}
	bad := writeFile(t, "bad.csv", unitsHeader+unit("HB5-4", "HB-5")+unit("HB5-3", "HB-nothing"))
	err := (registerCmd{server: ts.server(), Files: []string{a, bad}}).Run(t.Context())
	var problem *problemError
	if !errors.As(err, &problem) || !slices.ContainsFunc(problem.lines, func(l string) bool { return strings.HasPrefix(l, bad+":3:") }) {
		t.Errorf("got %v, want a problem of %s:3", err, bad)
	}
}

// TestADryRunTellsWhatWouldChange runs the command dry, in earnest and again.
func TestADryRunTellsWhatWouldChange(t *testing.T) {
	ts := newService(t)
	models := writeFile(t, "m.yaml", readFile(t, "catalogue", "models.yaml"))
	units := writeFile(t, "u.csv", unitsHeader+"HB5-1,HB-5,st-1,,2025-11-01,,HB-5 home 2026,1\n")
	run := func(dry bool, files ...string) (string, error) {
		var out strings.Builder
		err := registerCmd{server: ts.server(), DryRun: dry, Files: files}.run(t.Context(), &out)
		return out.String(), err
	}
	const unit = "new unit HB5-1: model HB-5, stack st-1, shipped 2025-11-01, terms HB-5 home 2026, position 1\n"
	dry, err := run(true, models, units)
	if err != nil || !strings.Contains(dry, unit) || !strings.HasSuffix(dry, "1 unit: 1 new\nnothing was changed: this was a dry run\n") {
		t.Fatalf("dry: %v\n%s", err, dry)
	}
	again, err := run(true, models, units)
	if err != nil || again != dry {
		t.Errorf("the dry run changed something: %v\n%s", err, again)
	}
	done, err := run(false, models, units)
	if err != nil || !strings.Contains(done, unit) || !strings.Contains(done, "registered ") {
		t.Errorf("registered: %v\n%s", err, done)
	}
	moved := writeFile(t, "moved.csv", unitsHeader+"HB5-1,HB-5,st-2,,2025-11-01,,HB-5 home 2026,\n")
	if out, err := run(true, moved); err != nil || !strings.HasPrefix(out, "unit HB5-1: stack st-1 → st-2, position 1 → nothing\n1 unit: 1 changed\n") {
		t.Errorf("moved: %v\n%s", err, out)
	}
	if out, err := run(true, units); err != nil || !strings.HasSuffix(out, "nothing changes: all of it is registered already\n") {
		t.Errorf("nothing new: %v\n%s", err, out)
	}
	changed := writeFile(t, "changed.yaml", strings.ReplaceAll(readFile(t, "catalogue", "models.yaml"), "years: 10", "years: 11"))
	_, err = run(true, changed)
	var problem *problemError
	if !errors.As(err, &problem) || len(problem.lines) == 0 || !strings.HasPrefix(problem.lines[0], changed+":") ||
		!strings.Contains(problem.lines[0], ":terms[") || !strings.Contains(problem.lines[0], "an edition never changes") {
		t.Errorf("another edition under the same name: %v", err)
	}
}

// TestWhatIsRegisteredIsDownloadedAsItIs registers the files that the registry
// writes, and finds nothing to change.
func TestWhatIsRegisteredIsDownloadedAsItIs(t *testing.T) {
	ts := newService(t)
	ts.registerText(t, map[string]string{
		"models.yaml": readFile(t, "catalogue", "models.yaml"), "sites.csv": "site,zone,country,region,placement,installer\n\"lane, 4\",Europe/Oslo,NO,,garage,\"Nord \"\"&\"\" Co\"\n",
		"units.csv": unitsHeader + "HB5-1,HB-5,st-1,\"lane, 4\",2025-11-01,2025-12-01,HB-5 home 2026,1\nHB5-2,HB-5,,,,,,\n",
	})
	r := &registrar{db: ts.web, log: discard()}
	ctx := asConsole(t.Context())
	files := map[string][]byte{}
	for _, name := range []string{"models.yaml", "sites.csv", "units.csv"} {
		var err error
		if files[name], err = r.File(ctx, name); err != nil {
			t.Fatal(err)
		}
	}
	plan, problems, err := r.Plan(ctx, files)
	if err != nil || len(problems) > 0 || len(plan.Changes) > 0 || plan.Unchanged < 7 {
		t.Errorf("got %+v, %v, %v", plan, problems, err)
	}
	if _, err := r.File(ctx, "../units.csv"); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("a file of another name: %v", err)
	}
}

// TestFilesAreRegisteredByTheForm goes the way of a browser without scripts:
// preview, registration, and the same form again.
func TestFilesAreRegisteredByTheForm(t *testing.T) {
	ts := newService(t)
	ts.registerText(t, map[string]string{"models.yaml": readFile(t, "catalogue", "models.yaml")})
	token, err := ts.server().token()
	if err != nil {
		t.Fatal(err)
	}
	post := func(path, kind string, body io.Reader, want int) string {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, ts.URL+path, body)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+token)
		req.Header.Set("Content-Type", kind)
		resp, err := http.DefaultTransport.RoundTrip(req)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		if err != nil || resp.StatusCode != want {
			t.Fatalf("POST %s: %s, want %d, %v\n%s", path, resp.Status, want, err, b)
		}
		return string(b) + resp.Header.Get("Location")
	}
	upload := func(units string, want int) string {
		t.Helper()
		var body bytes.Buffer
		form := multipart.NewWriter(&body)
		w, err := form.CreateFormFile("file", "ours.txt")
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(w, unitsHeader+units); err != nil {
			t.Fatal(err)
		}
		if err := form.Close(); err != nil {
			t.Fatal(err)
		}
		return post("/registry/import/preview", form.FormDataContentType(), &body, want)
	}
	page := upload("HB5-1,HB-5,st-1,,2025-11-01,,HB-5 home 2026,1\n", http.StatusOK)
	form := url.Values{}
	for _, m := range regexp.MustCompile(`type="hidden" name="([^"]*)" value="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		form.Add(m[1], html.UnescapeString(m[2]))
	}
	send := func(want int) string {
		t.Helper()
		return post("/registry/import", "application/x-www-form-urlencoded", strings.NewReader(form.Encode()), want)
	}
	if to := send(http.StatusSeeOther); !strings.HasSuffix(to, "/registry?done=1-0-0") {
		t.Errorf("leads to %s", to)
	}
	if again := send(http.StatusConflict); !strings.Contains(again, "Something has changed meanwhile") || !strings.Contains(again, "Nothing would change") {
		t.Errorf("sent again: %s", again)
	}
	wrong := upload("HB5-2,HB-5,,,,,,\n=HB5-3,HB-5,,,,,,\n", http.StatusUnprocessableEntity)
	if !strings.Contains(wrong, "ours.txt, line 3") || !strings.Contains(wrong, "begin it with a letter or a digit") {
		t.Errorf("told %s", wrong)
	}
	if units := string(ts.get(t, "/registry/units.csv")); units != unitsHeader+"HB5-1,HB-5,st-1,,2025-11-01,,HB-5 home 2026,1\n" {
		t.Errorf("registered %s", units)
	}
	list, err := ts.web.Trail(asConsole(t.Context()), analytics.TrailFilter{Object: "unit HB5-1", Deed: analytics.DeedRegistered})
	if err != nil || len(list) != 1 || list[0].Who != "tests" || list[0].Kind != analytics.KindToken {
		t.Errorf("the trail tells %+v, %v", list, err)
	}
}
