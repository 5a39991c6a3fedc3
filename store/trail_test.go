package store_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"unicode/utf8"

	"github.com/gowebpki/jcs"
	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store"
)

// as gives a context in which a principal asks.
func as(p analytics.Principal) context.Context {
	return analytics.WithPrincipal(context.Background(), p)
}

// sql runs statements as whoever the database was opened for.
func sql(t testing.TB, db *store.DB, statement string, args ...any) {
	t.Helper()
	if _, err := db.Pool().Exec(context.Background(), statement, args...); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
}

func record(t testing.TB, db *store.DB, ctx context.Context, deed analytics.Deed, object, detail string) {
	t.Helper()
	if err := db.Record(ctx, deed, object, detail); err != nil {
		t.Fatal(err)
	}
}

// faults checks the trail and gives what is wrong with it in one text.
func faults(t testing.TB, db *store.DB, heads ...analytics.TrailHead) string {
	t.Helper()
	c, err := db.CheckTrail(context.Background(), heads)
	if err != nil {
		t.Fatal(err)
	}
	return strings.Join(c.Faults, "; ")
}

func TestTrailTellsWhoDidWhat(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon+7)
	ada := analytics.Principal{Kind: analytics.KindPerson, ID: 7, Name: "ada", Role: analytics.RoleInstaller,
		Organisation: "Sunroof & Sons", Address: "192.0.2.7"}
	record(t, db, as(ada), analytics.DeedSaw, "unit KL-0042", `a "number":0, of <things>`)
	record(t, db, as(analytics.Principal{Name: "somebody", Address: "192.0.2.8"}), analytics.DeedRefused, "sign-in", "")
	record(t, db, as(analytics.Service("console")), analytics.DeedSet, "collector c-1", "")

	all, err := db.Trail(context.Background(), analytics.TrailFilter{})
	if err != nil || len(all) != 3 {
		t.Fatalf("%d entries, %v", len(all), err)
	}
	e := all[2]
	want := `{"address":"192.0.2.7","at":"2026-05-12T12:00:00.007Z","deed":"saw","detail":"a \"number\":0, of <things>",` +
		`"kind":"person","number":1,"object":"unit KL-0042","organisation":"Sunroof & Sons","role":"installer","who":"ada"}`
	if e.Body != want {
		t.Errorf("body\n%s, want\n%s", e.Body, want)
	}
	if e.Number != 1 || e.At != noon+7 || e.Who != "ada" || e.Kind != analytics.KindPerson || e.Role != analytics.RoleInstaller ||
		e.Organisation != ada.Organisation || e.Address != ada.Address || e.Deed != analytics.DeedSaw ||
		e.Object != "unit KL-0042" || e.Detail != `a "number":0, of <things>` {
		t.Errorf("entry %+v", e)
	}
	if e.Previous != [32]byte{} || e.Hash != analytics.ChainHash([32]byte{}, []byte(want)) || all[1].Previous != e.Hash {
		t.Error("the entries are not chained")
	}
	if nobody := all[1]; nobody.Who != "" || nobody.Kind != "" || nobody.Address != "192.0.2.8" {
		t.Errorf("an entry by nobody: %+v", nobody)
	}
	if service := all[0]; service.Who != "console" || service.Kind != analytics.KindService {
		t.Errorf("an entry by the service: %+v", service)
	}
	c, err := db.CheckTrail(context.Background(), []analytics.TrailHead{{}, {Number: 1, Hash: e.Hash}})
	if err != nil || len(c.Faults) != 0 || c.Entries != 3 || c.Head != (analytics.TrailHead{Number: 3, Hash: all[0].Hash}) {
		t.Errorf("check %+v, %v", c, err)
	}
}

