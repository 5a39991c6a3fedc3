package api

import (
	"context"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"slices"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

// DefaultCollector names the collector of a delivery that names none.
const DefaultCollector = "http"

// ReceiptBody says that a delivery is stored.
type ReceiptBody struct {
	Stream        string           `json:"stream"`
	Sequence      uint64           `json:"sequence" doc:"ask /deliveries/{sequence} what became of it"`
	AlreadyStored bool             `json:"already_stored" doc:"the message ID was known and nothing new was stored"`
	Bytes         int              `json:"bytes"`
	Samples       *int64           `json:"samples,omitempty" doc:"rows that could be read"`
	Quarantined   map[string]int64 `json:"quarantined,omitempty" doc:"rows that will be quarantined, by reason"`
	Notes         []string         `json:"notes,omitempty" doc:"what is accepted and still worth telling, such as a sign that seems to be flipped"`
}

type telemetryInput struct {
	Collector       string `query:"collector" pattern:"^[A-Za-z0-9_-]{1,64}$" doc:"who sends; unless given, the collector that the token is for, or http"`
	ContentType     string `header:"Content-Type" doc:"text/csv, application/json or application/x-ndjson"`
	ContentEncoding string `header:"Content-Encoding" doc:"gzip or zstd, absent when not compressed"`
	MessageID       string `header:"Nats-Msg-Id" maxLength:"128" doc:"lets the broker filter a delivery that is sent twice"`
	Batch           string `header:"Fadeledger-Batch" maxLength:"128" doc:"your name for this delivery; ask /collectors/{collector}/batches which are counted"`
	Profile         string `header:"Fadeledger-Profile" maxLength:"64" doc:"hash of the profile to read it by, where it is not the collector's own"`
	Lines           string `header:"Fadeledger-Lines" maxLength:"32" pattern:"^([0-9]+:[0-9]+)?$" doc:"H:N where the body is cut from a file: it begins with H header lines and goes on with line N of the file"`
	Series          string `header:"Fadeledger-Series" maxLength:"64" pattern:"^[ -~]*$" doc:"name of the run of numbers that this delivery has its number in"`
	Number          int64  `header:"Fadeledger-Number" minimum:"0" doc:"1, 2, 3 and so on within the series; ask /collectors/{collector}/receipts which are counted"`
	RawBody         []byte `contentType:"text/csv"`
}

type telemetryOutput struct {
	Location string `header:"Location" doc:"where to ask what became of the delivery"`
	Body     ReceiptBody
}

func (a *API) registerDoors() {
	huma.Register(a.huma, needs(analytics.RightDeliver, huma.Operation{
		OperationID: "telemetry", Method: http.MethodPost, Path: Base + "/telemetry", Tags: []string{"Way in"},
		Summary:       "Hand in telemetry",
		Description:   "Answers 202 once the broker has stored the body durably; counting follows. Sending the same samples again is safe: they are told as duplicates. See README for the fields.",
		DefaultStatus: http.StatusAccepted,
		MaxBodyBytes:  a.cfg.MaxBody, BodyReadTimeout: time.Minute,
		Errors: []int{400, 401, 403, 413, 415, 422, 503},
		RequestBody: &huma.RequestBody{Content: map[string]*huma.MediaType{
			"application/json": {}, "application/x-ndjson": {},
		}},
	}), a.handleTelemetry)
}

func (a *API) handleTelemetry(ctx context.Context, in *telemetryInput) (*telemetryOutput, error) {
	if a.cfg.Intake == nil {
		return nil, huma.Error503ServiceUnavailable("this process takes no telemetry over HTTP")
	}
	if err := ownCollector(ctx, in); err != nil {
		return nil, err
	}
	env, err := envelope(in)
	if err != nil {
		return nil, err
	}
	r, err := a.cfg.Intake.Publish(ctx, env)
	if errors.Is(err, ErrTooLarge) {
		return nil, huma.NewError(http.StatusRequestEntityTooLarge, err.Error())
	}
	if errors.Is(err, analytics.ErrInvalid) {
		return nil, huma.Error422UnprocessableEntity(err.Error())
	}
	if err != nil {
		a.cfg.Logger.Error("publish delivery", "collector", env.Collector, "err", err)
		return nil, huma.Error503ServiceUnavailable("the broker did not confirm that the delivery is stored; send it again, which is safe")
	}
	return &telemetryOutput{
		Location: fmt.Sprintf("%s/deliveries/%d", Base, r.Sequence),
		Body: ReceiptBody{
			Stream: r.Stream, Sequence: r.Sequence, AlreadyStored: r.AlreadyStored, Bytes: len(env.Body),
			Samples: r.Samples, Quarantined: r.Quarantined, Notes: r.Notes,
		},
	}, nil
}

// ownCollector holds a token that is for one collector to it.
func ownCollector(ctx context.Context, in *telemetryInput) error {
	own := analytics.PrincipalOf(ctx).Collector
	switch {
	case own == "":
	case in.Collector == "":
		in.Collector = own
	case in.Collector != own:
		return errOtherCollector(ctx)
	}
	return nil
}

// envelope checks what can be checked without reading the body.
func envelope(in *telemetryInput) (Envelope, error) {
	kind, _, err := mime.ParseMediaType(in.ContentType)
	if err != nil || !slices.Contains([]string{"text/csv", "application/json", "application/x-ndjson"}, kind) {
		return Envelope{}, huma.Error415UnsupportedMediaType(
			fmt.Sprintf("Content-Type %q is not taken; send text/csv, application/json or application/x-ndjson", in.ContentType))
	}
	if in.ContentEncoding != "" && in.ContentEncoding != "gzip" && in.ContentEncoding != "zstd" {
		return Envelope{}, huma.Error415UnsupportedMediaType(
			fmt.Sprintf("Content-Encoding %q is not taken; send gzip, zstd or none", in.ContentEncoding))
	}
	if len(in.RawBody) == 0 {
		return Envelope{}, huma.Error400BadRequest("the body is empty")
	}
	if (in.Series == "") != (in.Number == 0) {
		return Envelope{}, huma.Error422UnprocessableEntity("Fadeledger-Series and Fadeledger-Number go together: a name, and a number from 1 on")
	}
	env := Envelope{
		Collector: in.Collector, ContentType: in.ContentType, ContentEncoding: in.ContentEncoding,
		MessageID: in.MessageID, Batch: in.Batch, Profile: in.Profile, Lines: in.Lines,
		Series: in.Series, Number: in.Number, Body: in.RawBody,
	}
	if env.Collector == "" {
		env.Collector = DefaultCollector
	}
	return env, nil
}
