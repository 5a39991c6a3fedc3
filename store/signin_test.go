package store_test

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"fadeledger/analytics"
	"fadeledger/store"
)

func begin(t testing.TB, db *store.DB, login string) store.SignInAttempt {
	t.Helper()
	a, err := db.BeginSignIn(nobody, login)
	if err != nil {
		t.Fatalf("%q: %v", login, err)
	}
	return a
}

func TestAttemptsAreComparedWithWhoIsKnown(t *testing.T) {
	t.Parallel()
	_, db := openWeb(t)
	ada := person(t, db, "Äda", analytics.RoleAdministrator)
	person(t, db, "root", analytics.RoleAdministrator)
	for _, login := range []string{"Äda", "äda", "ÄDA"} {
		if a := begin(t, db, login); a.Person != ada || a.PasswordHash != "hash of Äda" || a.WaitUntil != 0 {
			t.Errorf("%s: %+v", login, a)
		}
	}
	if err := db.DisablePerson(console(), ada.ID, true); err != nil {
		t.Fatal(err)
	}
	if a := begin(t, db, "äda"); a != (store.SignInAttempt{}) {
		t.Errorf("a disabled one: %+v", a)
	}
	for _, login := range []string{"", "nobody", "%", "_da", "\x00", "\xff", strings.Repeat("x", 1<<20)} {
		if a := begin(t, db, login); a != (store.SignInAttempt{}) {
			t.Errorf("%.20q: %+v", login, a)
		}
	}
}

func TestALongLoginIsNobodys(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	longest := strings.Repeat("y", 128)
	p := person(t, db, longest, analytics.RoleAdministrator)
	if a := begin(t, db, longest); a.Person.ID != p.ID {
		t.Errorf("%+v", a)
	}
	if a := begin(t, db, strings.Repeat("ä", 5000)); a.Person.ID != 0 {
		t.Errorf("%+v", a)
	}
	// What begins as a login of the greatest length is not that login.
	sql(t, owner, `UPDATE person SET login = repeat('y', 200)`)
	if a := begin(t, db, strings.Repeat("y", 201)); a.Person.ID != 0 {
		t.Errorf("%+v", a)
	}
	if n := number(t, owner, `SELECT max(octet_length(login_key)) FROM sign_in`); n > 210 {
		t.Errorf("a row of %d bytes", n)
	}
}

// TestWaitsGrow holds for known and unknown logins alike.
func TestWaitsGrow(t *testing.T) {
	t.Parallel()
	_, db := openWeb(t)
	person(t, db, "known", analytics.RoleAdministrator)
	for _, login := range []string{"known", "unknown"} {
		now := noon
		at(db, now)
		for i := range 5 {
			if a := begin(t, db, login); a.WaitUntil != 0 {
				t.Fatalf("%s: attempt %d waits", login, i+1)
			}
		}
		for _, seconds := range []analytics.Instant{30, 60, 120, 240, 480, 900, 900, 900} {
			until := now + seconds*1000
			for _, try := range []analytics.Instant{now, now + 1, until - 1} {
				at(db, try)
				if a := begin(t, db, login); a.WaitUntil != until || a.Person.ID != 0 || a.PasswordHash != "" {
					t.Fatalf("%s: waits until %d, want %d: %+v", login, a.WaitUntil-now, until-now, a)
				}
			}
			now = until
			at(db, now)
			if a := begin(t, db, login); a.WaitUntil != 0 {
				t.Fatalf("%s: waits for longer than %d s", login, seconds)
			}
		}
		// Forgotten an hour after the last one.
		now += 3_600_000
		at(db, now)
		for i := range 5 {
			if a := begin(t, db, login); a.WaitUntil != 0 {
				t.Fatalf("%s: attempt %d after an hour waits", login, i+1)
			}
		}
		if a := begin(t, db, login); a.WaitUntil != now+30_000 {
			t.Errorf("%s: %+v", login, a)
		}
	}
}

func TestASuccessBeginsAnew(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	ada := person(t, db, "ada", analytics.RoleAdministrator)
	for range 5 {
		begin(t, db, "ADA")
	}
	p, err := db.Person(console(), ada.ID)
	if err != nil || p.WaitsUntil == nil || *p.WaitsUntil != noon+30_000 {
		t.Errorf("waits until %v, %v", p.WaitsUntil, err)
	}
	if err := db.EndSignIn(nobody, ada.ID); err != nil {
		t.Fatal(err)
	}
	p, err = db.SignedIn(nobody, ada.ID)
	if err != nil || p.WaitsUntil != nil || p.LastSignIn == nil || *p.LastSignIn != noon {
		t.Errorf("%+v, %v", p, err)
	}
	if n := number(t, owner, `SELECT count(*) FROM sign_in`); n != 0 {
		t.Errorf("%d rows are left", n)
	}
	if a := begin(t, db, "ada"); a.WaitUntil != 0 || a.Person.ID != ada.ID {
		t.Errorf("%+v", a)
	}
	person(t, db, "bob", analytics.RoleAdministrator)
	if err := db.DisablePerson(console(), ada.ID, true); err != nil {
		t.Fatal(err)
	}
	for _, id := range []int64{ada.ID, 99} {
		if err := db.EndSignIn(nobody, id); !errors.Is(err, analytics.ErrNotFound) {
			t.Errorf("end of %d: %v", id, err)
		}
		if _, err := db.SignedIn(nobody, id); !errors.Is(err, analytics.ErrNotFound) {
			t.Errorf("signed in as %d: %v", id, err)
		}
	}
}

