package api

import (
	"context"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
	"fadeledger/web/access"
)

// How long a token holds, in days.
const (
	DefaultTokenDays = 90
	LongestTokenDays = 400
)

var collectorPattern = regexp.MustCompile(`^[A-Za-z0-9_-]{1,64}$`)

// TokenProblems says what is wrong with a token that a principal wants to make
// for a number of days. allows says what the principal may do: nobody hands on
// what it may not do itself.
func TokenProblems(t *analytics.Token, days int, allows func(analytics.Right) bool) []FieldProblem {
	var list []FieldProblem
	add := func(field, message string) { list = append(list, FieldProblem{field, message}) }
	switch {
	case t.Name == "":
		add("name", "The name is missing: say which machine the token is for.")
	case utf8.RuneCountInString(t.Name) > longestName:
		add("name", fmt.Sprintf("The name is too long: at most %d characters are kept.", longestName))
	}
	if message := rightsProblem(t.Rights, allows); message != "" {
		add("rights", message)
	}
	switch {
	case utf8.RuneCountInString(t.Organisation) > longestName:
		add("organisation", fmt.Sprintf("The organisation is too long: at most %d characters are kept.", longestName))
	case t.Organisation != "" && !slices.Equal(t.Rights, []analytics.Right{analytics.RightSeeUnits}):
		add("organisation", "A token that is bound to an organisation can see units, and nothing else.")
	}
	switch {
	case t.Collector != "" && !collectorPattern.MatchString(t.Collector):
		add("collector", "A collector is named with letters without accents, digits, _ and - only, at most 64 of them.")
	case t.Collector != "" && !slices.Contains(t.Rights, analytics.RightDeliver):
		add("collector", "A token that is bound to a collector has to hand in telemetry: give it that right.")
	}
	if days < 1 || days > LongestTokenDays {
		add("days", fmt.Sprintf("A token holds from 1 to %d days.", LongestTokenDays))
	}
	return list
}

func rightsProblem(rights []analytics.Right, allows func(analytics.Right) bool) string {
	if len(rights) == 0 {
		return "Choose at least one right."
	}
	for i, right := range rights {
		switch {
		case !slices.Contains(analytics.Rights, right):
			return "There is no such right as " + string(right) + "."
		case slices.Contains(rights[:i], right):
			return "The right " + string(right) + " is named twice."
		case !allows(right):
			return "You cannot hand on the right " + string(right) + ", which you do not have."
		}
	}
	return ""
}

// MakeToken keeps a token that holds for a number of days, and gives its secret,
// which is told this once.
func MakeToken(ctx context.Context, people People, t analytics.Token, days int, now time.Time) (made analytics.Token, secret string, err error) {
	t.MadeBy, t.CreatedAt, t.ExpiresAt = analytics.PrincipalOf(ctx).Name, analytics.InstantOf(now), analytics.InstantOf(now.AddDate(0, 0, days))
	secret, hash := access.NewToken()
	if made, err = people.AddToken(ctx, hash, t); err != nil {
		return made, "", fmt.Errorf("keep token %s: %w", t.Name, err)
	}
	return made, secret, nil
}

// TokenBody is a token without its secret.
type TokenBody struct {
	ID           int64      `json:"id"`
	Name         string     `json:"name"`
	Rights       []string   `json:"rights"`
	Organisation string     `json:"organisation,omitempty" doc:"the token sees the sites of this one alone"`
	Collector    string     `json:"collector,omitempty" doc:"the token delivers as this one alone"`
	MadeBy       string     `json:"made_by"`
	CreatedAt    time.Time  `json:"created_at"`
	ExpiresAt    time.Time  `json:"expires_at"`
	LastUsedAt   *time.Time `json:"last_used_at"`
	RevokedAt    *time.Time `json:"revoked_at"`
}

type tokensOutput struct {
	Body struct {
		Tokens []TokenBody `json:"tokens"`
	}
}

type newTokenInput struct {
	Body struct {
		Name         string   `json:"name" doc:"which machine it is for"`
		Rights       []string `json:"rights"`
		Organisation string   `json:"organisation,omitempty"`
		Collector    string   `json:"collector,omitempty"`
		Days         *int     `json:"days,omitempty" doc:"how long it holds; 90 unless given, at most 400"`
	}
}

