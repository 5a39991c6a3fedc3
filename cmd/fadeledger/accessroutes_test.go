package main

import (
	"fmt"
	"maps"
	"net/http"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/go-chi/chi/v5"

	"fadeledger/ingest/broker"
)

// accessRow is a row of the table of who is answered what.
type accessRow struct {
	line           int
	method, asked  string
	status         [10]int
	ofOrganisation bool
}

// key names the row; pattern is the route's without a query.
func (a accessRow) key() string     { return a.method + " " + a.asked }
func (a accessRow) pattern() string { p, _, _ := strings.Cut(a.asked, "?"); return p }

// changes reports whether a request of the row is meant to change something.
func (a accessRow) changes() bool { return a.method != http.MethodGet && !harmless[a.key()] }

// accessRows reads the table.
func accessRows(t testing.TB) []accessRow {
	t.Helper()
	var rows []accessRow
	seen := map[string]bool{}
	n := 0
	for line := range strings.Lines(readFile(t, "access", "routes.txt")) {
		n++
		words := strings.Fields(line)
		if len(words) == 0 || words[0] == "#" {
			continue
		}
		if len(words) != 12 {
			t.Fatalf("%s:%d: %d words, want 12", filepath.Join("access", "routes.txt"), n, len(words))
		}
		row := accessRow{line: n, method: words[0], asked: words[1], ofOrganisation: words[5] != "-"}
		for i, word := range words[2:] {
			if word == "-" && i == 3 {
				continue
			}
			status, err := strconv.Atoi(word)
			if err != nil || status < 200 || status > 599 {
				t.Fatalf("line %d: %q is no status", n, word)
			}
			row.status[i] = status
		}
		if seen[row.key()] {
			t.Fatalf("line %d: %s stands there twice", n, row.key())
		}
		seen[row.key()] = true
		rows = append(rows, row)
	}
	return rows
}

// askers are those of the columns, each with the object that it asks about.
func (r *accessRig) askers() [10]struct {
	who visitor
	of  object
} {
	return [10]struct {
		who visitor
		of  object
	}{
		{r.nobody, r.own}, {r.manager, r.own}, {r.installer, r.own}, {r.installer, r.other}, {r.operations, r.own},
		{r.administrator, r.own}, {r.auditor, r.own}, {r.delivers, r.own}, {r.reads, r.own}, {r.revoked, r.own},
	}
}

func (r *accessRig) testRoutes(t *testing.T) {
	r.t = t
	rows := accessRows(t)
	r.checkEveryRouteHasARow(t, rows)
	t.Logf("%d rows of %d answers", len(rows), len(rows[0].status))
	for _, row := range rows {
		t.Run(row.key(), func(t *testing.T) {
			r.t = t
			r.checkTheRefused(t, row)
			for i, x := range r.askers() {
				if row.status[i] != 0 && row.status[i] < 400 {
					r.checkTheAllowed(t, row, x.who, x.of, row.status[i])
				}
			}
		})
	}
}

