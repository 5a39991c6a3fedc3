package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"fadeledger/analytics"
)

// foreign is whatever belongs to the other organisation, or to nobody.
var foreign = regexp.MustCompile(`KLB-\d+|KLN-\d+|site-(?:b|n|n-\d+)\b|stack-b\b|crew-b\b|\bc-[bn]\b|series-of-c-[bn]|bela`)

// testBoundary switches the handlers' own checks off, so that whoever is
// somebody is let through everywhere: what keeps organisations apart then is
// Postgres alone.
func (r *accessRig) testBoundary(t *testing.T) {
	for _, who := range []visitor{r.installer, r.reads} {
		t.Run(who.name+", every route", func(t *testing.T) { r.checkUnguarded(t, who) })
		t.Run(who.name+", search", func(t *testing.T) { r.checkSearch(t, who) })
		t.Run(who.name+", exports", func(t *testing.T) { r.checkExports(t, who) })
	}
	t.Run("a delivering token asks of others' deliveries", r.checkOthersDeliveries)
}

// ownAffairs are requests about whoever asks: they are nobody else's.
func ownAffairs(row accessRow) bool {
	return row.status[0] == http.StatusSeeOther && row.method != http.MethodGet || row.pattern() == "/welcome" || strings.HasPrefix(row.asked, "/account")
}

// checkUnguarded asks by every route for what is the other organisation's. No
// answer tells anything of it, and nothing changes.
func (r *accessRig) checkUnguarded(t *testing.T, who visitor) {
	r.t = t
	var rows []accessRow
	var calls []call
	for _, row := range accessRows(t) {
		if !ownAffairs(row) {
			rows, calls = append(rows, row), append(calls, r.ask(row, who, r.other))
		}
		// Its own it may see and not change.
		if row.ofOrganisation && row.method != http.MethodGet {
			row.status[3] = 0
			rows, calls = append(rows, row), append(calls, r.ask(row, who, r.own))
		}
	}
	before := r.digest()
	told := map[int][]string{}
	for i, row := range rows {
		c := calls[i]
		a := r.send(r.unguarded, who, c)
		if row.method != http.MethodGet {
			told[a.status] = append(told[a.status], row.key())
		}
		body := a.body
		if row.ofOrganisation {
			body = r.other.replaced(body)
		}
		// What was sent is told back.
		for _, sent := range foreign.FindAllString(c.body, -1) {
			body = strings.ReplaceAll(body, sent, "·")
		}
		if x := foreign.FindString(body); x != "" {
			t.Errorf("%s is answered %d and tells of %s\n%.600s", row.key(), a.status, x, body)
		}
		if row.status[3] == http.StatusNotFound && a.status != http.StatusNotFound {
			t.Errorf("%s is answered %d for what is another's, want 404", row.key(), a.status)
		}
	}
	if r.digest() != before {
		t.Errorf("something has changed by one of these: %v", told)
	}
	for _, status := range slices.Sorted(maps.Keys(told)) {
		t.Logf("%d without the handlers' checks, and nothing changed: %s", status, strings.Join(told[status], ", "))
	}
}

// listed gives the serials of a page of units, over the interface.
func (r *accessRig) listed(who visitor, query string) (serials []string, next string) {
	r.t.Helper()
	a := r.send(r.unguarded, who, call{path: "/api/v1/units?" + query})
	if a.status != http.StatusOK {
		r.t.Fatalf("%s: %d\n%s", query, a.status, a.body)
	}
	var page struct {
		Units []struct{ Unit string }
		Next  string
	}
	decodeJSON(r.t, []byte(a.body), &page)
	for _, u := range page.Units {
		serials = append(serials, u.Unit)
	}
	return serials, page.Next
}

func (r *accessRig) checkSearch(t *testing.T, who visitor) {
	r.t = t
	filters := []string{"", "serial=KL", "serial=KLB", "serial=KLB-0001", "site=site-b", "site=site-n", "model=HB-5", "model=HB-5&site=site-b", "serial=%25", "serial=_"}
	for _, flag := range analytics.FlagKinds {
		filters = append(filters, "flag="+string(flag))
	}
	for _, sort := range []analytics.SortKey{analytics.SortPace, analytics.SortSpent, analytics.SortEFC, analytics.SortCold, analytics.SortCoverage, analytics.SortLast, analytics.SortSerial} {
		filters = append(filters, "sort="+string(sort), "ascending=true&sort="+string(sort))
		// A cursor of somebody who sees everything opens nothing more.
		for _, direction := range []string{"", "&ascending=true"} {
			for after, n := "", 0; n == 0 || after != ""; n++ {
				query := "limit=1&sort=" + string(sort) + direction
				if after != "" {
					query += "&after=" + url.QueryEscape(after)
					filters = append(filters, "sort="+string(sort)+direction+"&after="+url.QueryEscape(after))
				}
				if _, after = r.listed(r.administrator, query); n > 100 {
					t.Fatal("the list has no end")
				}
			}
		}
	}
	for _, query := range filters {
		serials, _ := r.listed(who, query)
		for _, serial := range serials {
			if !strings.HasPrefix(serial, "KLA-") {
				t.Errorf("%s finds %s", query, serial)
			}
		}
		page := strings.ReplaceAll(query, "ascending=true", "reverse=1")
		r.checkNothingForeign(t, who, "/?"+page, query)
		r.checkNothingForeign(t, who, "/?part=live&"+page, query)
	}
	if serials, _ := r.listed(who, ""); !slices.Equal(slices.Sorted(slices.Values(serials)), []string{"KLA-0001", "KLA-0002"}) {
		t.Errorf("of its own it sees %v", serials)
	}
	var fleet struct{ Units, Sites, Stacks, Samples int64 }
	decodeJSON(t, []byte(r.send(r.unguarded, who, call{path: "/api/v1/fleet"}).body), &fleet)
	samples := r.number(`SELECT sum(samples) FROM unit_standing JOIN unit USING (unit_id) WHERE serial LIKE 'KLA-%'`)
	if fleet.Units != 2 || fleet.Stacks != 1 || fleet.Sites != 1 || fleet.Samples != samples || samples == 0 {
		t.Errorf("the fleet is %+v, want 2 units in a stack on a site with %d samples", fleet, samples)
	}
}

