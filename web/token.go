package web

import (
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/web/api"
)

// tokensPage lists the tokens and makes others.
type tokensPage struct {
	Rows           []tokenRow
	Entries        []entry
	Rights         []rightChoice
	Wrong          string
	Problem, Done  string
	Longest, Usual int
}

// rightChoice is a right that a token can be given.
type rightChoice struct {
	Right, Meaning string
	Chosen         bool
}

// tokenRow is a token in the list.
type tokenRow struct {
	ID                      int64
	Name, Rights, Bound, By string
	Made, Last, LastTime    string
	Expires, ExpiresTime    string
	// Over says why it does not hold any more, empty while it does.
	Over string
}

// tokenPage tells a token's secret this once.
type tokenPage struct {
	Name, Secret, Until string
	Rights              []string
	Bound               string
}

// tokenRoutes are the pages of tokens; r asks for the right to manage people.
func (s *site) tokenRoutes(r chi.Router) {
	r.Get("/tokens", s.handleTokens)
	r.Post("/tokens", s.handleNewToken)
	r.Post("/tokens/{token}/revoke", s.handleRevokeToken)
}

// tokenForm is a token as it stands in the form.
type tokenForm struct {
	token analytics.Token
	days  string
	wrong wrongs
}

// handleTokens answers GET /tokens.
func (s *site) handleTokens(w http.ResponseWriter, r *http.Request) {
	s.showTokens(w, r, http.StatusOK, tokenForm{days: strconv.Itoa(api.DefaultTokenDays)})
}

func (s *site) showTokens(w http.ResponseWriter, r *http.Request, status int, f tokenForm) {
	list, err := s.cfg.People.Tokens(r.Context())
	if err != nil {
		s.fail(w, r, "list tokens", err)
		return
	}
	p := tokensPage{Entries: f.entries(s.organisations(r.Context())), Wrong: f.wrong["rights"], Problem: f.wrong.summary(),
		Longest: api.LongestTokenDays, Usual: api.DefaultTokenDays}
	if r.URL.Query().Get("done") == "revoked" {
		p.Done = "The token is revoked. Nothing is let in with it any more."
	}
	for _, right := range analytics.Rights {
		if s.asked(r, right) {
			p.Rights = append(p.Rights, rightChoice{string(right), rightWords(right), slices.Contains(f.token.Rights, right)})
		}
	}
	now := analytics.InstantOf(s.cfg.Now())
	for i := range list {
		p.Rows = append(p.Rows, s.tokenRow(&list[i], now))
	}
	s.render(w, r, status, "tokens", view{Title: "Tokens", Section: "tokens", Page: p})
}

func (f *tokenForm) entries(organisations []string) []entry {
	return []entry{
		{ID: "token-name", Name: "name", Label: "Name", Type: "text", Value: f.token.Name, Required: true, Max: 200, Autocomplete: "off", Wrong: f.wrong["name"],
			Note: "Which machine it is for. The trail calls it so."},
		{ID: "token-collector", Name: "collector", Label: "Only as collector", Type: "text", Value: f.token.Collector, Max: 64, Autocomplete: "off", Wrong: f.wrong["collector"],
			Note: "May stay empty: then it delivers as any."},
		{ID: "token-organisation", Name: "organisation", Label: "Only sites of organisation", Type: "text", Value: f.token.Organisation, Max: 200, Autocomplete: "off",
			Suggest: organisations, Wrong: f.wrong["organisation"], Note: "May stay empty: then it sees all sites."},
		{ID: "token-days", Name: "days", Label: "Holds for days", Type: "number", Value: f.days, Required: true, Wrong: f.wrong["days"],
			Note: "At most " + strconv.Itoa(api.LongestTokenDays) + "."},
	}
}

// rightList writes rights one after the other.
func rightList(rights []analytics.Right) string {
	names := make([]string, 0, len(rights))
	for _, r := range rights {
		names = append(names, label(r))
	}
	return strings.Join(names, ", ")
}

func boundWords(t *analytics.Token) string {
	var parts []string
	if t.Collector != "" {
		parts = append(parts, "collector "+label(t.Collector))
	}
	if t.Organisation != "" {
		parts = append(parts, "sites of "+label(t.Organisation))
	}
	return strings.Join(parts, ", ")
}

func (s *site) tokenRow(t *analytics.Token, now analytics.Instant) tokenRow {
	row := tokenRow{ID: t.ID, Name: label(t.Name), Rights: rightList(t.Rights), Bound: boundWords(t), By: label(t.MadeBy), Made: minuteUTC(t.CreatedAt),
		Last: "never", Expires: minuteUTC(t.ExpiresAt), ExpiresTime: machineTime(t.ExpiresAt)}
	if t.LastUsedAt != nil {
		row.Last, row.LastTime = ago(*t.LastUsedAt, s.cfg.Now()), machineTime(*t.LastUsedAt)
	}
	switch {
	case t.RevokedAt != nil:
		row.Over = "revoked on " + minuteUTC(*t.RevokedAt)
	case t.ExpiresAt <= now:
		row.Over = "over"
	}
	return row
}

// handleNewToken answers POST /tokens: it makes a token and tells its secret.
func (s *site) handleNewToken(w http.ResponseWriter, r *http.Request) {
	if !s.smallForm(w, r) {
		return
	}
	field := func(name string) string { return strings.TrimSpace(r.PostForm.Get(name)) }
	f := tokenForm{days: field("days"), token: analytics.Token{Name: field("name"), Organisation: field("organisation"), Collector: field("collector")}}
	for _, right := range r.PostForm["right"] {
		f.token.Rights = append(f.token.Rights, analytics.Right(right))
	}
	days, err := strconv.Atoi(f.days)
	if err != nil {
		days = 0 // no number of days that a token can hold
	}
	f.wrong = wrongsOf(api.TokenProblems(&f.token, days, func(right analytics.Right) bool { return s.asked(r, right) }))
	if len(f.wrong) > 0 {
		s.showTokens(w, r, http.StatusUnprocessableEntity, f)
		return
	}
	made, told, err := api.MakeToken(r.Context(), s.cfg.People, f.token, days, s.cfg.Now())
	if errors.Is(err, analytics.ErrConflict) {
		f.wrong.add("name", "There is a token of that name already.")
		s.showTokens(w, r, http.StatusConflict, f)
		return
	}
	if err != nil {
		s.fail(w, r, "make a token", err)
		return
	}
	p := tokenPage{Name: label(made.Name), Secret: told, Until: minuteUTC(made.ExpiresAt), Bound: boundWords(&made)}
	for _, right := range made.Rights {
		p.Rights = append(p.Rights, rightWords(right))
	}
	secret(w)
	s.render(w, r, http.StatusCreated, "token", view{Title: "New token", Section: "tokens", Page: p})
}

// handleRevokeToken answers POST /tokens/{token}/revoke. Sent twice it revokes
// once.
func (s *site) handleRevokeToken(w http.ResponseWriter, r *http.Request) {
	id, err := strconv.ParseInt(chi.URLParam(r, "token"), 10, 64)
	if err != nil || id < 1 {
		s.writeErrorPage(w, r, http.StatusNotFound)
		return
	}
	if err := s.cfg.People.RevokeToken(r.Context(), id); err != nil {
		s.fail(w, r, "revoke a token", err)
		return
	}
	http.Redirect(w, r, "/tokens?done=revoked", http.StatusSeeOther)
}
