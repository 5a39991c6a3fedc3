package web_test

import (
	"context"
	"encoding/csv"
	"errors"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/web"
	"fadeledger/web/api"
	"fadeledger/web/webtest"
)

// manager is who asks in tests that are not about who asks.
var manager = analytics.Principal{Kind: analytics.KindPerson, ID: 4, Name: "m.aalto", Role: analytics.RoleServiceManager}

// handler builds the site over a ledger at the time at which it stands, for
// manager where it is not said for whom.
func handler(t *testing.T, cfg web.Config) http.Handler {
	t.Helper()
	if cfg.Gate == nil && cfg.As.Nobody() {
		cfg.As = manager
	}
	cfg.Now = func() time.Time { return webtest.Now }
	h, err := web.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func fleetSite(t *testing.T) http.Handler {
	t.Helper()
	return handler(t, web.Config{Ledger: webtest.Fleet(137)})
}

// get asks for a path and checks the status.
func get(t *testing.T, h http.Handler, path string, status int) *httptest.ResponseRecorder {
	t.Helper()
	return request(t, h, http.MethodGet, path, status)
}

func request(t *testing.T, h http.Handler, method, path string, status int) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(method, path, nil))
	if w.Code != status {
		t.Fatalf("%s %s answered %d, want %d\n%s", method, path, w.Code, status, w.Body.String())
	}
	return w
}

// words is the page without markup and with ordinary spaces.
func words(page string) string {
	page = regexp.MustCompile(`<[^>]*>`).ReplaceAllString(page, " ")
	page = strings.NewReplacer("\u00a0", " ", "&nbsp;", " ", "\u202f", " ", "&#43;", "+", "&#39;", "'").Replace(page)
	return regexp.MustCompile(`\s+`).ReplaceAllString(page, " ")
}

func contains(t *testing.T, text string, wants ...string) {
	t.Helper()
	for _, want := range wants {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing", want)
		}
	}
}

func lacks(t *testing.T, text string, unwanted ...string) {
	t.Helper()
	for _, u := range unwanted {
		if strings.Contains(text, u) {
			t.Errorf("%q should not be there", u)
		}
	}
}

func TestNewNeedsALedger(t *testing.T) {
	t.Parallel()
	if _, err := web.New(web.Config{}); err == nil {
		t.Error("a site without a ledger was built")
	}
}

func TestEveryPageIsSecured(t *testing.T) {
	t.Parallel()
	h := fleetSite(t)
	for path, status := range map[string]int{
		"/": 200, "/units/HB5-20491": 200, "/ingest": 200, "/ingest/quarantine": 200, "/about/numbers": 200, "/api": 200,
		"/units/none": 404, "/none": 404, "/api/v1/none": 404, "/api/v1/fleet": 200, "/healthz": 200,
	} {
		w := get(t, h, path, status)
		for name, want := range map[string]string{
			"Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
			"X-Content-Type-Options":  "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "same-origin", "Cache-Control": "private, no-cache",
		} {
			if got := w.Header().Get(name); got != want {
				t.Errorf("%s: %s is %q, want %q", path, name, got, want)
			}
		}
		if strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
			lacks(t, w.Body.String(), " style=", "<style", "<script>", " onclick", "javascript:", "http://", "https://")
		}
	}
}

func TestFleetPage(t *testing.T) {
	t.Parallel()
	page := get(t, fleetSite(t), "/", 200).Body.String()
	text := words(page)
	contains(t, text, "131 of 137", "542.9 MWh", "501.2 MWh", "74 870 EFC", "84.3 %",
		"36 units use up warranted life faster than the term runs; 22 were charged below the cold limit.",
		"36 ahead of warranty", "22 charged cold", "11 silent", "5 thin data",
		"HB10-23784", "1.29 ×", "28 Jun 2033", "14 units have no pace yet")
	contains(t, page, `href="/?flag=cold#units"`, `aria-sort="descending"`, `<a class="skip" href="#main">`,
		`aria-label="26.9`, `href="/units/HB5-20491"`[:12])
	if got := strings.Count(page, `<tr role="row">`); got != 51 {
		t.Errorf("%d rows with the head, want 51", got)
	}
}

