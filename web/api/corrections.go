package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

// CorrectionBody is a correction without its samples.
type CorrectionBody struct {
	ID      int64     `json:"id"`
	From    time.Time `json:"from"`
	To      time.Time `json:"to" doc:"first instant after the span"`
	By      string    `json:"by"`
	Why     string    `json:"why"`
	MadeAt  time.Time `json:"made_at"`
	Samples int       `json:"samples" doc:"how many samples count within the span because of it"`
}

// CorrectionDetailBody is a correction with its samples.
type CorrectionDetailBody struct {
	ID      int64        `json:"id"`
	From    time.Time    `json:"from"`
	To      time.Time    `json:"to" doc:"first instant after the span"`
	By      string       `json:"by"`
	Why     string       `json:"why"`
	MadeAt  time.Time    `json:"made_at"`
	Samples []SampleBody `json:"samples"`
}

type correctionsOutput struct {
	Body struct {
		Corrections []CorrectionBody `json:"corrections"`
	}
}

type correctionInput struct {
	UnitPath
	ID int64 `path:"correction" minimum:"1"`
}

type correctionOutput struct{ Body CorrectionDetailBody }

type correctInput struct {
	UnitPath
	ContentType string    `header:"Content-Type" doc:"application/json or text/csv"`
	From        time.Time `query:"from" doc:"with text/csv: first instant of the span"`
	To          time.Time `query:"to" doc:"with text/csv: first instant after the span"`
	By          string    `query:"by" maxLength:"200" doc:"with text/csv: may be left out; the name of whoever asks"`
	Why         string    `query:"why" maxLength:"1000" doc:"with text/csv: why"`
	Collector   string    `query:"collector" pattern:"^[A-Za-z0-9_-]{0,64}$" doc:"with text/csv: the collector whose profile reads the file; the plain fields unless given"`
	RawBody     []byte    `contentType:"text/csv"`
}

// NewCorrectionBody is what a correction is asked for with. Its samples are
// objects of the telemetry contract.
type NewCorrectionBody struct {
	From    time.Time         `json:"from"`
	To      time.Time         `json:"to"`
	By      string            `json:"by,omitempty"`
	Why     string            `json:"why"`
	Samples []json.RawMessage `json:"samples"`
}

type correctOutput struct {
	Location string `header:"Location" doc:"where to read the correction"`
	Body     CorrectionBody
}

func (a *API) registerCorrections() {
	huma.Register(a.huma, needs(analytics.RightSeeUnits, read("corrections", "/units/{unit}/corrections", "Unit", "The corrections of a unit, the newest first", "")), a.handleCorrections)
	huma.Register(a.huma, needs(analytics.RightSeeUnits, read("correction", "/units/{unit}/corrections/{correction}", "Unit", "A correction with its samples",
		"What it replaced is among the versions of its span.")), a.handleCorrection)
	huma.Register(a.huma, needs(analytics.RightCorrect, huma.Operation{
		OperationID: "correct", Method: http.MethodPost, Path: Base + "/units/{unit}/corrections", Tags: []string{"Unit"},
		Summary: "Replace what counts in a span of a unit's time",
		Description: "Within the span only the samples given here count, also when others arrive later; what was there stays readable among the versions. " +
			"JSON holds from, to, why and samples, a list of objects with the fields of telemetry; an empty list says that there is nothing to count. " +
			"Of text/csv the body is the file and the rest are parameters; a file of a head alone says that there is nothing to count.",
		DefaultStatus: http.StatusCreated, MaxBodyBytes: a.cfg.MaxBody, BodyReadTimeout: time.Minute,
		// A body is a file as well as an object, so it is checked here.
		SkipValidateBody: true,
		Errors:           []int{404, 413, 415, 422, 503},
		RequestBody:      &huma.RequestBody{Content: map[string]*huma.MediaType{"application/json": {Schema: newCorrectionSchema()}, "text/csv": {}}},
	}), a.handleCorrect)
}

func newCorrectionSchema() *huma.Schema {
	at := func(doc string) *huma.Schema {
		return &huma.Schema{Type: huma.TypeString, Format: "date-time", Description: doc}
	}
	return &huma.Schema{Type: huma.TypeObject, Required: []string{"from", "to", "why", "samples"}, Properties: map[string]*huma.Schema{
		"from": at("first instant of the span"), "to": at("first instant after the span"),
		"by": text("may be left out; the name of whoever asks"), "why": text("why"),
		"samples": list("what counts within the span, with the fields of telemetry", &huma.Schema{Type: huma.TypeObject}),
	}}
}

func correctionBody(c *analytics.Correction) CorrectionBody {
	return CorrectionBody{ID: c.ID, From: c.From.Time(), To: c.To.Time(), By: c.By, Why: c.Why, MadeAt: c.At.Time(), Samples: len(c.Samples)}
}

func (a *API) handleCorrections(ctx context.Context, in *UnitPath) (*correctionsOutput, error) {
	list, err := a.cfg.Ledger.Corrections(ctx, analytics.Serial(in.Unit))
	if err != nil {
		return nil, a.problem("list corrections", err)
	}
	out := &correctionsOutput{}
	out.Body.Corrections = make([]CorrectionBody, 0, len(list))
	for i := range list {
		out.Body.Corrections = append(out.Body.Corrections, correctionBody(&list[i]))
	}
	return out, nil
}

