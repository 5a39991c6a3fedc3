package main

import (
	"strings"
	"testing"
)

// testSecrets looks for every secret that was told in these tests where none
// may be: in what was logged, in addresses, in the trail, and in what is kept.
func (r *accessRig) testSecrets(t *testing.T) {
	r.t = t
	kept := r.text(`SELECT string_agg(body, E'\n') FROM trail`)
	r.newCollector()
	places := map[string]string{
		"the log": r.said.String(), "an address": strings.Join(r.locations, "\n"), "the trail": kept,
		"people":   r.text(`SELECT string_agg(p::text, E'\n') FROM person p`),
		"attempts": r.text(`SELECT string_agg(s::text, E'\n') FROM sign_in s`),
		"sessions": r.text(`SELECT string_agg(s::text || encode(data, 'escape') || encode(hash, 'escape'), E'\n') FROM session s`),
		"codes":    r.text(`SELECT string_agg(c::text || encode(hash, 'escape'), E'\n') FROM code c`),
		"tokens":   r.text(`SELECT string_agg(x::text || encode(hash, 'escape'), E'\n') FROM token x`),
		"logins":   r.text(`SELECT string_agg(l::text, E'\n') FROM collector_login l`),
	}
	if n := strings.Count(places["the log"], "msg=request "); n < 30 {
		t.Errorf("%d requests are logged: nothing is shown by a secret's not being there", n)
	}
	if n := strings.Count(kept, "\n"); n < 10 || len(r.locations) < 10 {
		t.Errorf("%d entries and %d addresses: nothing is shown", n, len(r.locations))
	}
	told := map[string]int{}
	for secret, what := range r.secrets {
		told[what]++
		for place, text := range places {
			// A code may be written without its dashes.
			if strings.Contains(text, secret) || what == "code" && strings.Contains(text, strings.ReplaceAll(secret, "-", "")) {
				t.Errorf("%s holds a %s", place, what)
			}
		}
	}
	t.Logf("looked for %v", told)
	for _, what := range []string{"password", "cookie", "token", "code"} {
		if told[what] < 3 {
			t.Errorf("only %d secrets of kind %s were told", told[what], what)
		}
	}
	var check struct {
		Entries int64
		Faults  []string
	}
	decodeJSON(t, []byte(r.send(r.server, r.auditor, call{path: "/api/v1/trail/check"}).body), &check)
	if len(check.Faults) > 0 || check.Entries < 10 {
		t.Errorf("the trail has %d entries and faults %v", check.Entries, check.Faults)
	}
}

func (r *accessRig) text(query string) (text string) {
	r.t.Helper()
	var found *string // none where there is no row
	r.must(r.owner.Pool().QueryRow(r.t.Context(), query).Scan(&found))
	if found != nil {
		text = *found
	}
	return text
}
