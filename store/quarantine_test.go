package store_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"fadeledger/analytics"
	"fadeledger/store"
)

// release delivers held rows as the release path does: under a stream of their
// own, with the row's id as the sequence.
func release(held ...analytics.Held) []analytics.Incoming {
	var out []analytics.Incoming
	for _, h := range held {
		d := stored(h.StoredAt, uint64(h.ID), h.Serial, h.Samples)
		d.Stream, d.Collector, d.Releases = analytics.ReleaseStream, h.Collector, []int64{h.ID}
		out = append(out, d)
	}
	return out
}

func TestUnknownUnitsWaitUntilTheyAreRegistered(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	at(db, noon)
	samples := home(t, 5, noon-day/2, 100)
	mixed := slices.Clone(samples)
	slices.Reverse(mixed)
	d := stored(noon, 1, "u-new", mixed)
	for i := range mixed {
		d.Units[0].Lines = append(d.Units[0].Lines, int32(i+2))
	}
	d.Batch, d.ContentType, d.Header = "b-1", "text/csv", []byte("time,soc")
	if x := take(t, db, d, stored(noon, 2, "u-never", samples[:3])); x[0].Quarantined != 100 || x[1].Quarantined != 3 {
		t.Fatalf("unknown units: %+v", x)
	}
	if held, err := db.HeldRegistered(ctx, 10); err != nil || len(held) != 0 {
		t.Fatalf("before the registration: %d rows are ready, %v", len(held), err)
	}
	catalogue(t, db, "u-new")
	held, err := db.HeldRegistered(ctx, 10)
	if err != nil || len(held) != 1 {
		t.Fatalf("after the registration: %d rows are ready, %v", len(held), err)
	}
	h := held[0]
	if !slices.Equal(h.Samples, samples) || h.Serial != "u-new" || h.Batch != "b-1" || h.Collector != "c-1" ||
		h.ContentType != "text/csv" || string(h.Header) != "time,soc" || h.StoredAt != noon || h.Line != 2 {
		t.Errorf("held: %+v", h.Quarantined)
	}
	if byID, err := db.HeldByID(ctx, []int64{h.ID, h.ID + 1000}); err != nil || len(byID) != 1 || byID[0].ID != h.ID {
		t.Errorf("by id: %+v, %v", byID, err)
	}
	if byReason, err := db.HeldByReason(ctx, analytics.ReasonUnknownUnit, 0, 1); err != nil || len(byReason) != 1 || byReason[0].ID != h.ID {
		t.Errorf("by reason: %+v, %v", byReason, err)
	}
	if x := take(t, db, release(h)...)[0]; x.Accepted != 100 {
		t.Errorf("released: %+v", x)
	}
	checkOffline(t, db, "u-new", samples)
	checkReleased(t, db, h)
}

// checkReleased: what was released is gone from the lists, and releasing it
// again changes nothing.
func checkReleased(t *testing.T, db *store.DB, h analytics.Held) {
	t.Helper()
	ctx := context.Background()
	if list, err := db.HeldByID(ctx, []int64{h.ID}); err != nil || len(list) != 0 {
		t.Errorf("still held: %+v, %v", list, err)
	}
	if list, err := db.Quarantine(ctx, "", 0, 10); err != nil || slices.ContainsFunc(list, func(q analytics.Quarantined) bool { return q.ID == h.ID }) {
		t.Errorf("still listed: %+v, %v", list, err)
	}
	before := ledgerJSON(t, db, h.Serial)
	if x := take(t, db, release(h)...)[0]; x.Accepted != int64(len(h.Samples)) {
		t.Errorf("released again: %+v, want what was recorded", x)
	}
	// Two people release the same row: the second has come too late.
	other := release(h)
	other[0].Hash[0]++
	if _, err := db.Take(ctx, other); !errors.Is(err, analytics.ErrConflict) {
		t.Errorf("released by another delivery: %v", err)
	}
	if after := ledgerJSON(t, db, h.Serial); string(before) != string(after) {
		t.Error("releasing again changed the ledger")
	}
}

func TestFutureSamplesAreHeldAndReleased(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	limit := noon + analytics.Instant(analytics.FutureSkew)
	samples := home(t, 6, limit-9*60_000, 20) // ten up to the limit, ten after
	d := stored(noon, 1, "u-1", samples)
	for i := range samples {
		d.Units[0].Lines = append(d.Units[0].Lines, int32(i+2))
	}
	if x := take(t, db, d)[0]; x.Accepted != 10 || x.Quarantined != 10 {
		t.Fatalf("from the future: %+v", x)
	}
	checkOffline(t, db, "u-1", samples[:10])
	list, err := db.Quarantine(context.Background(), analytics.ReasonFuture, 0, 100)
	if err != nil || len(list) != 10 {
		t.Fatalf("listed: %+v, %v", list, err)
	}
	slices.Reverse(list) // newest first
	for i, q := range list {
		raw := samples[10+i].AppendJSON(nil, "u-1")
		if q.Field != "time" || q.Line != 12+i || q.Serial != "u-1" || q.Rows != 1 || string(q.Raw) != string(raw) {
			t.Errorf("row %d is listed as %+v", i, q)
		}
	}
	held, err := db.HeldByReason(context.Background(), analytics.ReasonFuture, 0, 100)
	if err != nil || len(held) != 10 || !slices.Equal(held[3].Samples, samples[13:14]) {
		t.Fatalf("held: %+v, %v", held, err)
	}
	// Before its time has come, a release changes nothing at all.
	before := summary(t, db)
	if _, err := db.Take(context.Background(), release(held[9])); !errors.Is(err, analytics.ErrStillHeld) {
		t.Errorf("released before its time: %v", err)
	}
	if after := summary(t, db); after != before {
		t.Errorf("the tallies went from %+v to %+v", before, after)
	}
	// The clock at the replay does not matter, the delivery's does.
	at(db, noon+3*day)
	again := stored(noon, 2, "u-1", samples[15:])
	if x := take(t, db, again)[0]; x.Quarantined != 5 {
		t.Errorf("delivered again later: %+v", x)
	}
	for _, x := range take(t, db, release(held...)...) {
		if x.Accepted != 1 {
			t.Errorf("released: %+v", x)
		}
	}
	checkOffline(t, db, "u-1", samples)
	// Twenty rows came, and then five of them again: a release moves rows.
	if x := summary(t, db); x.Read != 25 || x.Accepted != 20 || x.Quarantined != 5 {
		t.Errorf("in all: %+v", x)
	}
}

