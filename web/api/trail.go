package api

import (
	"context"
	"encoding/hex"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

// MeBody is who asks.
type MeBody struct {
	Kind         string   `json:"kind" enum:"person,token,service"`
	ID           int64    `json:"id"`
	Name         string   `json:"name" doc:"a person's login, a token's name"`
	Role         string   `json:"role,omitempty" doc:"a person's"`
	Organisation string   `json:"organisation,omitempty" doc:"only its sites are seen"`
	Collector    string   `json:"collector,omitempty" doc:"the only one that is delivered as"`
	Rights       []string `json:"rights"`
}

// EntryBody is an entry of the trail.
type EntryBody struct {
	Number       int64     `json:"number" doc:"counts from 1 without holes"`
	At           time.Time `json:"at"`
	Who          string    `json:"who"`
	Kind         string    `json:"kind"`
	Role         string    `json:"role,omitempty"`
	Organisation string    `json:"organisation,omitempty"`
	Address      string    `json:"address,omitempty"`
	Deed         string    `json:"deed"`
	Object       string    `json:"object"`
	Detail       string    `json:"detail,omitempty"`
	Body         string    `json:"body" doc:"the entry as it was hashed: canonical JSON (RFC 8785)"`
	Previous     string    `json:"previous" doc:"hash of the entry before, hexadecimal"`
	Hash         string    `json:"hash" doc:"SHA-256 of the byte 1, the previous hash and the body, hexadecimal"`
}

// EntryBodyOf writes an entry of the trail.
func EntryBodyOf(e *analytics.TrailEntry) EntryBody {
	return EntryBody{Number: e.Number, At: e.At.Time(), Who: e.Who, Kind: string(e.Kind), Role: string(e.Role), Organisation: e.Organisation,
		Address: e.Address, Deed: string(e.Deed), Object: e.Object, Detail: e.Detail, Body: e.Body,
		Previous: hex.EncodeToString(e.Previous[:]), Hash: hex.EncodeToString(e.Hash[:])}
}

type meOutput struct{ Body MeBody }

type trailInput struct {
	Who    string `query:"who" maxLength:"200" doc:"a login or the name of a token"`
	Deed   string `query:"deed" maxLength:"64" doc:"such as saw, exported, corrected"`
	Object string `query:"object" maxLength:"300" doc:"beginning of what it was done to"`
	Before int64  `query:"before" minimum:"0" doc:"only numbers below; from the newest on unless given"`
	Limit  int    `query:"limit" minimum:"1" maximum:"500" default:"50"`
}

type trailOutput struct {
	Body struct {
		Entries []EntryBody `json:"entries"`
		Next    int64       `json:"next,omitempty" doc:"give it back as before for the next page; absent on the last"`
	}
}

type checkInput struct {
	Number int64  `query:"number" minimum:"0" doc:"with hash: an end of the trail that was noted earlier"`
	Hash   string `query:"hash" pattern:"^([0-9a-fA-F]{64})?$"`
}

type checkOutput struct {
	Body struct {
		Entries int64    `json:"entries"`
		Number  int64    `json:"number" doc:"of the newest entry"`
		Hash    string   `json:"hash" doc:"of the newest entry; kept elsewhere, it shows later whether the trail was cut or written anew"`
		Faults  []string `json:"faults" doc:"the first mistakes in words; none where all is well"`
	}
}

// errNoTrail answers where no trail is kept.
var errNoTrail = huma.Error503ServiceUnavailable("this process keeps no trail")

func (a *API) registerTrail() {
	huma.Register(a.huma, needsSomebody(read("me", "/me", "People", "Who asks, and what it may do", "")), a.handleMe)
	huma.Register(a.huma, needs(analytics.RightTrail, read("trail", "/trail", "Trail", "Who saw and changed what, the newest first",
		"Each entry is chained to the one before by its hash. The whole trail is at /trail.ndjson.")), a.handleTrail)
	huma.Register(a.huma, needs(analytics.RightTrail, read("check-trail", "/trail/check", "Trail", "Add the whole trail up again",
		"Reads every entry and holds it against its hash and against the one before.")), a.handleCheckTrail)
}

func (a *API) handleMe(ctx context.Context, _ *struct{}) (*meOutput, error) {
	p := analytics.PrincipalOf(ctx)
	b := MeBody{Kind: string(p.Kind), ID: p.ID, Name: p.Name, Role: string(p.Role), Organisation: p.Organisation, Collector: p.Collector, Rights: []string{}}
	for _, right := range analytics.Rights {
		if a.allows(p, right) {
			b.Rights = append(b.Rights, string(right))
		}
	}
	return &meOutput{Body: b}, nil
}

func (a *API) handleTrail(ctx context.Context, in *trailInput) (*trailOutput, error) {
	if a.cfg.Trail == nil {
		return nil, errNoTrail
	}
	list, err := a.cfg.Trail.Trail(ctx, analytics.TrailFilter{Who: in.Who, Deed: analytics.Deed(in.Deed), Object: in.Object, Before: in.Before, Limit: in.Limit})
	if err != nil {
		return nil, a.problem("read the trail", err)
	}
	out := &trailOutput{}
	out.Body.Entries = make([]EntryBody, 0, len(list))
	for i := range list {
		out.Body.Entries = append(out.Body.Entries, EntryBodyOf(&list[i]))
	}
	if len(list) == in.Limit && list[len(list)-1].Number > 1 {
		out.Body.Next = list[len(list)-1].Number
	}
	return out, nil
}

func (a *API) handleCheckTrail(ctx context.Context, in *checkInput) (*checkOutput, error) {
	if a.cfg.Trail == nil {
		return nil, errNoTrail
	}
	var heads []analytics.TrailHead
	if (in.Hash == "") != (in.Number == 0) {
		return nil, huma.Error422UnprocessableEntity("number and hash go together")
	}
	if in.Hash != "" {
		h := analytics.TrailHead{Number: in.Number}
		// The pattern has let hexadecimal digits of the right length through.
		_, _ = hex.Decode(h.Hash[:], []byte(in.Hash))
		heads = append(heads, h)
	}
	c, err := a.cfg.Trail.CheckTrail(ctx, heads)
	if err != nil {
		return nil, a.problem("check the trail", err)
	}
	out := &checkOutput{}
	out.Body.Entries, out.Body.Number, out.Body.Hash, out.Body.Faults = c.Entries, c.Head.Number, hex.EncodeToString(c.Head.Hash[:]), c.Faults
	if out.Body.Faults == nil {
		out.Body.Faults = []string{}
	}
	return out, nil
}
