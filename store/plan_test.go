package store_test

import (
	"errors"
	"fmt"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
	"fadeledger/analytics/household"
	"fadeledger/store"
)

// registrant is who registers in these tests.
var registrant = analytics.Principal{Kind: analytics.KindPerson, ID: 3, Name: "j.oksanen", Role: analytics.RoleOperations}

// told are the changes of a plan in words.
func told(p analytics.Plan) []string {
	list := make([]string, len(p.Changes))
	for i := range p.Changes {
		list[i] = catalog.ChangeWords(&p.Changes[i])
	}
	return list
}

func TestAPlanTellsWhatARegistrationChanges(t *testing.T) {
	t.Parallel()
	ctx := as(registrant)
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1", "u-2")
	model := household.Models()[1]
	model.Rated += 100_000
	moved := unit("u-1")
	moved.Site, moved.Stack, moved.Position, moved.Commissioned = "garden-lane-4", "", 2, nil
	r := store.Registration{
		Models: []analytics.Model{household.Models()[0], model},
		Terms:  household.EditionsOfTerms()[:1],
		Sites:  []analytics.Site{{Name: "garden-lane-4", Zone: "Europe/Oslo", Installer: "Elektro Nord"}},
		Units:  []analytics.Unit{unit("u-2"), moved, unit("u-3")},
	}
	p, err := db.Plan(ctx, r)
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		"model HB-10: rated_kwh " + kwh(household.Models()[1].Rated) + " → " + kwh(model.Rated),
		"new site garden-lane-4: zone Europe/Oslo, installer Elektro Nord",
		"unit u-1: stack s-1 → nothing, site nothing → garden-lane-4, commissioned " + unit("u-1").Commissioned.String() + " → nothing, position nothing → 2",
		"new unit u-3: model HB-5, stack s-1, commissioned " + unit("u-1").Commissioned.String() + ", terms HB-5 home 2026",
	}
	if got := told(p); !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	counts := []analytics.PlanCount{{Kind: analytics.ChangeModel, Changed: 1, Unchanged: 1}, {Kind: analytics.ChangeTerms, Unchanged: 1},
		{Kind: analytics.ChangeSite, New: 1}, {Kind: analytics.ChangeUnit, New: 1, Changed: 1, Unchanged: 1}}
	if p.Unchanged != 3 || p.More != 0 || !slices.Equal(p.Counts, counts) || len(p.Mark) != 64 {
		t.Errorf("got %d unchanged, %d more, %v, mark %q", p.Unchanged, p.More, p.Counts, p.Mark)
	}
	if n := number(t, db, `SELECT count(*) FROM unit`) + number(t, db, `SELECT count(*) FROM site`); n != 2 {
		t.Errorf("planning left %d units and sites", n)
	}
	done, err := db.Apply(ctx, r, p.Mark)
	if err != nil || !reflect.DeepEqual(done.Plan, p) || done.NewUnits != 1 || !slices.Equal(done.NewSerials, []analytics.Serial{"u-3"}) {
		t.Fatalf("applied %+v, %v", done, err)
	}
	again, err := db.Plan(ctx, r)
	if err != nil || len(again.Changes) != 0 || again.Unchanged != 7 || again.Mark == p.Mark {
		t.Errorf("planned again: %+v, %v", again, err)
	}
	u, err := db.RegisteredUnit(ctx, "u-1")
	if err != nil || !reflect.DeepEqual(u, moved) {
		t.Errorf("registered %+v, %v", u, err)
	}
}

func kwh(e analytics.MilliwattHours) string {
	return catalog.ModelFields(&analytics.Model{Rated: e})[1].Value
}

func TestAMarkHoldsWhatThePlanRestsOn(t *testing.T) {
	t.Parallel()
	ctx := as(registrant)
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1", "u-2")
	moved := unit("u-1")
	moved.Position = 2
	r := store.Registration{Units: []analytics.Unit{moved, unit("u-2")}}
	p, err := db.Plan(ctx, r)
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name   string
		change func(u *analytics.Unit)
	}{
		{"a unit that was to change", func(u *analytics.Unit) { u.Serial, u.Stack = "u-1", "elsewhere" }},
		{"a unit that was to stay", func(u *analytics.Unit) { u.Serial, u.Stack = "u-2", "elsewhere" }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			other := unit("")
			tc.change(&other)
			before, err := db.RegisteredUnit(ctx, other.Serial)
			if err != nil {
				t.Fatal(err)
			}
			register := func(u analytics.Unit) {
				if _, err := db.Register(ctx, store.Registration{Units: []analytics.Unit{u}}); err != nil {
					t.Fatal(err)
				}
			}
			register(other)
			var conflicts store.Conflicts
			if _, err := db.Apply(ctx, r, p.Mark); !errors.Is(err, analytics.ErrConflict) || errors.As(err, &conflicts) {
				t.Errorf("applied: %v", err)
			}
			register(before)
		})
	}
	if _, err := db.Apply(ctx, store.Registration{Units: []analytics.Unit{moved}}, p.Mark); !errors.Is(err, analytics.ErrConflict) {
		t.Errorf("another registration was applied with the mark: %v", err)
	}
	if _, err := db.Apply(ctx, r, ""); !errors.Is(err, analytics.ErrInvalid) {
		t.Errorf("applied without a mark: %v", err)
	}
	// What it rests on is as it was; something else changed.
	if _, err := db.Register(ctx, store.Registration{Units: []analytics.Unit{unit("u-9")}}); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Apply(ctx, r, p.Mark); err != nil {
		t.Errorf("refused: %v", err)
	}
	if _, err := db.Apply(ctx, r, p.Mark); !errors.Is(err, analytics.ErrConflict) {
		t.Errorf("applied twice: %v", err)
	}
}

