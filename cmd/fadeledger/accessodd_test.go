package main

import (
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"
)

// tryHosts asks under another name, as a page does whose name was made to point
// here.
func (r *accessRig) tryHosts(t *testing.T) {
	for _, host := range []string{"evil.example", "127.0.0.1.evil.example", "evil.example:80", "localhost.evil.example", "0.0.0.0", "[::]", "127.0.0.2"} {
		r.unchanged(t, host, func() {
			for _, c := range []call{{path: "/"}, {path: "/healthz"}, {path: "/api/v1/units"}, {path: "/sign-in"},
				form(fmt.Sprintf("/people/%d/code", r.number(`SELECT min(person_id) FROM person`)))} {
				c.header = [][2]string{{"Host", host}}
				if a := r.send(r.server, r.administrator, c); a.status != http.StatusMisdirectedRequest || strings.Contains(a.body, "evil") {
					t.Errorf("%s under %s: %d", c.path, host, a.status)
				}
			}
		})
	}
	// What a proxy is said to have heard makes no difference, either.
	c := form(fmt.Sprintf("/people/%d/code", r.somePerson()))
	c.header = [][2]string{{"X-Forwarded-Host", "evil.example"}, {"Forwarded", "host=evil.example;proto=https"}, {"X-Forwarded-Proto", "https"}, {"X-Original-URL", "/people"}, {"X-Rewrite-URL", "/people"}}
	if a := r.want(http.StatusCreated, r.administrator, c); strings.Contains(a.body, "evil.example") || !strings.Contains(a.body, "http://127.0.0.1") {
		t.Error("a one-time link is made for another host")
	}
	c = call{path: "/people", header: [][2]string{{"X-Forwarded-For", "127.0.0.1"}, {"X-Original-URL", "/units.csv"}, {"X-HTTP-Method-Override", "POST"}}}
	if a := r.send(r.server, r.installer, c); a.status != http.StatusForbidden {
		t.Errorf("the list of people: %d", a.status)
	}
	r.send(r.server, r.nobody, call{path: "/api/v1/me", header: [][2]string{{"Authorization", "Bearer fl_nothing"}, {"X-Forwarded-For", "203.0.113.9"}}})
	if n := r.number(`SELECT count(*) FROM trail WHERE body LIKE '%203.0.113.9%'`); n != 0 {
		t.Error("an address is believed that no proxy of ours has told")
	}
}

// tryLargeBodies sends more than is taken.
func (r *accessRig) tryLargeBodies(t *testing.T) {
	const mega = 1 << 20
	large := func(path, kind string, size int) call {
		return call{method: http.MethodPost, path: path, kind: kind, body: "x=" + strings.Repeat("y", size)}
	}
	const formKind = "application/x-www-form-urlencoded"
	profile := large("/api/v1/collectors/c-n/profile", "application/yaml", mega)
	profile.method = http.MethodPut
	for _, x := range []struct {
		who visitor
		call
	}{
		{r.nobody, large("/sign-in", formKind, mega)}, {r.nobody, large("/welcome", formKind, mega)}, {r.nobody, large("/welcome/use", formKind, mega)},
		{r.administrator, large("/people", formKind, mega)}, {r.administrator, large("/tokens", formKind, mega)}, {r.administrator, large("/collectors", formKind, mega)},
		{r.administrator, large("/collectors/asking", formKind, 2*mega)}, {r.administrator, large("/ingest/quarantine/release", formKind, mega)},
		{r.administrator, large("/trail/check", formKind, mega)}, {r.administrator, large("/account/password", formKind, mega)},
		{r.administrator, large("/units/KLA-0001/corrections", formKind, 9*mega)}, {r.administrator, large("/registry/import", formKind, 9*mega)},
		{r.administrator, large("/api/v1/people", "application/json", 2*mega)}, {r.administrator, large("/api/v1/telemetry", "text/csv", 9*mega)},
		{r.administrator, large("/api/v1/register?name=units.csv", "text/csv", 9*mega)}, {r.administrator, profile},
		{r.administrator, large("/api/v1/units/KLA-0001/corrections?why=x&from=2026-01-01T00:00:00Z&to=2026-01-02T00:00:00Z", "text/csv", 9*mega)},
	} {
		r.unchanged(t, x.path, func() {
			began := time.Now()
			a := r.send(r.server, x.who, x.call)
			if a.status != http.StatusRequestEntityTooLarge && a.status != http.StatusBadRequest && a.status != http.StatusUnprocessableEntity {
				t.Errorf("%d bytes to %s: %d", len(x.body), x.path, a.status)
			}
			if took := time.Since(began); took > 5*time.Second {
				t.Errorf("%s took %v", x.path, took)
			}
		})
	}
	if a := r.send(r.server, r.nobody, call{path: "/", header: [][2]string{{"X-Much", strings.Repeat("x", 200<<10)}}}); a.status != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("200 KiB of headers: %d", a.status)
	}
}

