package api

import (
	"context"
	"net/http"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

// AlarmBody is something that somebody has to look at.
type AlarmBody struct {
	ID        int64      `json:"id"`
	Kind      string     `json:"kind" enum:"stream-rolled-back,database-restored,unbalanced,ledger-differs,stream-filling"`
	Subject   string     `json:"subject"`
	Message   string     `json:"message"`
	RaisedAt  time.Time  `json:"raised_at" doc:"when it was first seen"`
	LastAt    time.Time  `json:"last_at" doc:"when it was last seen"`
	Times     int64      `json:"times" doc:"how often it was seen"`
	ClearedAt *time.Time `json:"cleared_at" doc:"null while it is open"`
	ClearedBy string     `json:"cleared_by,omitempty"`
}

type alarmsOutput struct {
	Body struct {
		Alarms []AlarmBody `json:"alarms"`
	}
}

type clearInput struct {
	ID   int64 `path:"alarm" minimum:"1"`
	Body *clearBody
}

type clearBody struct {
	By string `json:"by,omitempty" maxLength:"200" doc:"may be left out; the name of whoever asks"`
}

func (a *API) registerAlarms() {
	huma.Register(a.huma, needs(analytics.RightSeeIngest, read("alarms", "/alarms", "Way in", "What somebody has to look at",
		"The open ones first, then those that were cleared last.")), a.handleAlarms)
	huma.Register(a.huma, needs(analytics.RightRelease, huma.Operation{
		OperationID: "clear-alarm", Method: http.MethodPost, Path: Base + "/alarms/{alarm}/clear", Tags: []string{"Way in"},
		Summary:       "Note who has seen to an alarm",
		Description:   "If its cause is still there, it is raised again. Answers 404 where there is no such open alarm, so doing it twice changes nothing.",
		DefaultStatus: http.StatusNoContent, Errors: []int{404, 422, 503},
	}), a.handleClearAlarm)
}

func alarmBody(x analytics.Alarm) AlarmBody {
	return AlarmBody{ID: x.ID, Kind: string(x.Kind), Subject: x.Subject, Message: x.Message, RaisedAt: x.RaisedAt.Time(), LastAt: x.LastAt.Time(),
		Times: x.Times, ClearedAt: instant(x.ClearedAt), ClearedBy: x.ClearedBy}
}

func (a *API) handleAlarms(ctx context.Context, _ *struct{}) (*alarmsOutput, error) {
	sum, err := a.cfg.Ledger.Ingest(ctx)
	if err != nil {
		return nil, a.problem("list alarms", err)
	}
	out := &alarmsOutput{}
	out.Body.Alarms = make([]AlarmBody, 0, len(sum.Alarms))
	for _, x := range sum.Alarms {
		out.Body.Alarms = append(out.Body.Alarms, alarmBody(x))
	}
	return out, nil
}

func (a *API) handleClearAlarm(ctx context.Context, in *clearInput) (*struct{}, error) {
	if a.cfg.Upkeep == nil {
		return nil, huma.Error503ServiceUnavailable("this process clears no alarms")
	}
	stated := ""
	if in.Body != nil {
		stated = strings.TrimSpace(in.Body.By)
	}
	by, err := madeBy(ctx, stated)
	if err != nil {
		return nil, err
	}
	if err := a.cfg.Upkeep.ClearAlarm(ctx, in.ID, by); err != nil {
		return nil, a.problem("clear the alarm", err)
	}
	return &struct{}{}, nil
}
