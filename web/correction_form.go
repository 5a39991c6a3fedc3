package web

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"io"
	"net/http"
	"slices"
	"strings"
	"unicode/utf8"

	"fadeledger/analytics"
)

// correctionForm is what the form of a correction holds, and the page that
// shows it.
type correctionForm struct {
	Serial, UnitHref, Action string
	From, To, Why            string
	// What is samples or nothing; Text are the pasted samples.
	What, Text, Collector string
	Collectors            []string
	Problems              []string
}

// correctionAsk is a form that was read.
type correctionAsk struct {
	correction analytics.Correction
	collector  string
	file       []byte
	what       string
}

// previewPage says what a correction will do.
type previewPage struct {
	Serial, UnitHref, Action string
	Span, By, Why            string
	From, To                 string
	What, Collector, File    string
	// Seen is a hash of the samples as they were read for this page.
	Seen    string
	Changed bool
	Now     string
	Then    string
	Effects []string
	Rows    []changeRow
	More    string
}

// changeRow is an instant at which something changes.
type changeRow struct {
	At, AtTime string
	Now, Then  []valuePart
}

// Bounds of a correction that is made by a form.
const (
	// maxCorrectionFile bounds the file; it goes back and forth once more.
	maxCorrectionFile = 4 << 20
	// longestText is how much of a file comes back in the form for mending.
	longestText = 64 << 10
	// comparedAtMost bounds the samples that a preview looks at.
	comparedAtMost = 500_000
	// changesShown is the number of instants on a preview.
	changesShown = 20
	// disputesLookedAt bounds the versions that are searched for disputes.
	disputesLookedAt = 20_000
)

// handleNewCorrection answers GET /units/{serial}/corrections/new.
func (s *site) handleNewCorrection(w http.ResponseWriter, r *http.Request) {
	serial := serialOf(r)
	if _, err := s.cfg.Ledger.Unit(r.Context(), serial); err != nil {
		s.failUnit(w, r, serial, "read the unit", err)
		return
	}
	f := correctionForm{What: "samples"}
	if at, ok := parseExact(r.URL.Query().Get("from")); ok {
		f.From = formTime(at)
	}
	if at, ok := parseExact(r.URL.Query().Get("to")); ok {
		f.To = formTime(at)
	}
	s.showForm(w, r, http.StatusOK, serial, f)
}

func (s *site) showForm(w http.ResponseWriter, r *http.Request, status int, serial analytics.Serial, f correctionForm) {
	f.Serial, f.UnitHref, f.Action = label(serial), unitHref(serial, ""), unitHref(serial, "/corrections/preview")
	// The form works without the list of collectors.
	if sum, err := s.cfg.Ledger.Ingest(r.Context()); err == nil {
		for _, c := range sum.Collectors {
			f.Collectors = append(f.Collectors, c.Collector)
		}
		slices.Sort(f.Collectors)
		f.Collectors = f.Collectors[:min(len(f.Collectors), 200)]
	}
	s.render(w, r, status, "correct", view{Title: "Correct " + f.Serial, Section: "fleet", Page: f})
}

// readForm reads the form of a correction, from its page or from the preview.
// The form that comes back holds what is wrong with it; err is the request's.
func (s *site) readForm(w http.ResponseWriter, r *http.Request) (ask correctionAsk, f correctionForm, err error) {
	r.Body = http.MaxBytesReader(w, r.Body, maxCorrectionFile*3/2+maxSmallForm)
	if err := r.ParseMultipartForm(maxCorrectionFile * 2); err != nil && !errors.Is(err, http.ErrNotMultipart) {
		return ask, f, err
	}
	v := r.PostForm
	f = correctionForm{From: v.Get("from"), To: v.Get("to"), Why: strings.TrimSpace(v.Get("why")),
		What: v.Get("what"), Text: v.Get("text"), Collector: strings.TrimSpace(v.Get("collector"))}
	ask = correctionAsk{collector: f.Collector, what: f.What, correction: analytics.Correction{Serial: serialOf(r), By: analytics.PrincipalOf(r.Context()).Name, Why: f.Why}}
	c := &ask.correction
	for _, t := range []struct {
		text, name string
		at         *analytics.Instant
	}{{f.From, "From", &c.From}, {f.To, "Until before", &c.To}} {
		var ok bool
		if *t.at, ok = parseExact(t.text); !ok {
			f.Problems = append(f.Problems, t.name+" is no time: write it as 2031-04-02T14:05:00, in UTC.")
		}
	}
	f.Problems = append(f.Problems, reasonProblems(f.Why)...)
	if len(f.Problems) == 0 {
		f.Problems = spanProblems(c, analytics.InstantOf(s.cfg.Now()))
	}
	if ask.file, err = correctionFile(r); err != nil {
		return ask, f, err
	}
	f.Problems = append(f.Problems, ask.fileProblems(&f)...)
	return ask, f, nil
}

