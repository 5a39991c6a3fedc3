package store_test

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/store"
	"fadeledger/store/storetest"
)

// from makes a delivery of a collector.
func from(collector string, sequence uint64, serial analytics.Serial, samples []analytics.Sample) analytics.Incoming {
	d := stored(noon, sequence, serial, samples)
	d.Collector = collector
	return d
}

// held gives the reason, message and number of rows of everything in
// quarantine, the oldest first.
func heldRows(t testing.TB, db *store.DB) []analytics.Quarantined {
	t.Helper()
	list, err := db.Quarantine(context.Background(), "", 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	slices.Reverse(list)
	return list
}

func setUp(t testing.TB, db *store.DB, name string, taking analytics.CollectorTaking, prefixes ...string) {
	t.Helper()
	if err := db.SetUp(context.Background(), analytics.Collector{Name: name, Taking: taking, Prefixes: prefixes}); err != nil {
		t.Fatal(err)
	}
}

func bind(t testing.TB, db *store.DB, collector string, serials ...analytics.Serial) {
	t.Helper()
	if err := db.Bind(context.Background(), collector, serials, true); err != nil {
		t.Fatal(err)
	}
}

func TestWhatACollectorMayDeliver(t *testing.T) {
	t.Parallel()
	tests := map[string]struct {
		set     func(*testing.T, *store.DB)
		foreign bool
		asks    bool
	}{
		"not set up":                   {set: func(*testing.T, *store.DB) {}},
		"any":                          {set: func(t *testing.T, db *store.DB) { setUp(t, db, "c-1", analytics.TakesAny) }},
		"any, though bound to another": {set: func(t *testing.T, db *store.DB) { setUp(t, db, "c-1", analytics.TakesAny); bind(t, db, "c-2", "AB-1") }},
		"not set up, though bound":     {set: func(t *testing.T, db *store.DB) { bind(t, db, "c-2", "AB-1") }},
		"bound, to nothing":            {set: func(t *testing.T, db *store.DB) { setUp(t, db, "c-1", analytics.TakesBound) }, foreign: true},
		"bound, to it": {set: func(t *testing.T, db *store.DB) {
			setUp(t, db, "c-1", analytics.TakesBound)
			bind(t, db, "c-1", "AB-1")
		}},
		"bound, to another and to it": {set: func(t *testing.T, db *store.DB) {
			setUp(t, db, "c-1", analytics.TakesBound)
			bind(t, db, "c-2", "AB-1")
			bind(t, db, "c-1", "AB-1")
		}},
		"bound, to it and let go": {set: func(t *testing.T, db *store.DB) {
			setUp(t, db, "c-1", analytics.TakesBound)
			bind(t, db, "c-1", "AB-1")
			free(t, db, "c-1", "AB-1")
		}, foreign: true},
		"its prefix": {set: func(t *testing.T, db *store.DB) { setUp(t, db, "c-1", analytics.TakesBound, "X", "AB-") }},
		"its prefix, but bound to another": {set: func(t *testing.T, db *store.DB) {
			setUp(t, db, "c-1", analytics.TakesBound, "AB-")
			bind(t, db, "c-2", "AB-1")
		}, foreign: true},
		"another prefix":         {set: func(t *testing.T, db *store.DB) { setUp(t, db, "c-1", analytics.TakesBound, "B-1", "ab-") }, foreign: true},
		"first come":             {set: func(t *testing.T, db *store.DB) { setUp(t, db, "c-1", analytics.TakesFirst) }, foreign: true, asks: true},
		"first come, its prefix": {set: func(t *testing.T, db *store.DB) { setUp(t, db, "c-1", analytics.TakesFirst, "AB") }},
		"first come, and bound to it": {set: func(t *testing.T, db *store.DB) {
			setUp(t, db, "c-1", analytics.TakesFirst)
			bind(t, db, "c-1", "AB-1")
		}},
		"bound once, now not held any more": {set: func(t *testing.T, db *store.DB) {
			setUp(t, db, "c-1", analytics.TakesBound)
			setUp(t, db, "c-1", analytics.TakesAny)
		}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db := open(t)
			at(db, noon)
			catalogue(t, db, "AB-1")
			test.set(t, db)
			samples := home(t, 5, noon-day/2, 30)
			x := take(t, db, from("c-1", 1, "AB-1", samples))[0]
			if test.foreign != (x.Quarantined == 30) || !test.foreign && x.Accepted != 30 {
				t.Errorf("tally %+v, foreign is to be %v", x, test.foreign)
			}
			list := heldRows(t, db)
			if test.foreign {
				if len(list) != 1 || list[0].Reason != analytics.ReasonForeignUnit || !strings.Contains(list[0].Message, "unit AB-1 is not bound to collector c-1") ||
					!strings.Contains(list[0].Remedy, "bind the unit to the collector") {
					t.Errorf("held: %+v", list)
				}
				checkOffline(t, db, "AB-1", nil)
			} else {
				checkOffline(t, db, "AB-1", samples)
			}
			asking, err := db.Asking(context.Background(), 10)
			if err != nil || len(asking) != map[bool]int{true: 1}[test.asks] {
				t.Errorf("asking: %+v, %v", asking, err)
			}
		})
	}
}

