package store_test

import (
	"context"
	"strings"
	"testing"

	"fadeledger/analytics"
)

// TestTheAuditNoticesEveryEdit: after each edit by hand of something that is
// stored, the books do not add up or a unit is not what its samples say.
func TestTheAuditNoticesEveryEdit(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	for name, edit := range map[string]string{
		"rows read":         `UPDATE collector SET read = read + 1`,
		"rows accepted":     `UPDATE collector SET accepted = accepted - 1, duplicates = duplicates + 1`,
		"a quarantined row": `DELETE FROM quarantine`,
		"a block":           `DELETE FROM sample_block WHERE t0 = (SELECT min(t0) FROM sample_block)`,
		"the state":         `UPDATE unit_ledger SET state = set_byte(state, length(state) - 1, get_byte(state, length(state) - 1) # 2)`,
		"a day":             `DELETE FROM unit_day WHERE day = (SELECT min(day) FROM unit_day)`,
		"an excursion":      `DELETE FROM excursion WHERE start_at = (SELECT min(start_at) FROM excursion)`,
		"an event":          `DELETE FROM unit_event`,
		"the samples' sum":  `UPDATE unit_ledger SET samples = samples + 1`,
		"versions":          `UPDATE unit_ledger SET versions = versions + 1`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db := open(t)
			at(db, noon)
			catalogue(t, db, "u-1")
			samples := home(t, 4, noon-3*day, 3*1440)
			for i := 100; i < 110; i++ {
				samples[i].Has |= analytics.HasTemp | analytics.HasPower
				samples[i].Temp, samples[i].Power = -2500, 2_000_000
			}
			d := stored(noon, 1, "u-1", samples)
			d.Refused = []analytics.Quarantined{{Line: 2, Reason: "number", Raw: []byte("x")}}
			take(t, db, d)
			seal(t, db, 0)
			balanced(t, db)
			if n := number(t, db, `SELECT count(*) FROM excursion`) * number(t, db, `SELECT count(*) FROM unit_event`); n == 0 {
				t.Fatal("the home has no excursion or no event")
			}
			if _, err := db.Pool().Exec(ctx, edit); err != nil {
				t.Fatal(err)
			}
			b, err := db.Balance(ctx)
			if err != nil {
				t.Fatal(err)
			}
			differences, _, err := db.Recheck(ctx, 0, 10)
			if err != nil && !strings.Contains(err.Error(), "recheck unit") {
				t.Fatal(err)
			}
			if len(b.Differences)+len(differences) == 0 && err == nil {
				t.Error("nobody notices")
			}
		})
	}
}

func TestAlarms(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	at(db, noon)
	for i := range 3 {
		at(db, noon+analytics.Instant(i))
		if err := db.Raise(ctx, analytics.AlarmUnbalanced, "books", "seven rows are missing"); err != nil {
			t.Fatal(err)
		}
	}
	list, err := db.Alarms(ctx)
	if err != nil || len(list) != 1 || list[0].Times != 3 || list[0].RaisedAt != noon || list[0].LastAt != noon+2 || list[0].ClearedAt != nil {
		t.Fatalf("alarms %+v, %v", list, err)
	}
	if err := db.ClearAlarm(ctx, list[0].ID, "R. Vane"); err != nil {
		t.Fatal(err)
	}
	if err := db.ClearAlarm(ctx, list[0].ID, "R. Vane"); err == nil {
		t.Error("an alarm is cleared twice")
	}
	if err := db.Raise(ctx, analytics.AlarmUnbalanced, "books", "again"); err != nil {
		t.Fatal(err)
	}
	if err := db.Settle(ctx, analytics.AlarmUnbalanced, "books"); err != nil {
		t.Fatal(err)
	}
	list, err = db.Alarms(ctx)
	if err != nil || len(list) != 2 || list[0].ClearedBy != "the service" || list[1].ClearedBy != "R. Vane" {
		t.Errorf("alarms %+v, %v", list, err)
	}
}
