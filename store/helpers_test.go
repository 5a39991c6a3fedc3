package store_test

import (
	"context"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/store"
)

// noon is the clock of tests that need one: 2026-05-12T12:00:00Z.
const noon = analytics.Instant(1_778_587_200_000)

const day = analytics.Instant(analytics.DayLength)

// at stops the clock of a database.
func at(db *store.DB, now analytics.Instant) { db.Now = func() time.Time { return now.Time() } }

// catalogue registers the invented models and terms, and units of them.
func catalogue(t testing.TB, db *store.DB, serials ...analytics.Serial) {
	t.Helper()
	r := store.Registration{Models: household.Models(), Terms: household.EditionsOfTerms()}
	for _, s := range serials {
		r.Units = append(r.Units, unit(s))
	}
	if _, err := db.Register(context.Background(), r); err != nil {
		t.Fatal(err)
	}
}

func unit(s analytics.Serial) analytics.Unit {
	commissioned := noon.Day() - 100
	return analytics.Unit{Serial: s, Model: "HB-5", Terms: "HB-5 home 2026", Stack: "s-1", Commissioned: &commissioned}
}

// home makes n one-minute samples of a household from an instant on, with a
// cold garage and a counter that is reset once.
func home(t testing.TB, seed uint64, from analytics.Instant, n int) []analytics.Sample {
	t.Helper()
	b, err := household.New(household.Config{
		Seed: seed, WeatherSeed: 3, Serial: "any", Model: household.Models()[0], Start: from - day,
		Cadence: analytics.Minute, Array: 5_000_000, Placement: analytics.Garage,
		Habits: household.Habits{TradesPerDay: 2},
		Faults: household.Faults{Resets: []analytics.Instant{from + 2000*analytics.Instant(analytics.Minute)}},
	})
	if err != nil {
		t.Fatal(err)
	}
	for range 1440 {
		b.Next()
	}
	out := make([]analytics.Sample, n)
	for i := range out {
		out[i] = b.Next()
	}
	return out
}

// checkOffline compares everything that is kept of a unit of catalogue with a
// count from scratch of the samples that were delivered, in any order.
func checkOffline(t testing.TB, db *store.DB, serial analytics.Serial, delivered []analytics.Sample) {
	t.Helper()
	if err := offlineDiffers(db, serial, delivered); err != nil {
		t.Fatal(err)
	}
}

func offlineDiffers(db *store.DB, serial analytics.Serial, delivered []analytics.Sample) error {
	ctx := context.Background()
	var set analytics.SampleSet
	for _, s := range delivered {
		set.Add(s)
	}
	r := set.Resolve()
	m, terms := household.Models()[0], household.EditionsOfTerms()[1]
	a := analytics.Count(&m, r.Counting)
	want := analytics.LedgerOf(&m, &terms, &a.Counter, a.Excursions, a.Events,
		analytics.Versions{Duplicates: r.Duplicates, Conflicts: r.Conflicts, Superseded: r.Superseded})
	want.Unit = serial
	report, err := db.Unit(ctx, serial)
	if err != nil {
		return err
	}
	if err := sameJSON("ledger", want, report.Ledger); err != nil {
		return err
	}
	days, err := db.Days(ctx, serial, -1<<30, 1<<30)
	if err != nil {
		return err
	}
	if all := a.AllDays(); len(all)+len(days) > 0 {
		if err := sameJSON("days", all, days); err != nil {
			return err
		}
	}
	i := 0
	err = db.Samples(ctx, serial, -1<<60, 1<<60, func(s analytics.Sample) error {
		if i >= len(r.Counting) || s != r.Counting[i] {
			return fmt.Errorf("sample %d is %+v", i, s)
		}
		i++
		return nil
	})
	if err == nil && i != len(r.Counting) {
		err = fmt.Errorf("read %d samples of %d", i, len(r.Counting))
	}
	return err
}

func sameJSON(what string, want, got any) error {
	a, err := json.Marshal(want)
	if err != nil {
		return err
	}
	b, err := json.Marshal(got)
	if err != nil {
		return err
	}
	if string(a) != string(b) {
		return fmt.Errorf("%s differ: have\n%s\nwant\n%s", what, b, a)
	}
	return nil
}

// number reads one number by SQL.
func number(t testing.TB, db *store.DB, sql string, args ...any) int64 {
	t.Helper()
	var n int64
	if err := db.Pool().QueryRow(context.Background(), sql, args...).Scan(&n); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return n
}

// stored makes a delivery that the broker stored at an instant.
func stored(when analytics.Instant, sequence uint64, serial analytics.Serial, samples []analytics.Sample) analytics.Incoming {
	d := delivery(sequence, serial, samples)
	d.StoredAt = when
	return d
}
