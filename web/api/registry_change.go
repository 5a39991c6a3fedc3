package api

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"slices"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

// RegistrationFiles are those that a registration may hold.
var RegistrationFiles = []string{"models.yaml", "sites.csv", "units.csv"}

// RegistrationBody says what was registered, or would be. Models, terms, sites
// and units count what was given.
type RegistrationBody struct {
	DryRun    bool            `json:"dry_run" doc:"nothing was changed"`
	Models    int             `json:"models"`
	Terms     int             `json:"terms"`
	Sites     int             `json:"sites"`
	Units     int             `json:"units"`
	Changes   []ChangeBody    `json:"changes" doc:"in the order of the files, the first 2000"`
	More      int             `json:"more,omitempty" doc:"changes beyond those"`
	Unchanged int             `json:"unchanged" doc:"things that are registered already as they are given"`
	Counts    []PlanCountBody `json:"counts"`
	Mark      string          `json:"mark,omitempty" doc:"of a dry run: give it with the same files to have just this done"`
}

// ChangeBody is what happens to one thing.
type ChangeBody struct {
	Kind   string            `json:"kind" enum:"model,terms,site,unit"`
	Name   string            `json:"name"`
	New    bool              `json:"new"`
	Fields []FieldChangeBody `json:"fields" doc:"those that change; of a new thing all that are set"`
}

// FieldChangeBody is a field before and after, as the files write it.
type FieldChangeBody struct {
	Field  string `json:"field"`
	Before string `json:"before"`
	After  string `json:"after"`
}

// PlanCountBody counts the things of a kind.
type PlanCountBody struct {
	Kind      string `json:"kind" enum:"model,terms,site,unit"`
	New       int    `json:"new"`
	Changed   int    `json:"changed"`
	Unchanged int    `json:"unchanged"`
}

type registerInput struct {
	Name        string `query:"name" enum:"models.yaml,sites.csv,units.csv" doc:"the file's name where the body is one file"`
	DryRun      bool   `query:"dry_run" doc:"say what would change, and change nothing"`
	Mark        string `query:"mark" maxLength:"64" doc:"of a dry run of the same files"`
	ContentType string `header:"Content-Type"`
	// Encoding lets a large fleet through the bound of a body.
	Encoding string `header:"Content-Encoding" doc:"gzip, or absent when not compressed; at most 64 MiB once it is unpacked"`
	RawBody  []byte `contentType:"multipart/form-data"`
}

type registerOutput struct{ Body RegistrationBody }

func (a *API) registerRegister() {
	huma.Register(a.huma, needs(analytics.RightRegister, huma.Operation{
		OperationID: "register", Method: http.MethodPost, Path: Base + "/register", Tags: []string{"Fleet"},
		Summary: "Register models, terms, sites and units",
		Description: "Either a form with files named models.yaml, sites.csv and units.csv (any of them), or one file as the body with its name as a parameter. All of it is taken or nothing. " +
			"A dry run says what would change and gives a mark; what is sent with the mark is refused with 409 where something has changed since.",
		MaxBodyBytes: a.cfg.MaxBody, BodyReadTimeout: time.Minute,
		Errors: []int{400, 409, 413, 415, 422, 503},
		RequestBody: &huma.RequestBody{Content: map[string]*huma.MediaType{
			"multipart/form-data": {}, "text/csv": {}, "application/yaml": {},
		}},
	}), a.handleRegister)
}

func (a *API) handleRegister(ctx context.Context, in *registerInput) (*registerOutput, error) {
	if a.cfg.Registrar == nil || a.cfg.Registry == nil && (in.DryRun || in.Mark != "") {
		return nil, huma.Error503ServiceUnavailable("this process takes no registrations")
	}
	if err := in.unpack(); err != nil {
		return nil, err
	}
	files, err := filesOf(in)
	if err != nil {
		return nil, huma.Error400BadRequest(err.Error())
	}
	if in.DryRun {
		return a.planRegistration(ctx, files)
	}
	register := a.cfg.Registrar.Register
	if in.Mark != "" {
		register = func(ctx context.Context, files map[string][]byte) (Registration, error) {
			return a.cfg.Registry.Apply(ctx, files, in.Mark)
		}
	}
	r, err := register(ctx, files)
	if err != nil {
		return nil, a.problem("register", err)
	}
	if len(r.Problems) > 0 {
		return nil, registrationProblem(r.Problems)
	}
	out := planOutput(r.Plan)
	out.Body.Models, out.Body.Terms, out.Body.Sites, out.Body.Units = r.Models, r.Terms, r.Sites, r.Units
	return out, nil
}

