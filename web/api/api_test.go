package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/web/api"
	"fadeledger/web/webtest"
)

// intake keeps what it was handed.
type intake struct {
	got []api.Envelope
	err error
}

func (i *intake) Publish(_ context.Context, e api.Envelope) (api.Receipt, error) {
	i.got = append(i.got, e)
	rows := int64(2)
	return api.Receipt{Stream: "TELEMETRY", Sequence: 41, Samples: &rows, Quarantined: map[string]int64{"bad-number": 1}}, i.err
}

// registrar keeps the files it was handed.
type registrar struct {
	files    map[string][]byte
	problems []api.Problem
}

func (r *registrar) Register(_ context.Context, files map[string][]byte) (api.Registration, error) {
	r.files = files
	return api.Registration{Models: 2, Units: 5, Problems: r.problems}, nil
}

// upkeep answers what is set.
type upkeep struct {
	webtest.Upkeep
	body []byte
}

func (u *upkeep) Release(_ context.Context, ids []int64, reason string) (api.Release, error) {
	return api.Release{Rows: len(ids), Problems: []string{reason}}, nil
}

func (u *upkeep) SetProfile(_ context.Context, _ string, body []byte) (string, error) {
	u.body = body
	return fmt.Sprintf("h%d", len(body)), nil
}

func (u *upkeep) Batches(_ context.Context, collector, prefix string) ([]analytics.Delivery, error) {
	return []analytics.Delivery{{Collector: collector, Batch: prefix + "1", Sequence: 7}}, nil
}

// administrator is who asks in tests that are not about who asks.
var administrator = analytics.Principal{Kind: analytics.KindPerson, ID: 1, Name: "m.aalto", Role: analytics.RoleAdministrator}

func mount(cfg api.Config) http.Handler { return mountFor(administrator, cfg) }

// mountFor mounts the interface as it is for a principal.
func mountFor(p analytics.Principal, cfg api.Config) http.Handler {
	r := chi.NewRouter()
	r.Use(func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			next.ServeHTTP(w, r.WithContext(analytics.WithPrincipal(r.Context(), p)))
		})
	})
	if cfg.Ledger == nil {
		cfg.Ledger = webtest.Fleet(60)
	}
	api.Mount(r, cfg)
	return r
}

// ask sends a request and checks the status.
func ask(t *testing.T, h http.Handler, method, path string, body io.Reader, status int, header ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(method, path, body)
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != status {
		t.Fatalf("%s %s answered %d, want %d\n%s", method, path, w.Code, status, w.Body.String())
	}
	return w
}

func decode[T any](t *testing.T, w *httptest.ResponseRecorder) T {
	t.Helper()
	var v T
	if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
		t.Fatalf("%v\n%s", err, w.Body.String())
	}
	return v
}

func TestFleet(t *testing.T) {
	t.Parallel()
	l := webtest.Fleet(60)
	got := decode[api.FleetBody](t, ask(t, mount(api.Config{Ledger: l}), "GET", "/api/v1/fleet", nil, 200))
	if got.Units != 60 || got.Flagged["cold"] != l.Summary.Flagged[analytics.FlagCold] || got.Charge != int64(l.Summary.Energy.Charge.Round()) {
		t.Errorf("got %+v", got)
	}
	if last := got.Pace[len(got.Pace)-1]; last.To != nil {
		t.Errorf("the last bin ends at %g, want no end", *last.To)
	}
}

func TestUnitsFollowTheCursor(t *testing.T) {
	t.Parallel()
	h := mount(api.Config{})
	seen := map[string]bool{}
	path := "/api/v1/units?limit=25&sort=serial"
	for after := "start"; after != ""; {
		page := decode[api.UnitsBody](t, ask(t, h, "GET", path, nil, 200))
		for _, u := range page.Units {
			seen[u.Unit] = true
		}
		after = page.Next
		path = "/api/v1/units?limit=25&sort=serial&after=" + after
	}
	if len(seen) != 60 {
		t.Errorf("%d units, want 60", len(seen))
	}
}

func TestProblems(t *testing.T) {
	t.Parallel()
	broken := mount(api.Config{Ledger: &webtest.Ledger{Err: errors.New("secret detail")}})
	cases := map[string]struct {
		h      http.Handler
		path   string
		status int
	}{
		"an unknown flag":         {mount(api.Config{}), "/api/v1/units?flag=none", 422},
		"an unknown parameter":    {mount(api.Config{}), "/api/v1/units?colour=red", 422},
		"a stale cursor":          {mount(api.Config{}), "/api/v1/units?after=x", 422},
		"a limit out of range":    {mount(api.Config{}), "/api/v1/units?limit=501", 422},
		"an unknown unit":         {mount(api.Config{}), "/api/v1/units/none/ledger", 404},
		"an uncounted delivery":   {mount(api.Config{}), "/api/v1/deliveries/999999", 404},
		"a day that is no day":    {mount(api.Config{}), "/api/v1/units/HB5-20491/days?from=soon", 422},
		"what is not the asker's": {broken, "/api/v1/fleet", 500},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := ask(t, c.h, "GET", c.path, nil, c.status)
			if got := w.Header().Get("Content-Type"); got != "application/problem+json" {
				t.Errorf("content type %q", got)
			}
			if strings.Contains(w.Body.String(), "secret detail") {
				t.Errorf("told %s", w.Body.String())
			}
		})
	}
}