func TestFleetPageSaysWhatIsUnknown(t *testing.T) {
	t.Parallel()
	early := analytics.InstantOf(webtest.Now).Day() - 5
	spent := 0.01
	l := &webtest.Ledger{Rows: []analytics.UnitRow{
		{Unit: analytics.Unit{Serial: "NO-TERMS", Model: "HB-5"}},
		{Unit: analytics.Unit{Serial: "TOO-EARLY", Model: "HB-5", Terms: "x", Commissioned: &early}, Spent: &spent},
	}}
	text := words(get(t, handler(t, web.Config{Ledger: l}), "/", 200).Body.String())
	contains(t, text, "unknown: no terms", "unknown: needs 30 covered days", "never")
	lacks(t, text, "0.00 ×")
}

func TestEmptyFleet(t *testing.T) {
	t.Parallel()
	h := handler(t, web.Config{Ledger: &webtest.Ledger{}})
	contains(t, words(get(t, h, "/", 200).Body.String()), "No unit is registered yet.", "Coverage unknown")
	contains(t, words(get(t, h, "/?flag=cold", 200).Body.String()), "No unit matches.", "Clear filter")
	contains(t, words(get(t, h, "/ingest", 200).Body.String()), "Nothing has come in yet.", "No collector has delivered yet.")
}

func TestFleetFilterReachesTheLedger(t *testing.T) {
	t.Parallel()
	l := webtest.Fleet(60)
	h := handler(t, web.Config{Ledger: l})
	page := get(t, h, "/?serial=HB5-2&model=HB-5&site=birch-lane-01&flag=cold&sort=efc&reverse=1&after=0", 200).Body.String()
	want := analytics.UnitFilter{Serial: "HB5-2", Model: "HB-5", Site: "birch-lane-01", Flag: analytics.FlagCold,
		Sort: analytics.SortEFC, Ascending: true, After: "0", Limit: 50}
	if len(l.Asked) != 1 || l.Asked[0] != want {
		t.Errorf("asked %+v, want %+v", l.Asked, want)
	}
	contains(t, page, `value="HB5-2"`, `<option value="cold" selected>`, `<option value="efc" selected>`, `value="1" checked`, `aria-sort="ascending"`,
		`href="/units.csv?flag=cold&amp;model=HB-5&amp;reverse=1&amp;serial=HB5-2&amp;site=birch-lane-01&amp;sort=efc"`)
}

func TestFleetPagesByCursor(t *testing.T) {
	t.Parallel()
	h := fleetSite(t)
	next := regexp.MustCompile(`rel="next" href="([^"#]*)`)
	seen := map[string]bool{}
	path, pages := "/?sort=serial", 0
	for path != "" {
		page := get(t, h, path, 200).Body.String()
		for _, m := range regexp.MustCompile(`class="serial" href="([^"]*)"`).FindAllStringSubmatch(page, -1) {
			seen[m[1]] = true
		}
		path, pages = "", pages+1
		if m := next.FindStringSubmatch(page); m != nil {
			path = strings.ReplaceAll(m[1], "&amp;", "&")
		}
	}
	if pages != 3 || len(seen) != 137 {
		t.Errorf("%d units on %d pages, want 137 on 3", len(seen), pages)
	}
}

func TestBadFilterIsToldInWords(t *testing.T) {
	t.Parallel()
	for _, path := range []string{"/?flag=none", "/?sort=colour", "/?after=stale", "/units.csv?flag=none", "/ingest?before=x", "/ingest/quarantine?after=x"} {
		contains(t, words(get(t, fleetSite(t), path, 400).Body.String()), "That question cannot be answered")
	}
}