type newTokenOutput struct {
	CacheControl string `header:"Cache-Control"`
	Body         struct {
		Token  TokenBody `json:"token"`
		Secret string    `json:"secret" doc:"told this once; send it as Authorization: Bearer …"`
	}
}

type tokenPath struct {
	ID int64 `path:"token" minimum:"1"`
}

func (a *API) registerTokens() {
	huma.Register(a.huma, needs(analytics.RightPeople, read("tokens", "/tokens", "People", "The tokens that machines are let in with",
		"Those that are revoked or over, too.")), a.handleTokens)
	huma.Register(a.huma, needs(analytics.RightPeople, huma.Operation{
		OperationID: "new-token", Method: http.MethodPost, Path: Base + "/tokens", Tags: []string{"People"},
		Summary: "Make a token", Description: "Its secret is told this once. A token cannot be given a right that whoever makes it does not have.",
		DefaultStatus: http.StatusCreated, Errors: []int{422, 503},
	}), a.handleNewToken)
	huma.Register(a.huma, needs(analytics.RightPeople, huma.Operation{
		OperationID: "revoke-token", Method: http.MethodPost, Path: Base + "/tokens/{token}/revoke", Tags: []string{"People"},
		Summary: "Let a machine in no more", DefaultStatus: http.StatusNoContent, Errors: []int{404, 503},
	}), a.handleRevokeToken)
}

func tokenBody(t *analytics.Token) TokenBody {
	b := TokenBody{ID: t.ID, Name: t.Name, Rights: make([]string, 0, len(t.Rights)), Organisation: t.Organisation, Collector: t.Collector, MadeBy: t.MadeBy,
		CreatedAt: t.CreatedAt.Time(), ExpiresAt: t.ExpiresAt.Time(), LastUsedAt: instant(t.LastUsedAt), RevokedAt: instant(t.RevokedAt)}
	for _, r := range t.Rights {
		b.Rights = append(b.Rights, string(r))
	}
	return b
}

func (a *API) handleTokens(ctx context.Context, _ *struct{}) (*tokensOutput, error) {
	if a.cfg.People == nil {
		return nil, errNoPeople
	}
	list, err := a.cfg.People.Tokens(ctx)
	if err != nil {
		return nil, a.problem("list tokens", err)
	}
	out := &tokensOutput{}
	out.Body.Tokens = make([]TokenBody, 0, len(list))
	for i := range list {
		out.Body.Tokens = append(out.Body.Tokens, tokenBody(&list[i]))
	}
	return out, nil
}

func (a *API) handleNewToken(ctx context.Context, in *newTokenInput) (*newTokenOutput, error) {
	if a.cfg.People == nil {
		return nil, errNoPeople
	}
	days := DefaultTokenDays
	if in.Body.Days != nil {
		days = *in.Body.Days
	}
	t := analytics.Token{Name: strings.TrimSpace(in.Body.Name), Organisation: strings.TrimSpace(in.Body.Organisation), Collector: strings.TrimSpace(in.Body.Collector)}
	for _, r := range in.Body.Rights {
		t.Rights = append(t.Rights, analytics.Right(r))
	}
	p := analytics.PrincipalOf(ctx)
	if err := fieldsProblem(TokenProblems(&t, days, func(r analytics.Right) bool { return a.allows(p, r) })); err != nil {
		return nil, err
	}
	made, secret, err := MakeToken(ctx, a.cfg.People, t, days, a.cfg.Now())
	if err != nil {
		return nil, a.problem("make a token", err)
	}
	out := &newTokenOutput{CacheControl: "no-store"}
	out.Body.Token, out.Body.Secret = tokenBody(&made), secret
	return out, nil
}

func (a *API) handleRevokeToken(ctx context.Context, in *tokenPath) (*struct{}, error) {
	if a.cfg.People == nil {
		return nil, errNoPeople
	}
	if err := a.cfg.People.RevokeToken(ctx, in.ID); err != nil {
		return nil, a.problem("revoke the token", err)
	}
	return &struct{}{}, nil
}
