package store_test

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
	"fadeledger/analytics/household"
	"fadeledger/store"
)

func TestRegistrationRules(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1", "u-2")
	take(t, db, stored(noon, 1, "u-1", home(t, 1, noon-day, 60)))
	models, terms := household.Models(), household.EditionsOfTerms()
	for _, c := range []struct {
		name   string
		change func(r *store.Registration)
		refuse string // part of the error, empty when it is taken
	}{
		{"the same again", func(r *store.Registration) {
			r.Models, r.Terms, r.Units = models, terms, []analytics.Unit{unit("u-1")}
		}, ""},
		{"other terms under the same name", func(r *store.Registration) {
			e := terms[0]
			e.Years++
			r.Terms = []analytics.Terms{e}
		}, "an edition never changes"},
		{"another definition of a model with counted units", func(r *store.Registration) {
			m := models[0]
			m.Rated++
			r.Models = []analytics.Model{m}
		}, "have been counted"},
		{"another definition of a model without counted units", func(r *store.Registration) {
			m := models[1]
			m.Rated++
			r.Models = []analytics.Model{m}
		}, ""},
		{"a counted unit as another model", func(r *store.Registration) {
			u := unit("u-1")
			u.Model, u.Terms = "HB-10", "HB-10 home 2026"
			r.Units = []analytics.Unit{u}
		}, "counted as model HB-5"},
		{"a unit without samples as another model", func(r *store.Registration) {
			u := unit("u-2")
			u.Model, u.Terms = "HB-10", "HB-10 home 2026"
			r.Units = []analytics.Unit{u}
		}, ""},
		{"a unit of no model", func(r *store.Registration) {
			u := unit("u-3")
			u.Model = "HB-6"
			r.Units = []analytics.Unit{unit("u-4"), u}
		}, `model "HB-6" is not registered`},
		{"a unit at no site", func(r *store.Registration) {
			u := unit("u-3")
			u.Site = "nowhere"
			r.Units = []analytics.Unit{u}
		}, `site "nowhere"`},
		{"a unit with no terms of that name", func(r *store.Registration) {
			u := unit("u-3")
			u.Terms = "'none'"
			r.Units = []analytics.Unit{u}
		}, `terms "'none'"`},
		{"a unit whose serial holds a NUL", func(r *store.Registration) {
			r.Units = []analytics.Unit{unit("u\x003")}
		}, "NUL"},
		{"terms for no model", func(r *store.Registration) {
			e := terms[0]
			e.Name, e.Model = "other", "HB-6"
			r.Terms = []analytics.Terms{e}
		}, "HB-6"},
	} {
		var r store.Registration
		c.change(&r)
		_, err := db.Register(ctx, r)
		switch {
		case c.refuse == "" && err != nil:
			t.Errorf("%s: %v", c.name, err)
		case c.refuse != "" && (!errors.Is(err, analytics.ErrConflict) && !errors.Is(err, analytics.ErrInvalid) || !strings.Contains(err.Error(), c.refuse)):
			t.Errorf("%s: %v, want a refusal with %q", c.name, err, c.refuse)
		}
	}
	if n := number(t, db, `SELECT count(*) FROM unit`); n != 2 {
		t.Errorf("%d units: a refused registration left some", n)
	}
}