var onlyFileName = regexp.MustCompile(`^attachment; filename="[A-Za-z0-9._-]+"$`)

// tryHeaders puts ends of lines and quotes into what stands in headers.
func (r *accessRig) tryHeaders(t *testing.T) {
	odd := []string{`KL";filename="x.html`, "KL'; x=y", "KL<b>", "KL,a", "KL é", `KL\"x`}
	text := unitHead
	for _, serial := range odd {
		text += `"` + strings.ReplaceAll(serial, `"`, `""`) + `",HB-5,,,,,,` + "\n"
	}
	r.register("units.csv", text)
	for _, serial := range odd {
		for _, file := range []string{"samples.csv", "days.csv"} {
			a := r.want(http.StatusOK, r.administrator, call{path: "/units/" + url.PathEscape(serial) + "/" + file})
			disposition := a.header.Values("Content-Disposition")
			if len(disposition) != 1 || !onlyFileName.MatchString(disposition[0]) {
				t.Errorf("unit %q is saved as %q", serial, disposition)
			}
		}
	}
	for _, path := range []string{
		"/units/KL%0d%0aX-Planted:%20yes/samples.csv", "/units/KL%0d%0aX-Planted:%20yes", "/units/KL%0aX-Planted:%20yes/corrections", "/sign-in?to=/%0d%0aX-Planted:%20yes",
		"/?serial=%0d%0aX-Planted:%20yes", "/collectors/c%0d%0aX-Planted:%20yes", "/%0d%0aX-Planted:%20yes", "/units.csv?serial=%0d%0aX-Planted:%20yes",
	} {
		for _, who := range []visitor{r.administrator, r.nobody} {
			a := r.send(r.server, who, call{path: path})
			if a.header.Get("X-Planted") != "" || a.status >= 500 || strings.ContainsAny(a.header.Get("Location"), "\r\n") {
				t.Errorf("%s as %s: %d %v", path, who.name, a.status, a.header)
			}
		}
	}
	c := telemetryOf("c-a")(r, r.delivers, r.own)
	c.header = [][2]string{{"Fadeledger-Batch", "a\u0085b"}, {"Fadeledger-Lines", "1:2"}}
	if a := r.send(r.server, r.delivers, c); a.status >= 500 {
		t.Errorf("an odd batch: %d", a.status)
	}
}

// sqlTexts are what ends a text in SQL, or means more than itself.
var sqlTexts = []string{
	"' OR '1'='1", "'; DROP TABLE unit; --", `" OR ""="`, "%", "_", `\'`, "1 UNION SELECT login, password FROM person", "$1", "') OR true --",
	"\x00", "\xff\xfe", "-1", "99999999999999999999999", strings.Repeat("a", 5000), "pace) DESC; --",
}

