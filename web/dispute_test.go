package web_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"

	"fadeledger/analytics"
	"fadeledger/web"
	"fadeledger/web/webtest"
)

func TestDisputesOfAUnit(t *testing.T) {
	t.Parallel()
	h, _, _ := books(t)
	for _, path := range []string{disputed, disputed + "/disputes"} {
		page := get(t, h, path, 200).Body.String()
		contains(t, words(page), "24 Nov 2026, 12:30:00 UTC", "Version A c-01, delivery 90031, line 88, stored 24 Nov 2026, 12:31:00 UTC",
			"Version B rooftop_gw, delivery 90034, line 12", "state of charge ≠ differs 64.2 % 64.8 %", "power ≠ differs −412 W 412 W", "coldest cell 12.10 °C 12.10 °C",
			"counted before; its source is no longer known")
		if keys := versionKeys(page); len(keys) != 4 || keys[0] == keys[1] {
			t.Errorf("versions %v on %s", keys, path)
		}
	}
	contains(t, words(get(t, h, disputed, 200).Body.String()), "2 instants are in dispute")
	quiet := get(t, h, "/units/HB5-20417", 200).Body.String()
	lacks(t, quiet, `id="disputes"`, "Disputed.")
	contains(t, words(get(t, h, "/units/HB5-20417/disputes", 200).Body.String()), "Nothing of this unit is in dispute.")
	contains(t, words(get(t, h, "/units/nobody/disputes", 404).Body.String()), "No unit has the serial nobody")
}

func TestManyDisputes(t *testing.T) {
	t.Parallel()
	l := webtest.Fleet(3)
	one := l.Disputed[webtest.Disputed][0]
	l.Disputed[webtest.Disputed] = nil
	for range 60 {
		l.Disputed[webtest.Disputed] = append(l.Disputed[webtest.Disputed], one)
	}
	h := handler(t, web.Config{Ledger: l})
	page := get(t, h, disputed, 200).Body.String()
	contains(t, page, "There are others.", `href="`+disputed+`/disputes"`)
	if got := strings.Count(page, `class="dispute"`); got != 3 {
		t.Errorf("%d disputes on the page of the unit", got)
	}
	page = get(t, h, disputed+"/disputes", 200).Body.String()
	contains(t, page, "These are the newest 50", "higher rank")
	if got := strings.Count(page, `class="dispute"`); got != 50 {
		t.Errorf("%d disputes on their page", got)
	}
	// A process that corrects nothing offers nothing.
	lacks(t, page, "<form", "corrections/new")
	get(t, h, disputed+"/disputes/choice?at=2026-11-24T12:30:00Z", 404)
}

func TestChoosingAVersion(t *testing.T) {
	t.Parallel()
	h, l, u := books(t)
	keys := versionKeys(get(t, h, disputed, 200).Body.String())
	form := url.Values{"at": {"2026-11-24T12:30:00Z"}, "version": {keys[1]}, "by": {"somebody else"}, "why": {"the meter agrees"}}
	step := get(t, h, disputed+"/disputes/choice?"+form.Encode(), 200).Body.String()
	contains(t, words(step), "Choose version B", "Version B counts from now on.", "The other version is kept as superseded", "1 day, 24 Nov 2026, is counted again",
		"Version B chosen", "Version B counts", "Leave it as it is")
	if len(u.Made) != 0 {
		t.Fatal("the page before has made the correction")
	}
	w := post(t, h, disputed+"/disputes/choice", form, 303)
	if got := w.Header().Get("Location"); got != disputed+"/corrections/40?made=1" {
		t.Errorf("leads to %q", got)
	}
	at := analytics.InstantOf(webtest.Now) - 7_200_000
	c := u.Made[0]
	if c.Serial != webtest.Disputed || c.From != at || c.To != at+1 || c.By != "m.aalto" || c.Why != "the meter agrees" || len(c.Samples) != 1 || c.Samples[0].Power != 412_000 {
		t.Errorf("made %+v", c)
	}
	made := words(get(t, h, w.Header().Get("Location"), 200).Body.String())
	contains(t, made, "The correction is made.", "the instant 24 Nov 2026, 12:30:00 UTC", "Within the span only 1 sample of this correction counts",
		"superseded state of charge 64.2 % , power −412 W", "c-01, delivery 90031, line 88")
	// The same form once more leads to the same correction.
	if w := post(t, h, disputed+"/disputes/choice", form, 303); w.Header().Get("Location") != disputed+"/corrections/40?made=1" || len(u.Made) != 1 {
		t.Errorf("sent twice it led to %q and made %d", w.Header().Get("Location"), len(u.Made))
	}
	// Another choice comes too late.
	form.Set("version", keys[0])
	contains(t, words(post(t, h, disputed+"/disputes/choice", form, 409).Body.String()), "That is no longer as it was")
	contains(t, words(get(t, h, disputed+"/disputes/choice?"+form.Encode(), 409).Body.String()), "That is no longer as it was")
	if len(l.Disputed[webtest.Disputed]) != 1 {
		t.Errorf("%d disputes are left", len(l.Disputed[webtest.Disputed]))
	}
}