// checkEveryRouteHasARow holds table and router against each other.
func (r *accessRig) checkEveryRouteHasARow(t *testing.T, rows []accessRow) {
	t.Helper()
	told, there := map[string]bool{}, map[string]bool{}
	for _, row := range rows {
		told[row.method+" "+row.pattern()] = true
	}
	err := chi.Walk(r.router, func(method, pattern string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
		there[method+" "+pattern] = true
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, route := range slices.Sorted(maps.Keys(there)) {
		if !told[route] {
			t.Errorf("route %s has no row: write who may use it", route)
		}
	}
	for _, route := range slices.Sorted(maps.Keys(told)) {
		if !there[route] {
			t.Errorf("there is no route %s", route)
		}
	}
	for key := range asks {
		if !slices.ContainsFunc(rows, func(row accessRow) bool { return row.key() == key }) {
			t.Errorf("a request is made for %s, which has no row", key)
		}
	}
}

// checkTheRefused asks as everybody who may not. Together they change nothing.
func (r *accessRig) checkTheRefused(t *testing.T, row accessRow) {
	t.Helper()
	var calls [10]call
	askers := r.askers()
	for i, x := range askers {
		if row.status[i] >= 400 {
			calls[i] = r.ask(row, x.who, x.of)
		}
	}
	var before string
	if row.method != http.MethodGet {
		before = r.digest()
	}
	for i, x := range askers {
		if row.status[i] >= 400 {
			r.checkAnswer(t, row, x.who, calls[i], row.status[i])
		}
	}
	if before != "" && r.digest() != before {
		t.Error("somebody who may not has changed something")
	}
}

// checkTheAllowed asks as somebody who may, and what is asked for happens.
func (r *accessRig) checkTheAllowed(t *testing.T, row accessRow, who visitor, of object, want int) {
	t.Helper()
	c := r.ask(row, who, of)
	// Signing out without being signed in is all right and does nothing.
	if !row.changes() || row.key() == "POST /sign-out" && who.cookie == "" {
		r.checkAnswer(t, row, who, c, want)
		return
	}
	before := r.digest()
	r.checkAnswer(t, row, who, c, want)
	if r.digest() == before {
		t.Errorf("%s is answered %d, and nothing has changed", who.name, want)
	}
}

// checkAnswer sends a request.
func (r *accessRig) checkAnswer(t *testing.T, row accessRow, who visitor, c call, want int) {
	t.Helper()
	a := r.send(r.server, who, c)
	if a.status != want {
		t.Errorf("%s is answered %d, want %d (table line %d)\n%.400s", who.name, a.status, want, row.line, a.body)
		return
	}
	r.checkRefusal(t, row, who, a)
	if want == http.StatusNotFound {
		r.checkLikeNothing(t, row, who, a)
	}
}

// checkRefusal looks at how somebody is told.
func (r *accessRig) checkRefusal(t *testing.T, row accessRow, who visitor, a answer) {
	t.Helper()
	interfaced := strings.HasPrefix(row.asked, "/api/v1/")
	if interfaced && a.status >= 400 && a.header.Get("Content-Type") != "application/problem+json" {
		t.Errorf("%s is told as %s", who.name, a.header.Get("Content-Type"))
	}
	if a.status == http.StatusUnauthorized && !strings.HasPrefix(a.header.Get("WWW-Authenticate"), "Bearer ") {
		t.Errorf("%s is not told how to be let in", who.name)
	}
	if who.name == "nobody" && a.status == http.StatusSeeOther && row.method == http.MethodGet && !strings.HasPrefix(a.header.Get("Location"), "/sign-in") {
		t.Errorf("nobody is led to %s", a.header.Get("Location"))
	}
}

// checkLikeNothing: what is not to be seen is answered as what is not there.
func (r *accessRig) checkLikeNothing(t *testing.T, row accessRow, who visitor, a answer) {
	t.Helper()
	none := r.none
	none.correction = r.other.correction
	b := r.send(r.server, who, r.ask(row, who, none))
	if got, want := r.other.replaced(told(a)), none.replaced(told(b)); got != want {
		t.Errorf("%s can tell what is another's from what is not there:\n%s\n%s", who.name, got, want)
	}
}

// told is an answer but for its time.
func told(a answer) string {
	h := a.header.Clone()
	h.Del("Date")
	var b strings.Builder
	fmt.Fprintln(&b, a.status)
	for _, name := range slices.Sorted(maps.Keys(h)) {
		fmt.Fprintln(&b, name, h[name])
	}
	return b.String() + a.body
}

// digest is a hash of everything that is kept, but for the trail and for when
// somebody was seen last.
func (r *accessRig) digest() string {
	r.t.Helper()
	ctx := r.t.Context()
	if r.sums == "" {
		r.must(r.owner.Pool().QueryRow(ctx, `
		SELECT string_agg(format(
			'SELECT %L || md5(coalesce(string_agg(md5((to_jsonb(t) - ''seen_at'' - ''data'' - ''last_used_at'')::text), '''' ORDER BY md5((to_jsonb(t) - ''seen_at'' - ''data'' - ''last_used_at'')::text)), '''')) AS x FROM %I t',
			relname, relname), ' UNION ALL ')
		FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p') AND NOT relispartition
			AND relname NOT IN ('trail', 'trail_head')`).Scan(&r.sums))
	}
	var sum string
	r.must(r.owner.Pool().QueryRow(ctx, `SELECT md5(string_agg(x, ' ' ORDER BY x)) FROM (`+r.sums+`) q`).Scan(&sum))
	state, err := broker.State(ctx, r.stream)
	r.must(err)
	return fmt.Sprintf("%s and %d deliveries", sum, state.LastSequence)
}
