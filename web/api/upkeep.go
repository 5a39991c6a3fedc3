package api

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

type releaseInput struct {
	Body struct {
		IDs    []int64 `json:"ids,omitempty" doc:"rows to release"`
		Reason string  `json:"reason,omitempty" doc:"without ids: release the rows of this reason, oldest first, for at most ten seconds"`
	}
}

type releaseOutput struct {
	Body struct {
		Rows     int      `json:"rows" doc:"rows that left quarantine"`
		Samples  int      `json:"samples" doc:"samples of them that were accepted"`
		Kept     int      `json:"kept" doc:"rows that still cannot be read and stay"`
		Problems []string `json:"problems,omitempty"`
	}
}

type profileInput struct {
	Collector string `path:"collector" pattern:"^[A-Za-z0-9_-]{1,64}$"`
	RawBody   []byte `contentType:"application/yaml"`
}

type profileOutput struct {
	Body struct {
		Hash string `json:"hash" doc:"name it in Fadeledger-Profile to have a delivery read by this profile"`
	}
}

type batchesInput struct {
	Collector string `path:"collector"`
	Prefix    string `query:"prefix" doc:"beginning of the batches' names"`
}

type batchBody struct {
	Batch    string `json:"batch"`
	Sequence uint64 `json:"sequence"`
	// The rest says what became of its rows.
	Read        int64 `json:"read"`
	Accepted    int64 `json:"accepted"`
	Duplicates  int64 `json:"duplicates"`
	Disputed    int64 `json:"disputed"`
	Superseded  int64 `json:"superseded"`
	Quarantined int64 `json:"quarantined"`
}

type batchesOutput struct {
	Body struct {
		Batches []batchBody `json:"batches"`
	}
}

func (a *API) registerUpkeep() {
	huma.Register(a.huma, needs(analytics.RightRelease, huma.Operation{
		OperationID: "release", Method: http.MethodPost, Path: Base + "/quarantine/release", Tags: []string{"Way in"},
		Summary:     "Release rows from quarantine",
		Description: "Reads rows again, by the profile that their collector has now, and counts those that can be counted. Releasing a row twice changes nothing.",
		Errors:      []int{422, 503},
	}), a.handleRelease)
	profile := &huma.RequestBody{}
	huma.Register(a.huma, needs(analytics.RightCollect, huma.Operation{
		OperationID: "set-profile", Method: http.MethodPut, Path: Base + "/collectors/{collector}/profile", Tags: []string{"Way in"},
		Summary:         "Say how a collector's deliveries are to be read",
		Description:     "The body is a profile in YAML; an empty one takes the profile away. Deliveries that are stored already keep the profile that they were sent with.",
		MaxBodyBytes:    64 << 10,
		BodyReadTimeout: 10 * time.Second,
		Errors:          []int{422, 503},
		RequestBody:     profile,
	}), a.handleProfile)
	// A raw body is required once registered; here an empty one has a meaning.
	profile.Required = false
	huma.Register(a.huma, needsOrOwn(analytics.RightSeeIngest, read("batches", "/collectors/{collector}/batches", "Way in",
		"Which batches of a collector are counted",
		"A collector that keeps what is not listed here loses nothing, whatever becomes of the broker.")), a.handleBatches)
}

func (a *API) handleRelease(ctx context.Context, in *releaseInput) (*releaseOutput, error) {
	if a.cfg.Upkeep == nil {
		return nil, huma.Error503ServiceUnavailable("this process releases nothing")
	}
	if len(in.Body.IDs) == 0 && in.Body.Reason == "" {
		return nil, huma.Error422UnprocessableEntity("name the ids of rows, or a reason")
	}
	r, err := a.cfg.Upkeep.Release(ctx, in.Body.IDs, in.Body.Reason)
	if err != nil {
		return nil, a.problem("release", err)
	}
	out := &releaseOutput{}
	out.Body.Rows, out.Body.Samples, out.Body.Kept, out.Body.Problems = r.Rows, r.Samples, r.Kept, r.Problems
	return out, nil
}

func (a *API) handleProfile(ctx context.Context, in *profileInput) (*profileOutput, error) {
	if a.cfg.Upkeep == nil {
		return nil, huma.Error503ServiceUnavailable("this process keeps no profiles")
	}
	hash, err := a.cfg.Upkeep.SetProfile(ctx, in.Collector, in.RawBody)
	if err != nil {
		return nil, a.problem("set profile", err)
	}
	out := &profileOutput{}
	out.Body.Hash = hash
	return out, nil
}

func (a *API) handleBatches(ctx context.Context, in *batchesInput) (*batchesOutput, error) {
	if a.cfg.Upkeep == nil {
		return nil, huma.Error503ServiceUnavailable("this process knows no batches")
	}
	if !a.mayAsk(ctx, in.Collector) {
		return nil, errOtherCollector(ctx)
	}
	list, err := a.cfg.Upkeep.Batches(ctx, in.Collector, in.Prefix)
	if err != nil {
		return nil, a.problem("list batches", err)
	}
	out := &batchesOutput{}
	out.Body.Batches = make([]batchBody, len(list))
	for i, d := range list {
		x := d.Tally
		out.Body.Batches[i] = batchBody{d.Batch, d.Sequence, x.Read, x.Accepted, x.Duplicates, x.Disputed, x.Superseded, x.Quarantined}
	}
	return out, nil
}
