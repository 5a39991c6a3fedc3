package store_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/store"
)

const fleetUnits = 300

// fleet registers a fleet in which many units tie, some have samples, and some
// have neither terms nor dates.
func fleet(t *testing.T, db *store.DB) {
	t.Helper()
	rng := rand.New(rand.NewPCG(5, 5))
	r := store.Registration{
		Models: household.Models(), Terms: household.EditionsOfTerms(),
		Sites: []analytics.Site{{Name: "s-1"}, {Name: "s-2"}, {Name: "s-%"}},
	}
	var in []analytics.Incoming
	for i := range fleetUnits {
		u := unit(analytics.Serial(fmt.Sprintf("%s%04d", []string{"AB", "ab", "a_", "ä"}[i%4], rng.IntN(1000)*1000+i)))
		u.Site = []string{"", "s-1", "s-2", "s-%"}[rng.IntN(4)]
		u.Stack = []string{"", "p", "q", "r"}[rng.IntN(4)]
		switch rng.IntN(5) {
		case 0:
			u.Terms = ""
		case 1:
			u.Commissioned = nil
		case 2:
			u.Model, u.Terms = "HB-10", "HB-10 home 2026"
		}
		r.Units = append(r.Units, u)
		if i%3 == 0 {
			n := 1 + rng.IntN(3)
			// A sample every quarter of an hour for some weeks.
			samples := make([]analytics.Sample, n*1000)
			for j, s := range home(t, uint64(i%9), noon-60*day, len(samples)) {
				s.Time = noon - 60*day + analytics.Instant(j)*analytics.Instant(15*analytics.Minute)
				s.Temp -= 2000
				s.TempMax -= 2000
				samples[j] = s
			}
			in = append(in, stored(noon, uint64(i+1), u.Serial, samples))
		}
	}
	if _, err := db.Register(context.Background(), r); err != nil {
		t.Fatal(err)
	}
	for chunk := range slices.Chunk(in, 10) {
		take(t, db, chunk...)
	}
	refresh(t, db, fleetUnits)
}

// pages reads all pages of a filter.
func pages(t *testing.T, db *store.DB, f analytics.UnitFilter) []analytics.UnitRow {
	t.Helper()
	var all []analytics.UnitRow
	for n := 0; ; n++ {
		p, err := db.Units(context.Background(), f)
		if err != nil {
			t.Fatalf("%+v: %v", f, err)
		}
		all = append(all, p.Units...)
		if p.Next == "" {
			return all
		}
		if len(p.Units) != f.Limit || n > fleetUnits {
			t.Fatalf("%+v: a page of %d before another", f, len(p.Units))
		}
		f.After = p.Next
	}
}

// keys say by what plain values the orders sort, worst first.
var keys = map[analytics.SortKey]func(a, b *analytics.UnitRow) int{
	analytics.SortPace:     func(a, b *analytics.UnitRow) int { return cmp.Compare(orLess(b.Pace), orLess(a.Pace)) },
	analytics.SortSpent:    func(a, b *analytics.UnitRow) int { return cmp.Compare(orLess(b.Spent), orLess(a.Spent)) },
	analytics.SortEFC:      func(a, b *analytics.UnitRow) int { return cmp.Compare(b.EFC, a.EFC) },
	analytics.SortCold:     func(a, b *analytics.UnitRow) int { return cmp.Compare(b.ColdCharge, a.ColdCharge) },
	analytics.SortCoverage: func(a, b *analytics.UnitRow) int { return cmp.Compare(a.Coverage, b.Coverage) },
	analytics.SortLast:     func(a, b *analytics.UnitRow) int { return cmp.Compare(orLess(b.Last), orLess(a.Last)) },
	analytics.SortSerial:   func(a, b *analytics.UnitRow) int { return cmp.Compare(a.Serial, b.Serial) },
}

func orLess[T float64 | analytics.Instant](v *T) T {
	if v == nil {
		return -1
	}
	return *v
}

func TestUnitsInEveryOrderAndPageEqualAPlainSort(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	fleet(t, db)
	// The order in which they were registered breaks ties.
	ids := map[analytics.Serial]int64{}
	all := pages(t, db, analytics.UnitFilter{Limit: 500})
	if len(all) != fleetUnits {
		t.Fatalf("%d units", len(all))
	}
	for i := range all {
		ids[all[i].Serial] = number(t, db, `SELECT unit_id FROM unit WHERE serial = $1`, all[i].Serial)
	}
	for key, compare := range keys {
		for _, ascending := range []bool{false, true} {
			want := slices.Clone(all)
			slices.SortFunc(want, func(a, b analytics.UnitRow) int {
				c := cmp.Or(compare(&a, &b), cmp.Compare(ids[a.Serial], ids[b.Serial]))
				if ascending {
					return -c
				}
				return c
			})
			for _, limit := range []int{1, 7, 100, fleetUnits} {
				got := pages(t, db, analytics.UnitFilter{Sort: key, Ascending: ascending, Limit: limit})
				if a, b := serialsOf(want), serialsOf(got); !slices.Equal(a, b) {
					t.Errorf("%s, ascending %v, pages of %d:\n%v\nwant\n%v", key, ascending, limit, b, a)
				}
			}
		}
	}
	checkFilters(t, db, all)
	checkFleet(t, db, all)
}