// summary gives the tally over all collectors.
func summary(t testing.TB, db *store.DB) analytics.DeliveryTally {
	t.Helper()
	s, err := db.Ingest(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return s.Tally
}

func TestRefusedRowsAreKeptAndPaged(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	hostile := "\x00\xff\"'; DROP TABLE unit; --"
	d := stored(noon, 1, "u-1", home(t, 7, noon-day, 5))
	d.Batch = hostile
	for i := range 25 {
		d.Refused = append(d.Refused, analytics.Quarantined{
			Line: i + 1, Field: "soc", Reason: []string{"bad-number", "missing"}[i%2], Message: hostile, Remedy: "correct it",
			Serial: "u-1", Raw: []byte(hostile),
		})
	}
	if x := take(t, db, d)[0]; x.Accepted != 5 || x.Quarantined != 25 {
		t.Fatalf("refused: %+v", x)
	}
	for reason, want := range map[string]int{"": 25, "bad-number": 13, "missing": 12, "none": 0} {
		var lines []int
		after := int64(0)
		for {
			page, err := db.Quarantine(ctx, reason, after, 4)
			if err != nil {
				t.Fatal(err)
			}
			for _, q := range page {
				if after != 0 && q.ID >= after {
					t.Errorf("row %d comes after row %d", q.ID, after)
				}
				after = q.ID
				lines = append(lines, q.Line)
				if string(q.Raw) != hostile || q.Message != "\uFFFD\uFFFD\"'; DROP TABLE unit; --" || q.Sequence != 1 {
					t.Errorf("kept as %+v", q)
				}
			}
			if len(page) < 4 {
				break
			}
		}
		if len(lines) != want || !slices.IsSortedFunc(lines, func(a, b int) int { return b - a }) {
			t.Errorf("reason %q: lines %v, want %d", reason, lines, want)
		}
	}
	r, err := db.Unit(ctx, "u-1")
	if err != nil || r.Quarantined != 25 {
		t.Errorf("the unit tells of %d, %v", r.Quarantined, err)
	}
}

func TestDisputesArePagedByTheirReason(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	samples := home(t, 8, noon-day, 11)
	changed := slices.Clone(samples)
	for i := range changed {
		changed[i].Temp++
	}
	take(t, db, stored(noon, 1, "u-1", samples), stored(noon, 2, "u-1", changed))
	seen := map[string]int{}
	after := int64(0)
	for {
		page, err := db.Quarantine(ctx, analytics.ReasonConflictingSample, after, 5)
		if err != nil {
			t.Fatal(err)
		}
		for _, q := range page {
			after = q.ID
			if q.Serial != "u-1" || q.Reason != analytics.ReasonConflictingSample {
				t.Errorf("listed as %+v", q)
			}
			seen[string(q.Raw)]++
		}
		if len(page) < 5 {
			break
		}
	}
	if len(seen) != 22 {
		t.Errorf("%d versions are listed, want 22", len(seen))
	}
	s, err := db.Ingest(ctx)
	if want := []analytics.ReasonCount{{Reason: analytics.ReasonConflictingSample, Rows: 22}}; err != nil || !slices.Equal(s.Quarantine, want) {
		t.Errorf("counted %v, want %v, %v", s.Quarantine, want, err)
	}
	if list, err := db.Quarantine(ctx, "", 0, 5); err != nil || len(list) != 0 {
		t.Errorf("disputes among all reasons: %v, %v", list, err)
	}
}

func TestHeldRowsComeOldestFirst(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	var serials []analytics.Serial
	for i := range 12 {
		s := analytics.Serial(fmt.Sprintf("w-%02d", i))
		serials = append(serials, s)
		take(t, db, stored(noon, uint64(i+1), s, home(t, 9, noon-day, 2)))
	}
	catalogue(t, db, serials...)
	held, err := db.HeldRegistered(context.Background(), 5)
	if err != nil || len(held) != 5 {
		t.Fatalf("%d rows, %v", len(held), err)
	}
	for i, h := range held {
		if h.Serial != serials[i] {
			t.Errorf("row %d is of %s", i, h.Serial)
		}
	}
}