func TestRegistrationTellsWhatIsNew(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	at(db, noon)
	site := analytics.Site{Name: "s-1", Zone: "Europe/Berlin", Country: "DE", Placement: analytics.Garage}
	again := unit("b")
	again.Site, again.Stack = "s-1", "later"
	r := store.Registration{
		Models: household.Models(), Terms: household.EditionsOfTerms(), Sites: []analytics.Site{site, site},
		Units: []analytics.Unit{unit("c"), unit("b"), unit("a"), again},
	}
	done, err := db.Register(ctx, r)
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(done.NewSerials)
	if done.Models != 2 || done.NewModels != 2 || done.Terms != 4 || done.NewTerms != 4 || done.Sites != 2 || done.NewSites != 1 ||
		done.Units != 4 || done.NewUnits != 3 || !slices.Equal(done.NewSerials, []analytics.Serial{"a", "b", "c"}) {
		t.Errorf("first: %+v", done)
	}
	if u, err := db.Unit(ctx, "b"); err != nil || u.Unit.Stack != "later" || u.Site == nil || *u.Site != site {
		t.Errorf("of two rows with one serial the last holds: %+v, %v", u.Unit, err)
	}
	if done, err = db.Register(ctx, r); err != nil || done.NewModels+done.NewTerms+done.NewSites+done.NewUnits != 0 || done.Units != 4 {
		t.Errorf("again: %+v, %v", done, err)
	}
	var want catalog.Known
	want.AddModel("HB-5")
	want.AddModel("HB-10")
	for _, e := range household.EditionsOfTerms() {
		want.AddTerms(e.Name, e.Model)
	}
	want.AddSite("s-1")
	if known, err := db.Known(ctx); err != nil || !reflect.DeepEqual(known, want) {
		t.Errorf("known: %+v, want %+v, %v", known, want, err)
	}
	models, terms, err := db.Catalogue(ctx)
	if err != nil || len(models) != 2 || terms["HB-5 home 2026"].Model != "HB-5" || models["HB-5"].Rated != household.Models()[0].Rated {
		t.Errorf("catalogue: %v, %v, %v", models, terms, err)
	}
}

// TestAUnitThatMovesKeepsItsLedger: site, stack, terms and dates may change;
// what was counted stays, and the standing follows.
func TestAUnitThatMovesKeepsItsLedger(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1", "u-2")
	samples := home(t, 1, noon-2*day, 2880)
	take(t, db, stored(noon, 1, "u-1", samples))
	refresh(t, db, 2)
	moved := unit("u-1")
	moved.Site, moved.Terms, moved.Position = "s-2", "HB-5 home 2022", 3
	moved.Commissioned = nil
	if _, err := db.Register(ctx, store.Registration{Sites: []analytics.Site{{Name: "s-2"}}, Units: []analytics.Unit{moved, unit("u-2")}}); err != nil {
		t.Fatal(err)
	}
	refresh(t, db, 1) // the other one did not change
	r, err := db.Unit(ctx, "u-1")
	if err != nil || r.Ledger.Samples != 2880 || r.Ledger.Terms != "HB-5 home 2022" || r.Unit.Site != "s-2" || r.Unit.Commissioned != nil {
		t.Errorf("moved: %+v, %v", r.Unit, err)
	}
	page, err := db.Units(ctx, analytics.UnitFilter{Site: "s-2"})
	if err != nil || len(page.Units) != 1 || page.Units[0].Samples != 2880 || page.Units[0].Position != 3 {
		t.Errorf("listed: %+v, %v", page, err)
	}
	if _, err := db.Unit(ctx, "u-9"); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("a unit that is not registered: %v", err)
	}
	if _, err := db.Days(ctx, "u-9", 0, 1); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("its days: %v", err)
	}
	if err := db.Samples(ctx, "u-9", 0, 1, nil); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("its samples: %v", err)
	}
}

// refresh refreshes the standings and expects so many to be written.
func refresh(t testing.TB, db *store.DB, want int) {
	t.Helper()
	if n, err := db.RefreshStandings(context.Background(), analytics.DayLength); err != nil || n != want {
		t.Errorf("refreshed %d standings, want %d, %v", n, want, err)
	}
}

func TestStandingsAreRefreshedWhenTheyAreOld(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	var serials []analytics.Serial
	for i := range 1203 { // more than two batches
		serials = append(serials, analytics.Serial(fmt.Sprintf("u-%04d", i)))
	}
	catalogue(t, db, serials...)
	refresh(t, db, 1203)
	refresh(t, db, 0)
	at(db, noon+day/2)
	take(t, db, stored(noon, 1, "u-0700", home(t, 1, noon-day, 5)))
	refresh(t, db, 1)
	at(db, noon+day+1)
	refresh(t, db, 1202)
	at(db, noon+3*day)
	refresh(t, db, 1203)
	if err := db.Ping(context.Background()); err != nil {
		t.Error(err)
	}
}