func TestLivePart(t *testing.T) {
	t.Parallel()
	h := handler(t, web.Config{Ledger: webtest.Fleet(30), Progress: func() web.Progress { return web.Progress{Done: 3, Total: 12} }})
	page := get(t, h, "/?part=live", 200).Body.String()
	contains(t, page, `<progress max="12" value="3"`, "Still loading: 3 of 12 deliveries of the history published.")
	lacks(t, page, "<html", "<table")
	contains(t, get(t, h, "/ingest?part=live", 200).Body.String(), "Every row accounted for")
	done := handler(t, web.Config{Ledger: webtest.Fleet(30), Progress: func() web.Progress { return web.Progress{Done: 12, Total: 12} }})
	lacks(t, get(t, done, "/", 200).Body.String(), "<progress")
}

func TestBanners(t *testing.T) {
	t.Parallel()
	h := handler(t, web.Config{Ledger: webtest.Fleet(1), Banners: []string{"demo <data>"}})
	contains(t, get(t, h, "/", 200).Body.String(), `<p class="banner">demo &lt;data&gt;</p>`)
}

func TestHostileNamesAreEscaped(t *testing.T) {
	t.Parallel()
	serial := analytics.Serial("=\"><script>alert(1)</script>/\u202e")
	spent, p := 0.2, 1.5
	last := analytics.InstantOf(webtest.Now)
	first := last - 90_000_000
	l := webtest.Fleet(1)
	l.Rows = []analytics.UnitRow{{Unit: analytics.Unit{Serial: serial, Model: string(serial), Site: string(serial)}, Spent: &spent, Pace: &p, First: &first, Last: &last}}
	l.Quarantined = []analytics.Quarantined{{Raw: []byte("</code><script>\x00\xff"), Message: string(serial), Serial: serial, Collector: string(serial), Field: string(serial)}}
	h := handler(t, web.Config{Ledger: l})
	page := get(t, h, "/", 200).Body.String()
	lacks(t, page, "<script>alert", "\u202e")
	href := regexp.MustCompile(`class="serial" href="([^"]*)"`).FindStringSubmatch(page)[1]
	unit := get(t, h, href, 200).Body.String()
	lacks(t, unit, "<script>alert", "\u202e")
	contains(t, unit, "&lt;script&gt;alert(1)", `\u{202E}`)
	rows := get(t, h, "/ingest/quarantine", 200).Body.String()
	lacks(t, rows, "<script>", "\x00")
	contains(t, rows, `&lt;/code&gt;&lt;script&gt;\u{0}\xFF`)
	get(t, h, "/api/v1"+href+"/ledger", 200)
	w := get(t, h, href+"/days.csv", 200)
	if got := w.Header().Get("Content-Disposition"); strings.ContainsAny(strings.TrimPrefix(got, `attachment; filename="`), "<>/\\=") {
		t.Errorf("file name %q", got)
	}
	records, err := csv.NewReader(get(t, h, "/units.csv", 200).Body).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := records[1][0]; got != "'"+string(serial) {
		t.Errorf("first cell %q could be read as a formula", got)
	}
}

func TestUnitPage(t *testing.T) {
	t.Parallel()
	page := get(t, fleetSite(t), "/units/HB5-20491", 200).Body.String()
	contains(t, words(page), "On course: 9 % of the warranted life is spent while 24 % of the term has passed.",
		"8.5 %", "0.36 ×", "370.7 EFC", "(charge + discharge) ÷ 2 × rated energy of 5.20 kWh", "lifetime counters 1.66 MWh 1.54 MWh 83.0 %",
		"cold charge charged faster than the model allows", "0.31 C, allowed 0.086 C", "went on within the limit while still cold (curtailed, or short of power)",
		"one sample", "Show all 37 episodes", "11 Jul 2034", "Warranted cycles at 95 % depth 6200", "Cold charging allowed 5.00 kWh in all",
		"Times are local to the site (Europe/Helsinki, UTC+02:00", "days are UTC days", "authority having jurisdiction",
		"412 late samples", "3 rows of this unit wait in quarantine", "cycles shallower than 2 %")
	contains(t, page, `href="/api/v1/units/HB5-20491/ledger"`, `href="/units/HB5-20491/samples.csv?from=2026-11-17&amp;to=2026-11-24"`,
		`class="band ink-`, "ink-mark-cold", `href="/units/HB5-20491?span=7d&amp;until=2026-11-17#history"`)
	if all := get(t, fleetSite(t), "/units/HB5-20491?excursions=all", 200).Body.String(); strings.Count(all, "How it ended") < 38 {
		t.Error("not all episodes are listed")
	}
}

