package store_test

import (
	"errors"
	"reflect"
	"strings"
	"testing"

	"fadeledger/analytics"
)

func TestTokens(t *testing.T) {
	t.Parallel()
	owner, db := openWeb(t)
	root := person(t, db, "root", analytics.RoleAdministrator)
	made, err := db.AddToken(as(root.Principal()), hashOf("t"), analytics.Token{
		Name: "gateway", Rights: []analytics.Right{analytics.RightDeliver, analytics.RightSeeUnits, analytics.RightDeliver},
		Organisation: "Sunroof", Collector: "c-1", ExpiresAt: noon + 10*day,
	})
	want := analytics.Token{ID: made.ID, Name: "gateway", Rights: []analytics.Right{analytics.RightSeeUnits, analytics.RightDeliver},
		Organisation: "Sunroof", Collector: "c-1", MadeBy: "root", CreatedAt: noon, ExpiresAt: noon + 10*day}
	if err != nil || made.ID == 0 || !reflect.DeepEqual(made, want) {
		t.Fatalf("%+v, %v, want %+v", made, err, want)
	}
	wantDeed(t, owner, `root registered token gateway rights see-units, deliver; organisation "Sunroof"; collector "c-1"; until 2026-05-22T12:00:00.000Z`)
	used := func(when, noted analytics.Instant) {
		t.Helper()
		at(db, when)
		got, err := db.TokenByHash(nobody, hashOf("t"))
		if err != nil || got.ID != made.ID || got.LastUsedAt == nil || *got.LastUsedAt != noted {
			t.Errorf("%+v, %v", got, err)
		}
		if n := number(t, owner, `SELECT last_used_at FROM token`); analytics.Instant(n) != noted {
			t.Errorf("noted at %d, want %d", analytics.Instant(n)-noon, noted-noon)
		}
	}
	used(noon, noon)
	used(noon+59_999, noon)
	used(noon+60_000, noon+60_000)
	list, err := db.Tokens(console())
	if err != nil || len(list) != 1 || list[0].LastUsedAt == nil {
		t.Errorf("%+v, %v", list, err)
	}
	gone := func(name, secret string) {
		t.Helper()
		if _, err := db.TokenByHash(nobody, hashOf(secret)); !errors.Is(err, analytics.ErrNotFound) {
			t.Errorf("%s: %v", name, err)
		}
	}
	gone("unknown", "u")
	at(db, noon+10*day)
	gone("over", "t")
	if err := db.RevokeToken(console(), made.ID); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("revoke one that is over: %v", err)
	}
	at(db, noon)
	if err := db.RevokeToken(console(), made.ID); err != nil {
		t.Fatal(err)
	}
	wantDeed(t, owner, "console revoked token gateway")
	gone("revoked", "t")
	for _, id := range []int64{made.ID, 99} {
		if err := db.RevokeToken(console(), id); !errors.Is(err, analytics.ErrNotFound) {
			t.Errorf("revoke %d: %v", id, err)
		}
	}
}

func TestTokensThatCannotBe(t *testing.T) {
	t.Parallel()
	_, db := openWeb(t)
	for name, t1 := range map[string]analytics.Token{
		"no name":         {Rights: analytics.Rights, ExpiresAt: noon + 1},
		"a long name":     {Name: strings.Repeat("x", 201), Rights: analytics.Rights, ExpiresAt: noon + 1},
		"no text":         {Name: "x", Collector: "\x00", Rights: analytics.Rights, ExpiresAt: noon + 1},
		"no right":        {Name: "x", ExpiresAt: noon + 1},
		"another right":   {Name: "x", Rights: []analytics.Right{"everything"}, ExpiresAt: noon + 1},
		"no end":          {Name: "x", Rights: analytics.Rights},
		"over before now": {Name: "x", Rights: analytics.Rights, ExpiresAt: noon},
	} {
		if _, err := db.AddToken(console(), hashOf("t"), t1); !errors.Is(err, analytics.ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
	ok := analytics.Token{Name: "x", Rights: analytics.Rights, ExpiresAt: noon + 1}
	if _, err := db.AddToken(console(), hashOf("t"), ok); err != nil {
		t.Fatal(err)
	}
	if _, err := db.AddToken(console(), hashOf("t"), ok); !errors.Is(err, analytics.ErrConflict) {
		t.Errorf("the same secret: %v", err)
	}
}
