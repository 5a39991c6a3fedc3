package main

import (
	"encoding/csv"
	"encoding/xml"
	"errors"
	"fmt"
	"html"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
)

// What a page must not take for anything but text. x7 is in none of our words.
var payloads = []string{
	`<x7 onx7=1>`, `"><script src=//evil.example/x7></script>`, `' onmouseover='x7()`, `</title></textarea><x7>`, `javascript:x7()`, `{{x7}}<!--x7`,
	`=x7("A1")`, `@x7`, `-x7`, `+x7`,
}

// testHostileText puts the payloads into every text that can be kept, and then
// looks at every page.
func (r *accessRig) testHostileText(t *testing.T) {
	r.t = t
	r.registerHostile()
	r.deliverHostile()
	r.enterHostile()
	r.countAll()
	seen := r.crawl(t)
	t.Logf("%d answers looked at, of which %d tell a payload as text", seen.all, seen.told)
	// Each of these pages has to show one, or nothing is shown by its not being
	// there in other ways.
	for _, path := range []string{
		"/?serial=" + url.QueryEscape(payloads[0]), "/registry", "/registry/models", "/registry/sites", "/people", "/tokens", "/trail", "/ingest", "/ingest/quarantine", "/account",
		"/units/" + url.PathEscape(payloads[0]), "/sites/" + url.PathEscape(payloads[1]), "/stacks/" + url.PathEscape(payloads[2]), "/collectors/c-hostile",
		"/units.csv", "/registry/units.csv", "/registry/sites.csv", "/registry/models.yaml", "/trail.ndjson",
	} {
		if !seen.payloadAt[path] {
			t.Errorf("%s was to tell a payload", path)
		}
	}
}

// quoted is a cell of a table, or a text of YAML.
func quoted(text string) string { return `"` + strings.ReplaceAll(text, `"`, `""`) + `"` }

// formulas is how many of the last payloads a spreadsheet takes for one.
const formulas = 4

// registerHostile registers payloads as names of everything. Those that are
// formulas are refused in files, and put into the database past that.
func (r *accessRig) registerHostile() {
	var models, sites, units strings.Builder
	models.WriteString("models:\n")
	sites.WriteString("site,zone,country,region,installer\n")
	units.WriteString(unitHead)
	texts := payloads[:len(payloads)-formulas]
	for i, p := range texts {
		fmt.Fprintf(&models, "  - {name: %q, chemistry: %q, rated_kwh: 5.2, max_power_kw: 2.6}\n", p, p)
		fmt.Fprintf(&sites, "%s,,%s,%s,%s\n", quoted(p), quoted(p), quoted(p), quoted(p))
		other := texts[(i+1)%len(texts)]
		fmt.Fprintf(&units, "%s,%s,%s,%s,,2025-12-01,%s,\n", quoted(p), quoted(other), quoted(texts[(i+2)%len(texts)]), quoted(p), quoted("terms "+other))
	}
	models.WriteString("terms:\n")
	for _, p := range texts {
		fmt.Fprintf(&models, "  - {name: %q, model: %q, sold_from: 2025-01-01, years: 10, efc_cap: 4000}\n", "terms "+p, p)
	}
	r.register("models.yaml", models.String())
	r.register("sites.csv", sites.String())
	r.register("units.csv", units.String())
	for _, p := range payloads[len(texts):] {
		for _, c := range []call{
			r.file("models.yaml", fmt.Sprintf("models:\n  - {name: %q, rated_kwh: 5.2, max_power_kw: 2.6}\n", p)),
			r.file("sites.csv", "site\n"+quoted(p)+"\n"), r.file("units.csv", unitHead+quoted(p)+",HB-5,,,,,,\n"),
		} {
			r.want(http.StatusUnprocessableEntity, r.administrator, c)
		}
		ctx, serial := r.t.Context(), r.newUnit()
		_, err := r.owner.Pool().Exec(ctx, `INSERT INTO site (name, definition) SELECT $1, definition || jsonb_build_object('installer', $1::text) FROM site WHERE name = 'site-n'`, p)
		r.must(err)
		_, err = r.owner.Pool().Exec(ctx, `UPDATE unit SET serial = $1, stack = $1, site = $1 WHERE serial = $2`, p, serial)
		r.must(err)
	}
}