func TestUnitPageSpans(t *testing.T) {
	t.Parallel()
	h := fleetSite(t)
	for _, span := range []string{"1d", "30d"} {
		contains(t, get(t, h, "/units/HB5-20491?span="+span, 200).Body.String(), "power, kW")
	}
	for _, span := range []string{"90d", "1y", "5y"} {
		contains(t, get(t, h, "/units/HB5-20491?span="+span, 200).Body.String(), "energy per day, kWh")
	}
	contains(t, words(get(t, h, "/units/HB5-20491?span=1d&until=2026-10-01", 200).Body.String()),
		"1 Oct 2026, 03:00 to 2 Oct 2026, 02:59", "Later")
}

func TestUnitWithoutSamplesOrTerms(t *testing.T) {
	t.Parallel()
	l := webtest.Fleet(30)
	h := handler(t, web.Config{Ledger: l})
	var silent, noTerms string
	for _, u := range l.Rows {
		if u.Last == nil {
			silent = string(u.Serial)
		} else if u.Terms == "" {
			noTerms = string(u.Serial)
		}
	}
	contains(t, words(get(t, h, "/units/"+silent, 200).Body.String()), "No sample of this unit counts yet.", "Full cycles unknown",
		"No sample counts yet.", "limits could not be checked")
	contains(t, words(get(t, h, "/units/"+noTerms, 200).Body.String()), "No terms are registered for this unit", "Life spent unknown")
}

func TestUnknownUnitSaysWhatToCheck(t *testing.T) {
	t.Parallel()
	for _, path := range []string{"/units/HB5-2O491", "/units/HB5-2O491/samples.csv", "/units/HB5-2O491/days.csv"} {
		contains(t, words(get(t, fleetSite(t), path, 404).Body.String()), "No unit has the serial HB5-2O491", "Compare the serial with the type plate")
	}
}

func TestIngestPage(t *testing.T) {
	t.Parallel()
	stored := analytics.InstantOf(webtest.Now) - 1000
	h := handler(t, web.Config{Ledger: webtest.Fleet(3), Broker: webtest.Stream{State: analytics.StreamState{
		Name: "TELEMETRY", Pending: 12, Unacked: 4, Bytes: 1 << 20, LastStoredAt: &stored}}})
	page := get(t, h, "/ingest", 200).Body.String()
	contains(t, words(page), "16 deliveries wait to be counted.", "163 092 read rows in deliveries = 162 138 accepted new instants + 895 duplicates",
		"The two sides are equal", "unknown-unit 212", "90210", "rooftop_gw", "848 ms", "holds 1.0 MiB",
		"Counted, and worth a look", "unit HB5-20417: the state of charge falls while it charges", "c-01 3 deliveries 1 min ago")
	contains(t, page, `href="/ingest/quarantine?reason=unknown-unit"`, `href="/ingest?before=90186#deliveries"`)
	contains(t, get(t, h, "/ingest?before=90186", 200).Body.String(), ">90185<", "Newest")
}

func TestIngestTellsOfTrouble(t *testing.T) {
	t.Parallel()
	l := webtest.Fleet(3)
	l.Way.Tally.Read += 5
	h := handler(t, web.Config{Ledger: l, Broker: webtest.Stream{Err: errors.New("no route")}})
	text := words(get(t, h, "/ingest", 200).Body.String())
	contains(t, text, "The tally does not balance", "The two sides differ by 5 rows", "The broker did not answer", "Pending unknown")
	lacks(t, text, "no route")
}