// checkNothingForeign asks for a page. What the query itself named is told back.
func (r *accessRig) checkNothingForeign(t *testing.T, who visitor, path, query string) {
	t.Helper()
	a := r.send(r.unguarded, who, call{path: path})
	if a.status != http.StatusOK {
		t.Errorf("%s: %d", path, a.status)
	}
	body := a.body
	if _, cursor, found := strings.Cut(query, "after="); found {
		body = strings.ReplaceAll(body, cursor, "·")
	}
	for _, x := range foreign.FindAllString(body, -1) {
		if !strings.Contains(query, x) {
			t.Errorf("%s tells of %s", path, x)
		}
	}
	if strings.Contains(body, `href="/units/KLB-`) {
		t.Errorf("%s leads to a unit of the other organisation", path)
	}
}

func (r *accessRig) checkExports(t *testing.T, who visitor) {
	r.t = t
	for _, path := range []string{
		"/units.csv", "/units.csv?serial=KLB", "/units.csv?site=site-b", "/units.csv?after=x", "/registry/units.csv", "/registry/sites.csv",
		"/units/KLA-0001/samples.csv", "/units/KLA-0001/days.csv", "/api/v1/sites", "/api/v1/sites?after=site-a",
	} {
		a := r.send(r.unguarded, who, call{path: path})
		if x := foreign.FindString(a.body); x != "" || a.status != http.StatusOK {
			t.Errorf("%s: %d, and tells of %q", path, a.status, x)
		}
	}
	for _, path := range []string{"/units/%s/samples.csv", "/units/%s/days.csv", "/units/%s", "/units/%s?part=live", "/api/v1/units/%s/samples", "/api/v1/units/%s/ledger"} {
		for _, method := range []string{http.MethodGet, http.MethodHead} {
			another := r.send(r.unguarded, who, call{method: method, path: fmt.Sprintf(path, r.other.unit)})
			nothing := r.send(r.unguarded, who, call{method: method, path: fmt.Sprintf(path, r.none.unit)})
			if another.status != http.StatusNotFound || r.other.replaced(told(another)) != r.none.replaced(told(nothing)) {
				t.Errorf("%s %s of another's unit: %d, of none: %d, or they differ", method, path, another.status, nothing.status)
			}
		}
	}
	// A correction of another's unit by one's own.
	for _, path := range []string{"/units/KLA-0001/corrections/%d", "/api/v1/units/KLA-0001/corrections/%d"} {
		another, nothing := r.send(r.unguarded, who, call{path: fmt.Sprintf(path, r.other.correction)}), r.send(r.unguarded, who, call{path: fmt.Sprintf(path, 999999)})
		asked := fmt.Sprintf("correction %d", r.other.correction)
		if another.status != http.StatusNotFound || strings.ReplaceAll(another.body, asked, "correction 999999") != nothing.body {
			t.Errorf("%s: %d for another's, %d for none, or they differ:\n%s\n%s", path, another.status, nothing.status, another.body, nothing.body)
		}
	}
}

func (r *accessRig) checkOthersDeliveries(t *testing.T) {
	r.t = t
	for _, server := range []string{"guarded", "unguarded"} {
		to := r.server
		if server == "unguarded" {
			to = r.unguarded
		}
		of := r.number(`SELECT min(sequence) FROM delivery WHERE collector = 'c-b'`)
		another, nothing := r.send(to, r.delivers, call{path: fmt.Sprintf("/api/v1/deliveries/%d", of)}), r.send(to, r.delivers, call{path: "/api/v1/deliveries/999999"})
		if another.status != http.StatusNotFound || strings.ReplaceAll(another.body, fmt.Sprintf(" %d ", of), " · ") != strings.ReplaceAll(nothing.body, " 999999 ", " · ") {
			t.Errorf("%s: delivery of c-b: %d %s", server, another.status, another.body)
		}
		if a := r.send(to, r.delivers, call{path: "/api/v1/collectors/c-b/batches"}); a.status != http.StatusForbidden || strings.Contains(a.body, "batch-of-KLB") {
			t.Errorf("%s: batches of c-b: %d %s", server, a.status, a.body)
		}
		var own struct{ Batches []json.RawMessage }
		if a := r.send(to, r.delivers, call{path: "/api/v1/collectors/c-a/batches"}); a.status != http.StatusOK {
			t.Errorf("%s: own batches: %d", server, a.status)
		} else if decodeJSON(t, []byte(a.body), &own); len(own.Batches) != 4 {
			t.Errorf("%s: %d own batches, want 4", server, len(own.Batches))
		}
	}
	if a := r.send(r.unguarded, r.delivers, call{path: "/api/v1/deliveries"}); a.status != http.StatusOK || strings.Contains(a.body, `"c-b"`) || !strings.Contains(a.body, `"c-a"`) {
		t.Errorf("deliveries: %d %s", a.status, a.body)
	}
	if a := r.send(r.server, r.delivers, call{path: "/api/v1/collectors/c-b/receipts?series=series-of-c-b"}); a.status != http.StatusForbidden {
		t.Errorf("receipts of c-b: %d %s", a.status, a.body)
	}
}
