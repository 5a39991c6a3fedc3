package store_test

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"

	"fadeledger/analytics"
	"fadeledger/store"
	"fadeledger/store/storetest"
)

// The ports that package web and its children ask by, copied: store does not
// import them.
var _ interface {
	People(ctx context.Context) ([]analytics.Person, error)
	Person(ctx context.Context, id int64) (analytics.Person, error)
	AddPerson(ctx context.Context, p analytics.Person) (analytics.Person, error)
	ChangePerson(ctx context.Context, p analytics.Person) error
	DisablePerson(ctx context.Context, id int64, disable bool) error
	AddCode(ctx context.Context, hash [32]byte, c analytics.Code) error
	Sessions(ctx context.Context, person int64) ([]analytics.Session, error)
	EndSessions(ctx context.Context, person, id, keep int64) error
	Organisations(ctx context.Context) ([]string, error)
	Tokens(ctx context.Context) ([]analytics.Token, error)
	AddToken(ctx context.Context, hash [32]byte, t analytics.Token) (analytics.Token, error)
	RevokeToken(ctx context.Context, id int64) error

	Record(ctx context.Context, deed analytics.Deed, object, detail string) error
	Trail(ctx context.Context, f analytics.TrailFilter) ([]analytics.TrailEntry, error)
	TrailEntries(ctx context.Context, from int64, yield func(analytics.TrailEntry) error) error
	CheckTrail(ctx context.Context, heads []analytics.TrailHead) (analytics.TrailCheck, error)

	BeginSignIn(ctx context.Context, login string) (store.SignInAttempt, error)
	EndSignIn(ctx context.Context, person int64) error
	SignedIn(ctx context.Context, person int64) (analytics.Person, error)
	PersonByIdentity(ctx context.Context, issuer, subject, email string) (analytics.Person, error)
	PasswordHash(ctx context.Context, person int64) (string, error)
	SetPassword(ctx context.Context, person int64, hash string, keep int64) error
	AnyAdministrator(ctx context.Context) (bool, error)
	AddFirstCode(ctx context.Context, hash [32]byte, c analytics.Code) error
	Code(ctx context.Context, hash [32]byte) (analytics.Code, error)
	UseCode(ctx context.Context, hash [32]byte, first analytics.Person, password string) (analytics.Person, error)
	SaveSession(ctx context.Context, hash [32]byte, s analytics.Session, data []byte) error
	FindSession(ctx context.Context, hash [32]byte) (id int64, data []byte, err error)
	DropSession(ctx context.Context, hash [32]byte) error
	TokenByHash(ctx context.Context, hash [32]byte) (analytics.Token, error)
} = (*store.DB)(nil)

// nobody asks for what signing in needs.
var nobody = context.Background()

// openWeb opens a fresh database twice: as its owner and as the web does. Both
// clocks stand at noon.
func openWeb(t testing.TB) (owner, web *store.DB) {
	t.Helper()
	url := storetest.Database(t)
	for _, x := range []struct {
		db **store.DB
		as store.As
	}{{&owner, store.AsConnected}, {&web, store.ForWeb}} {
		db, err := store.OpenAs(context.Background(), url, slog.New(slog.DiscardHandler), x.as)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(db.Close)
		at(db, noon)
		*x.db = db
	}
	return owner, web
}

func hashOf(secret string) [32]byte { return sha256.Sum256([]byte(secret)) }

// console is the principal that may do everything.
func console() context.Context { return as(analytics.Service("console")) }