func TestQuarantinePage(t *testing.T) {
	t.Parallel()
	h := fleetSite(t)
	page := get(t, h, "/ingest/quarantine?reason=unknown-unit", 200).Body.String()
	contains(t, words(page), "line 2 of delivery 90210 from c-01 , field soc_pct , unit HB5-20417", "soc_pct 104.2 is not within 0 to 100",
		"What to do: check the scale in the collector's profile", `HB5-20417,2026-11-24T12:00:00Z,104.2,-512,3.4\r\n`)
	contains(t, get(t, h, "/ingest/quarantine", 200).Body.String(), `href="/ingest/quarantine?after=476"`)
	contains(t, words(get(t, h, "/ingest/quarantine?reason=none", 200).Body.String()), "No row waits in quarantine for this reason.")
}

func TestErrorsAreNeutral(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		err    error
		status int
		want   string
	}{
		"unknown":       {errors.New("secret detail"), 500, "Something went wrong on this side"},
		"took too long": {context.DeadlineExceeded, 503, "That took too long"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := handler(t, web.Config{Ledger: &webtest.Ledger{Err: c.err}})
			for _, path := range []string{"/", "/units/A", "/ingest", "/ingest/quarantine", "/units.csv", "/units/A/days.csv"} {
				text := words(get(t, h, path, c.status).Body.String())
				contains(t, text, c.want)
				lacks(t, text, "secret detail")
			}
		})
	}
}

func TestMethods(t *testing.T) {
	t.Parallel()
	h := fleetSite(t)
	for _, path := range []string{"/", "/units/HB5-20491", "/about/numbers", "/api"} {
		if w := request(t, h, http.MethodHead, path, 200); w.Header().Get("Content-Type") != "text/html; charset=utf-8" {
			t.Errorf("HEAD %s has content type %q", path, w.Header().Get("Content-Type"))
		}
	}
	w := request(t, h, http.MethodPost, "/about/numbers", 405)
	contains(t, w.Body.String(), "This address cannot be used that way")
	if got := strings.Join(w.Header().Values("Allow"), ", "); got != "GET, HEAD" {
		t.Errorf("Allow is %q", got)
	}
	if w := request(t, h, http.MethodDelete, "/api/v1/fleet", 405); w.Header().Get("Content-Type") != "application/problem+json" {
		t.Errorf("405 below the interface has content type %q", w.Header().Get("Content-Type"))
	}
}

func TestCrossOriginPostIsRefused(t *testing.T) {
	t.Parallel()
	r := httptest.NewRequest(http.MethodPost, "/api/v1/telemetry", strings.NewReader("unit,time\n"))
	r.Header.Set("Sec-Fetch-Site", "cross-site")
	w := httptest.NewRecorder()
	fleetSite(t).ServeHTTP(w, r)
	if w.Code != http.StatusForbidden {
		t.Errorf("answered %d, want 403", w.Code)
	}
}

func TestAssets(t *testing.T) {
	t.Parallel()
	h := fleetSite(t)
	page := get(t, h, "/", 200).Body.String()
	for kind, pattern := range map[string]string{
		"text/css; charset=utf-8": `/static/site\.[0-9a-f]{12}\.css`, "text/javascript; charset=utf-8": `/static/live\.[0-9a-f]{12}\.js`,
		"image/svg+xml; charset=utf-8": `/static/mark\.[0-9a-f]{12}\.svg`,
	} {
		path := regexp.MustCompile(pattern).FindString(page)
		if path == "" {
			t.Fatalf("the page has no %s", pattern)
		}
		w := get(t, h, path, 200)
		if w.Header().Get("Content-Type") != kind || w.Header().Get("Cache-Control") != "public, max-age=31536000, immutable" {
			t.Errorf("%s: %v", path, w.Header())
		}
	}
	get(t, h, "/static/site.css", 404)
	get(t, h, "/static/..%2fdoc.go", 404)
}