func (a *API) planRegistration(ctx context.Context, files map[string][]byte) (*registerOutput, error) {
	plan, problems, err := a.cfg.Registry.Plan(ctx, files)
	if err != nil {
		return nil, a.problem("plan a registration", err)
	}
	if len(problems) > 0 {
		return nil, registrationProblem(problems)
	}
	out := planOutput(plan)
	out.Body.DryRun, out.Body.Mark = true, plan.Mark
	for _, c := range plan.Counts {
		n := c.New + c.Changed + c.Unchanged
		switch c.Kind {
		case analytics.ChangeModel:
			out.Body.Models = n
		case analytics.ChangeTerms:
			out.Body.Terms = n
		case analytics.ChangeSite:
			out.Body.Sites = n
		case analytics.ChangeUnit:
			out.Body.Units = n
		}
	}
	return out, nil
}

func planOutput(plan analytics.Plan) *registerOutput {
	b := RegistrationBody{Changes: make([]ChangeBody, 0, len(plan.Changes)), More: plan.More, Unchanged: plan.Unchanged,
		Counts: make([]PlanCountBody, 0, len(plan.Counts))}
	for i := range plan.Changes {
		c := &plan.Changes[i]
		change := ChangeBody{Kind: string(c.Kind), Name: c.Name, New: c.New, Fields: make([]FieldChangeBody, 0, len(c.Fields))}
		for _, f := range c.Fields {
			change.Fields = append(change.Fields, FieldChangeBody(f))
		}
		b.Changes = append(b.Changes, change)
	}
	for _, c := range plan.Counts {
		b.Counts = append(b.Counts, PlanCountBody{Kind: string(c.Kind), New: c.New, Changed: c.Changed, Unchanged: c.Unchanged})
	}
	return &registerOutput{Body: b}
}

func registrationProblem(problems []Problem) error {
	details := make([]error, len(problems))
	for i, p := range problems {
		place := p.File
		if p.Line > 0 {
			place += fmt.Sprintf(":%d", p.Line)
		}
		if p.Field != "" {
			place += ":" + p.Field
		}
		message := p.Message
		if p.Remedy != "" {
			message += "; " + p.Remedy
		}
		details[i] = &huma.ErrorDetail{Location: place, Message: message}
	}
	return huma.Error422UnprocessableEntity("nothing was registered: mend what is listed and send it again", details...)
}

// mostUnpacked is how many bytes a compressed registration may have.
const mostUnpacked = 64 << 20

// unpack takes the compression of the body away.
func (in *registerInput) unpack() error {
	if in.Encoding == "" {
		return nil
	}
	if in.Encoding != "gzip" {
		return huma.Error415UnsupportedMediaType(fmt.Sprintf("Content-Encoding %.64q is not taken; send gzip or none", in.Encoding))
	}
	z, err := gzip.NewReader(bytes.NewReader(in.RawBody))
	if err != nil {
		return huma.Error400BadRequest("the body is not gzip as its Content-Encoding says")
	}
	plain, err := io.ReadAll(io.LimitReader(z, mostUnpacked+1))
	switch {
	case err != nil:
		return huma.Error400BadRequest("the body is broken off: it is gzip without its end")
	case len(plain) > mostUnpacked:
		return huma.NewError(http.StatusRequestEntityTooLarge, "the registration has more than 64 MiB; cut units.csv into parts with the same header and register one after the other")
	}
	in.RawBody = plain
	return nil
}

// filesOf takes the files out of a form, or the body as the one file that the
// name parameter tells.
func filesOf(in *registerInput) (map[string][]byte, error) {
	kind, params, err := mime.ParseMediaType(in.ContentType)
	if err != nil || kind != "multipart/form-data" {
		if in.Name == "" {
			return nil, errors.New("say with ?name= which file the body is: models.yaml, sites.csv or units.csv")
		}
		return map[string][]byte{in.Name: in.RawBody}, nil
	}
	files := make(map[string][]byte)
	form := multipart.NewReader(bytes.NewReader(in.RawBody), params["boundary"])
	for {
		part, err := form.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("read the form: %w", err)
		}
		name := part.FileName()
		if !slices.Contains(RegistrationFiles, name) {
			return nil, fmt.Errorf("file %q is none of models.yaml, sites.csv, units.csv", name)
		}
		if _, twice := files[name]; twice {
			return nil, fmt.Errorf("the form holds %s twice; send one after the other, or join them", name)
		}
		if files[name], err = io.ReadAll(part); err != nil {
			return nil, fmt.Errorf("read %s: %w", name, err)
		}
	}
	if len(files) == 0 {
		return nil, errors.New("the form holds no file")
	}
	return files, nil
}
