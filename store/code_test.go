package store_test

import (
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"

	"fadeledger/analytics"
)

func TestTheFirstAdministrator(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	first := analytics.Code{ExpiresAt: noon + day, MadeBy: "start"}
	if err := db.AddFirstCode(nobody, hashOf("one"), first); err != nil {
		t.Fatal(err)
	}
	if err := db.AddFirstCode(nobody, hashOf("two"), first); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Code(nobody, hashOf("one")); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("a replaced code: %v", err)
	}
	c, err := db.Code(nobody, hashOf("two"))
	if want := (analytics.Code{Kind: analytics.CodeFirst, MadeBy: "start", CreatedAt: noon, ExpiresAt: noon + day}); err != nil || c != want {
		t.Errorf("%+v, %v", c, err)
	}
	if any, err := db.AnyAdministrator(nobody); any || err != nil {
		t.Errorf("any %v, %v", any, err)
	}
	person(t, db, "taken", analytics.RoleAuditor)
	for _, c := range []struct {
		login, password string
		want            error
	}{{"Taken", "x", analytics.ErrConflict}, {"", "x", analytics.ErrInvalid}, {"ada", "", analytics.ErrInvalid}} {
		if _, err := db.UseCode(nobody, hashOf("two"), analytics.Person{Login: c.login}, c.password); !errors.Is(err, c.want) {
			t.Errorf("login %q: %v", c.login, err)
		}
	}
	// What is refused leaves the code as it was.
	ada, err := db.UseCode(as(analytics.Principal{Address: "192.0.2.1"}), hashOf("two"),
		analytics.Person{ID: 77, Login: "ada", Name: "Ada", Role: analytics.RoleAuditor, Organisation: "x"}, "$hash")
	if err != nil || ada.Role != analytics.RoleAdministrator || ada.Login != "ada" || ada.Organisation != "" || !ada.HasPassword {
		t.Fatalf("%+v, %v", ada, err)
	}
	wantDeed(t, owner, `ada registered person ada the first administrator, by a one-time code; name "Ada", role administrator`)
	if list, err := owner.Trail(nobody, analytics.TrailFilter{Limit: 1}); err != nil || list[0].Address != "192.0.2.1" {
		t.Errorf("%+v, %v", list, err)
	}
	if any, err := db.AnyAdministrator(nobody); !any || err != nil {
		t.Errorf("any %v, %v", any, err)
	}
	// While there is one, no code makes another.
	if err := db.AddFirstCode(nobody, hashOf("three"), first); err != nil {
		t.Fatal(err)
	}
	for _, code := range []string{"two", "three"} {
		if _, err := db.Code(nobody, hashOf(code)); !errors.Is(err, analytics.ErrNotFound) {
			t.Errorf("code %s: %v", code, err)
		}
		if _, err := db.UseCode(nobody, hashOf(code), analytics.Person{Login: "eve"}, "$hash"); !errors.Is(err, analytics.ErrNotFound) {
			t.Errorf("use of code %s: %v", code, err)
		}
	}
}

func TestACodeIsUsedOnceHoweverManyTry(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	if err := db.AddFirstCode(nobody, hashOf("first"), analytics.Code{ExpiresAt: noon + day}); err != nil {
		t.Fatal(err)
	}
	race := func(code string, first func(i int) analytics.Person) {
		t.Helper()
		var used atomic.Int64
		var wg sync.WaitGroup
		for i := range 20 {
			wg.Go(func() {
				switch _, err := db.UseCode(nobody, hashOf(code), first(i), fmt.Sprint("hash ", i)); {
				case err == nil:
					used.Add(1)
				case !errors.Is(err, analytics.ErrNotFound):
					t.Error(err)
				}
			})
		}
		wg.Wait()
		if n := used.Load(); n != 1 {
			t.Errorf("code %s was used %d times", code, n)
		}
	}
	race("first", func(i int) analytics.Person { return analytics.Person{Login: fmt.Sprint("admin ", i)} })
	if n := number(t, owner, `SELECT count(*) FROM person`); n != 1 {
		t.Errorf("%d people", n)
	}
	bob, err := db.AddPerson(console(), analytics.Person{Login: "bob", Role: analytics.RoleAuditor})
	if err != nil {
		t.Fatal(err)
	}
	if err := db.AddCode(console(), hashOf("bob's"), analytics.Code{Kind: analytics.CodeInvitation, Person: bob, ExpiresAt: noon + day}); err != nil {
		t.Fatal(err)
	}
	race("bob's", func(int) analytics.Person { return analytics.Person{} })
	if n := number(t, owner, `SELECT count(*) FROM trail WHERE deed = 'changed' AND object = 'person bob'`); n != 1 {
		t.Errorf("the trail tells of %d uses", n)
	}
}