func TestSamplesCSV(t *testing.T) {
	t.Parallel()
	w := get(t, fleetSite(t), "/units/HB5-20491/samples.csv?from=2026-11-20&to=2026-11-20", 200)
	records, err := csv.NewReader(w.Body).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(records[0][:4], ","); got != "unit,time,soc_pct,power_w" {
		t.Errorf("head %q", got)
	}
	first, last := records[1][1], records[len(records)-1][1]
	if first != "2026-11-20T00:00:00Z" || last != "2026-11-20T23:58:00Z" {
		t.Errorf("from %s to %s, want the one day", first, last)
	}
	if records[1][4] != "" {
		t.Errorf("an absent current is written as %q", records[1][4])
	}
	get(t, fleetSite(t), "/units/HB5-20491/samples.csv?from=yesterday", 400)
}

func TestReferencePage(t *testing.T) {
	t.Parallel()
	page := get(t, fleetSite(t), "/api", 200).Body.String()
	contains(t, page, `id="ledger"`, "/api/v1/units/{unit}/ledger", "half_cycles", "cold-charge | cold-discharge", `href="/api/v1/openapi.json"`,
		"/api/v1/telemetry", "application/x-ndjson", "Nats-Msg-Id")
}

// upkeep keeps what it was asked to release.
type upkeep struct {
	api.Upkeep
	ids    []int64
	reason string
}

func (u *upkeep) Release(_ context.Context, ids []int64, reason string) (api.Release, error) {
	u.ids, u.reason = ids, reason
	return api.Release{Rows: 3, Samples: 2, Kept: 1}, nil
}

func TestRelease(t *testing.T) {
	t.Parallel()
	post := func(h http.Handler, form string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodPost, "/ingest/quarantine/release", strings.NewReader(form))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	cases := map[string]struct {
		form     string
		status   int
		location string
		ids      []int64
		reason   string
	}{
		"the rows of a reason":        {"reason=bad-number", 303, "/ingest/quarantine?kept=1&reason=bad-number&rows=3&samples=2", nil, "bad-number"},
		"one row":                     {"id=7&reason=bad-number", 303, "/ingest/quarantine?kept=1&reason=bad-number&rows=3&samples=2", []int64{7}, ""},
		"one row of the list of all":  {"id=7&reason=", 303, "/ingest/quarantine?kept=1&rows=3&samples=2", []int64{7}, ""},
		"nothing is named":            {"reason=", 400, "", nil, ""},
		"what is no row":              {"id=all", 400, "", nil, ""},
		"more than a form ever holds": {"reason=" + strings.Repeat("x", 70_000), 400, "", nil, ""},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			u := &upkeep{}
			w := post(handler(t, web.Config{Ledger: webtest.Fleet(3), Upkeep: u}), c.form)
			if w.Code != c.status || w.Header().Get("Location") != c.location || !slices.Equal(u.ids, c.ids) || u.reason != c.reason {
				t.Errorf("answered %d to %q, asked for %v %q", w.Code, w.Header().Get("Location"), u.ids, u.reason)
			}
		})
	}
	h := handler(t, web.Config{Ledger: webtest.Fleet(3), Upkeep: &upkeep{}})
	page := get(t, h, "/ingest/quarantine?reason=bad-number&rows=3&samples=2&kept=1", 200).Body.String()
	contains(t, words(page), "3 rows released, which brought 2 samples. 1 row still cannot be read and stayed.", "Release the rows of this reason")
	contains(t, page, `name="id" value="498"`)
	without := handler(t, web.Config{Ledger: webtest.Fleet(3)})
	lacks(t, get(t, without, "/ingest/quarantine", 200).Body.String(), "<form")
	if w := post(without, "reason=x"); w.Code != http.StatusNotFound {
		t.Errorf("a process that releases nothing answered %d", w.Code)
	}
}

func TestOtherHostsAreRefused(t *testing.T) {
	t.Parallel()
	h := handler(t, web.Config{Ledger: webtest.Fleet(1), Hosts: web.LoopbackHosts()})
	for host, want := range map[string]int{
		"localhost:8080": 200, "LOCALHOST": 200, "127.0.0.1:8080": 200, "[::1]:8080": 200, "[::1]": 200,
		"elsewhere.example": 421, "localhost.elsewhere.example:8080": 421, "": 421,
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Host = host
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != want {
			t.Errorf("host %q answered %d, want %d", host, w.Code, want)
		}
	}
}
