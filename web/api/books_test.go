package api_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/web/api"
	"fadeledger/web/webtest"
)

func TestReceipts(t *testing.T) {
	t.Parallel()
	h := mount(api.Config{})
	got := ask(t, h, "GET", "/api/v1/collectors/c-02/receipts?series=2026-11-24T06", nil, 200).Body.String()
	if want := `{"collector":"c-02","series":"2026-11-24T06","through":13,"last":41,"holes":[[14,17],[30,30]]}`; strings.TrimSpace(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	got = ask(t, h, "GET", "/api/v1/collectors/c-02/receipts?series=none", nil, 200).Body.String()
	if want := `{"collector":"c-02","series":"none","through":0,"last":0,"holes":[]}`; strings.TrimSpace(got) != want {
		t.Errorf("of an unknown series: %s", got)
	}
	ask(t, h, "GET", "/api/v1/collectors/c-02/receipts", nil, 422)
	ask(t, h, "GET", "/api/v1/collectors/a.b/receipts?series=x", nil, 422)
}

func TestTelemetryHandsNumbersOn(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		header []string
		status int
	}{
		"both":                  {[]string{"Fadeledger-Series", "run 7", "Fadeledger-Number", "12"}, 202},
		"neither":               {nil, 202},
		"a series alone":        {[]string{"Fadeledger-Series", "run 7"}, 422},
		"a number alone":        {[]string{"Fadeledger-Number", "12"}, 422},
		"a negative number":     {[]string{"Fadeledger-Series", "r", "Fadeledger-Number", "-1"}, 422},
		"no number":             {[]string{"Fadeledger-Series", "r", "Fadeledger-Number", "x"}, 422},
		"beyond ASCII":          {[]string{"Fadeledger-Series", "é", "Fadeledger-Number", "1"}, 422},
		"a series that is long": {[]string{"Fadeledger-Series", strings.Repeat("s", 65), "Fadeledger-Number", "1"}, 422},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			in := &intake{}
			ask(t, mount(api.Config{Intake: in}), "POST", "/api/v1/telemetry", strings.NewReader("unit,time\nA,1\n"), c.status,
				append([]string{"Content-Type", "text/csv"}, c.header...)...)
			if c.status != 202 {
				if len(in.got) != 0 {
					t.Errorf("handed on %+v", in.got)
				}
				return
			}
			if e := in.got[0]; c.header != nil && (e.Series != "run 7" || e.Number != 12) {
				t.Errorf("handed on %q %d", e.Series, e.Number)
			}
		})
	}
}

func TestDisputesAndVersions(t *testing.T) {
	t.Parallel()
	l := webtest.Fleet(3)
	h := mount(api.Config{Ledger: l})
	path := "/api/v1/units/" + string(webtest.Disputed)
	type disputes struct{ Disputes []api.DisputeBody }
	d := decode[disputes](t, ask(t, h, "GET", path+"/disputes", nil, 200)).Disputes
	if len(d) != 2 || len(d[0].Versions) != 2 || *d[0].Versions[0].Sample.SoC != 64.2 || d[0].Versions[1].Collector != "rooftop_gw" ||
		d[0].Versions[1].Line != 12 || d[1].Versions[0].StoredAt != nil || !d[0].Versions[0].Disputed {
		t.Errorf("got %+v", d)
	}
	if one := decode[disputes](t, ask(t, h, "GET", path+"/disputes?limit=1", nil, 200)).Disputes; len(one) != 1 {
		t.Errorf("%d disputes, want 1", len(one))
	}
	type versions struct{ Versions []api.VersionBody }
	from := d[1].At.Format(time.RFC3339)
	v := decode[versions](t, ask(t, h, "GET", path+"/versions?from="+from+"&to="+d[0].At.Format(time.RFC3339), nil, 200)).Versions
	if len(v) != 2 || !v[0].Sample.Time.Equal(d[1].At) {
		t.Errorf("versions of a span that ends before the newest: %+v", v)
	}
	ask(t, h, "GET", path+"/versions?from="+from, nil, 422)
	for _, below := range []string{"disputes", "corrections", "stays", "versions?from=2026-01-01T00:00:00Z&to=2026-01-02T00:00:00Z"} {
		ask(t, h, "GET", "/api/v1/units/nobody/"+below, nil, 404)
	}
}

func TestStays(t *testing.T) {
	t.Parallel()
	got := decode[struct{ Stays []api.StayBody }](t, ask(t, mount(api.Config{Ledger: webtest.Fleet(3)}), "GET", "/api/v1/units/"+string(webtest.Disputed)+"/stays", nil, 200)).Stays
	if len(got) != 2 || got[0].Since == nil || got[1].Since != nil || got[1].Site != "quarry-road-07" || got[1].Position != 2 {
		t.Errorf("got %+v", got)
	}
}