func TestTrailHoldsAnyTextWithinBounds(t *testing.T) {
	t.Parallel()
	db := open(t)
	texts := []string{"", "\x00", "a\x00b", "\xff\xfe", "\xed\xa0\x80", "é\u2028\u2029\u202e", "😀", `\u0000`, `"},{"number":1,`, "\x01\x1f\x7f\n\r\t\b\f",
		strings.Repeat("ä", 5000), strings.Repeat("😀", 5000), "<script>&amp;", `\`, `'; DROP TABLE trail; --`}
	for _, text := range texts {
		record(t, db, as(analytics.Principal{Kind: analytics.KindPerson, Name: text, Organisation: text, Address: text}), analytics.Deed(text), text, text)
	}
	n := 0
	err := db.TrailEntries(context.Background(), 1, func(e analytics.TrailEntry) error {
		text := texts[n]
		n++
		if utf8.RuneCountInString(e.Object) > 200 || utf8.RuneCountInString(e.Detail) > 2000 || utf8.RuneCountInString(e.Who) > 200 {
			return fmt.Errorf("%d runes of detail", utf8.RuneCountInString(e.Detail))
		}
		if utf8.ValidString(text) && !strings.Contains(text, "\x00") && !strings.HasPrefix(text, e.Detail) || text != "" && e.Detail == "" {
			return fmt.Errorf("%q became %q", text, e.Detail)
		}
		if again, err := jcs.Transform([]byte(e.Body)); err != nil || !bytes.Equal(again, []byte(e.Body)) || !json.Valid([]byte(e.Body)) {
			return fmt.Errorf("not canonical: %s", e.Body)
		}
		return nil
	})
	if err != nil || n != len(texts) {
		t.Errorf("%d of %d entries: %v", n, len(texts), err)
	}
	if f := faults(t, db); f != "" {
		t.Error(f)
	}
}

func TestTrailIsFilteredAndPaged(t *testing.T) {
	t.Parallel()
	db := open(t)
	for i := range 1100 {
		who := analytics.Principal{Kind: analytics.KindPerson, Name: []string{"ada", "bob"}[i%2]}
		deed := []analytics.Deed{analytics.DeedSaw, analytics.DeedExported, analytics.DeedSaw}[i%3]
		record(t, db, as(who), deed, fmt.Sprintf("unit A%%_%04d", i), "")
	}
	for _, c := range []struct {
		name        string
		filter      analytics.TrailFilter
		n           int
		first, last int64
	}{
		{"the newest", analytics.TrailFilter{}, 50, 1100, 1051},
		{"no more than 500", analytics.TrailFilter{Limit: 1 << 40}, 500, 1100, 601},
		{"before one", analytics.TrailFilter{Before: 3, Limit: 10}, 2, 2, 1},
		{"of one person", analytics.TrailFilter{Who: "bob", Limit: 2}, 2, 1100, 1098},
		{"of one deed", analytics.TrailFilter{Deed: analytics.DeedExported, Limit: 2}, 2, 1100, 1097},
		{"what was done to some", analytics.TrailFilter{Object: "unit A%_000", Limit: 100}, 10, 10, 1},
		{"a pattern is none", analytics.TrailFilter{Object: "unit A_", Limit: 100}, 0, 0, 0},
		{"all at once", analytics.TrailFilter{Who: "ada", Deed: analytics.DeedSaw, Object: "unit A", Before: 10, Limit: 100}, 4, 9, 1},
	} {
		list, err := db.Trail(context.Background(), c.filter)
		if err != nil || len(list) != c.n {
			t.Errorf("%s: %d entries, want %d, %v", c.name, len(list), c.n, err)
			continue
		}
		if c.n > 0 && (list[0].Number != c.first || list[c.n-1].Number != c.last) {
			t.Errorf("%s: from %d to %d", c.name, list[0].Number, list[c.n-1].Number)
		}
	}
	if _, err := db.Trail(context.Background(), analytics.TrailFilter{Who: "\x00"}); !errors.Is(err, analytics.ErrInvalid) {
		t.Errorf("a filter that is no text: %v", err)
	}
	next := int64(5)
	stop := errors.New("enough")
	err := db.TrailEntries(context.Background(), 5, func(e analytics.TrailEntry) error {
		if e.Number != next {
			t.Fatalf("entry %d where %d was due", e.Number, next)
		}
		if next++; next == 1090 {
			return stop
		}
		return nil
	})
	if err != stop || next != 1090 {
		t.Errorf("ended at %d with %v", next, err)
	}
}

func TestEntriesOfManyAtOnceAreChained(t *testing.T) {
	t.Parallel()
	db := open(t)
	var wg sync.WaitGroup
	for i := range 20 {
		wg.Go(func() {
			for range 20 {
				if err := db.Record(context.Background(), analytics.DeedSaw, fmt.Sprint(i), ""); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	c, err := db.CheckTrail(context.Background(), nil)
	if err != nil || c.Entries != 400 || c.Head.Number != 400 || len(c.Faults) > 0 {
		t.Errorf("%+v, %v", c, err)
	}
}

// chain makes a trail of ten entries, and gives the heads after each.
func chain(t *testing.T, db *store.DB) []analytics.TrailHead {
	t.Helper()
	heads := []analytics.TrailHead{{}}
	for i := range 10 {
		record(t, db, as(analytics.Service("test")), analytics.DeedSet, fmt.Sprintf("thing %d", i+1), "from 1 to 2")
		c, err := db.CheckTrail(context.Background(), heads)
		if err != nil || len(c.Faults) > 0 {
			t.Fatalf("%+v, %v", c, err)
		}
		heads = append(heads, c.Head)
	}
	return heads
}

// rewrite writes the chain anew from an entry on, as somebody would who knows
// how it is made.
func rewrite(t *testing.T, db *store.DB, from int64) {
	t.Helper()
	list, err := db.Trail(context.Background(), analytics.TrailFilter{Limit: 500})
	if err != nil {
		t.Fatal(err)
	}
	var previous [32]byte
	for i := len(list) - 1; i >= 0; i-- {
		if e := list[i]; e.Number >= from {
			hash := analytics.ChainHash(previous, []byte(e.Body))
			sql(t, db, `UPDATE trail SET previous = $2, hash = $3 WHERE number = $1`, e.Number, previous[:], hash[:])
			previous = hash
			continue
		}
		previous = list[i].Hash
	}
	sql(t, db, `UPDATE trail_head SET number = $1, hash = $2`, list[0].Number, previous[:])
}

func TestTamperingIsFound(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		tamper func(t *testing.T, db *store.DB)
		// want is found by the trail itself; with heads that were noted
		// earlier noted is found, too.
		want, noted string
	}{
		{"nothing", func(*testing.T, *store.DB) {}, "", ""},
		{"a changed byte", func(t *testing.T, db *store.DB) {
			sql(t, db, `UPDATE trail SET body = replace(body, 'to 2', 'to 3') WHERE number = 4`)
		}, "entry 4: its hash is not that of its text", ""},
		{"a changed byte with a new hash", func(t *testing.T, db *store.DB) {
			sql(t, db, `UPDATE trail SET body = replace(body, 'to 2', 'to 3') WHERE number = 4`)
			sql(t, db, `UPDATE trail SET hash = sha256('\x01'::bytea || previous || convert_to(body, 'UTF8')) WHERE number = 4`)
		}, "entry 5 does not rest on the entry before it", "entry 4 is not the one that was noted"},
		{"a swapped pair of texts", func(t *testing.T, db *store.DB) {
			sql(t, db, `UPDATE trail a SET body = b.body FROM trail b WHERE a.number IN (4, 5) AND b.number = 9 - a.number`)
		}, "entry 4: its text says that it is entry 5", ""},
		{"a swapped pair of entries", func(t *testing.T, db *store.DB) {
			sql(t, db, `UPDATE trail SET number = -number WHERE number IN (4, 5)`)
			sql(t, db, `UPDATE trail SET number = 9 + number WHERE number < 0`)
		}, "entry 4 does not rest on the entry before it", "entry 4 is not the one that was noted"},
		{"a removed entry", func(t *testing.T, db *store.DB) { sql(t, db, `DELETE FROM trail WHERE number = 5`) },
			"entry 5 is missing", "entry 5, which was noted as its end, is missing"},
		{"a removed beginning", func(t *testing.T, db *store.DB) { sql(t, db, `DELETE FROM trail WHERE number < 4`) },
			"entries 1 to 3 are missing", ""},
		{"a removed entry and the gap closed", func(t *testing.T, db *store.DB) {
			sql(t, db, `DELETE FROM trail WHERE number = 5`)
			sql(t, db, `UPDATE trail SET number = number - 1, body = replace(body, '"number":' || number, '"number":' || (number - 1)) WHERE number > 5`)
		}, "entry 5 does not rest on the entry before it", ""},
		{"a cut tail", func(t *testing.T, db *store.DB) { sql(t, db, `DELETE FROM trail WHERE number > 7`) },
			"the trail ends with entry 7, and its head says 10", "entry 10, which was noted as its end, is missing"},
		{"a cut tail and the head put back", func(t *testing.T, db *store.DB) {
			sql(t, db, `DELETE FROM trail WHERE number > 7`)
			sql(t, db, `UPDATE trail_head SET (number, hash) = (SELECT number, hash FROM trail WHERE number = 7)`)
		}, "", "entry 8, which was noted as its end, is missing"},
		{"a chain written anew", func(t *testing.T, db *store.DB) {
			sql(t, db, `UPDATE trail SET body = replace(body, 'to 2', 'to 3') WHERE number = 4`)
			rewrite(t, db, 4)
		}, "", "entry 4 is not the one that was noted as the end"},
		{"everything removed", func(t *testing.T, db *store.DB) {
			sql(t, db, `DELETE FROM trail`)
			sql(t, db, `UPDATE trail_head SET number = 0, hash = decode(repeat('00', 32), 'hex')`)
		}, "", "entry 1, which was noted as its end, is missing"},
		{"no head", func(t *testing.T, db *store.DB) { sql(t, db, `DELETE FROM trail_head`) }, "the head of the trail is missing", ""},
		{"a head of another end", func(t *testing.T, db *store.DB) {
			sql(t, db, `UPDATE trail_head SET hash = sha256(hash)`)
		}, "entry 10 is not the one that the head of the trail names", ""},
		{"a column that says something else", func(t *testing.T, db *store.DB) {
			sql(t, db, `ALTER TABLE trail ALTER COLUMN who DROP EXPRESSION`)
			sql(t, db, `UPDATE trail SET who = 'bob' WHERE number = 3`)
		}, "entry 3: its columns say something else than its text", ""},
		{"an entry twice", func(t *testing.T, db *store.DB) {
			sql(t, db, `ALTER TABLE trail DROP CONSTRAINT trail_pkey`)
			sql(t, db, `INSERT INTO trail (number, body, previous, hash) SELECT number, body, previous, hash FROM trail WHERE number = 3`)
		}, "entry 3 stands behind entry 3", ""},
		{"another way to write it", func(t *testing.T, db *store.DB) {
			sql(t, db, `UPDATE trail SET body = replace(body, '"number":', '"number": ') WHERE number = 10`)
			rewrite(t, db, 10)
		}, "entry 10: its text is not canonical JSON", ""},
		{"a field more", func(t *testing.T, db *store.DB) {
			sql(t, db, `UPDATE trail SET body = replace(body, '}', ',"zeal":1}') WHERE number = 10`)
			rewrite(t, db, 10)
		}, "entry 10: its text has other fields than an entry", ""},
		{"a text that is none", func(t *testing.T, db *store.DB) {
			sql(t, db, `ALTER TABLE trail ALTER COLUMN who DROP EXPRESSION, ALTER COLUMN deed DROP EXPRESSION, ALTER COLUMN object DROP EXPRESSION`)
			sql(t, db, `UPDATE trail SET body = 'gone' WHERE number = 3`)
		}, "entry 3: its text is not canonical JSON", ""},
		{"no text", func(t *testing.T, db *store.DB) {
			sql(t, db, `ALTER TABLE trail ALTER COLUMN body DROP NOT NULL, ALTER COLUMN who DROP NOT NULL, ALTER COLUMN deed DROP NOT NULL, ALTER COLUMN object DROP NOT NULL`)
			sql(t, db, `UPDATE trail SET body = NULL WHERE number = 3`)
		}, "entry 3: its text is not canonical JSON", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			db := open(t)
			heads := chain(t, db)
			sql(t, db, `ALTER TABLE trail DISABLE TRIGGER ALL`)
			c.tamper(t, db)
			if got := faults(t, db); c.want == "" && got != "" || !strings.Contains(got, c.want) {
				t.Errorf("found %q, want %q", got, c.want)
			}
			noted := faults(t, db, heads...)
			if c.want == "" && c.noted == "" && noted != "" || !strings.Contains(noted, c.noted) {
				t.Errorf("with the heads found %q, want %q", noted, c.noted)
			}
		})
	}
}

func TestNobodyChangesTheTrail(t *testing.T) {
	t.Parallel()
	db := open(t)
	chain(t, db)
	for _, statement := range []string{
		`UPDATE trail SET body = body`, `DELETE FROM trail`, `TRUNCATE trail`, `DELETE FROM trail WHERE number = 10`,
		`INSERT INTO trail (number, body, previous, hash) SELECT number, body, previous, hash FROM trail
			ON CONFLICT (number) DO UPDATE SET body = EXCLUDED.body`,
	} {
		if _, err := db.Pool().Exec(context.Background(), statement); err == nil || !strings.Contains(err.Error(), "only ever appended to") {
			t.Errorf("%s, as the owner: %v", statement, err)
		}
	}
	for _, role := range []string{"web", "worker", "installer", "auditor", "staff", "administrator"} {
		for _, statement := range []string{
			`UPDATE trail SET body = body`, `DELETE FROM trail`, `TRUNCATE trail`,
			`INSERT INTO trail (number, body, previous, hash) VALUES (11, '{}', '', '')`,
			`UPDATE trail_head SET number = 0`, `INSERT INTO trail_head (number, hash) VALUES (0, '')`, `DELETE FROM trail_head`, `TRUNCATE trail_head`,
			`ALTER TABLE trail DISABLE TRIGGER ALL`, `DROP TABLE trail`, `SET session_replication_role = replica`,
		} {
			if err := asRole(db, "fadeledger_"+role, statement); err == nil || !strings.Contains(err.Error(), "42501") {
				t.Errorf("%s, as %s: %v", statement, role, err)
			}
		}
		if err := asRole(db, "fadeledger_"+role, `SELECT append_trail($1, $2)`,
			`{"address":"","at":"2026-05-12T12:00:00.000Z","deed":"set","detail":"","kind":"","number":`,
			`,"object":"","organisation":"","role":"","who":""}`); err != nil {
			t.Errorf("append as %s: %v", role, err)
		}
	}
	c, err := db.CheckTrail(context.Background(), nil)
	if err != nil || c.Entries != 16 || len(c.Faults) > 0 {
		t.Errorf("%+v, %v", c, err)
	}
}

// asRole runs a statement as a role, in a transaction.
func asRole(db *store.DB, role, statement string, args ...any) error {
	ctx := context.Background()
	return pgx.BeginFunc(ctx, db.Pool(), func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SET LOCAL ROLE `+role); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, statement, args...)
		return err
	})
}