func TestAChoiceThatIsNotComplete(t *testing.T) {
	t.Parallel()
	h, _, u := books(t)
	keys := versionKeys(get(t, h, disputed, 200).Body.String())
	whole := url.Values{"at": {"2026-11-24T12:30:00Z"}, "version": {keys[0]}, "why": {"w"}}
	cases := map[string]struct {
		change map[string]string
		status int
		want   string
	}{
		"no reason":         {map[string]string{"why": ""}, 422, "The reason is missing"},
		"a long reason":     {map[string]string{"why": strings.Repeat("n", 1001)}, 422, "The reason is too long"},
		"no version":        {map[string]string{"version": ""}, 422, "No version is chosen"},
		"another version":   {map[string]string{"version": "0123456789abcdef"}, 422, "No version is chosen"},
		"no instant":        {map[string]string{"at": ""}, 400, "cannot be answered"},
		"another instant":   {map[string]string{"at": "2026-11-24T12:31:00Z"}, 409, "no longer as it was"},
		"everything absent": {map[string]string{"why": "", "version": ""}, 422, "2 things are wrong"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			form := url.Values{}
			for k, v := range whole {
				form[k] = v
			}
			for k, v := range c.change {
				form.Set(k, v)
			}
			contains(t, words(get(t, h, disputed+"/disputes/choice?"+form.Encode(), c.status).Body.String()), c.want)
			contains(t, words(post(t, h, disputed+"/disputes/choice", form, c.status).Body.String()), c.want)
		})
	}
	post(t, h, "/units/nobody/disputes/choice", whole, 404)
	post(t, h, disputed+"/disputes/choice", url.Values{"at": {strings.Repeat("x", 70_000)}}, 400)
	if len(u.Made) != 0 {
		t.Errorf("made %+v", u.Made)
	}
}

// bookkeeping keeps corrections that may be made and read at once.
type bookkeeping struct {
	mu   sync.Mutex
	made []analytics.Correction
}

type sharedLedger struct {
	*webtest.Ledger
	books *bookkeeping
}

func (l sharedLedger) Corrections(context.Context, analytics.Serial) ([]analytics.Correction, error) {
	l.books.mu.Lock()
	defer l.books.mu.Unlock()
	return l.books.made, nil
}

type sharedUpkeep struct {
	webtest.Upkeep
	books *bookkeeping
}

func (u *sharedUpkeep) Correct(_ context.Context, c analytics.Correction) (analytics.Correction, error) {
	u.books.mu.Lock()
	defer u.books.mu.Unlock()
	c.ID = int64(len(u.books.made) + 1)
	u.books.made = append([]analytics.Correction{c}, u.books.made...)
	return c, nil
}

func TestAFormSentTwiceAtOnceMakesOneCorrection(t *testing.T) {
	t.Parallel()
	b := &bookkeeping{}
	h := handler(t, web.Config{Ledger: sharedLedger{webtest.Fleet(3), b}, Upkeep: &sharedUpkeep{books: b}})
	keys := versionKeys(get(t, h, disputed, 200).Body.String())
	form := url.Values{"at": {"2026-11-24T12:30:00Z"}, "version": {keys[0]}, "why": {"w"}}
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() { post(t, h, disputed+"/disputes/choice", form, 303) })
	}
	all.Wait()
	if len(b.made) != 1 {
		t.Errorf("made %d corrections", len(b.made))
	}
	form.Set("version", keys[1])
	post(t, h, disputed+"/disputes/choice", form, 303)
	if len(b.made) != 2 {
		t.Errorf("another choice was taken for the same: %d corrections", len(b.made))
	}
}

func TestOtherSitesChangeNothing(t *testing.T) {
	t.Parallel()
	h, _, u := books(t)
	keys := versionKeys(get(t, h, disputed, 200).Body.String())
	form := url.Values{"at": {"2026-11-24T12:30:00Z"}, "version": {keys[0]}, "why": {"w"}, "id": {"12"}}.Encode()
	for name, header := range map[string][2]string{
		"another site": {"Sec-Fetch-Site", "cross-site"}, "another host of the site": {"Sec-Fetch-Site", "same-site"},
		"an older browser elsewhere": {"Origin", "http://elsewhere.example"}, "no origin": {"Origin", "null"},
	} {
		for _, path := range []string{disputed + "/disputes/choice", disputed + "/corrections", disputed + "/corrections/preview", "/ingest/alarms/clear", "/ingest/quarantine/release",
			"/api/v1/alarms/12/clear", "/api/v1" + disputed + "/corrections"} {
			r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form))
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			r.Header.Set(header[0], header[1])
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if w.Code != http.StatusForbidden || w.Header().Get("X-Frame-Options") != "DENY" {
				t.Errorf("%s: POST %s answered %d with %v", name, path, w.Code, w.Header())
			}
			contains(t, w.Body.String(), "Only the pages of this service may change something in it")
		}
	}
	if len(u.Made)+len(u.Cleared) != 0 {
		t.Errorf("made %v, cleared %v", u.Made, u.Cleared)
	}
}
