package web_test

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/web/api"
)

// told are the deeds and objects of the trail.
func (h *house) told() []string {
	var list []string
	for _, e := range h.trail.Entries {
		list = append(list, string(e.Deed)+" "+e.Object)
	}
	return list
}

func TestWhatIsSeenIsRecorded(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		path   string
		status int
		want   string
	}{
		"a unit":                     {"/units/HB5-20491?span=1y", 200, "saw unit HB5-20491"},
		"a unit's disputes":          {disputed + "/disputes", 200, "saw unit HB5-20491"},
		"a correction":               {disputed + "/corrections/7", 200, "saw unit HB5-20491"},
		"a choice that lacks a why":  {disputed + "/disputes/choice?at=2026-11-24T12:30:00Z", 422, "saw unit HB5-20491"},
		"samples":                    {disputed + "/samples.csv?from=2026-11-20&to=2026-11-20", 200, "exported samples of unit HB5-20491"},
		"days":                       {disputed + "/days.csv", 200, "exported days of unit HB5-20491"},
		"all units":                  {"/units.csv", 200, "exported units.csv"},
		"a ledger":                   {"/api/v1" + disputed + "/ledger", 200, "saw unit HB5-20491"},
		"samples over the interface": {"/api/v1" + disputed + "/samples", 200, "exported samples of unit HB5-20491"},
		"units over the interface":   {"/api/v1/units", 200, "exported units"},
		"the trail":                  {"/trail.ndjson", 200, "exported trail.ndjson"},
		"a unit that there is not":   {"/units/nobody", 404, ""},
		"samples of no unit":         {"/units/nobody/samples.csv", 404, ""},
		"a question that is wrong":   {"/api/v1/units/nobody/days?from=soon", 422, ""},
		"the fleet":                  {"/", 200, ""},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := houseFor(t, koski)
			body := answers(t, ask(h, "GET", c.path, ""), c.status)
			want := []string{}
			if c.want != "" {
				want = append(want, c.want)
			}
			if got := h.told(); !slices.Equal(got, want) {
				t.Errorf("recorded %q, want %q", got, want)
			}
			if c.want == "" {
				return
			}
			// What cannot be recorded is not shown.
			h = houseFor(t, koski)
			h.trail.Full = errors.New("secret detail")
			w := ask(h, "GET", c.path, "")
			refused := w.Body.String()
			if w.Code != 503 || strings.Contains(refused, "secret detail") || len(refused) > len(body) && len(body) > 6000 || w.Header().Get("Content-Disposition") != "" {
				t.Errorf("answered %d with %v: %.300s", w.Code, w.Header(), refused)
			}
			contains(t, refused, "Who looks at a unit is written to the trail first")
			lacks(t, refused, "soc_pct", "half_cycles", "Against the terms")
		})
	}
}

func TestTheSameLookIsRecordedOnce(t *testing.T) {
	t.Parallel()
	h := houseFor(t, koski)
	look := func() { answers(t, ask(h, "GET", disputed, ""), 200) }
	look()
	look()
	answers(t, ask(h, "GET", disputed+"?part=live", ""), 200)
	answers(t, ask(h, "GET", disputed+"/disputes", ""), 200)
	*h.clock = h.clock.Add(9 * time.Minute)
	look()
	if got := h.told(); len(got) != 1 {
		t.Errorf("recorded %q", got)
	}
	*h.clock = h.clock.Add(2 * time.Minute)
	look()
	h.gate.Who = lind
	look()
	h.gate.Who = salo
	h.gate.Who.Organisation = "Quarry & Sons"
	look()
	h.gate.Who.Organisation = "Northlight Electric"
	look()
	if got := h.told(); len(got) != 5 || h.trail.Entries[2].Who != "r.lind" {
		t.Errorf("recorded %q", got)
	}
	// A failure is not remembered as a look.
	h.gate.Who = manager
	h.trail.Full = errors.New("away")
	answers(t, ask(h, "GET", disputed, ""), 503)
	h.trail.Full = nil
	look()
	if len(h.told()) != 6 {
		t.Errorf("recorded %q", h.told())
	}
}

// fill writes n entries.
func (h *house) fill(t *testing.T, n int) {
	t.Helper()
	for i := range n {
		who := []analytics.Principal{koski, salo}[i%2]
		ctx := analytics.WithPrincipal(t.Context(), who)
		if err := h.trail.Record(ctx, []analytics.Deed{analytics.DeedSaw, analytics.DeedSignedIn}[i%2], fmt.Sprintf("unit U-%03d", i), ""); err != nil {
			t.Fatal(err)
		}
	}
}