// person adds somebody with a password.
func person(t testing.TB, db *store.DB, login string, role analytics.Role) analytics.Person {
	t.Helper()
	p := analytics.Person{Login: login, Name: "The " + login, Role: role}
	if role == analytics.RoleInstaller {
		p.Organisation = "Installer of " + login
	}
	p, err := db.AddPerson(console(), p)
	if err == nil {
		err = db.SetPassword(nobody, p.ID, "hash of "+login, 0)
	}
	if err == nil {
		p, err = db.Person(console(), p.ID)
	}
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// session keeps a session of a person and gives its id.
func session(t testing.TB, db *store.DB, token string, person int64) int64 {
	t.Helper()
	if err := db.SaveSession(nobody, hashOf(token), analytics.Session{Person: person, ExpiresAt: noon + day, Agent: token}, []byte(token)); err != nil {
		t.Fatal(err)
	}
	id, data, err := db.FindSession(nobody, hashOf(token))
	if err != nil || string(data) != token {
		t.Fatalf("session %s: %q, %v", token, data, err)
	}
	return id
}

// live lists which of the tokens still find a session.
func live(t testing.TB, db *store.DB, tokens ...string) string {
	t.Helper()
	var found []string
	for _, token := range tokens {
		if _, data, err := db.FindSession(nobody, hashOf(token)); err != nil {
			t.Fatal(err)
		} else if data != nil {
			found = append(found, token)
		}
	}
	return strings.Join(found, " ")
}

// lastDeed gives the newest entry of the trail in short.
func lastDeed(t testing.TB, owner *store.DB) string {
	t.Helper()
	list, err := owner.Trail(nobody, analytics.TrailFilter{Limit: 1})
	if err != nil || len(list) == 0 {
		t.Fatalf("%d entries, %v", len(list), err)
	}
	return strings.TrimSpace(fmt.Sprintf("%s %s %s %s", list[0].Who, list[0].Deed, list[0].Object, list[0].Detail))
}

func wantDeed(t testing.TB, owner *store.DB, want string) {
	t.Helper()
	if got := lastDeed(t, owner); got != want {
		t.Errorf("the trail says %q, want %q", got, want)
	}
}

func TestPeopleAreAddedAndChanged(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	ada, err := db.AddPerson(console(), analytics.Person{Login: "Ada", Name: "Ada L", Email: "ada@example.org", Role: analytics.RoleAdministrator})
	if err != nil {
		t.Fatal(err)
	}
	want := analytics.Person{ID: ada.ID, Login: "Ada", Name: "Ada L", Email: "ada@example.org", Role: analytics.RoleAdministrator, CreatedAt: noon}
	if ada != want || ada.ID == 0 {
		t.Errorf("added %+v, want %+v", ada, want)
	}
	wantDeed(t, owner, `console registered person Ada name "Ada L", role administrator, email "ada@example.org"`)
	for _, c := range []struct {
		name string
		p    analytics.Person
		want error
	}{
		{"a login that differs by case", analytics.Person{Login: "aDA", Role: analytics.RoleAuditor}, analytics.ErrConflict},
		{"an email that differs by case", analytics.Person{Login: "bob", Email: "Ada@Example.org", Role: analytics.RoleAuditor}, analytics.ErrConflict},
		{"no login", analytics.Person{Role: analytics.RoleAuditor}, analytics.ErrInvalid},
		{"a login with blanks", analytics.Person{Login: " bob", Role: analytics.RoleAuditor}, analytics.ErrInvalid},
		{"a login of several lines", analytics.Person{Login: "b\nob", Role: analytics.RoleAuditor}, analytics.ErrInvalid},
		{"a login that turns the text", analytics.Person{Login: "b\u202eob", Role: analytics.RoleAuditor}, analytics.ErrInvalid},
		{"a login that is no text", analytics.Person{Login: "b\xff", Role: analytics.RoleAuditor}, analytics.ErrInvalid},
		{"a long login", analytics.Person{Login: strings.Repeat("b", 201), Role: analytics.RoleAuditor}, analytics.ErrInvalid},
		{"a long name", analytics.Person{Login: "bob", Name: strings.Repeat("b", 201), Role: analytics.RoleAuditor}, analytics.ErrInvalid},
		{"no role", analytics.Person{Login: "bob"}, analytics.ErrInvalid},
		{"another role", analytics.Person{Login: "bob", Role: "owner"}, analytics.ErrInvalid},
		{"an installer of nobody", analytics.Person{Login: "bob", Role: analytics.RoleInstaller}, analytics.ErrInvalid},
		{"an auditor of an organisation", analytics.Person{Login: "bob", Role: analytics.RoleAuditor, Organisation: "A"}, analytics.ErrInvalid},
	} {
		if _, err := db.AddPerson(console(), c.p); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	bob, err := db.AddPerson(console(), analytics.Person{Login: "bob", Role: analytics.RoleAuditor})
	if err != nil {
		t.Fatal(err)
	}
	list, err := db.People(console())
	if err != nil || len(list) != 2 || list[0] != ada || list[1] != bob {
		t.Errorf("%+v, %v", list, err)
	}
	if _, err := db.Person(console(), 99); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("nobody: %v", err)
	}

	bob.Name, bob.Role, bob.Organisation = "Bob", analytics.RoleInstaller, "Sunroof"
	if err := db.ChangePerson(as(ada.Principal()), bob); err != nil {
		t.Fatal(err)
	}
	wantDeed(t, owner, `Ada changed person bob name from "" to "Bob", role from "auditor" to "installer", organisation from "" to "Sunroof"`)
	if got, err := db.Person(console(), bob.ID); err != nil || got != bob {
		t.Errorf("changed to %+v, %v", got, err)
	}
	bob.Email = "ADA@example.org"
	if err := db.ChangePerson(console(), bob); !errors.Is(err, analytics.ErrConflict) {
		t.Errorf("a taken email: %v", err)
	}
	bob.Email, bob.Organisation = "", ""
	if err := db.ChangePerson(console(), bob); !errors.Is(err, analytics.ErrInvalid) {
		t.Errorf("an installer without an organisation: %v", err)
	}
	if err := db.ChangePerson(console(), analytics.Person{ID: 99, Role: analytics.RoleAuditor}); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("change nobody: %v", err)
	}
	if f := faults(t, owner); f != "" {
		t.Error(f)
	}
}