func TestLedgerIsTheAnalyticsObject(t *testing.T) {
	t.Parallel()
	l := webtest.Fleet(60)
	w := ask(t, mount(api.Config{Ledger: l}), "GET", "/api/v1/units/HB5-20491/ledger", nil, 200)
	r, err := l.Unit(t.Context(), "HB5-20491")
	if err != nil {
		t.Fatal(err)
	}
	want, err := json.Marshal(r.Ledger)
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.TrimSpace(w.Body.String()); got != string(want) {
		t.Errorf("got  %.300s\nwant %.300s", got, want)
	}
}

// TestLedgerSchema holds the hand-written schema against what the ledger
// writes: the same keys, no more and no less, two levels down.
func TestLedgerSchema(t *testing.T) {
	t.Parallel()
	l := webtest.Fleet(60)
	r, err := l.Unit(t.Context(), "HB5-20491")
	if err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(r.Ledger)
	if err != nil {
		t.Fatal(err)
	}
	var full map[string]any
	if err := json.Unmarshal(text, &full); err != nil {
		t.Fatal(err)
	}
	s := api.LedgerBody{}.Schema(nil)
	compare := func(where string, got map[string]any, described []string) {
		keys := make([]string, 0, len(got))
		for k := range got {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		slices.Sort(described)
		if !slices.Equal(keys, described) {
			t.Errorf("%s writes %v\nthe schema describes %v", where, keys, described)
		}
	}
	names := func(props any) []string {
		text, err := json.Marshal(props)
		if err != nil {
			t.Fatal(err)
		}
		var m map[string]any
		if err := json.Unmarshal(text, &m); err != nil {
			t.Fatal(err)
		}
		var out []string
		for k := range m {
			out = append(out, k)
		}
		return out
	}
	compare("the ledger", full, names(s.Properties))
	compare("an excursion", full["excursions"].([]any)[0].(map[string]any), names(s.Properties["excursions"].Items.Properties))
	compare("a measure", full["measures"].([]any)[0].(map[string]any), names(s.Properties["measures"].Items.Properties))
	compare("the bases", full["energy_by_basis"].(map[string]any), names(s.Properties["energy_by_basis"].Properties))
}

func TestUnitDaysAndSamples(t *testing.T) {
	t.Parallel()
	h := mount(api.Config{})
	unit := decode[map[string]any](t, ask(t, h, "GET", "/api/v1/units/HB5-20491", nil, 200))
	if unit["zone"] != "Europe/Helsinki" || unit["standing"].(map[string]any)["governing"] != "cycle-life" {
		t.Errorf("got %v", unit)
	}
	days := decode[struct{ Days []api.DayBody }](t, ask(t, h, "GET", "/api/v1/units/HB5-20491/days?from=2026-11-20&to=2026-11-23", nil, 200))
	if len(days.Days) != 3 || days.Days[0].Day != "2026-11-20" || days.Days[2].Day != "2026-11-22" {
		t.Errorf("days %+v", days)
	}
	path := "/api/v1/units/HB5-20491/samples?from=2026-11-20T00:00:00Z&to=2026-11-20T01:00:00Z&limit=20"
	type page struct {
		Samples []api.SampleBody
		Next    string
	}
	first := decode[page](t, ask(t, h, "GET", path, nil, 200))
	rest := decode[page](t, ask(t, h, "GET", strings.Replace(path, "from=2026-11-20T00:00:00Z", "from="+first.Next, 1), nil, 200))
	if len(first.Samples) != 20 || len(rest.Samples) != 10 || rest.Next != "" || rest.Samples[0].Time.Format("15:04") != "00:40" {
		t.Errorf("%d samples, then %d from %v, next %q", len(first.Samples), len(rest.Samples), rest.Samples[0].Time, rest.Next)
	}
	if first.Samples[0].Voltage != nil {
		t.Error("an absent voltage is written")
	}
}

func TestWayIn(t *testing.T) {
	t.Parallel()
	h := mount(api.Config{Broker: webtest.Stream{State: analytics.StreamState{Name: "TELEMETRY", Pending: 3}}})
	in := decode[api.IngestBody](t, ask(t, h, "GET", "/api/v1/ingest", nil, 200))
	if !in.Balanced || in.Stream == nil || in.Stream.Pending != 3 || in.Quarantine["unknown-unit"] != 212 {
		t.Errorf("got %+v", in)
	}
	away := mount(api.Config{Broker: webtest.Stream{Err: errors.New("away")}})
	if got := decode[api.IngestBody](t, ask(t, away, "GET", "/api/v1/ingest", nil, 200)); got.Stream != nil {
		t.Errorf("stream %+v of a broker that is away", got.Stream)
	}
	list := decode[struct {
		Deliveries []api.DeliveryBody
		Next       uint64
	}](t, ask(t, h, "GET", "/api/v1/deliveries?limit=10&before=90205", nil, 200))
	if len(list.Deliveries) != 10 || list.Deliveries[0].Sequence != 90204 || list.Next != 90195 {
		t.Errorf("got %d, next %d", len(list.Deliveries), list.Next)
	}
	one := decode[api.DeliveryBody](t, ask(t, h, "GET", "/api/v1/deliveries/90200", nil, 200))
	if one.Sequence != 90200 {
		t.Errorf("got delivery %d", one.Sequence)
	}
	rows := decode[struct {
		Rows []api.QuarantinedBody
		Next int64
	}](t, ask(t, h, "GET", "/api/v1/quarantine?reason=bad-number&limit=4", nil, 200))
	if len(rows.Rows) != 4 || rows.Rows[0].Reason != "bad-number" || rows.Next != rows.Rows[3].ID || !bytes.HasPrefix(rows.Rows[0].Raw, []byte("HB5-20417,")) {
		t.Errorf("got %+v", rows)
	}
}

func TestTelemetry(t *testing.T) {
	t.Parallel()
	in := &intake{}
	h := mount(api.Config{Intake: in})
	w := ask(t, h, "POST", "/api/v1/telemetry?collector=c-07", strings.NewReader("unit,time\nA,1\n"), 202,
		"Content-Type", "text/csv; charset=utf-8", "Content-Encoding", "gzip", "Nats-Msg-Id", "b1")
	got := decode[api.ReceiptBody](t, w)
	if got.Sequence != 41 || *got.Samples != 2 || got.Quarantined["bad-number"] != 1 || got.Bytes != 14 || w.Header().Get("Location") != "/api/v1/deliveries/41" {
		t.Errorf("got %+v, %v", got, w.Header())
	}
	e := in.got[0]
	if e.Collector != "c-07" || e.ContentType != "text/csv; charset=utf-8" || e.ContentEncoding != "gzip" || e.MessageID != "b1" || string(e.Body) != "unit,time\nA,1\n" {
		t.Errorf("handed on %+v", e)
	}
	ask(t, h, "POST", "/api/v1/telemetry", strings.NewReader(`{"unit":"A","time":1}`), 202, "Content-Type", "application/json")
	ask(t, h, "POST", "/api/v1/telemetry", strings.NewReader("not json at all"), 202, "Content-Type", "application/x-ndjson")
	if in.got[1].Collector != api.DefaultCollector {
		t.Errorf("collector %q", in.got[1].Collector)
	}
}

func TestTelemetryIsRefused(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		intake api.Intake
		path   string
		body   string
		header []string
		status int
	}{
		"another content type":  {&intake{}, "", "x", []string{"Content-Type", "text/html"}, 415},
		"no content type":       {&intake{}, "", "x", nil, 415},
		"another encoding":      {&intake{}, "", "x", []string{"Content-Type", "text/csv", "Content-Encoding", "br"}, 415},
		"an empty body":         {&intake{}, "", "", []string{"Content-Type", "text/csv"}, 400},
		"a body too large":      {&intake{}, "", strings.Repeat("x", 65), []string{"Content-Type", "text/csv"}, 413},
		"a collector's name":    {&intake{}, "?collector=a.b", "x", []string{"Content-Type", "text/csv"}, 422},
		"what cannot be read":   {&intake{err: fmt.Errorf("line 1: %w", analytics.ErrInvalid)}, "", "x", []string{"Content-Type", "text/csv"}, 422},
		"a broker that is away": {&intake{err: errors.New("no responders")}, "", "x", []string{"Content-Type", "text/csv"}, 503},
		"nobody to take it":     {nil, "", "x", []string{"Content-Type", "text/csv"}, 503},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := ask(t, mount(api.Config{Intake: c.intake, MaxBody: 64}), "POST", "/api/v1/telemetry"+c.path, strings.NewReader(c.body), c.status, c.header...)
			if got := w.Header().Get("Content-Type"); got != "application/problem+json" {
				t.Errorf("content type %q", got)
			}
		})
	}
}