func TestTrailPage(t *testing.T) {
	t.Parallel()
	h := houseFor(t, lind)
	h.fill(t, 130)
	ctx := analytics.WithPrincipal(t.Context(), analytics.Principal{Kind: analytics.KindToken, Name: evil, Address: evil, Organisation: evil})
	if err := h.trail.Record(ctx, analytics.Deed(evil), evil, evil); err != nil {
		t.Fatal(err)
	}
	page := answers(t, ask(h, "GET", "/trail", ""), 200)
	lacks(t, page, "<script>alert")
	contains(t, words(page), "24 Nov 2026, 14:30:00 UTC t.salo installer, Northlight Electric signed in unit U-129 here 130", "e.koski administrator saw unit U-128")
	contains(t, page, `href="/units/U-129"`, `rel="next" href="/trail?before=32"`)
	older := answers(t, ask(h, "GET", "/trail?before=32", ""), 200)
	contains(t, older, ">31<", `href="/trail">Newest</a>`)
	lacks(t, older, ">32<", `rel="next"`)
	some := answers(t, ask(h, "GET", "/trail?who=t.salo&deed=signed-in&object=unit+U-12", ""), 200)
	contains(t, some, "unit U-129", "unit U-121", `value="t.salo"`, `<option value="signed-in" selected>`, `value="unit U-12"`, "Clear filter")
	lacks(t, some, "unit U-128", "unit U-119")
	contains(t, answers(t, ask(h, "GET", "/trail?who="+url.QueryEscape(evil+"x"), ""), 200), "Nothing is written that the filter asks for.")
	answers(t, ask(h, "GET", "/trail?before=x", ""), 400)
}

func TestTrailFile(t *testing.T) {
	t.Parallel()
	h := houseFor(t, lind)
	h.fill(t, 9)
	w := ask(h, "GET", "/trail.ndjson", "")
	lines := strings.Split(strings.TrimSpace(answers(t, w, 200)), "\n")
	if len(lines) != 9 || w.Header().Get("Content-Type") != "application/x-ndjson" || !strings.Contains(w.Header().Get("Content-Disposition"), "trail.ndjson") {
		t.Fatalf("%d lines with %v", len(lines), w.Header())
	}
	var before [32]byte
	for i, line := range lines {
		var e api.EntryBody
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		sum := analytics.ChainHash(before, []byte(e.Body))
		if e.Number != int64(i+1) || e.Hash != hex.EncodeToString(sum[:]) || e.Previous != hex.EncodeToString(before[:]) {
			t.Errorf("entry %d does not chain: %+v", i+1, e)
		}
		before = sum
	}
}

func TestCheckingTheTrail(t *testing.T) {
	t.Parallel()
	h := houseFor(t, lind)
	h.fill(t, 3)
	sum := h.trail.Entries[2].Hash
	note := "3 " + hex.EncodeToString(sum[:])
	page := answers(t, send(h, "/trail/check", nil), 200)
	contains(t, words(page), "The chain holds", "3 entries were added up again. The newest is number 3.", note)
	page = answers(t, send(h, "/trail/check", url.Values{"heads": {"\n " + note + "\r\n" + note}}), 200)
	contains(t, words(page), "held against 2 ends that were noted earlier")
	if len(h.trail.Heads) != 2 || h.trail.Heads[0] != (analytics.TrailHead{Number: 3, Hash: sum}) {
		t.Errorf("held against %+v", h.trail.Heads)
	}
	h.trail.Faults = []string{"entry 2: its hash is not that of its text " + evil}
	page = answers(t, send(h, "/trail/check", nil), 200)
	contains(t, words(page), "The chain is broken", "entry 2: its hash is not that of its text", "This must not happen.")
	lacks(t, page, "<script>alert", `id="head"`)
	for _, heads := range []string{"3", "x " + note[2:], note + " x", "3 abc", "3 " + strings.Repeat("z", 64), "0 " + note[2:], evil, strings.Repeat(note+"\n", 101)} {
		page := answers(t, send(h, "/trail/check", url.Values{"heads": {heads}}), 422)
		contains(t, page, `id="heads-wrong"`)
		lacks(t, page, "<script>alert")
	}
	answers(t, ask(h, "GET", "/trail/check", ""), 200)
}