func free(t testing.TB, db *store.DB, collector string, serials ...analytics.Serial) {
	t.Helper()
	if err := db.Bind(context.Background(), collector, serials, false); err != nil {
		t.Fatal(err)
	}
}

// TestAskedForAndApproved: what a first-come collector asks for is held, told,
// and counted once it is approved, as if it had come then. It is done by the
// roles that workers and staff have.
func TestAskedForAndApproved(t *testing.T) {
	t.Parallel()
	url := storetest.Database(t)
	as := func(who store.As) *store.DB {
		db, err := store.OpenAs(context.Background(), url, slog.New(slog.DiscardHandler), who)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(db.Close)
		at(db, noon)
		return db
	}
	owner, worker, web := as(store.AsConnected), as(store.ForWorker), as(store.ForWeb)
	ctx := analytics.WithPrincipal(context.Background(), analytics.Principal{Kind: analytics.KindPerson, ID: 1, Name: "op", Role: analytics.RoleOperations})
	catalogue(t, owner, "AB-1", "AB-2", "AB-3")
	if err := web.SetUp(ctx, analytics.Collector{Name: "c-1", Taking: analytics.TakesFirst, Prefixes: []string{"Z", "B", "Z"}}); err != nil {
		t.Fatal(err)
	}
	samples := home(t, 5, noon-day/2, 60)
	take(t, worker, from("c-1", 1, "AB-1", samples[:20]), from("c-1", 2, "AB-1", samples[20:50]), from("c-1", 3, "AB-2", samples[:5]))
	second := from("c-1", 4, "AB-1", samples[50:])
	second.StoredAt = noon + 5000
	take(t, worker, second)
	take(t, worker, second) // a redelivery asks for nothing more

	asking, err := web.Asking(ctx, 10)
	if err != nil || len(asking) != 2 {
		t.Fatalf("asking: %+v, %v", asking, err)
	}
	if a := asking[0]; a.Serial != "AB-1" || a.Collector != "c-1" || a.Samples != 60 || a.FirstAt != noon || a.LastAt != noon+5000 || len(a.Others) != 0 {
		t.Errorf("asking: %+v", a)
	}
	if c, err := web.Collector(ctx, "c-1"); err != nil || c.Asking != 2 || c.Bound != 0 || !slices.Equal(c.Prefixes, []string{"B", "Z"}) || c.Taking != analytics.TakesFirst {
		t.Errorf("collector: %+v, %v", c, err)
	}
	if list, err := worker.HeldRegistered(context.Background(), 10); err != nil || len(list) != 0 {
		t.Errorf("nothing is approved, %d rows are ready: %v", len(list), err)
	}
	byHand := release(mustHold(t, owner)[0])
	if _, err := worker.Take(context.Background(), byHand); !errors.Is(err, analytics.ErrStillHeld) {
		t.Errorf("released without being bound: %v", err)
	}
	if a, err := web.Asking(ctx, 10); err != nil || a[0].Samples != 60 {
		t.Errorf("a release that is refused asks for more: %+v, %v", a, err)
	}
	for name, bad := range map[string][]analytics.Serial{"not registered": {"AB-1", "AB-9"}, "not asked for": {"AB-1", "AB-3"}} {
		if err := web.Decide(ctx, "c-1", bad, true); !errors.Is(err, analytics.ErrNotFound) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := web.Decide(ctx, "c-1", []analytics.Serial{"AB-2"}, false); err != nil {
		t.Fatal(err)
	}
	for range 2 { // sent twice it changes nothing
		if err := web.Decide(ctx, "c-1", []analytics.Serial{"AB-1"}, true); err != nil {
			t.Fatal(err)
		}
	}
	ready, err := worker.HeldRegistered(context.Background(), 100)
	if err != nil || len(ready) == 0 {
		t.Fatalf("approved, %d rows are ready: %v", len(ready), err)
	}
	for _, h := range ready {
		take(t, worker, release(h)...)
	}
	checkOffline(t, owner, "AB-1", samples)
	checkOffline(t, owner, "AB-2", nil)
	if list := heldRows(t, owner); len(list) != 1 || list[0].Rows != 5 || list[0].Serial != "AB-2" {
		t.Errorf("refused rows: %+v", list)
	}
	if a, err := web.Asking(ctx, 10); err != nil || len(a) != 0 {
		t.Errorf("asking afterwards: %+v, %v", a, err)
	}
	if bound, err := web.Bound(ctx, "c-1", "", 10); err != nil || !slices.Equal(bound, []analytics.Serial{"AB-1"}) {
		t.Errorf("bound: %v, %v", bound, err)
	}
	if like, err := web.BoundLike(ctx, "c-1", "AB", "", 10); err != nil || len(like) != 1 {
		t.Errorf("bound and like AB: %v, %v", like, err)
	}
	if like, err := web.BoundLike(ctx, "c-1", "A_", "", 10); err != nil || len(like) != 0 {
		t.Errorf("bound and like A_: %v, %v", like, err)
	}
	// What is refused stays refused when more of it comes.
	take(t, worker, from("c-1", 9, "AB-2", samples[5:7]))
	if a, err := web.Asking(ctx, 10); err != nil || len(a) != 0 {
		t.Errorf("a refused unit asks again: %+v, %v", a, err)
	}
	// Binding it says otherwise.
	if err := web.Bind(ctx, "c-1", []analytics.Serial{"AB-2"}, true); err != nil {
		t.Fatal(err)
	}
	ready, err = worker.HeldRegistered(context.Background(), 100)
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range ready {
		take(t, worker, release(h)...)
	}
	checkOffline(t, owner, "AB-2", samples[:7])
	entries, err := owner.Trail(ctx, analytics.TrailFilter{Object: "collector c-1"})
	if err != nil {
		t.Fatal(err)
	}
	var told []string
	for _, e := range slices.Backward(entries) {
		told = append(told, e.Who+" "+string(e.Deed)+" "+e.Object+": "+e.Detail)
	}
	if want := []string{
		"op set collector c-1: taking first-come, prefixes B, Z", "op changed collector c-1: asked for and refused: AB-2",
		"op approved collector c-1: asked for and bound to it: AB-1", "op approved collector c-1: asked for and bound to it: AB-1",
		"op changed collector c-1: bound to it: AB-2",
	}; !slices.Equal(told, want) {
		t.Errorf("the trail tells %q", told)
	}
	if b, err := owner.Balance(context.Background()); err != nil || len(b.Differences) > 0 {
		t.Errorf("the books: %+v, %v", b, err)
	}
}

// mustHold gives what is in quarantine for a foreign unit.
func mustHold(t testing.TB, db *store.DB) []analytics.Held {
	t.Helper()
	list, err := db.HeldByReason(context.Background(), analytics.ReasonForeignUnit, 0, 100)
	if err != nil || len(list) == 0 {
		t.Fatalf("%d rows are held, %v", len(list), err)
	}
	return list
}

// TestUnknownBecomesForeign: rows that waited for a unit to be registered do not
// stand in the way of others when the unit is then foreign to their collector.
func TestUnknownBecomesForeign(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	at(db, noon)
	setUp(t, db, "c-1", analytics.TakesFirst)
	samples := home(t, 5, noon-day/2, 40)
	take(t, db, from("c-1", 1, "AB-1", samples[:30]), from("c-2", 2, "AB-1", samples[30:]))
	catalogue(t, db, "AB-1")
	ready, err := db.HeldRegistered(ctx, 100)
	if err != nil || len(ready) != 10 && len(ready) != 1 || ready[0].Collector != "c-2" {
		t.Fatalf("ready: %d rows, %v", len(ready), err)
	}
	list := mustHold(t, db)
	if list[0].Collector != "c-1" || list[0].Message != "unit AB-1 is not bound to collector c-1" {
		t.Errorf("held: %+v", list[0].Quarantined)
	}
	if a, err := db.Asking(ctx, 10); err != nil || len(a) != 1 || a[0].Samples != 30 {
		t.Errorf("asking: %+v, %v", a, err)
	}
	if _, err := db.HeldRegistered(ctx, 100); err != nil {
		t.Fatal(err)
	}
	if a, err := db.Asking(ctx, 10); err != nil || a[0].Samples != 30 {
		t.Errorf("asking, looked through twice: %+v, %v", a, err)
	}
}

func TestSetUpIsChecked(t *testing.T) {
	t.Parallel()
	db := open(t)
	for name, bad := range map[string]analytics.Collector{
		"no name":      {Taking: analytics.TakesAny},
		"no taking":    {Name: "c-1"},
		"other taking": {Name: "c-1", Taking: "some"},
		"empty prefix": {Name: "c-1", Taking: analytics.TakesBound, Prefixes: []string{"A", ""}},
		"blank":        {Name: "c-1", Taking: analytics.TakesBound, Prefixes: []string{"A "}},
		"long prefix":  {Name: "c-1", Taking: analytics.TakesBound, Prefixes: []string{strings.Repeat("a", 65)}},
		"many":         {Name: "c-1", Taking: analytics.TakesBound, Prefixes: slices.Repeat([]string{"a"}, 201)},
		"NUL":          {Name: "c-1", Taking: analytics.TakesBound, Prefixes: []string{"a\x00"}},
	} {
		if err := db.SetUp(context.Background(), bad); !errors.Is(err, analytics.ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := db.Collector(context.Background(), "c-1"); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("never set up: %v", err)
	}
	catalogue(t, db, "AB-1")
	if err := db.Bind(context.Background(), "c-1", []analytics.Serial{"AB-1", "AB-2"}, true); !errors.Is(err, analytics.ErrNotFound) || !strings.Contains(err.Error(), "AB-2") {
		t.Errorf("bind what is not registered: %v", err)
	}
	if bound, err := db.Bound(context.Background(), "c-1", "", 10); err != nil || len(bound) != 0 {
		t.Errorf("half of it is bound: %v, %v", bound, err)
	}
}

func TestLoginsAreKept(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	ctx := analytics.WithPrincipal(context.Background(), analytics.Service("somebody"))
	var users []string
	for range 3 {
		l, err := db.KeepLogin(ctx, "c-1", "hash")
		if err != nil || l.MadeBy != "somebody" || l.CreatedAt != noon {
			t.Fatalf("%+v, %v", l, err)
		}
		users = append(users, l.User)
	}
	if !slices.Equal(users, []string{"c-1", "c-1.2", "c-1.3"}) {
		t.Errorf("users: %v", users)
	}
	if err := db.DropLogin(ctx, "c-1"); err != nil {
		t.Fatal(err)
	}
	if err := db.DropLogin(ctx, "c-1"); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("dropped twice: %v", err)
	}
	if l, err := db.KeepLogin(ctx, "c-1", "other"); err != nil || l.User != "c-1" {
		t.Errorf("the name is free again: %+v, %v", l, err)
	}
	if _, err := db.KeepLogin(ctx, "c-10", "x"); err != nil {
		t.Fatal(err)
	}
	list, err := db.Logins(ctx)
	if err != nil || len(list) != 4 || list[0].User != "c-1" || list[0].PasswordHash != "other" {
		t.Errorf("logins: %+v, %v", list, err)
	}
	c, err := db.Collector(ctx, "c-1")
	if err != nil || len(c.Logins) != 3 || c.Taking != "" {
		t.Fatalf("collector: %+v, %v", c, err)
	}
	for _, l := range c.Logins {
		if l.PasswordHash != "" {
			t.Error("the page gets the hash of a password")
		}
	}
	for range 17 {
		if _, err := db.KeepLogin(ctx, "c-1", "x"); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := db.KeepLogin(ctx, "c-1", "x"); !errors.Is(err, analytics.ErrConflict) {
		t.Errorf("one too many: %v", err)
	}
}
