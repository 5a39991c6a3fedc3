package store_test

import (
	"errors"
	"fmt"
	"testing"

	"fadeledger/analytics"
)

func TestSessions(t *testing.T) {
	t.Parallel()
	_, db := openWeb(t)
	ada := person(t, db, "ada", analytics.RoleAuditor)
	if id, data, err := db.FindSession(nobody, hashOf("none")); id != 0 || data != nil || err != nil {
		t.Errorf("none: %d, %q, %v", id, data, err)
	}
	// Before somebody signs in a session is nobody's; it becomes a person's.
	s := analytics.Session{StartedAt: noon - 5, SeenAt: noon - 5, ExpiresAt: noon + 100, Address: "192.0.2.1", Agent: "browser"}
	if err := db.SaveSession(nobody, hashOf("s"), s, []byte("one")); err != nil {
		t.Fatal(err)
	}
	id, data, err := db.FindSession(nobody, hashOf("s"))
	if err != nil || id == 0 || string(data) != "one" {
		t.Fatalf("%d, %q, %v", id, data, err)
	}
	s.ID, s.Person, s.SeenAt, s.ExpiresAt = id, ada.ID, noon, noon+200
	if err := db.SaveSession(nobody, hashOf("s"), s, []byte("two")); err != nil {
		t.Fatal(err)
	}
	if again, data, err := db.FindSession(nobody, hashOf("s")); err != nil || again != id || string(data) != "two" {
		t.Errorf("%d, %q, %v", again, data, err)
	}
	list, err := db.Sessions(console(), ada.ID)
	if err != nil || len(list) != 1 || list[0] != s {
		t.Errorf("%+v, %v, want %+v", list, err, s)
	}
	at(db, noon+199)
	if live(t, db, "s") == "" {
		t.Error("it ended early")
	}
	at(db, noon+200)
	if live(t, db, "s") != "" {
		t.Error("it is found when it is over")
	}
	if list, err := db.Sessions(console(), ada.ID); err != nil || len(list) != 0 {
		t.Errorf("listed when it is over: %+v, %v", list, err)
	}
	at(db, noon)
	if err := db.DropSession(nobody, hashOf("s")); err != nil || live(t, db, "s") != "" {
		t.Errorf("dropped: %v", err)
	}
	if err := db.DropSession(nobody, hashOf("s")); err != nil {
		t.Errorf("dropped twice: %v", err)
	}
}

func TestAnEndedSessionIsNotBroughtBack(t *testing.T) {
	t.Parallel()
	_, db := openWeb(t)
	ada := person(t, db, "ada", analytics.RoleAuditor)
	s := analytics.Session{ID: session(t, db, "s", ada.ID), Person: ada.ID, ExpiresAt: noon + day}
	if err := db.SetPassword(nobody, ada.ID, "new", 0); err != nil {
		t.Fatal(err)
	}
	// A request that had found it keeps it at its end.
	if err := db.SaveSession(nobody, hashOf("s"), s, []byte("x")); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("kept: %v", err)
	}
	if live(t, db, "s") != "" {
		t.Error("it is back")
	}
}

func TestSessionsThatAreOverAreSwept(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	for i := range 25 {
		if err := db.SaveSession(nobody, hashOf(fmt.Sprint(i)), analytics.Session{ExpiresAt: noon + 1}, []byte("x")); err != nil {
			t.Fatal(err)
		}
	}
	at(db, noon+1)
	for i, want := range []int64{16, 7, 3, 4} {
		if err := db.SaveSession(nobody, hashOf(fmt.Sprint("new", i)), analytics.Session{ExpiresAt: noon + day}, []byte("x")); err != nil {
			t.Fatal(err)
		}
		if n := number(t, owner, `SELECT count(*) FROM session`); n != want {
			t.Errorf("%d rows, want %d", n, want)
		}
	}
}