func TestCodesOfPeople(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	root := person(t, db, "root", analytics.RoleAdministrator)
	bob, err := db.AddPerson(console(), analytics.Person{Login: "bob", Role: analytics.RoleAuditor})
	if err != nil {
		t.Fatal(err)
	}
	code := func(secret string, kind analytics.CodeKind, p analytics.Person) error {
		return db.AddCode(as(root.Principal()), hashOf(secret), analytics.Code{Kind: kind, Person: p, ExpiresAt: noon + day})
	}
	if err := code("one", analytics.CodeInvitation, bob); err != nil {
		t.Fatal(err)
	}
	wantDeed(t, owner, "root invited person bob a one-time code, invitation")
	c, err := db.Code(nobody, hashOf("one"))
	if want := (analytics.Code{Kind: analytics.CodeInvitation, Person: bob, MadeBy: "root", CreatedAt: noon, ExpiresAt: noon + day}); err != nil || c != want {
		t.Errorf("%+v, %v", c, err)
	}
	if err := code("two", analytics.CodeInvitation, bob); err != nil {
		t.Fatal(err)
	}
	gone := func(name, secret string) {
		t.Helper()
		if _, err := db.Code(nobody, hashOf(secret)); !errors.Is(err, analytics.ErrNotFound) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := db.UseCode(nobody, hashOf(secret), analytics.Person{}, "new"); !errors.Is(err, analytics.ErrNotFound) {
			t.Errorf("use of %s: %v", name, err)
		}
	}
	gone("an earlier one", "one")
	gone("an unknown one", "three")
	for range 6 {
		begin(t, db, "bob")
	}
	got, err := db.UseCode(nobody, hashOf("two"), analytics.Person{Login: "eve", Role: analytics.RoleAdministrator}, "$hash")
	if err != nil || got.ID != bob.ID || got.Login != "bob" || got.Role != analytics.RoleAuditor || !got.HasPassword || got.WaitsUntil != nil {
		t.Errorf("%+v, %v", got, err)
	}
	wantDeed(t, owner, `bob changed person bob the password, by a one-time code (invitation) that "root" made`)
	if a := begin(t, db, "bob"); a.PasswordHash != "$hash" || a.WaitUntil != 0 {
		t.Errorf("%+v", a)
	}
	gone("a used one", "two")

	if err := code("three", analytics.CodeRecovery, bob); err != nil {
		t.Fatal(err)
	}
	at(db, noon+day)
	gone("one that is over", "three")
	at(db, noon)
	if err := db.SetPassword(nobody, bob.ID, "$other", 0); err != nil {
		t.Fatal(err)
	}
	gone("one from before the password", "three")
	if err := code("four", analytics.CodeRecovery, bob); err != nil {
		t.Fatal(err)
	}
	if err := db.DisablePerson(console(), bob.ID, true); err != nil {
		t.Fatal(err)
	}
	gone("a disabled person's", "four")
	for name, x := range map[string]struct {
		err, want error
	}{
		"for a disabled person":  {code("five", analytics.CodeRecovery, bob), analytics.ErrConflict},
		"for nobody":             {code("six", analytics.CodeRecovery, analytics.Person{ID: 99}), analytics.ErrNotFound},
		"a first one":            {code("seven", analytics.CodeFirst, root), analytics.ErrInvalid},
		"one that is over":       {db.AddCode(console(), hashOf("8"), analytics.Code{Kind: analytics.CodeRecovery, Person: root, ExpiresAt: noon}), analytics.ErrInvalid},
		"a first one that is so": {db.AddFirstCode(nobody, hashOf("9"), analytics.Code{ExpiresAt: noon}), analytics.ErrInvalid},
	} {
		if !errors.Is(x.err, x.want) {
			t.Errorf("%s: %v", name, x.err)
		}
	}
	if f := faults(t, owner); f != "" {
		t.Error(f)
	}
}