func TestCorrections(t *testing.T) {
	t.Parallel()
	h := mount(api.Config{Ledger: webtest.Fleet(3)})
	path := "/api/v1/units/" + string(webtest.Disputed) + "/corrections"
	got := decode[struct{ Corrections []api.CorrectionBody }](t, ask(t, h, "GET", path, nil, 200)).Corrections
	if len(got) != 2 || got[0].ID != 7 || got[0].Samples != 2 || got[1].Samples != 0 || got[0].Why != "the gateway's clock ran an hour ahead" {
		t.Errorf("got %+v", got)
	}
	one := decode[api.CorrectionDetailBody](t, ask(t, h, "GET", path+"/7", nil, 200))
	if len(one.Samples) != 2 || *one.Samples[1].SoC != 50.2 || one.By != "M. Aalto" {
		t.Errorf("got %+v", one)
	}
	ask(t, h, "GET", path+"/8", nil, 404)
}

func TestCorrect(t *testing.T) {
	t.Parallel()
	u := &upkeep{Upkeep: webtest.Upkeep{Samples: []analytics.Sample{{Time: 1_790_000_000_000}}}}
	h := mount(api.Config{Ledger: webtest.Fleet(3), Upkeep: u})
	path := "/api/v1/units/A%2F1/corrections"
	w := ask(t, h, "POST", path, strings.NewReader(`{"from":"2026-09-21T00:00:00Z","to":"2026-09-22T00:00:00Z","by":"m.aalto","why":"clock","samples":[{"time":"2026-09-21T12:00:00Z","soc_pct":50}]}`),
		201, "Content-Type", "application/json")
	if got := w.Header().Get("Location"); got != "/api/v1/units/A%2F1/corrections/40" {
		t.Errorf("location %q", got)
	}
	c := u.Made[0]
	if c.Serial != "A/1" || c.By != "m.aalto" || c.Why != "clock" || len(c.Samples) != 1 || c.From.Time().Format(time.RFC3339) != "2026-09-21T00:00:00Z" {
		t.Errorf("made %+v", c)
	}
	if want := `{"soc_pct":50,"time":"2026-09-21T12:00:00Z","unit":"A/1"}` + "\n"; u.Bodies[0] != want || u.Kinds[0] != "application/x-ndjson" {
		t.Errorf("read %q as %s", u.Bodies[0], u.Kinds[0])
	}
	ask(t, h, "POST", path, strings.NewReader(`{"from":"2026-09-21T00:00:00Z","to":"2026-09-22T00:00:00Z","why":"w","samples":[]}`), 201, "Content-Type", "application/json")
	if len(u.Made[1].Samples) != 0 || len(u.Bodies) != 1 {
		t.Errorf("an empty list made %+v of %q", u.Made[1], u.Bodies)
	}
	ask(t, h, "POST", path+"?from=2026-09-21T00:00:00Z&to=2026-09-22T00:00:00Z&why=w&collector=c-01", strings.NewReader("unit,time\n"), 201, "Content-Type", "text/csv")
	if u.Read[1] != "c-01" || u.Kinds[1] != "text/csv" || u.Made[2].Why != "w" || len(u.Made[2].Samples) != 1 {
		t.Errorf("made %+v by %v", u.Made[2], u.Read)
	}
}