func spanProblems(c *analytics.Correction, now analytics.Instant) []string {
	switch {
	case c.From >= c.To:
		return []string{"The span is empty: its end must lie after its beginning."}
	case c.To > now:
		return []string{"The span reaches into the future: end it at " + exact(now) + " or before."}
	}
	return nil
}

// correctionFile takes the samples from the upload, the text or the preview.
func correctionFile(r *http.Request) ([]byte, error) {
	if text := r.PostForm.Get("file64"); text != "" {
		return base64.URLEncoding.DecodeString(text)
	}
	if r.MultipartForm != nil {
		for _, head := range r.MultipartForm.File["file"] {
			if head.Size == 0 {
				continue
			}
			file, err := head.Open()
			if err != nil {
				return nil, err
			}
			defer file.Close()
			return io.ReadAll(file)
		}
	}
	return []byte(r.PostForm.Get("text")), nil
}

// fileProblems says what is wrong with what was chosen, and puts an upload that
// is not long into the form, so that it can be mended there.
func (a *correctionAsk) fileProblems(f *correctionForm) []string {
	given := len(strings.TrimSpace(string(a.file))) > 0
	if f.Text == "" && len(a.file) <= longestText && utf8.Valid(a.file) {
		f.Text = string(a.file)
	}
	switch {
	case a.what == "nothing" && given:
		return []string{"There are samples, and “nothing counts” is chosen: take away the samples, or choose that they count."}
	case a.what == "nothing":
		a.file = nil
		return nil
	case a.what != "samples":
		return []string{"Choose what counts within the span: the samples given here, or nothing."}
	case len(a.file) > maxCorrectionFile:
		return []string{"The file is larger than " + bytesSize(maxCorrectionFile) + ": cut it into parts, and make one correction of each part's span."}
	case !given:
		return []string{"The samples are missing: choose a file or paste its lines, head included. If there is nothing to count, choose that."}
	}
	return nil
}

// readSamples reads the samples of a form that has no problem yet, and holds
// them against its span.
func (s *site) readSamples(ctx context.Context, ask *correctionAsk, f *correctionForm) error {
	if len(f.Problems) > 0 || ask.what == "nothing" {
		return nil
	}
	c := &ask.correction
	samples, err := s.cfg.Upkeep.ReadSamples(ctx, c.Serial, ask.collector, "text/csv", ask.file)
	if errors.Is(err, analytics.ErrInvalid) {
		f.Problems = append(f.Problems, problemWords(err)...)
		return nil
	}
	if err != nil {
		return err
	}
	c.Samples = samples
	for i := range samples {
		at := samples[i].Time
		if at < c.From || at >= c.To {
			f.Problems = append(f.Problems, "Sample "+count(int64(i+1))+" is of "+exact(at)+", outside the span: widen the span or take the sample out.")
			return nil
		}
	}
	slices.SortStableFunc(samples, func(a, b analytics.Sample) int { return cmp.Compare(a.Time, b.Time) })
	for i := 1; i < len(samples); i++ {
		if samples[i].Time == samples[i-1].Time {
			f.Problems = append(f.Problems, "Two samples are of "+exact(samples[i].Time)+": leave in the one that counts.")
			return nil
		}
	}
	if len(samples) == 0 {
		f.Problems = append(f.Problems, "No sample could be found in the file. If there is nothing to count, choose that.")
	}
	return nil
}

