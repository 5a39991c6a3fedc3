package web_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"mime/multipart"
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

// askPreview sends the form of a correction as a browser does, with a file where
// one is given.
func askPreview(t *testing.T, h http.Handler, fields map[string]string, file string, status int) *httptest.ResponseRecorder {
	t.Helper()
	var body bytes.Buffer
	m := multipart.NewWriter(&body)
	whole := map[string]string{"from": "2026-11-23T13:00", "to": "2026-11-23T14:00:00", "what": "samples", "by": "somebody else", "why": "the clock was wrong"}
	for k, v := range fields {
		whole[k] = v
	}
	for k, v := range whole {
		if err := m.WriteField(k, v); err != nil {
			t.Fatal(err)
		}
	}
	part, err := m.CreateFormFile("file", "samples.csv")
	if err == nil {
		_, err = part.Write([]byte(file))
	}
	if err = errors.Join(err, m.Close()); err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequest(http.MethodPost, disputed+"/corrections/preview", &body)
	r.Header.Set("Content-Type", m.FormDataContentType())
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != status {
		t.Fatalf("the preview answered %d, want %d\n%s", w.Code, status, words(w.Body.String()))
	}
	return w
}

// confirmation is the form on a preview.
func confirmation(t *testing.T, page string) url.Values {
	t.Helper()
	form := url.Values{}
	for _, name := range []string{"from", "to", "why", "what", "collector", "seen", "file64"} {
		form.Set(name, field(t, page, name))
	}
	return form
}

func TestMakingACorrection(t *testing.T) {
	t.Parallel()
	h, l, u := books(t)
	get(t, h, disputed+"/corrections/new", 200)
	at := analytics.InstantOf(webtest.Now) - 90_600_000 // 13:20 on the day before
	u.Samples = []analytics.Sample{{Time: at + 60_000, Has: analytics.HasSoC, SoC: 510}, {Time: at, Has: analytics.HasSoC, SoC: 500}}
	csv := "unit,time,soc_pct\nHB5-20491,2026-11-23T13:20:00Z,50\n\xffé+/"
	page := askPreview(t, h, map[string]string{"collector": "c-01"}, csv, 200).Body.String()
	contains(t, words(page), "30 samples count in the span now → 2 will count", "1 sample is replaced.", "1 sample is added.", "29 samples no longer count.",
		"1 day is counted again", "nothing is deleted", "11 more instants change.", "23 Nov 2026, 13:20:00 UTC", "state of charge 50.0 %")
	if len(u.Made) != 0 {
		t.Fatal("the preview has made the correction")
	}
	form := confirmation(t, page)
	w := post(t, h, disputed+"/corrections", form, 303)
	c := u.Made[0]
	if len(c.Samples) != 2 || c.Samples[0].Time != at || c.By != "m.aalto" || c.To-c.From != 3_600_000 || u.Bodies[1] != csv || u.Read[1] != "c-01" {
		t.Errorf("made %+v of %q by %v", c, u.Bodies[1], u.Read)
	}
	if again := post(t, h, disputed+"/corrections", form, 303); again.Header().Get("Location") != w.Header().Get("Location") || len(u.Made) != 1 {
		t.Errorf("sent twice it made %d", len(u.Made))
	}
	contains(t, words(get(t, h, w.Header().Get("Location"), 200).Body.String()), "Correction 40 of HB5-20491", "Made by m.aalto", "Why the clock was wrong",
		"Within the span only 2 samples of this correction count", "23 Nov 2026, 13:21:00 UTC")
	contains(t, words(get(t, h, disputed, 200).Body.String()), "Correction 40", "2 samples count")
	if l.Corrected[webtest.Disputed][0].ID != 40 {
		t.Errorf("the newest is %d", l.Corrected[webtest.Disputed][0].ID)
	}
}

func TestACorrectionThatLeavesNothing(t *testing.T) {
	t.Parallel()
	h, _, u := books(t)
	page := askPreview(t, h, map[string]string{"what": "nothing", "from": "2026-11-24T12:00", "to": "2026-11-24T12:40"}, "", 200).Body.String()
	contains(t, words(page), "18 samples count in the span now → 0 will count", "18 samples no longer count.", "2 instants in dispute are settled by it.")
	post(t, h, disputed+"/corrections", confirmation(t, page), 303)
	if len(u.Made) != 1 || len(u.Made[0].Samples) != 0 || len(u.Bodies) != 0 {
		t.Errorf("made %+v of %v", u.Made, u.Bodies)
	}
	contains(t, words(get(t, h, disputed, 200).Body.String()), "nothing counts")
	lacks(t, get(t, h, disputed, 200).Body.String(), `id="disputes"`)
}