// filters are all filters of the service, "·" where what is looked for stands.
var filters = []string{
	"/?serial=·", "/?site=·", "/?model=·", "/?flag=·", "/?sort=·", "/?after=·", "/?reverse=·", "/?part=live&site=·",
	"/units.csv?serial=·", "/units.csv?site=·", "/units.csv?model=·", "/units.csv?flag=·", "/units.csv?sort=·",
	"/units/·", "/units/·/samples.csv", "/units/·/days.csv", "/units/·/disputes", "/units/·/corrections", "/units/·/corrections/new",
	"/units/KLA-0001?span=·", "/units/KLA-0001?until=·", "/units/KLA-0001/samples.csv?from=·", "/units/KLA-0001/days.csv?to=·",
	"/units/KLA-0001/corrections/·", "/units/KLA-0001/corrections/new?from=·", "/units/KLA-0001/disputes/choice?at=·",
	"/sites/·", "/stacks/·", "/registry/models/·", "/registry/terms/·", "/registry/sites?after=·", "/registry/sites/·/edit", "/registry/units/·/edit", "/registry?done=·",
	"/ingest/quarantine?reason=·", "/ingest/quarantine?after=·", "/ingest?seen=·",
	"/collectors/·", "/collectors/c-a?find=·", "/collectors/c-a?after=·", "/collectors/c-a?done=·",
	"/people/·", "/people/·/code", "/tokens?done=·", "/trail?who=·", "/trail?deed=·", "/trail?object=·", "/trail?before=·",
	"/api/v1/units?serial=·", "/api/v1/units?site=·", "/api/v1/units?model=·", "/api/v1/units?flag=·", "/api/v1/units?sort=·", "/api/v1/units?after=·", "/api/v1/units?limit=·",
	"/api/v1/units/·", "/api/v1/units/·/ledger", "/api/v1/units/·/days", "/api/v1/units/·/samples", "/api/v1/units/·/stays", "/api/v1/units/·/corrections",
	"/api/v1/units/KLA-0001/days?from=·", "/api/v1/units/KLA-0001/samples?from=·", "/api/v1/units/KLA-0001/versions?from=·&to=·", "/api/v1/units/KLA-0001/disputes?limit=·",
	"/api/v1/units/KLA-0001/corrections/·", "/api/v1/sites?after=·", "/api/v1/sites/·", "/api/v1/stacks/·",
	"/api/v1/deliveries?before=·", "/api/v1/deliveries/·", "/api/v1/quarantine?reason=·", "/api/v1/quarantine?after=·",
	"/api/v1/collectors/·", "/api/v1/collectors/·/profile", "/api/v1/collectors/·/batches", "/api/v1/collectors/c-a/batches?prefix=·", "/api/v1/collectors/c-a/receipts?series=·",
	"/api/v1/collectors/c-a/units?after=·", "/api/v1/asking?limit=·",
	"/api/v1/trail?who=·", "/api/v1/trail?deed=·", "/api/v1/trail?object=·", "/api/v1/trail?before=·", "/api/v1/trail/check?number=1&hash=·",
}

// trySQL looks for SQL in every filter: it finds what a value finds that nobody
// has, and nothing is changed by it.
func (r *accessRig) trySQL(t *testing.T) {
	const unknown = "zzz-unknown"
	r.unchanged(t, "a filter", func() {
		for _, filter := range filters {
			ask := func(text string) answer {
				escaped := url.QueryEscape(text)
				if path, _, _ := strings.Cut(filter, "?"); strings.Contains(path, "·") {
					escaped = url.PathEscape(text)
				}
				a := r.send(r.server, r.administrator, call{path: strings.ReplaceAll(filter, "·", escaped)})
				// What was asked for may be told back.
				a.body = strings.ReplaceAll(a.body, text, "·")
				return a
			}
			want := ask(unknown)
			if want.status >= 500 {
				t.Errorf("%s of nothing: %d", filter, want.status)
			}
			for _, text := range sqlTexts {
				began := time.Now()
				got := ask(text)
				if got.status >= 500 {
					t.Errorf("%s with %.40q: %d\n%.300s", filter, text, got.status, got.body)
				}
				if took := time.Since(began); took > 5*time.Second {
					t.Errorf("%s with %.40q took %v", filter, text, took)
				}
				if got.status >= 400 {
					continue
				}
				// Numbers are numbers, and what is a place in an order comes before or
				// after what there is.
				if text == "-1" || strings.Contains(filter, "after=") {
					continue
				}
				if got.status != want.status || found(got) != found(want) {
					t.Errorf("%s with %.40q: %d with %d rows, want %d with %d as for what nobody has", filter, text, got.status, found(got), want.status, found(want))
				}
			}
		}
	})
}

// found counts the rows of a page, a file or a list.
func found(a answer) int {
	switch kind := a.header.Get("Content-Type"); {
	case strings.HasPrefix(kind, "text/html"):
		return strings.Count(a.body, "<tr")
	case strings.HasPrefix(kind, "text/csv"):
		return strings.Count(a.body, "\n")
	}
	return strings.Count(a.body, "{")
}