// TestOfTwoWhoApplyOnlyOneDoes has the same plan applied many times at once.
func TestOfTwoWhoApplyOnlyOneDoes(t *testing.T) {
	t.Parallel()
	ctx := as(registrant)
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	moved := unit("u-1")
	moved.Position = 2
	r := store.Registration{Units: []analytics.Unit{moved, unit("u-2")}}
	p, err := db.Plan(ctx, r)
	if err != nil {
		t.Fatal(err)
	}
	var group sync.WaitGroup
	errs := make([]error, 6)
	for i := range errs {
		group.Go(func() { _, errs[i] = db.Apply(ctx, r, p.Mark) })
	}
	group.Wait()
	applied := 0
	for _, err := range errs {
		switch {
		case err == nil:
			applied++
		case !errors.Is(err, analytics.ErrConflict):
			t.Error(err)
		}
	}
	if applied != 1 {
		t.Errorf("%d were applied", applied)
	}
}

func TestConflictsNameThingFieldAndRemedy(t *testing.T) {
	t.Parallel()
	ctx := as(registrant)
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1", "u-2")
	take(t, db, stored(noon, 1, "u-1", home(t, 1, noon-day, 60)))
	model, terms := household.Models()[0], household.EditionsOfTerms()[0]
	model.Rated++
	terms.Years++
	other := unit("u-1")
	other.Model, other.Terms = "HB-10", "HB-10 home 2026"
	lost := unit("u-3")
	lost.Site, lost.Terms, lost.Model = "nowhere", "none", "HB-6"
	odd, stack := unit("=u-4"), unit("u-2")
	stack.Stack = "@s"
	r := store.Registration{Models: []analytics.Model{model}, Terms: []analytics.Terms{terms},
		Sites: []analytics.Site{{Name: "s", Installer: "+1"}}, Units: []analytics.Unit{other, lost, odd, stack}}
	p, err := db.Plan(ctx, r)
	var got store.Conflicts
	if !errors.As(err, &got) || !errors.Is(err, analytics.ErrConflict) {
		t.Fatalf("got %v", err)
	}
	if len(p.Changes) != 7 {
		t.Errorf("the plan is not told beside its conflicts: %v", told(p))
	}
	type key struct {
		kind        analytics.ChangeKind
		name, field string
	}
	want := []key{
		{analytics.ChangeTerms, terms.Name, "years"}, {analytics.ChangeSite, "s", "installer"}, {analytics.ChangeUnit, "=u-4", "unit"},
		{analytics.ChangeUnit, "u-2", "stack"}, {analytics.ChangeUnit, "u-3", "model"}, {analytics.ChangeUnit, "u-3", "site"},
		{analytics.ChangeUnit, "u-3", "terms"}, {analytics.ChangeModel, "HB-5", ""}, {analytics.ChangeUnit, "u-1", "model"},
	}
	var keys []key
	for _, c := range got {
		keys = append(keys, key{c.Kind, c.Name, c.Field})
		if c.Message == "" || c.Remedy == "" {
			t.Errorf("%+v says too little", c)
		}
	}
	if !slices.Equal(keys, want) {
		t.Errorf("got %v, want %v", keys, want)
	}
	if _, applied := db.Apply(ctx, r, p.Mark); !errors.As(applied, &got) {
		t.Errorf("applied: %v", applied)
	}
}

// TestOldNamesStay: a name that is refused anew can be given again where it is
// registered.
func TestOldNamesStay(t *testing.T) {
	t.Parallel()
	ctx := as(registrant)
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	if _, err := db.Pool().Exec(ctx, `UPDATE unit SET serial = '-u', stack = '=s'`); err != nil {
		t.Fatal(err)
	}
	u := unit("-u")
	u.Stack, u.Position = "=s", 3
	if done, err := db.Register(ctx, store.Registration{Units: []analytics.Unit{u}}); err != nil || done.Plan.Counts[0].Changed != 1 {
		t.Errorf("got %+v, %v", done, err)
	}
}