func TestACorrectionThatIsNotRight(t *testing.T) {
	t.Parallel()
	inside := analytics.Sample{Time: analytics.InstantOf(webtest.Now) - 90_600_000, Has: analytics.HasSoC}
	outside := analytics.Sample{Time: analytics.InstantOf(webtest.Now) - 7_200_000, Has: analytics.HasSoC}
	cases := map[string]struct {
		fields  map[string]string
		file    string
		samples []analytics.Sample
		want    string
	}{
		"no beginning":         {map[string]string{"from": ""}, "x", nil, "From is no time"},
		"what is no time":      {map[string]string{"to": "noon"}, "x", nil, "Until before is no time"},
		"an empty span":        {map[string]string{"to": "2026-11-23T13:00"}, "x", nil, "The span is empty"},
		"the future":           {map[string]string{"to": "2026-11-25T00:00"}, "x", nil, "The span reaches into the future: end it at 24 Nov 2026, 14:30:00 UTC or before."},
		"no reason":            {map[string]string{"why": ""}, "x", nil, "The reason is missing"},
		"no choice":            {map[string]string{"what": ""}, "x", nil, "Choose what counts within the span"},
		"no file":              {nil, "", nil, "The samples are missing"},
		"nothing and a file":   {map[string]string{"what": "nothing"}, "x", nil, "There are samples, and “nothing counts” is chosen"},
		"nothing and a text":   {map[string]string{"what": "nothing", "text": "x"}, "", nil, "There are samples, and “nothing counts” is chosen"},
		"a file that is bad":   {nil, "bad", nil, "Line 1, field time: no such column; name it in the head of the file"},
		"a text that is bad":   {map[string]string{"text": "bad"}, "", nil, "Line 1, field time: no such column"},
		"no sample":            {nil, "unit,time\n", nil, "No sample could be found"},
		"a sample elsewhere":   {nil, "x", []analytics.Sample{inside, outside}, "Sample 2 is of 24 Nov 2026, 12:30:00 UTC, outside the span"},
		"two of one instant":   {nil, "x", []analytics.Sample{inside, inside}, "Two samples are of 23 Nov 2026, 13:20:00 UTC"},
		"a file that is large": {nil, strings.Repeat("x", 4<<20+1), nil, "larger than 4.0 MiB"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h, _, u := books(t)
			u.Samples = c.samples
			page := askPreview(t, h, c.fields, c.file, 422).Body.String()
			contains(t, words(page), c.want, "Nothing was changed.")
			if c.file == "bad" || c.fields["text"] == "bad" {
				contains(t, page, ">bad</textarea>") // to be mended there
			}
			if len(u.Made) != 0 {
				t.Errorf("made %+v", u.Made)
			}
		})
	}
	h, _, _ := books(t)
	contains(t, words(askPreview(t, h, nil, strings.Repeat("x", 7<<20), 413).Body.String()), "That is too large")
	get(t, h, "/units/nobody/corrections/new", 404)
	post(t, h, "/units/nobody/corrections/preview", url.Values{"from": {"2026-11-23T13:00"}, "to": {"2026-11-23T14:00"}, "what": {"nothing"}, "why": {"w"}}, 404)
}

func TestAPreviewThatIsOutOfDate(t *testing.T) {
	t.Parallel()
	h, _, u := books(t)
	at := analytics.InstantOf(webtest.Now) - 90_600_000
	u.Samples = []analytics.Sample{{Time: at, Has: analytics.HasSoC, SoC: 500}}
	form := confirmation(t, askPreview(t, h, nil, "x", 200).Body.String())
	u.Samples = []analytics.Sample{{Time: at, Has: analytics.HasSoC, SoC: 50}}
	page := post(t, h, disputed+"/corrections", form, 409).Body.String()
	contains(t, words(page), "The file is read differently than before", "state of charge 5.0 %")
	if len(u.Made) != 0 {
		t.Fatalf("made %+v", u.Made)
	}
	post(t, h, disputed+"/corrections", confirmation(t, page), 303)
	if len(u.Made) != 1 || u.Made[0].Samples[0].SoC != 50 {
		t.Errorf("made %+v", u.Made)
	}
	form.Set("file64", "%%%")
	post(t, h, disputed+"/corrections", form, 400)
}

// refusing refuses every correction.
type refusing struct {
	webtest.Upkeep
	err error
}

func (r *refusing) Correct(_ context.Context, c analytics.Correction) (analytics.Correction, error) {
	return c, r.err
}

func TestACorrectionThatIsRefused(t *testing.T) {
	t.Parallel()
	at := analytics.InstantOf(webtest.Now) - 90_600_000
	u := &refusing{Upkeep: webtest.Upkeep{Samples: []analytics.Sample{{Time: at, Has: analytics.HasSoC, SoC: 500}}}}
	h := handler(t, web.Config{Ledger: webtest.Fleet(3), Upkeep: u})
	form := confirmation(t, askPreview(t, h, nil, "unit,time", 200).Body.String())
	u.err = fmt.Errorf("correct unit x: %w: the span covers more than 62 days; make several corrections of it", analytics.ErrInvalid)
	page := post(t, h, disputed+"/corrections", form, 422).Body.String()
	contains(t, words(page), "the span covers more than 62 days; make several corrections of it")
	contains(t, page, ">unit,time</textarea>", `value="2026-11-23T13:00:00"`)
	u.err = errors.New("secret detail")
	lacks(t, post(t, h, disputed+"/corrections", form, 500).Body.String(), "secret detail")
}

