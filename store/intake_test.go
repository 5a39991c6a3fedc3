package store_test

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"testing"

	"fadeledger/analytics"
)

func TestIngestAccountsForEveryRow(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	catalogue(t, db, "u-1", "u-2")
	samples := home(t, 1, noon-day, 600)
	want := map[string]analytics.DeliveryTally{}
	var rows int64
	for i := range 30 {
		at(db, noon-analytics.Instant(30-i)*60_000)
		serial := analytics.Serial(fmt.Sprintf("u-%d", 1+i%3)) // the third is not registered
		part := slices.Clone(samples[i*5 : i*5+30])
		if i%7 == 6 {
			part[0].Temp++
		}
		d := stored(noon-analytics.Instant(i), uint64(i+1), serial, part)
		d.Collector = fmt.Sprintf("c-%d", i%2)
		if i%5 == 0 {
			d.Refused = []analytics.Quarantined{{Line: 31, Reason: "bad-number", Raw: []byte("x")}}
		}
		x := take(t, db, d)[0]
		sum := want[d.Collector]
		sum.Add(x)
		want[d.Collector] = sum
		rows += 30 + int64(len(d.Refused))
	}
	at(db, noon)
	s, err := db.Ingest(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if s.Deliveries != 30 || s.Tally.Read != rows || !s.Tally.Balanced() || s.AsOf != noon || len(s.Collectors) != 2 {
		t.Errorf("summary: %+v", s)
	}
	if s.Tally.Duplicates == 0 || s.Tally.Disputed == 0 || s.Tally.Accepted == 0 || s.Recounts == 0 {
		t.Errorf("the deliveries have not everything in them: %+v, %d recounts", s.Tally, s.Recounts)
	}
	for _, c := range s.Collectors {
		if c.Tally != want[c.Collector] || c.Deliveries != 15 {
			t.Errorf("collector %s: %+v, want %+v", c.Collector, c.Tally, want[c.Collector])
		}
	}
	var rated analytics.DeliveryTally
	for i, b := range s.Rate {
		rated.Add(b.Tally)
		if b.At != noon-analytics.Instant(59-i)*60_000 || b.Tally != (analytics.DeliveryTally{}) != (b.Deliveries > 0) {
			t.Errorf("minute %d: %+v", i, b)
		}
	}
	if rated != s.Tally || len(s.Rate) != 60 {
		t.Errorf("the %d minutes sum up to %+v, want %+v", len(s.Rate), rated, s.Tally)
	}
	var open int64
	for _, q := range s.Quarantine {
		if q.Reason != analytics.ReasonConflictingSample {
			open += q.Rows
		}
	}
	if open != s.Tally.Quarantined {
		t.Errorf("%d rows are open in quarantine, %d were put there", open, s.Tally.Quarantined)
	}
}

func TestDeliveriesArePagedNewestFirst(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	samples := home(t, 1, noon-day, 25)
	for i := range 25 {
		d := stored(noon+analytics.Instant(i), uint64(i+1)*3, "u-1", samples[i:i+1])
		d.Batch = fmt.Sprintf("batch-%02d", i)
		take(t, db, d)
	}
	before, next := uint64(0), uint64(75)
	for {
		page, err := db.Deliveries(ctx, before, 7)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range page {
			if d.Sequence != next || d.Stream != "test" || d.Collector != "c-1" || d.Tally.Accepted != 1 || d.CountedAt != noon ||
				d.Batch != fmt.Sprintf("batch-%02d", next/3-1) || d.StoredAt != noon+analytics.Instant(next/3-1) {
				t.Errorf("delivery %d expected, got %+v", next, d)
			}
			next -= 3
			before = d.Sequence
		}
		if len(page) < 7 {
			break
		}
	}
	if next != 0 {
		t.Errorf("the last page ends before delivery %d", next)
	}
}

func TestBatchesOfACollector(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	samples := home(t, 1, noon-day, 6)
	for i, batch := range []string{"may-1", "may-2", "june-1", "may%", "", `may\`} {
		d := stored(noon, uint64(i+1), "u-1", samples[i:i+1])
		d.Batch = batch
		take(t, db, d)
	}
	for _, c := range []struct {
		collector, prefix string
		want              []string
	}{
		{"c-1", "may-", []string{"may-1", "may-2"}},
		{"c-1", "may", []string{"may-1", "may-2", "may%", `may\`}},
		{"c-1", "may%", []string{"may%"}},
		{"c-1", `may\`, []string{`may\`}},
		{"c-1", "", []string{"may-1", "may-2", "june-1", "may%", `may\`}},
		{"c-1", "'", nil},
		{"c-2", "", nil},
	} {
		list, err := db.Batches(ctx, c.collector, c.prefix)
		var got []string
		for _, d := range list {
			got = append(got, d.Batch)
		}
		if err != nil || !slices.Equal(got, c.want) {
			t.Errorf("%s, %q: %q, want %q, %v", c.collector, c.prefix, got, c.want, err)
		}
	}
}

func TestProfiles(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	if body, hash, err := db.Profile(ctx, "c-1"); err != nil || body != nil || hash != nil {
		t.Errorf("no collector: %q, %x, %v", body, hash, err)
	}
	text := []byte("# as written\ncolumns: [time, soc]\n")
	hash, err := db.SetProfile(ctx, "c-1", text)
	if err != nil || hash != sha256.Sum256(text) {
		t.Fatalf("set: %x, %v", hash, err)
	}
	if body, h, err := db.Profile(ctx, "c-1"); err != nil || string(body) != string(text) || string(h) != string(hash[:]) {
		t.Errorf("read: %q, %x, %v", body, h, err)
	}
	if _, err := db.SetProfile(ctx, "c-2", text); err != nil {
		t.Errorf("the same for another collector: %v", err)
	}
	if _, err := db.SetProfile(ctx, "c-1", []byte("another")); err != nil {
		t.Error(err)
	}
	if body, err := db.ProfileByHash(ctx, hash[:]); err != nil || string(body) != string(text) {
		t.Errorf("an older one by its hash: %q, %v", body, err)
	}
	if _, err := db.SetProfile(ctx, "c-1", nil); err != nil {
		t.Error(err)
	}
	if body, _, err := db.Profile(ctx, "c-1"); err != nil || body != nil {
		t.Errorf("taken away: %q, %v", body, err)
	}
	if _, err := db.ProfileByHash(ctx, []byte("none")); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("unknown hash: %v", err)
	}
}