func serialsOf(rows []analytics.UnitRow) []analytics.Serial {
	out := make([]analytics.Serial, len(rows))
	for i := range rows {
		out[i] = rows[i].Serial
	}
	return out
}

func checkFilters(t *testing.T, db *store.DB, all []analytics.UnitRow) {
	t.Helper()
	filters := []analytics.UnitFilter{{Site: "s-1"}, {Site: "s-%"}, {Model: "HB-10"}, {Model: "HB-10", Site: "s-2", Serial: "AB"}, {Site: "s"}}
	for _, s := range []string{"AB", "ab", "a_", "a", "ä", "%", "_", `\`, "'; DROP TABLE unit; --", "AB0", "\u202e", "$1", "@site", strings.Repeat("x", 10_000)} {
		filters = append(filters, analytics.UnitFilter{Serial: s}, analytics.UnitFilter{Site: s}, analytics.UnitFilter{Model: s})
	}
	for _, k := range analytics.FlagKinds {
		filters = append(filters, analytics.UnitFilter{Flag: k}, analytics.UnitFilter{Flag: k, Sort: analytics.SortSerial, Ascending: true})
	}
	for _, f := range filters {
		want := map[analytics.Serial]bool{}
		for i := range all {
			u := &all[i]
			if strings.HasPrefix(string(u.Serial), f.Serial) && (f.Site == "" || f.Site == u.Site) &&
				(f.Model == "" || f.Model == u.Model) && (f.Flag == "" || slices.Contains(u.Flags, f.Flag)) {
				want[u.Serial] = true
			}
		}
		f.Limit = 9
		got := pages(t, db, f)
		for i := range got {
			if !want[got[i].Serial] {
				t.Errorf("%.60q: lists %s", fmt.Sprint(f), got[i].Serial)
			}
		}
		if len(got) != len(want) {
			t.Errorf("%.60q: %d units, want %d", fmt.Sprint(f), len(got), len(want))
		}
	}
}

func checkFleet(t *testing.T, db *store.DB, all []analytics.UnitRow) {
	t.Helper()
	f, err := db.Fleet(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	want := analytics.FleetSummary{Units: int64(len(all)), Sites: 3, Stacks: 3}
	flagged := map[analytics.FlagKind]int64{}
	var coverage float64
	var paced int64
	for i := range all {
		u := &all[i]
		want.Samples += u.Samples
		want.Energy.Add(u.Energy)
		want.EFC += u.EFC
		if u.Samples > 0 {
			want.Reporting++
			coverage += u.Coverage
		}
		if u.Pace == nil {
			want.PaceUnknown++
		}
		for _, k := range u.Flags {
			flagged[k]++
		}
	}
	for i, b := range f.Pace {
		paced += b.Units
		var n int64
		for j := range all {
			if p := all[j].Pace; p != nil && *p >= b.From && (*p < b.To || i == len(f.Pace)-1) {
				n++
			}
		}
		if n != b.Units {
			t.Errorf("pace from %g to %g: %d units, want %d", b.From, b.To, b.Units, n)
		}
	}
	if f.Units != want.Units || f.Sites != want.Sites || f.Stacks != want.Stacks || f.Reporting != want.Reporting ||
		f.Samples != want.Samples || f.Energy != want.Energy || f.PaceUnknown != want.PaceUnknown || f.AsOf != noon ||
		!near(f.EFC, want.EFC) || !near(f.MeanCoverage, coverage/float64(want.Reporting)) || paced+f.PaceUnknown != f.Units {
		t.Errorf("fleet: %+v, want %+v", f, want)
	}
	for _, k := range analytics.FlagKinds {
		if f.Flagged[k] != flagged[k] {
			t.Errorf("flag %s: %d, want %d", k, f.Flagged[k], flagged[k])
		}
	}
	if want.Reporting == 0 || want.PaceUnknown == 0 || paced == 0 || flagged[analytics.FlagCold] == 0 || flagged[analytics.FlagSilent] == 0 {
		t.Errorf("the fleet does not have everything in it: %+v, %v", want, flagged)
	}
}

func near(a, b float64) bool { return a-b < 1e-9*(1+b) && b-a < 1e-9*(1+b) }

func TestFleetWithoutUnits(t *testing.T) {
	t.Parallel()
	db := open(t)
	f, err := db.Fleet(context.Background())
	if err != nil || f.Units != 0 || f.Samples != 0 || f.MeanCoverage != 0 {
		t.Errorf("%+v, %v", f, err)
	}
	if p, err := db.Units(context.Background(), analytics.UnitFilter{}); err != nil || len(p.Units) != 0 || p.Next != "" {
		t.Errorf("%+v, %v", p, err)
	}
}

func TestBadFiltersAreInvalid(t *testing.T) {
	t.Parallel()
	db := open(t)
	for _, f := range []analytics.UnitFilter{
		{Sort: "serial; DROP TABLE unit"}, {Flag: "' OR true --"}, {After: "%%%"}, {After: "bm9uZQ"}, {After: "eyJ1IjoxZTk5fQ"},
		{After: "W10"}, {Serial: "a\x00b"}, {Site: "\xff"}, {Model: "\x00"}, {After: "bnVsbA", Serial: "\x00"},
	} {
		if _, err := db.Units(context.Background(), f); !errors.Is(err, analytics.ErrInvalid) {
			t.Errorf("%+v: %v", f, err)
		}
	}
}
