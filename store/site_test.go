package store_test

import (
	"errors"
	"log/slog"
	"slices"
	"testing"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/store"
)

// grounds registers sites of two installers with stacks.
func grounds(t *testing.T, db *store.DB) store.Registration {
	t.Helper()
	place := func(serial analytics.Serial, site, stack string, position int) analytics.Unit {
		u := unit(serial)
		u.Site, u.Stack, u.Position = site, stack, position
		return u
	}
	r := store.Registration{Models: household.Models(), Terms: household.EditionsOfTerms(),
		Sites: []analytics.Site{{Name: "a-1", Installer: "Elektro Nord"}, {Name: "a-2", Installer: "Elektro Nord"}, {Name: "b-1", Installer: "Solwerk"}},
		Units: []analytics.Unit{place("n-2", "a-1", "st-1", 2), place("n-1", "a-1", "st-1", 1), place("n-3", "a-1", "", 0), place("s-1", "b-1", "st-1", 1), place("s-2", "b-1", "st-2", 1)}}
	if _, err := db.Register(t.Context(), r); err != nil {
		t.Fatal(err)
	}
	return r
}

func named(units []analytics.Unit) []analytics.Serial {
	var list []analytics.Serial
	for i := range units {
		list = append(list, units[i].Serial)
	}
	return list
}

func TestSitesAndStacks(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	db := open(t)
	at(db, noon)
	r := grounds(t, db)
	first, err := db.Sites(ctx, "", 2)
	want := []store.SiteRow{{Site: r.Sites[0], Units: 3, Stacks: 1}, {Site: r.Sites[1]}}
	if err != nil || !slices.Equal(first, want) {
		t.Errorf("got %+v, %v", first, err)
	}
	if rest, err := db.Sites(ctx, "a-2", 2); err != nil || len(rest) != 1 || rest[0] != (store.SiteRow{Site: r.Sites[2], Units: 2, Stacks: 2}) {
		t.Errorf("the rest: %+v, %v", rest, err)
	}
	site, units, err := db.Site(ctx, "a-1")
	if err != nil || site != r.Sites[0] || !slices.Equal(named(units), []analytics.Serial{"n-3", "n-1", "n-2"}) {
		t.Errorf("site: %+v, %v, %v", site, named(units), err)
	}
	if units, err = db.Stack(ctx, "st-1"); err != nil || !slices.Equal(named(units), []analytics.Serial{"n-1", "n-2", "s-1"}) {
		t.Errorf("stack: %v, %v", named(units), err)
	}
	_, _, noSite := db.Site(ctx, "a\x00")
	_, noStack := db.Stack(ctx, "")
	_, noUnit := db.RegisteredUnit(ctx, "x")
	for _, err := range []error{noSite, noStack, noUnit} {
		if !errors.Is(err, analytics.ErrNotFound) {
			t.Errorf("got %v, want not found", err)
		}
	}
	all, err := db.AllUnits(ctx)
	if err != nil || !slices.Equal(named(all), []analytics.Serial{"n-1", "n-2", "n-3", "s-1", "s-2"}) {
		t.Errorf("all units: %v, %v", named(all), err)
	}
	if sites, err := db.AllSites(ctx); err != nil || !slices.Equal(sites, r.Sites) {
		t.Errorf("all sites: %v, %v", sites, err)
	}
	models, err := db.Models(ctx)
	if err != nil || len(models) != 2 || models[0].Name != "HB-10" {
		t.Errorf("models: %v, %v", models, err)
	}
	terms, err := db.Terms(ctx)
	if err != nil || len(terms) != 4 || terms[0].Model != "HB-10" || terms[2].Model != "HB-5" || terms[2].SoldFrom < terms[3].SoldFrom {
		t.Errorf("terms: %v, %v", terms, err)
	}
}

// TestAnInstallerSeesItsOwnGrounds reads as an installer, and lets it register
// nothing.
func TestAnInstallerSeesItsOwnGrounds(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	r := grounds(t, db)
	web, err := store.OpenAs(t.Context(), db.Pool().Config().ConnString(), slog.New(slog.DiscardHandler), store.ForWeb)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(web.Close)
	ctx := as(analytics.Principal{Kind: analytics.KindPerson, ID: 9, Name: "s.vik", Role: analytics.RoleInstaller, Organisation: "Elektro Nord"})
	if sites, err := web.Sites(ctx, "", 10); err != nil || len(sites) != 2 || sites[0].Units != 3 {
		t.Errorf("sites: %+v, %v", sites, err)
	}
	if units, err := web.Stack(ctx, "st-1"); err != nil || !slices.Equal(named(units), []analytics.Serial{"n-1", "n-2"}) {
		t.Errorf("stack: %v, %v", named(units), err)
	}
	if units, err := web.AllUnits(ctx); err != nil || len(units) != 3 {
		t.Errorf("units: %v, %v", named(units), err)
	}
	if sites, err := web.AllSites(ctx); err != nil || len(sites) != 2 {
		t.Errorf("all sites: %v, %v", sites, err)
	}
	_, _, site := web.Site(ctx, "b-1")
	_, stack := web.Stack(ctx, "st-2")
	_, one := web.RegisteredUnit(ctx, "s-1")
	for _, err := range []error{site, stack, one} {
		if !errors.Is(err, analytics.ErrNotFound) {
			t.Errorf("got %v, want not found", err)
		}
	}
	if models, err := web.Models(ctx); err != nil || len(models) != 2 {
		t.Errorf("models: %v, %v", models, err)
	}
	moved := r.Units[0]
	moved.Position = 7
	if _, err := web.Register(ctx, store.Registration{Units: []analytics.Unit{moved}}); !errors.Is(err, analytics.ErrDenied) {
		t.Errorf("an installer registered: %v", err)
	}
	// Another's serial looks like a new one, and cannot be taken either.
	if p, err := web.Plan(ctx, store.Registration{Units: []analytics.Unit{r.Units[3]}}); err == nil && !p.Changes[0].New {
		t.Errorf("another's unit shows: %+v", p)
	}
	staff := as(registrant)
	p, err := web.Plan(staff, store.Registration{Units: []analytics.Unit{moved}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := web.Apply(staff, store.Registration{Units: []analytics.Unit{moved}}, p.Mark); err != nil {
		t.Errorf("operations: %v", err)
	}
	if _, err := web.Plan(as(analytics.Principal{}), store.Registration{Units: []analytics.Unit{moved}}); !errors.Is(err, analytics.ErrDenied) {
		t.Errorf("nobody planned: %v", err)
	}
}