func TestTheTrailTellsRegistrations(t *testing.T) {
	t.Parallel()
	ctx := as(registrant)
	db := open(t)
	at(db, noon)
	catalogue(t, db)
	before := number(t, db, `SELECT number FROM trail_head`)
	moved := unit("u-1")
	if _, err := db.Register(ctx, store.Registration{Units: []analytics.Unit{moved}}); err != nil {
		t.Fatal(err)
	}
	moved.Position = 4
	bad := unit("u-2")
	bad.Site = "nowhere"
	for i, r := range []store.Registration{{Units: []analytics.Unit{moved}}, {Units: []analytics.Unit{moved}}, {Units: []analytics.Unit{unit("u-3"), bad}}} {
		if _, err := db.Register(ctx, r); (err != nil) != (i == 2) {
			t.Fatal(err)
		}
	}
	list, err := db.Trail(ctx, analytics.TrailFilter{Deed: analytics.DeedRegistered, Object: "unit "})
	if err != nil || len(list) != 2 || number(t, db, `SELECT number FROM trail_head`) != before+2 {
		t.Fatalf("got %+v, %v", list, err)
	}
	if e := list[0]; e.Who != "j.oksanen" || e.Object != "unit u-1" || e.Detail != "position nothing → 4" {
		t.Errorf("the change is told as %+v", e)
	}
	if e := list[1]; !strings.HasPrefix(e.Detail, "new: model HB-5, ") {
		t.Errorf("the new unit is told as %+v", e)
	}
	var many store.Registration
	for i := range 250 {
		many.Units = append(many.Units, unit(analytics.Serial(fmt.Sprintf("m-%03d", i))))
	}
	many.Sources = []string{"units.csv sha256:5feceb66ffc86f38"}
	if _, err := db.Register(ctx, many); err != nil {
		t.Fatal(err)
	}
	if n := number(t, db, `SELECT number FROM trail_head`); n != before+2+201 {
		t.Errorf("%d entries more, want 201", n-before-2)
	}
	list, err = db.Trail(ctx, analytics.TrailFilter{Limit: 1})
	if err != nil || list[0].Object != "registration" || list[0].Detail != "and 50 more, not told one by one; 250 units: 250 new; units.csv sha256:5feceb66ffc86f38" {
		t.Errorf("the rest is told as %+v, %v", list, err)
	}
	check, err := db.CheckTrail(ctx, nil)
	if err != nil || len(check.Faults) > 0 {
		t.Errorf("the trail: %+v, %v", check, err)
	}
}

// TestAFleetIsPlannedAndAppliedInSeconds registers 100,000 units and moves some.
func TestAFleetIsPlannedAndAppliedInSeconds(t *testing.T) {
	t.Parallel()
	ctx := as(registrant)
	db := open(t)
	at(db, noon)
	catalogue(t, db)
	const fleet = 100_000
	var r store.Registration
	for i := range fleet {
		u := unit(analytics.Serial(fmt.Sprintf("HB5-%06d", i)))
		u.Site, u.Stack, u.Position = fmt.Sprintf("site-%05d", i/10), fmt.Sprintf("stack-%05d", i/3), 1+i%3
		r.Units = append(r.Units, u)
		if i%10 == 0 {
			r.Sites = append(r.Sites, analytics.Site{Name: u.Site, Zone: "Europe/Oslo"})
		}
	}
	step := func(doing string, do func() error) {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		start := time.Now()
		if err := do(); err != nil {
			t.Fatalf("%s: %v", doing, err)
		}
		took := time.Since(start)
		runtime.ReadMemStats(&after)
		t.Logf("%s took %v and %d MiB of allocations", doing, took.Round(time.Millisecond), (after.TotalAlloc-before.TotalAlloc)>>20)
		// Far above what it takes, for machines that are busy.
		if took > 2*time.Minute {
			t.Errorf("%s took %v", doing, took)
		}
	}
	var p analytics.Plan
	step("planning all new", func() (err error) { p, err = db.Plan(ctx, r); return err })
	if len(p.Changes) != analytics.PlanTold || p.More != fleet+fleet/10-analytics.PlanTold {
		t.Errorf("%d changes are told and %d more", len(p.Changes), p.More)
	}
	step("applying all new", func() error { _, err := db.Apply(ctx, r, p.Mark); return err })
	for i := range r.Units {
		if i%100 == 0 {
			r.Units[i].Position = 9
		}
	}
	step("planning few changes", func() (err error) { p, err = db.Plan(ctx, r); return err })
	if got := p.Counts[1]; got.Changed != fleet/100 || got.Unchanged != fleet-fleet/100 || p.More != 0 {
		t.Errorf("got %+v, %d more", got, p.More)
	}
	step("applying few changes", func() error { _, err := db.Apply(ctx, r, p.Mark); return err })
	if n := number(t, db, `SELECT count(*) FROM unit WHERE position = 9`); n != fleet/100 {
		t.Errorf("%d units moved", n)
	}
}