func TestRegister(t *testing.T) {
	t.Parallel()
	reg := &registrar{}
	h := mount(api.Config{Registrar: reg})
	got := decode[api.RegistrationBody](t, ask(t, h, "POST", "/api/v1/register?name=units.csv", strings.NewReader("unit,model\n"), 200, "Content-Type", "text/csv"))
	if got.Units != 5 || string(reg.files["units.csv"]) != "unit,model\n" {
		t.Errorf("got %+v, files %v", got, reg.files)
	}
	var form bytes.Buffer
	m := multipart.NewWriter(&form)
	for _, name := range []string{"models.yaml", "sites.csv"} {
		part, err := m.CreateFormFile("file", name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := part.Write([]byte(name)); err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	ask(t, h, "POST", "/api/v1/register", &form, 200, "Content-Type", m.FormDataContentType())
	if len(reg.files) != 2 || string(reg.files["sites.csv"]) != "sites.csv" {
		t.Errorf("files %v", reg.files)
	}
	ask(t, h, "POST", "/api/v1/register", strings.NewReader("x"), 400, "Content-Type", "text/csv")
	ask(t, h, "POST", "/api/v1/register?name=passwd", strings.NewReader("x"), 422, "Content-Type", "text/csv")
	ask(t, mount(api.Config{}), "POST", "/api/v1/register?name=units.csv", strings.NewReader("x"), 503, "Content-Type", "text/csv")
	reg.problems = []api.Problem{{File: "units.csv", Line: 3, Field: "model", Message: "no model HB-6"}}
	w := ask(t, h, "POST", "/api/v1/register?name=units.csv", strings.NewReader("x"), 422, "Content-Type", "text/csv")
	if !strings.Contains(w.Body.String(), `"location":"units.csv:3:model"`) {
		t.Errorf("told %s", w.Body.String())
	}
}

func TestUpkeep(t *testing.T) {
	t.Parallel()
	u := &upkeep{}
	h := mount(api.Config{Upkeep: u})
	w := ask(t, h, "POST", "/api/v1/quarantine/release", strings.NewReader(`{"ids":[4,5]}`), 200, "Content-Type", "application/json")
	if got := decode[map[string]any](t, w); got["rows"] != 2.0 {
		t.Errorf("got %v", got)
	}
	ask(t, h, "POST", "/api/v1/quarantine/release", strings.NewReader(`{}`), 422, "Content-Type", "application/json")
	w = ask(t, h, "PUT", "/api/v1/collectors/c-07/profile", strings.NewReader("zone: UTC\n"), 200, "Content-Type", "application/yaml")
	if got := decode[map[string]any](t, w); got["hash"] != "h10" {
		t.Errorf("got %v", got)
	}
	ask(t, h, "PUT", "/api/v1/collectors/c-07/profile", strings.NewReader(""), 200, "Content-Type", "application/yaml")
	if len(u.body) != 0 {
		t.Errorf("an empty profile came as %q", u.body)
	}
	if got := decode[map[string]any](t, ask(t, h, "GET", "/api/v1/collectors/c-07/batches?prefix=b", nil, 200)); fmt.Sprint(got) == "" || !strings.Contains(fmt.Sprint(got), "b1") {
		t.Errorf("got %v", got)
	}
}

func TestDocument(t *testing.T) {
	t.Parallel()
	h := mount(api.Config{Version: "1.2.3"})
	doc := decode[map[string]any](t, ask(t, h, "GET", "/api/v1/openapi.json", nil, 200))
	if doc["openapi"] != "3.1.0" || doc["info"].(map[string]any)["version"] != "1.2.3" {
		t.Errorf("document %v, %v", doc["openapi"], doc["info"])
	}
	paths := doc["paths"].(map[string]any)
	for _, p := range []string{"/fleet", "/units", "/units/{unit}", "/units/{unit}/ledger", "/units/{unit}/days", "/units/{unit}/samples",
		"/ingest", "/deliveries", "/deliveries/{sequence}", "/quarantine", "/telemetry", "/register", "/units/{unit}/disputes", "/units/{unit}/versions", "/units/{unit}/corrections",
		"/units/{unit}/corrections/{correction}", "/units/{unit}/stays", "/collectors/{collector}/receipts", "/alarms", "/alarms/{alarm}/clear"} {
		if paths[api.Base+p] == nil {
			t.Errorf("path %s is not described", p)
		}
	}
	ask(t, h, "GET", "/docs", nil, 404)
	ask(t, h, "GET", "/api/v1/docs", nil, 404)
	if w := ask(t, h, "GET", "/api/v1/fleet", nil, 200); strings.Contains(w.Body.String(), "$schema") || w.Header().Get("Link") != "" {
		t.Error("an answer links to a schema that is not served")
	}
}