func TestOnlyAdministratorsManagePeople(t *testing.T) {
	t.Parallel()
	_, db := openWeb(t)
	ada := person(t, db, "ada", analytics.RoleAdministrator)
	contexts := map[string]context.Context{"nobody": nobody}
	for _, role := range []analytics.Role{analytics.RoleServiceManager, analytics.RoleInstaller, analytics.RoleOperations, analytics.RoleAuditor} {
		p := person(t, db, string(role), role)
		contexts[string(role)] = as(p.Principal())
	}
	contexts["a token that reads"] = as(analytics.Principal{Kind: analytics.KindToken, Granted: []analytics.Right{analytics.RightSeeUnits}})
	for name, ctx := range contexts {
		calls := map[string]error{}
		if name != "nobody" { // the door reads people and writes some
			_, calls["People"] = db.People(ctx)
			_, calls["Person"] = db.Person(ctx, ada.ID)
			_, calls["Sessions"] = db.Sessions(ctx, ada.ID)
			_, calls["Tokens"] = db.Tokens(ctx)
			calls["EndSessions"] = db.EndSessions(ctx, ada.ID, 0, 0)
			calls["AddCode"] = db.AddCode(ctx, hashOf("c"), analytics.Code{Kind: analytics.CodeRecovery, Person: ada, ExpiresAt: noon + day})
			_, calls["AddPerson"] = db.AddPerson(ctx, analytics.Person{Login: "eve " + name, Role: analytics.RoleAdministrator})
			_, calls["AddToken"] = db.AddToken(ctx, hashOf("t"+name), analytics.Token{Name: "t", Rights: analytics.Rights, ExpiresAt: noon + day})
			calls["RevokeToken"] = db.RevokeToken(ctx, 1)
			calls["ChangePerson"] = db.ChangePerson(ctx, ada)
			calls["DisablePerson"] = db.DisablePerson(ctx, ada.ID, true)
		}
		// A token that reads has the auditors' role of Postgres; that its rights
		// leave the trail out is for whoever asks on its behalf.
		if name != "auditor" && name != "a token that reads" {
			_, calls["Trail"] = db.Trail(ctx, analytics.TrailFilter{})
			_, calls["CheckTrail"] = db.CheckTrail(ctx, nil)
			calls["TrailEntries"] = db.TrailEntries(ctx, 1, func(analytics.TrailEntry) error { return nil })
		}
		for call, err := range calls {
			if !errors.Is(err, analytics.ErrDenied) {
				t.Errorf("%s by %s: %v", call, name, err)
			}
		}
	}
}