// problemWords are the lines of an error that says what is wrong with a file,
// without the word that it is matched by.
func problemWords(err error) []string {
	list := reasonsOf(err)
	for i, text := range list {
		for _, mark := range []string{": " + analytics.ErrInvalid.Error(), analytics.ErrInvalid.Error() + ": "} {
			text = strings.ReplaceAll(text, mark, "")
		}
		if text != "" {
			list[i] = strings.ToUpper(text[:1]) + text[1:]
		}
	}
	return list
}

// handlePreview answers POST /units/{serial}/corrections/preview: what the
// correction will do. It changes nothing.
func (s *site) handlePreview(w http.ResponseWriter, r *http.Request) {
	ask, ok := s.askedCorrection(w, r)
	if ok {
		s.showPreview(w, r, ask, false)
	}
}

// askedCorrection reads a form with its samples. Where it is not right it
// writes the answer and gives false.
func (s *site) askedCorrection(w http.ResponseWriter, r *http.Request) (correctionAsk, bool) {
	ask, f, err := s.readForm(w, r)
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &tooLarge):
		s.writeErrorPage(w, r, http.StatusRequestEntityTooLarge)
		return ask, false
	case err != nil:
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return ask, false
	}
	serial := ask.correction.Serial
	if _, err := s.cfg.Ledger.Unit(r.Context(), serial); err != nil {
		s.failUnit(w, r, serial, "read the unit", err)
		return ask, false
	}
	if err := s.readSamples(r.Context(), &ask, &f); err != nil {
		s.failUnit(w, r, serial, "read the samples of a correction", err)
		return ask, false
	}
	if len(f.Problems) > 0 {
		s.showForm(w, r, http.StatusUnprocessableEntity, serial, f)
		return ask, false
	}
	return ask, true
}

// samplesHash tells whether samples are still those that were shown.
func samplesHash(samples []analytics.Sample) string {
	sum := sha256.New()
	for i := range samples {
		_, _ = sum.Write(append(samples[i].AppendJSON(nil, ""), byte('0'+samples[i].Has>>8)))
	}
	return hex.EncodeToString(sum.Sum(nil)[:8])
}

func (s *site) showPreview(w http.ResponseWriter, r *http.Request, ask correctionAsk, changed bool) {
	c := &ask.correction
	p := previewPage{Serial: label(c.Serial), UnitHref: unitHref(c.Serial, ""), Action: unitHref(c.Serial, "/corrections"),
		Span: spanWords(c.From, c.To), From: exactTime(c.From), To: exactTime(c.To), By: label(c.By), Why: c.Why, What: ask.what, Collector: ask.collector,
		File: base64.URLEncoding.EncodeToString(ask.file), Seen: samplesHash(c.Samples), Changed: changed}
	d, err := s.changes(r.Context(), c)
	if err != nil {
		s.failUnit(w, r, c.Serial, "compare the correction with what counts", err)
		return
	}
	disputes, err := s.disputesWithin(r.Context(), c)
	if err != nil {
		s.failUnit(w, r, c.Serial, "look for disputes", err)
		return
	}
	p.Now, p.Then, p.Rows = count(d.now), count(int64(len(c.Samples))), d.rows
	p.Effects = d.words(disputes)
	if n := d.changed() - int64(len(d.rows)); n > 0 {
		p.More = plural(n, "more instant changes", "more instants change") + "."
	}
	status := http.StatusOK
	if changed {
		status = http.StatusConflict
	}
	s.render(w, r, status, "preview", view{Title: "Preview of a correction", Section: "fleet", Page: p})
}

// changes are what a correction changes.
type changes struct {
	now, same, replaced, added, gone int64
	days                             map[analytics.Day]bool
	rows                             []changeRow
	cut                              bool
}

func (d *changes) changed() int64 { return d.replaced + d.added + d.gone }