// TestManyAtOnceGetNoMoreCompares: 50 that come at once get five compares, as
// they would in a row.
func TestManyAtOnceGetNoMoreCompares(t *testing.T) {
	t.Parallel()
	_, db := openWeb(t)
	person(t, db, "known", analytics.RoleAdministrator)
	for _, login := range []string{"known", "unknown"} {
		var compares atomic.Int64
		var wg sync.WaitGroup
		start := make(chan struct{})
		for range 50 {
			wg.Go(func() {
				<-start
				a, err := db.BeginSignIn(nobody, login)
				if err != nil {
					t.Error(err)
				}
				if a.WaitUntil == 0 {
					compares.Add(1)
				} else if a.WaitUntil != noon+30_000 {
					t.Errorf("waits until %d", a.WaitUntil-noon)
				}
			})
		}
		close(start)
		wg.Wait()
		if n := compares.Load(); n != 5 {
			t.Errorf("%s: %d compares", login, n)
		}
	}
}

func TestOldAttemptsAreSwept(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	for i := range 40 {
		begin(t, db, fmt.Sprint("guess ", i))
	}
	at(db, noon+3_600_000)
	for i, want := range []int64{31, 22, 13, 4, 5} {
		begin(t, db, fmt.Sprint("new ", i))
		if n := number(t, owner, `SELECT count(*) FROM sign_in`); n != want {
			t.Errorf("after %d new ones: %d rows, want %d", i+1, n, want)
		}
	}
	if n := number(t, owner, `SELECT count(*) FROM sign_in WHERE login_key LIKE 'guess%'`); n != 0 {
		t.Errorf("%d old rows are left", n)
	}
}

func TestPasswords(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	p, err := db.AddPerson(console(), analytics.Person{Login: "ada", Role: analytics.RoleAuditor})
	if err != nil {
		t.Fatal(err)
	}
	if h, err := db.PasswordHash(nobody, p.ID); err != nil || h != "" {
		t.Errorf("%q, %v", h, err)
	}
	if err := db.SetPassword(as(p.Principal()), p.ID, "$hash", 0); err != nil {
		t.Fatal(err)
	}
	wantDeed(t, owner, "ada changed person ada the password")
	if h, err := db.PasswordHash(nobody, p.ID); err != nil || h != "$hash" {
		t.Errorf("%q, %v", h, err)
	}
	if err := db.SetPassword(nobody, p.ID, "", 0); !errors.Is(err, analytics.ErrInvalid) {
		t.Errorf("no password: %v", err)
	}
	if _, err := db.PasswordHash(nobody, 99); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("of nobody: %v", err)
	}
	if err := db.DisablePerson(console(), p.ID, true); err != nil {
		t.Fatal(err)
	}
	for _, id := range []int64{p.ID, 99} {
		if err := db.SetPassword(nobody, id, "$other", 0); !errors.Is(err, analytics.ErrNotFound) {
			t.Errorf("of %d: %v", id, err)
		}
	}
	if n := number(t, owner, `SELECT count(*) FROM trail WHERE position('hash' in body) > 0`); n != 0 {
		t.Error("the trail tells of hashes")
	}
}

func TestIdentities(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	ada, err := db.AddPerson(console(), analytics.Person{Login: "ada", Email: "Ada@example.org", Role: analytics.RoleAuditor})
	if err != nil {
		t.Fatal(err)
	}
	person(t, db, "without email or identity", analytics.RoleAuditor)
	const issuer = "https://id.example.org"
	none := func(name, issuer, subject, email string) {
		t.Helper()
		if p, err := db.PersonByIdentity(nobody, issuer, subject, email); !errors.Is(err, analytics.ErrNotFound) {
			t.Errorf("%s: %+v, %v", name, p, err)
		}
	}
	none("not linked, no email", issuer, "s-1", "")
	none("another email", issuer, "s-1", "eve@example.org")
	none("no subject", issuer, "", "ada@example.org")
	none("no issuer", "", "s-1", "ada@example.org")
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			if p, err := db.PersonByIdentity(nobody, issuer, "s-1", "ada@EXAMPLE.org"); err != nil || p.ID != ada.ID || !p.HasIdentity {
				t.Errorf("link: %+v, %v", p, err)
			}
		})
	}
	wg.Wait()
	wantDeed(t, owner, `ada changed person ada signs in by the identity that https://id.example.org gives for the email "Ada@example.org"`)
	if p, err := db.PersonByIdentity(nobody, issuer, "s-1", ""); err != nil || p.ID != ada.ID {
		t.Errorf("linked: %+v, %v", p, err)
	}
	none("a second identity of the email", issuer, "s-2", "ada@example.org")
	none("the subject of another issuer", "https://other.example.org", "s-1", "")
	if err := db.DisablePerson(console(), ada.ID, true); err != nil {
		t.Fatal(err)
	}
	none("disabled", issuer, "s-1", "ada@example.org")
	// The identity of a disabled person is not given to another.
	if _, err := db.AddPerson(console(), analytics.Person{Login: "bob", Email: "bob@example.org", Role: analytics.RoleAuditor}); err != nil {
		t.Fatal(err)
	}
	none("disabled, with another's email", issuer, "s-1", "bob@example.org")
}