// deliverHostile hands in telemetry whose heads, cells and headers are payloads.
func (r *accessRig) deliverHostile() {
	var good, bad strings.Builder
	good.WriteString("unit,time,soc_pct\n")
	bad.WriteString("unit,time,soc_pct,power_w," + quoted(payloads[1]) + "," + quoted(payloads[6]) + "\n")
	for i, p := range payloads {
		for k := range 30 {
			fmt.Fprintf(&good, "%s,%s,%d\n", quoted(p), morning().Add(time.Duration(k)*time.Minute).Format(time.RFC3339), 40+k)
		}
		at := morning().Format(time.RFC3339)
		// A unit that is not there, and cells that hold no time, no number.
		fmt.Fprintf(&bad, "%s,%s,50,1,x,x\n%s,%s,50,1,x,x\n%s,%s,%s,1,x,x\n%s,%s,50,%s,x,x\n",
			quoted("no such "+p), at, quoted(p), quoted(p), quoted(p), at, quoted(p), quoted(payloads[i]), at, quoted(p))
	}
	disputed := strings.ReplaceAll(good.String(), ",40\n", ",90\n")
	for i, body := range []string{good.String(), disputed, bad.String(), payloads[1], "{" + payloads[0], `[{"` + html.EscapeString(payloads[1]) + `<x7>":1}]`} {
		kind := "text/csv"
		if i > 3 {
			kind = "application/json"
		}
		r.want(http.StatusAccepted, r.operations, call{method: http.MethodPost, path: "/api/v1/telemetry?collector=c-hostile", kind: kind, body: body,
			header: [][2]string{{"Fadeledger-Batch", payloads[0]}, {"Fadeledger-Series", payloads[1]}, {"Fadeledger-Number", strconv.Itoa(2 * (i + 1))}}})
	}
}

// enterHostile puts payloads into what people enter. What can be refused is
// told again on the page that refuses it.
func (r *accessRig) enterHostile() {
	for i, p := range payloads {
		unit := url.PathEscape(p)
		s := r.span("what", "nothing", "why", p, "seen", "e3b0c44298fc1c14")
		r.want(http.StatusSeeOther, r.manager, form("/units/"+unit+"/corrections", s...))
		r.want(http.StatusCreated, r.administrator, form("/people", "login", fmt.Sprintf("guest-x7-%d", i), "name", p, "role", "installer", "organisation", p))
		r.want(http.StatusCreated, r.administrator, form("/tokens", "name", p, "right", "see-units", "organisation", p, "days", "3"))
		r.want(http.StatusSeeOther, r.administrator, form("/collectors/c-hostile", "taking", "first-come", "prefixes", strings.ReplaceAll(p, " ", "")))
		r.want(http.StatusSeeOther, r.administrator, form("/collectors/c-hostile/units", "serials", payloads[0][:3]+"none", "do", "let-go", "unit", p))
		profile := fmt.Sprintf("# %s\nunit_prefix: %q\nfields:\n  soc_pct:\n    from: [%q]\n", p, p, p)
		r.want(http.StatusSeeOther, r.administrator, form("/collectors/c-hostile/profile", "do", "keep", "profile", profile))
		r.must(r.owner.Raise(r.t.Context(), analytics.AlarmDiffers, p, "alarm of "+p))
		r.must(r.owner.Raise(r.t.Context(), analytics.AlarmKind(p), p, p))
		browser := form("/sign-in", "login", r.administrator.login, "password", r.administrator.password)
		browser.header = [][2]string{{"User-Agent", p}}
		r.want(http.StatusSeeOther, r.nobody, browser)
		for _, c := range []call{
			form("/sign-in", "login", p, "password", p, "to", "/"+p), form("/welcome", "code", p), form("/people", "login", p, "name", p, "email", p, "role", p, "organisation", p),
			form("/tokens", "name", p, "right", p, "collector", p, "organisation", p, "days", p), form("/collectors", "name", p, "taking", p, "prefixes", p),
			form("/collectors/c-hostile/profile", "do", "try", "profile", "fields: ["+p, "lines", p), form("/collectors/c-hostile/units", "serials", p),
			form("/units/"+unit+"/corrections/preview", "from", p, "to", p, "why", p, "what", p, "collector", p, "text", p),
			form("/units/"+unit+"/corrections/preview", r.span("what", "samples", "why", p, "text", "unit,time,soc_pct\n"+p+","+p+","+p)...),
			form("/units/"+unit+"/corrections/preview", r.span("what", "nothing", "why", p, "collector", p)...),
			upload("/registry/import/preview", "file", "units"+p+".csv", unitHead+quoted(p)+","+quoted(p+p)+","+quoted(p)+","+quoted(p+p)+","+quoted(p)+",,,\n"),
			upload("/registry/import/preview", "file", "units.csv", unitHead+quoted("new "+p)+","+quoted(p)+",,"+quoted(p)+",,,,\n"),
			form("/registry/units/new", "unit", p+" ", "model", p, "terms", p, "site", p+p, "stack", p, "position", p, "shipped", p, "commissioned", p),
			form("/registry/sites/new", "site", "new "+p, "zone", p, "country", p, "region", p, "placement", p, "installer", p),
			form("/trail/check", "heads", p), form("/ingest/quarantine/release", "reason", p), form("/account/password", "old", p, "password", p, "again", p+p),
		} {
			a := r.send(r.server, r.administrator, c)
			if a.status >= 500 {
				r.t.Errorf("%s with %q: %d", c.path, p, a.status)
			}
			r.checkHarmless(r.t, c.path+" with "+p, a)
		}
	}
}