func TestEverybodySeesAndEndsTheirOwnSessions(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	ada, bob := person(t, db, "ada", analytics.RoleInstaller), person(t, db, "bob", analytics.RoleAuditor)
	kept := session(t, db, "a1", ada.ID)
	session(t, db, "a2", ada.ID)
	third := session(t, db, "a3", ada.ID)
	bobs := session(t, db, "b1", bob.ID)
	mine := as(ada.Principal())
	if p, err := db.Person(mine, ada.ID); err != nil || p.Login != "ada" {
		t.Errorf("%+v, %v", p, err)
	}
	list, err := db.Sessions(mine, ada.ID)
	if err != nil || len(list) != 3 || list[0].ID != third || list[0].Agent != "a3" || list[0].Person != ada.ID || list[0].StartedAt != noon || list[0].ExpiresAt != noon+day {
		t.Errorf("%+v, %v", list, err)
	}
	// Another's by number is not one's own.
	if err := db.EndSessions(mine, ada.ID, bobs, 0); err != nil {
		t.Fatal(err)
	}
	if err := db.EndSessions(mine, bob.ID, bobs, 0); !errors.Is(err, analytics.ErrDenied) {
		t.Errorf("another's: %v", err)
	}
	if err := db.EndSessions(mine, ada.ID, third, 0); err != nil {
		t.Fatal(err)
	}
	if got := live(t, db, "a1", "a2", "a3", "b1"); got != "a1 a2 b1" {
		t.Errorf("left are %s", got)
	}
	if err := db.EndSessions(mine, ada.ID, 0, kept); err != nil {
		t.Fatal(err)
	}
	wantDeed(t, owner, "ada changed person ada ended 1 sessions")
	if got := live(t, db, "a1", "a2", "b1"); got != "a1 b1" {
		t.Errorf("left are %s", got)
	}
	if err := db.EndSessions(console(), bob.ID, 0, 0); err != nil || live(t, db, "a1", "b1") != "a1" {
		t.Errorf("ended by the console: %s, %v", live(t, db, "a1", "b1"), err)
	}
}

func TestWhatEndsSessions(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	person(t, db, "root", analytics.RoleAdministrator)
	for _, c := range []struct {
		name string
		do   func(p analytics.Person, kept int64) error
		left string
	}{
		{"another name", func(p analytics.Person, _ int64) error { p.Name = "B"; return db.ChangePerson(console(), p) }, "1 2"},
		{"another organisation", func(p analytics.Person, _ int64) error {
			p.Organisation = "B"
			return db.ChangePerson(console(), p)
		}, ""},
		{"another role", func(p analytics.Person, _ int64) error {
			p.Organisation, p.Role = "", analytics.RoleAuditor
			return db.ChangePerson(console(), p)
		}, ""},
		{"disabled", func(p analytics.Person, _ int64) error { return db.DisablePerson(console(), p.ID, true) }, ""},
		{"disabled and let in again", func(p analytics.Person, _ int64) error {
			return errors.Join(db.DisablePerson(console(), p.ID, true), db.DisablePerson(console(), p.ID, false))
		}, ""},
		{"let in that was", func(p analytics.Person, _ int64) error { return db.DisablePerson(console(), p.ID, false) }, "1 2"},
		{"a password that keeps one", func(p analytics.Person, kept int64) error {
			return db.SetPassword(as(p.Principal()), p.ID, "new", kept)
		}, "1"},
		{"a password", func(p analytics.Person, _ int64) error { return db.SetPassword(nobody, p.ID, "new", 0) }, ""},
		{"a code", func(p analytics.Person, _ int64) error {
			err := db.AddCode(console(), hashOf("code of "+p.Login), analytics.Code{Kind: analytics.CodeRecovery, Person: p, ExpiresAt: noon + 1})
			if err == nil {
				_, err = db.UseCode(nobody, hashOf("code of "+p.Login), analytics.Person{}, "new")
			}
			return err
		}, ""},
	} {
		p := person(t, db, c.name, analytics.RoleInstaller)
		other := session(t, db, c.name+"-o", person(t, db, "other "+c.name, analytics.RoleAuditor).ID)
		kept := session(t, db, c.name+"-1", p.ID)
		session(t, db, c.name+"-2", p.ID)
		if err := c.do(p, kept); err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		got := strings.ReplaceAll(live(t, db, c.name+"-1", c.name+"-2", c.name+"-o"), c.name+"-", "")
		if got != strings.TrimSpace(c.left+" o") {
			t.Errorf("%s: left are %q, want %q and another's (%d)", c.name, got, c.left, other)
		}
	}
	// A session that was not ended is of no use either while its person is out.
	p := person(t, db, "late", analytics.RoleAuditor)
	if err := db.DisablePerson(console(), p.ID, true); err != nil {
		t.Fatal(err)
	}
	wantDeed(t, owner, "console disabled person late")
	if err := db.SaveSession(nobody, hashOf("late"), analytics.Session{Person: p.ID, ExpiresAt: noon + day}, []byte("x")); err != nil {
		t.Fatal(err)
	}
	if live(t, db, "late") != "" {
		t.Error("a disabled person's session is found")
	}
}