func (d *changes) tell(now, then *analytics.Sample) {
	var at analytics.Instant
	switch {
	case now != nil && then != nil && now.SameContent(*then):
		d.same++
		return
	case now == nil:
		d.added++
		at = then.Time
	case then == nil:
		d.gone++
		at = now.Time
	default:
		d.replaced++
		at = now.Time
	}
	d.days[at.Day()] = true
	if len(d.rows) == changesShown {
		return
	}
	row := changeRow{At: exact(at), AtTime: exactTime(at)}
	if now != nil {
		row.Now = sampleParts(*now, nil)
	}
	if then != nil {
		row.Then = sampleParts(*then, now)
	}
	d.rows = append(d.rows, row)
}

// changes compares what counts in the span with what will.
func (s *site) changes(ctx context.Context, c *analytics.Correction) (changes, error) {
	d := changes{days: map[analytics.Day]bool{}}
	rest := c.Samples
	err := s.cfg.Ledger.Samples(ctx, c.Serial, c.From, c.To, func(now analytics.Sample) error {
		if d.now == comparedAtMost {
			d.cut = true
			return errEnough
		}
		d.now++
		for len(rest) > 0 && rest[0].Time < now.Time {
			d.tell(nil, &rest[0])
			rest = rest[1:]
		}
		var then *analytics.Sample
		if len(rest) > 0 && rest[0].Time == now.Time {
			then, rest = &rest[0], rest[1:]
		}
		d.tell(&now, then)
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return d, err
	}
	for i := range rest {
		d.tell(nil, &rest[i])
	}
	return d, nil
}

func (s *site) disputesWithin(ctx context.Context, c *analytics.Correction) (int64, error) {
	list, err := s.cfg.Ledger.Versions(ctx, c.Serial, c.From, c.To, disputesLookedAt)
	var n int64
	last := analytics.Instant(-1 << 62)
	for _, v := range list {
		if v.Disputed && v.Time != last {
			n, last = n+1, v.Time
		}
	}
	return n, err
}

// words say in sentences what will happen.
func (d *changes) words(disputes int64) []string {
	var list []string
	add := func(n int64, one, many string) {
		if n > 0 {
			list = append(list, plural(n, one, many)+".")
		}
	}
	add(d.same, "sample stays as it is", "samples stay as they are")
	add(d.replaced, "sample is replaced", "samples are replaced")
	add(d.added, "sample is added", "samples are added")
	add(d.gone, "sample no longer counts", "samples no longer count")
	add(disputes, "instant in dispute is settled by it", "instants in dispute are settled by it")
	if d.cut {
		list = append(list, "Only the first "+count(comparedAtMost)+" samples were compared; there are more.")
	}
	if d.changed() == 0 {
		list = append(list, "Nothing that counts changes now; the correction holds against what is delivered for the span later.")
	} else {
		list = append(list, plural(int64(len(d.days)), "day is", "days are")+" counted again, and later days as far as they change by it.")
	}
	return append(list, "What counted until now is kept as superseded and can be read on the page of the correction; nothing is deleted.")
}

// handleCorrect answers POST /units/{serial}/corrections: it makes the
// correction that the preview showed and leads to it.
func (s *site) handleCorrect(w http.ResponseWriter, r *http.Request) {
	ask, ok := s.askedCorrection(w, r)
	if !ok {
		return
	}
	if r.PostForm.Get("seen") != samplesHash(ask.correction.Samples) {
		// The file is read differently than when it was shown, such as by
		// another profile.
		s.showPreview(w, r, ask, true)
		return
	}
	made, err := s.correctOnce(r.Context(), ask.correction)
	if errors.Is(err, analytics.ErrInvalid) {
		f := correctionForm{From: formTime(ask.correction.From), To: formTime(ask.correction.To), Why: ask.correction.Why,
			What: ask.what, Collector: ask.collector, Problems: problemWords(err)}
		_ = ask.fileProblems(&f) // puts the text back
		s.showForm(w, r, http.StatusUnprocessableEntity, ask.correction.Serial, f)
		return
	}
	if err != nil {
		s.failUnit(w, r, ask.correction.Serial, "make the correction", err)
		return
	}
	s.toCorrection(w, r, ask.correction.Serial, made.ID)
}

// spanHref is the address of a new correction of a span.
func spanHref(serial analytics.Serial, from, to analytics.Instant) string {
	return unitHref(serial, "/corrections/new?from="+exactTime(from)+"&to="+exactTime(to))
}