// crawled is what a crawl saw.
type crawled struct {
	all, told int
	payloadAt map[string]bool
}

var link = regexp.MustCompile(`(?:href|action)="(/[^"]*)"`)

// crawl asks for every page and file that an administrator gets to, and for
// what is asked for with a payload.
func (r *accessRig) crawl(t *testing.T) crawled {
	c := crawled{payloadAt: map[string]bool{}}
	var paths []string
	for _, row := range accessRows(t) {
		if row.method == http.MethodGet && !strings.Contains(row.asked, "{") {
			paths = append(paths, row.asked)
		}
	}
	for _, p := range payloads[:3] {
		for _, filter := range filters {
			escaped := url.QueryEscape(p)
			if path, _, _ := strings.Cut(filter, "?"); strings.Contains(path, "·") {
				escaped = url.PathEscape(p)
			}
			paths = append(paths, strings.ReplaceAll(filter, "·", escaped))
		}
		paths = append(paths, "/"+url.PathEscape(p), "/api/v1/"+url.PathEscape(p), "/sign-in?to="+url.QueryEscape("/"+p))
	}
	queued := map[string]bool{}
	for len(paths) > 0 {
		path, _, _ := strings.Cut(paths[0], "#")
		paths = paths[1:]
		// Units and people that other tests made by the hundred are all alike.
		if queued[path] || madeForOne.MatchString(path) {
			continue
		}
		queued[path] = true
		if len(queued) > 4000 {
			t.Fatal("the pages have no end")
		}
		a := r.send(r.server, r.administrator, call{path: path})
		if a.status >= 500 {
			t.Errorf("%s: %d\n%.300s", path, a.status, a.body)
		}
		c.all++
		if r.checkHarmless(t, path, a) {
			c.told++
			c.payloadAt[path] = true
		}
		for _, l := range link.FindAllStringSubmatch(a.body, -1) {
			if strings.HasPrefix(a.header.Get("Content-Type"), "text/html") {
				paths = append(paths, html.UnescapeString(l[1]))
			}
		}
	}
	return c
}

// madeForOne are pages of what was made for one request; and lists sorted
// otherwise.
var madeForOne = regexp.MustCompile(`^/(registry/)?units/KL[NB]-|^/units/KLA-0002|^/people/\d\d|^/sites/site-n-|^/registry/sites/site-n-|^/collectors/c-new|^/registry/models/M-|[?&](after|before|span|until)=[^&]*\d`)

// checkHarmless looks at an answer by its kind; it reports whether a payload is
// told in it.
func (r *accessRig) checkHarmless(t testing.TB, path string, a answer) bool {
	t.Helper()
	if a.header.Get("X-Content-Type-Options") != "nosniff" || !strings.HasPrefix(a.header.Get("Content-Security-Policy"), "default-src 'none'; script-src 'self'; style-src 'self';") || a.header.Get("X-Frame-Options") != "DENY" {
		t.Errorf("%s is answered without the headers that keep a page to itself: %v", path, a.header)
	}
	kind, _, _ := strings.Cut(a.header.Get("Content-Type"), ";")
	told := strings.Contains(a.body, "x7")
	switch kind {
	case "text/html":
		if a.header.Get("Location") != "" {
			break // http.Redirect's own link; whoever follows it never sees it
		}
		if err := onlyOurs(a.body); err != nil {
			t.Errorf("%s: %v", path, err)
		}
	case "text/csv":
		checkCells(t, path, a.body)
	case "application/json", "application/problem+json", "application/x-ndjson", "application/yaml", "text/plain", "text/yaml", "":
	case "text/css", "text/javascript", "image/svg+xml", "application/openapi+json", "application/openapi+yaml", "application/vnd.oai.openapi+json", "application/vnd.oai.openapi":
		if told {
			t.Errorf("%s holds a payload", path)
		}
	default:
		t.Errorf("%s is of kind %q", path, kind)
	}
	return told
}