func TestCorrectionPage(t *testing.T) {
	t.Parallel()
	h, l, _ := books(t)
	page := get(t, h, disputed+"/corrections/7", 200).Body.String()
	contains(t, words(page), "Made by M. Aalto", "On 24 Nov 2026, 03:23:20 UTC", "Span 23 Nov 2026, 11:30:00 UTC until before 23 Nov 2026, 12:30:00 UTC",
		"Why the gateway's clock ran an hour ahead", "23 Nov 2026, 11:31:00 UTC state of charge 50.0 %, power 300 W, coldest cell 12.10 °C superseded state of charge 51.0 % ,",
		"23 Nov 2026, 11:33:00 UTC nothing superseded state of charge 50.5 %", "c-01, delivery 89001, line 6", "nothing else was there")
	contains(t, page, `<strong class="differs">state of charge`, `href="`+disputed+`/corrections/new?from=2026-11-23T11:30:00Z&amp;to=2026-11-23T12:30:00Z"`)
	lacks(t, page, "was made later", "The correction is made")
	again := get(t, h, disputed+"/corrections/new?from=2026-11-23T11:30:00Z&to=2026-11-23T12:30:00Z", 200).Body.String()
	contains(t, again, `name="from" step="any" required value="2026-11-23T11:30:00"`)
	// Of a span that nothing is left of.
	contains(t, words(get(t, h, disputed+"/corrections/3", 200).Body.String()), "Within the span nothing counts", "no version of anything is kept")
	c := l.Corrected[webtest.Disputed][0]
	c.ID, c.From = 9, c.From+60_000
	l.Corrected[webtest.Disputed] = append([]analytics.Correction{c}, l.Corrected[webtest.Disputed]...)
	contains(t, get(t, h, disputed+"/corrections/7", 200).Body.String(), `<a href="`+disputed+`/corrections/9">Correction 9 was made later`)
	for _, below := range []string{"/corrections/8", "/corrections/x", "/corrections/99999999999999999999"} {
		get(t, h, disputed+below, 404)
	}
	get(t, h, disputed+"/corrections/7?after=x", 400)
	get(t, h, disputed+"/corrections/preview", 200)
	if w := get(t, h, disputed+"/corrections", 303); w.Header().Get("Location") != disputed+"#corrections" {
		t.Errorf("the list is at %q", w.Header().Get("Location"))
	}
}

func TestCorrectionPageTurns(t *testing.T) {
	t.Parallel()
	h, l, _ := books(t)
	from := analytics.InstantOf(webtest.Now) - 10*analytics.Instant(analytics.DayLength)
	c := analytics.Correction{ID: 11, Serial: webtest.Disputed, From: from, To: from + 3_600_000, By: "M", Why: "w"}
	for k := range 130 {
		s := analytics.Sample{Time: from + analytics.Instant(k)*10_000, Has: analytics.HasSoC, SoC: 500}
		c.Samples = append(c.Samples, s)
		for range 3 {
			l.Others[webtest.Disputed] = append(l.Others[webtest.Disputed], analytics.Version{Sample: s})
		}
	}
	l.Corrected[webtest.Disputed] = append([]analytics.Correction{c}, l.Corrected[webtest.Disputed]...)
	seen := map[string]bool{}
	versions, pages := 0, 0
	for path := disputed + "/corrections/11"; path != ""; pages++ {
		page := get(t, h, path, 200).Body.String()
		for _, m := range regexp.MustCompile(`<th role="rowheader" scope="row"><time datetime="([^"]*)"`).FindAllStringSubmatch(page, -1) {
			if seen[m[1]] {
				t.Errorf("%s is there twice", m[1])
			}
			seen[m[1]] = true
		}
		versions += strings.Count(page, `class="other"`)
		path = ""
		if m := regexp.MustCompile(`rel="next" href="([^"]*)"`).FindStringSubmatch(page); m != nil {
			path = strings.ReplaceAll(m[1], "&amp;", "&")
		}
	}
	if len(seen) != 130 || versions != 390 || pages != 2 {
		t.Errorf("%d instants and %d versions on %d pages, want 130 and 390 on 2", len(seen), versions, pages)
	}
}

func TestUploadedBytesComeBackWhole(t *testing.T) {
	t.Parallel()
	h, _, u := books(t)
	u.Samples = []analytics.Sample{{Time: analytics.InstantOf(webtest.Now) - 90_600_000, Has: analytics.HasSoC}}
	raw := make([]byte, 1024)
	for i := range raw {
		raw[i] = byte(i)
	}
	form := confirmation(t, askPreview(t, h, nil, string(raw), 200).Body.String())
	if got, err := base64.URLEncoding.DecodeString(form.Get("file64")); err != nil || !bytes.Equal(got, raw) {
		t.Fatalf("the preview keeps other bytes: %v", err)
	}
	post(t, h, disputed+"/corrections", form, 303)
	if u.Bodies[0] != string(raw) || u.Bodies[1] != string(raw) {
		t.Error("other bytes were read at the end than at first")
	}
}