func (a *API) handleCorrection(ctx context.Context, in *correctionInput) (*correctionOutput, error) {
	list, err := a.cfg.Ledger.Corrections(ctx, analytics.Serial(in.Unit))
	if err != nil {
		return nil, a.problem("read the correction", err)
	}
	for i := range list {
		c := &list[i]
		if c.ID != in.ID {
			continue
		}
		b := CorrectionDetailBody{ID: c.ID, From: c.From.Time(), To: c.To.Time(), By: c.By, Why: c.Why, MadeAt: c.At.Time(),
			Samples: make([]SampleBody, 0, len(c.Samples))}
		for _, s := range c.Samples {
			b.Samples = append(b.Samples, sampleBody(s))
		}
		return &correctionOutput{Body: b}, nil
	}
	return nil, huma.Error404NotFound(fmt.Sprintf("the unit has no correction %d", in.ID))
}

func (a *API) handleCorrect(ctx context.Context, in *correctInput) (*correctOutput, error) {
	if a.cfg.Upkeep == nil {
		return nil, huma.Error503ServiceUnavailable("this process makes no corrections")
	}
	c, err := a.correction(ctx, in)
	if err == nil {
		err = whoAndWhy(ctx, &c)
	}
	if err != nil {
		return nil, a.problem("read the samples of the correction", err)
	}
	made, err := a.cfg.Upkeep.Correct(ctx, c)
	if err != nil {
		return nil, a.problem("make the correction", err)
	}
	return &correctOutput{
		Location: fmt.Sprintf("%s/units/%s/corrections/%d", Base, url.PathEscape(in.Unit), made.ID),
		Body:     correctionBody(&made),
	}, nil
}

// correction reads what a request asks for.
func (a *API) correction(ctx context.Context, in *correctInput) (analytics.Correction, error) {
	c := analytics.Correction{Serial: analytics.Serial(in.Unit), By: in.By, Why: in.Why, From: analytics.InstantOf(in.From), To: analytics.InstantOf(in.To)}
	kind, _, err := mime.ParseMediaType(in.ContentType)
	var collector string
	var body []byte
	switch {
	case err == nil && kind == "text/csv":
		if in.From.IsZero() || in.To.IsZero() {
			return c, huma.Error422UnprocessableEntity("name the span with from and to")
		}
		if len(bytes.TrimSpace(in.RawBody)) == 0 {
			return c, huma.Error422UnprocessableEntity("the body is empty; where nothing is to count, send the head of a file without rows")
		}
		collector, body = in.Collector, in.RawBody
	case err == nil && kind == "application/json":
		ask, err := newCorrection(in.RawBody)
		if err != nil {
			return c, huma.Error422UnprocessableEntity(err.Error())
		}
		c.From, c.To, c.By, c.Why = analytics.InstantOf(ask.From), analytics.InstantOf(ask.To), ask.By, ask.Why
		if len(ask.Samples) == 0 {
			return c, nil
		}
		kind = "application/x-ndjson"
		if body, err = lines(ask.Samples, in.Unit); err != nil {
			return c, huma.Error422UnprocessableEntity(err.Error())
		}
	default:
		return c, huma.Error415UnsupportedMediaType(fmt.Sprintf("Content-Type %q is not taken; send application/json or text/csv", in.ContentType))
	}
	c.Samples, err = a.cfg.Upkeep.ReadSamples(ctx, c.Serial, collector, kind, body)
	return c, err
}

// longestWhy bounds a reason, in characters.
const longestWhy = 1000

// whoAndWhy sets who makes a correction, trims why, and says what is missing.
func whoAndWhy(ctx context.Context, c *analytics.Correction) (err error) {
	c.Why = strings.TrimSpace(c.Why)
	if c.By, err = madeBy(ctx, strings.TrimSpace(c.By)); err != nil {
		return err
	}
	if c.Why == "" || utf8.RuneCountInString(c.Why) > longestWhy {
		return huma.Error422UnprocessableEntity(fmt.Sprintf("why: say why it is made, in at most %d characters", longestWhy))
	}
	return nil
}

func newCorrection(body []byte) (NewCorrectionBody, error) {
	var ask NewCorrectionBody
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(&ask); err != nil {
		return ask, fmt.Errorf("the body cannot be read: %w", err)
	}
	switch {
	case ask.From.IsZero() || ask.To.IsZero():
		return ask, errors.New("name the span with from and to")
	case ask.Samples == nil:
		return ask, errors.New("samples is missing; where nothing is to count, send an empty list")
	}
	return ask, nil
}

// lines writes samples one on a line, each with its unit, so that what is said
// of line 3 is said of the third.
func lines(samples []json.RawMessage, unit string) ([]byte, error) {
	name, err := json.Marshal(unit)
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	for i, raw := range samples {
		var fields map[string]json.RawMessage
		if err := json.Unmarshal(raw, &fields); err != nil || fields == nil {
			return nil, fmt.Errorf("sample %d is no object", i+1)
		}
		if fields["unit"] == nil {
			fields["unit"] = name
		}
		line, err := json.Marshal(fields)
		if err != nil {
			return nil, fmt.Errorf("sample %d: %w", i+1, err)
		}
		out.Write(line)
		out.WriteByte('\n')
	}
	return out.Bytes(), nil
}