// checkCells: no cell of a table is taken for a formula.
func checkCells(t testing.TB, path, body string) {
	t.Helper()
	rows := csv.NewReader(strings.NewReader(body))
	rows.FieldsPerRecord = -1
	for {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Errorf("%s: %v", path, err)
			return
		}
		for _, cell := range row {
			if _, err := strconv.ParseFloat(cell, 64); err != nil && cell != "" && strings.ContainsRune("=+-@\t\r\n", rune(cell[0])) {
				t.Errorf("%s holds the cell %q", path, cell)
			}
		}
	}
}

// The elements and attributes of our pages.
var (
	elements = strings.Fields(`a article aside body br button code datalist dd details div dl dt em fieldset footer form h1 h2 h3 h4 head header html input label legend li link main
		meta nav ol option p path pre progress script section select small span strong summary svg table tbody td textarea th thead time title tr ul
		circle defs desc g line pattern polyline rect text tspan`)
	attributes = strings.Fields(`accept action aria-atomic aria-current aria-describedby aria-hidden aria-invalid aria-label aria-labelledby aria-live aria-sort autocapitalize
		autocomplete charset checked class cols colspan content d data-code data-every data-label data-live datetime download enctype for form height href id lang list max maxlength method min multiple
		name open pattern readonly rel required role rows scope selected spellcheck src step tabindex title type value viewBox width
		cx cy dominant-baseline points r rx text-anchor transform x x1 x2 y y1 y2 patternUnits`)
)

// onlyOurs looks at a page as a browser reads it: it gives an error for an
// element or an attribute that is none of ours, and for an address that leads
// elsewhere.
func onlyOurs(page string) error {
	d := xml.NewDecoder(strings.NewReader(page))
	d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
	inScript := false
	for {
		token, err := d.RawToken()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("cannot be read: %w", err)
		}
		switch x := token.(type) {
		case xml.StartElement:
			inScript = x.Name.Local == "script"
			if err := ourElement(x); err != nil {
				return fmt.Errorf("%w in …%s…", err, page[max(0, int(d.InputOffset())-200):d.InputOffset()])
			}
		case xml.EndElement:
			inScript = false
			if !slices.Contains(elements, x.Name.Local) {
				return fmt.Errorf("the end of %q", x.Name.Local)
			}
		case xml.CharData:
			if inScript && strings.TrimSpace(string(x)) != "" {
				return fmt.Errorf("script within the page: %.100q", x)
			}
		case xml.Comment, xml.ProcInst:
			return fmt.Errorf("something that we do not write: %.100v", x)
		}
	}
}

func ourElement(x xml.StartElement) error {
	if !slices.Contains(elements, x.Name.Local) {
		return fmt.Errorf("element %q", x.Name.Local)
	}
	for _, a := range x.Attr {
		name := a.Name.Local
		if a.Name.Space != "" {
			name = a.Name.Space + ":" + name
		}
		if !slices.Contains(attributes, name) {
			return fmt.Errorf("attribute %q of %q", name, x.Name.Local)
		}
		elsewhere := !strings.HasPrefix(a.Value, "/") && !strings.HasPrefix(a.Value, "#") && !strings.HasPrefix(a.Value, "?") || strings.HasPrefix(a.Value, "//") || strings.HasPrefix(a.Value, `/\`)
		switch name {
		case "href", "action", "formaction":
			if elsewhere {
				return fmt.Errorf("%s of %q leads to %q", name, x.Name.Local, a.Value)
			}
		case "src":
			if !strings.HasPrefix(a.Value, "/static/") {
				return fmt.Errorf("%q is loaded from %q", x.Name.Local, a.Value)
			}
		}
	}
	return nil
}

// TestOnlyOurs: what stands before pages finds what must not be in them.
func TestOnlyOurs(t *testing.T) {
	for page, fine := range map[string]bool{
		`<!doctype html><p class="x">a &lt;x7&gt; &#34; &nbsp;<br><input type="text" value="&#34;&gt;&lt;x7" required></p>`: true,
		`<a href="/units/javascript:x7%28%29">x</a><script type="module" src="/static/live.js"></script>`:                   true,
		`<p><x7></p>`: false, `<p onx7="1">`: false, `<p style="x">`: false, `<input value="" onmouseover='x7()'>`: false, `<script>x7()</script>`: false,
		`<script src=//evil.example/x7></script>`: false, `<a href="javascript:x7()">`: false, `<a href="//evil.example">`: false, `<form action="https://evil.example">`: false,
		`<iframe src="/static/x">`: false, `<p></p><!--x7-->`: false, `<svg><animate></animate></svg>`: false, `<a href="/\evil.example">`: false, `</x7>`: false,
	} {
		if err := onlyOurs(page); (err == nil) != fine {
			t.Errorf("%s: %v", page, err)
		}
	}
}