func TestAnAdministratorIsAlwaysLeft(t *testing.T) {
	t.Parallel()
	_, db := openWeb(t)
	ada := person(t, db, "ada", analytics.RoleAdministrator)
	demote := func(p analytics.Person) error {
		p.Role = analytics.RoleAuditor
		return db.ChangePerson(console(), p)
	}
	disable := func(p analytics.Person) error { return db.DisablePerson(console(), p.ID, true) }
	refused := func(name string, err error) {
		t.Helper()
		if !errors.Is(err, analytics.ErrConflict) {
			t.Errorf("%s: %v", name, err)
		}
	}
	refused("demote the only one", demote(ada))
	refused("disable the only one", disable(ada))
	invited, err := db.AddPerson(console(), analytics.Person{Login: "invited", Role: analytics.RoleAdministrator})
	if err != nil {
		t.Fatal(err)
	}
	refused("leave one who cannot sign in yet", disable(ada))
	if err := disable(invited); err != nil {
		t.Fatal(err)
	}
	refused("leave one who is disabled", demote(ada))
	bob := person(t, db, "bob", analytics.RoleAdministrator)
	if err := demote(ada); err != nil {
		t.Errorf("leave another: %v", err)
	}
	refused("disable the other", disable(bob))
}

func TestTwoAtOnceDoNotRemoveTheLastAdministrators(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	for round := range 10 {
		a := person(t, db, fmt.Sprint("a", round), analytics.RoleAdministrator)
		b := person(t, db, fmt.Sprint("b", round), analytics.RoleAdministrator)
		// Those of the rounds before are out.
		sql(t, owner, `UPDATE person SET disabled_at = 1 WHERE person_id < $1`, a.ID)
		var wg sync.WaitGroup
		for i := range 8 {
			p := []analytics.Person{a, b}[i%2]
			wg.Go(func() {
				var err error
				if i < 4 {
					err = db.DisablePerson(as(a.Principal()), p.ID, true)
				} else {
					p.Role = analytics.RoleOperations
					err = db.ChangePerson(as(b.Principal()), p)
				}
				if err != nil && !errors.Is(err, analytics.ErrConflict) {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		if n := number(t, owner, `SELECT count(*) FROM person WHERE role = 'administrator' AND disabled_at IS NULL`); n != 1 {
			t.Fatalf("%d administrators are left", n)
		}
	}
}

func TestOrganisationsAreThoseOfSites(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	if _, err := owner.Register(nobody, store.Registration{Sites: []analytics.Site{
		{Name: "s-1", Installer: "Zenith"}, {Name: "s-2", Installer: "Apex"}, {Name: "s-3"}, {Name: "s-4", Installer: "Apex"}}}); err != nil {
		t.Fatal(err)
	}
	list, err := db.Organisations(console())
	if err != nil || strings.Join(list, ",") != "Apex,Zenith" {
		t.Errorf("%q, %v", list, err)
	}
}
