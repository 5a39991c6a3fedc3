package web_test

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/web"
	"fadeledger/web/webtest"
)

const disputed = "/units/" + string(webtest.Disputed)

// books builds a site whose corrections go into its ledger.
func books(t *testing.T) (http.Handler, *webtest.Ledger, *webtest.Upkeep) {
	t.Helper()
	l := webtest.Fleet(3)
	u := &webtest.Upkeep{Ledger: l}
	return handler(t, web.Config{Ledger: l, Upkeep: u}), l, u
}

// post sends a form as a page of the site does.
func post(t *testing.T, h http.Handler, path string, form url.Values, status int) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != status {
		t.Fatalf("POST %s answered %d, want %d\n%s", path, w.Code, status, words(w.Body.String()))
	}
	return w
}

// field gives the value of a field of a page's form.
func field(t *testing.T, page, name string) string {
	t.Helper()
	m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(page)
	if m == nil {
		t.Fatalf("no field %s", name)
	}
	return strings.NewReplacer("&#43;", "+", "&amp;", "&", "&#39;", "'").Replace(m[1])
}

// versionKeys are the versions that can be chosen on a page, in their order.
func versionKeys(page string) []string {
	var keys []string
	for _, m := range regexp.MustCompile(`name="version" value="([0-9a-f]{16})"`).FindAllStringSubmatch(page, -1) {
		keys = append(keys, m[1])
	}
	return keys
}

func TestRecordsOfAUnit(t *testing.T) {
	t.Parallel()
	h, _, _ := books(t)
	text := words(get(t, h, disputed, 200).Body.String())
	contains(t, text, "Corrections and recounts", "Correction 7 24 Nov 2026, 03:23:20 UTC M. Aalto the gateway's clock ran an hour ahead", "2 samples count",
		"Correction 3", "bench test, not in service", "nothing counts", "2 days from 23 Nov 2026, 13:26:21.461 UTC on, because of 412 late samples",
		"Both lifetime counters began again from a lower value", "stack ST-900, position 2, site quarry-road-07 since before it was recorded",
		"since 25 Oct 2026, 14:30:00 UTC", "A unit that moves keeps its ledger.", "is another unit, with a ledger of its own")
	if got := strings.Count(text, "Both lifetime counters"); got != 1 {
		t.Errorf("a new control board is told %d times", got)
	}
	quiet := words(get(t, h, "/units/HB5-20417", 200).Body.String())
	contains(t, quiet, "Nothing was corrected by hand.")
	lacks(t, quiet, "Where it was")
}

func TestHostileWordsOfPeople(t *testing.T) {
	t.Parallel()
	h, l, _ := books(t)
	evil := "</td><script>alert(1)</script>\u202e"
	l.Corrected[webtest.Disputed][0].By, l.Corrected[webtest.Disputed][0].Why = evil, evil
	l.Disputed[webtest.Disputed][0].Versions[0].Collector = evil
	l.Places[webtest.Disputed][0].Site = evil
	l.Way.Alarms[0].Message, l.Way.Alarms[0].Subject = evil, evil
	l.Way.Balance.Differ("%s", evil)
	l.Way.Holes[0].Series = evil
	form := url.Values{"at": {"2026-11-24T12:30:00Z"}, "version": {evil}, "why": {evil}}.Encode()
	for path, status := range map[string]int{disputed: 200, disputed + "/disputes": 200, disputed + "/corrections/7": 200, "/ingest": 200, disputed + "/disputes/choice?" + form: 422} {
		page := get(t, h, path, status).Body.String()
		lacks(t, page, "<script>alert")
		contains(t, page, "&lt;script&gt;alert(1)")
		if status == 200 {
			contains(t, page, `\u{202E}`)
		}
	}
	page := askPreview(t, h, map[string]string{"why": evil, "collector": evil, "text": evil, "what": ""}, "", 422).Body.String()
	lacks(t, page, "<script>alert")
}

func TestIngestTellsOfTheBooks(t *testing.T) {
	t.Parallel()
	h, l, u := books(t)
	page := get(t, h, "/ingest", 200).Body.String()
	contains(t, words(page), "Somebody has to look at this", "The stream is nearly full : TELEMETRY first 24 Nov 2026, 12:30:00 UTC , last 1 min ago , 118 times", "the stream holds 9.2 of 10 GiB",
		"Deliveries 14 to 17 and 30 of series 2026-11-24T06 have not arrived.", "162 142 versions of samples were taken in, and the units know 162 142: the same.",
		"Added up on 24 Nov 2026, 14:30:00 UTC", "Of each collector, read = accepted + duplicates + disputed + superseded + quarantined.",
		"c-02 20 42 527 42 246 266 4 0 11", "The stream lost its end , TELEMETRY: the stream ended at 90011", "Seen to by M. Aalto on 24 Nov 2026, 13:40:00 UTC.")
	lacks(t, words(page), "do not add up")
	if w := post(t, h, "/ingest/alarms/clear", url.Values{"id": {"12"}, "by": {"J. Oksanen"}}, 303); w.Header().Get("Location") != "/ingest?seen=12#alarms" {
		t.Errorf("leads to %q", w.Header().Get("Location"))
	}
	post(t, h, "/ingest/alarms/clear", url.Values{"id": {"12"}}, 303)
	after := words(get(t, h, "/ingest?seen=12", 200).Body.String())
	contains(t, after, "Noted: m.aalto has seen to it.", "Seen to by m.aalto")
	lacks(t, after, "Somebody has to look at")
	for name, form := range map[string]url.Values{"no number": {"by": {"M"}}, "no numeral": {"id": {"twelve"}}} {
		if w := post(t, h, "/ingest/alarms/clear", form, 400); w == nil {
			t.Error(name)
		}
	}
	if len(u.Cleared) != 1 || u.Cleared[12] != "m.aalto" {
		t.Errorf("cleared %v", u.Cleared)
	}
	l.Way.Balance.Known -= 7
	l.Way.Balance.Differ("collector c-02: 40 rows were read, and 33 accounted for")
	l.Way.Collectors[1].Tally.Read++
	off := words(get(t, h, "/ingest", 200).Body.String())
	contains(t, off, "The books do not add up.", "collector c-02: 40 rows were read, and 33 accounted for", "The two differ by 7.", "42 528 does not balance")
	l.Way.Balance = analytics.Balance{}
	contains(t, words(get(t, h, "/ingest", 200).Body.String()), "The books were not added up yet.")
	lacks(t, get(t, handler(t, web.Config{Ledger: l}), "/ingest", 200).Body.String(), "<form")
}

func TestQuarantineLeadsToTheDispute(t *testing.T) {
	t.Parallel()
	h, _, _ := books(t)
	page := get(t, h, "/ingest/quarantine?reason=conflicting-sample", 200).Body.String()
	contains(t, page, `<a href="/units/HB5-20417/disputes">Choose which version counts</a>`)
	lacks(t, page, "Release this row")
	all := get(t, h, "/ingest/quarantine", 200).Body.String()
	contains(t, all, "Choose which version counts", "Release this row")
}