func TestCorrectIsRefused(t *testing.T) {
	t.Parallel()
	span := `"from":"2026-09-21T00:00:00Z","to":"2026-09-22T00:00:00Z","why":"w"`
	cases := map[string]struct {
		upkeep api.Upkeep
		query  string
		kind   string
		body   string
		status int
		want   string
	}{
		"samples are missing":       {&upkeep{}, "", "application/json", `{` + span + `}`, 422, "send an empty list"},
		"samples are null":          {&upkeep{}, "", "application/json", `{` + span + `,"samples":null}`, 422, "send an empty list"},
		"the span is missing":       {&upkeep{}, "", "application/json", `{"why":"w","samples":[]}`, 422, "name the span"},
		"a field that is not known": {&upkeep{}, "", "application/json", `{` + span + `,"sample":[]}`, 422, "sample"},
		"a sample that is a number": {&upkeep{}, "", "application/json", `{` + span + `,"samples":[{"time":"2026-09-21T00:00:00Z"},5]}`, 422, "sample 2 is no object"},
		"somebody else":             {&upkeep{}, "", "application/json", `{"from":"2026-09-21T00:00:00Z","to":"2026-09-22T00:00:00Z","by":"J. Oksanen","why":"w","samples":[]}`, 422, "by: you are m.aalto"},
		"no reason":                 {&upkeep{}, "?from=2026-09-21T00:00:00Z&to=2026-09-22T00:00:00Z", "text/csv", "unit,time\n", 422, "why: say why"},
		"a long reason":             {&upkeep{}, "", "application/json", `{"from":"2026-09-21T00:00:00Z","to":"2026-09-22T00:00:00Z","why":"` + strings.Repeat("é", 1001) + `","samples":[]}`, 422, "at most 1000"},
		"what is no JSON":           {&upkeep{}, "", "application/json", `from`, 422, "cannot be read"},
		"a file without a span":     {&upkeep{}, "?why=w", "text/csv", "unit,time\n", 422, "name the span"},
		"an empty file":             {&upkeep{}, "?from=2026-09-21T00:00:00Z&to=2026-09-22T00:00:00Z&why=w", "text/csv", "\n", 422, "the body is empty"},
		"a file that is bad":        {&upkeep{}, "?from=2026-09-21T00:00:00Z&to=2026-09-22T00:00:00Z&why=w", "text/csv", "bad", 422, "line 1, field time"},
		"another kind":              {&upkeep{}, "", "text/plain", "x", 415, "text/plain"},
		"the keeper refuses it":     {&upkeep{Upkeep: webtest.Upkeep{Err: fmt.Errorf("%w: the span is empty", analytics.ErrInvalid)}}, "", "application/json", `{` + span + `,"samples":[]}`, 422, "the span is empty"},
		"an unknown unit":           {&upkeep{Upkeep: webtest.Upkeep{Err: analytics.ErrNotFound}}, "", "application/json", `{` + span + `,"samples":[]}`, 404, "not found"},
		"what is not the asker's":   {&upkeep{Upkeep: webtest.Upkeep{Err: errors.New("secret detail")}}, "", "application/json", `{` + span + `,"samples":[]}`, 500, "went wrong"},
		"nobody to make it":         {nil, "", "application/json", `{` + span + `,"samples":[]}`, 503, "makes no corrections"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := ask(t, mount(api.Config{Upkeep: c.upkeep}), "POST", "/api/v1/units/A/corrections"+c.query, strings.NewReader(c.body), c.status, "Content-Type", c.kind)
			if !strings.Contains(w.Body.String(), c.want) || strings.Contains(w.Body.String(), "secret detail") {
				t.Errorf("told %s", w.Body.String())
			}
			if u, ok := c.upkeep.(*upkeep); ok && len(u.Made) != 0 {
				t.Errorf("made %+v", u.Made)
			}
		})
	}
}

func TestAlarms(t *testing.T) {
	t.Parallel()
	u := &upkeep{}
	h := mount(api.Config{Ledger: webtest.Fleet(3), Upkeep: u})
	got := decode[struct{ Alarms []api.AlarmBody }](t, ask(t, h, "GET", "/api/v1/alarms", nil, 200)).Alarms
	if len(got) != 2 || got[0].ID != 12 || got[0].Kind != "stream-filling" || got[0].ClearedAt != nil || got[1].ClearedBy != "M. Aalto" {
		t.Errorf("got %+v", got)
	}
	clear := func(id, body string, status int) {
		t.Helper()
		ask(t, h, "POST", "/api/v1/alarms/"+id+"/clear", strings.NewReader(body), status, "Content-Type", "application/json")
	}
	clear("13", `{"by":"J. Oksanen"}`, 422)
	clear("12", `{"by":" m.aalto "}`, 204)
	clear("12", `{}`, 404)
	clear("13", ``, 204)
	if u.Cleared[12] != "m.aalto" || u.Cleared[13] != "m.aalto" || len(u.Cleared) != 2 {
		t.Errorf("cleared %v", u.Cleared)
	}
}

func TestIngestTellsOfTheBooks(t *testing.T) {
	t.Parallel()
	l := webtest.Fleet(3)
	got := decode[api.IngestBody](t, ask(t, mount(api.Config{Ledger: l}), "GET", "/api/v1/ingest", nil, 200))
	if got.OpenAlarms != 1 || len(got.Holes) != 1 || got.Holes[0].Through != 13 || got.Books.Taken != l.Way.Balance.Taken || got.Books.AsOf == nil || got.Books.Differences == nil {
		t.Errorf("got %+v", got)
	}
	none := decode[api.IngestBody](t, ask(t, mount(api.Config{Ledger: &webtest.Ledger{}}), "GET", "/api/v1/ingest", nil, 200))
	if none.Books.AsOf != nil || none.Holes == nil {
		t.Errorf("got %+v", none)
	}
}
