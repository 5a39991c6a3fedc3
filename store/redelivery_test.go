package store_test

import (
	"context"
	"crypto/md5"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"

	"fadeledger/analytics"
	"fadeledger/store"
)

// othersDiffer compares the versions that do not count.
func othersDiffer(db *store.DB, serial analytics.Serial, delivered []analytics.Sample) error {
	var set analytics.SampleSet
	for _, s := range delivered {
		set.Add(s)
	}
	want := len(set.Resolve().Others)
	var have int
	err := db.Pool().QueryRow(context.Background(), `
		SELECT count(*) FROM sample_other JOIN unit USING (unit_id) WHERE serial = $1`, serial).Scan(&have)
	if err == nil && have != want {
		err = fmt.Errorf("%d versions that do not count are kept, want %d", have, want)
	}
	return err
}

func TestRedelivery(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	samples := home(t, 4, noon-day/2, 60)
	d := stored(noon, 7, "u-1", samples)
	first := take(t, db, d)[0]
	if first.Accepted != 60 {
		t.Fatalf("first: %+v", first)
	}
	ledger := ledgerJSON(t, db, "u-1")

	if again := take(t, db, d)[0]; again != first {
		t.Errorf("again: %+v, want what was recorded, %+v", again, first)
	}
	if after := ledgerJSON(t, db, "u-1"); string(after) != string(ledger) {
		t.Error("a redelivery changed the ledger")
	}
	if n := number(t, db, `SELECT count(*) FROM delivery`); n != 1 {
		t.Errorf("%d deliveries are recorded", n)
	}

	// A stream that lost its end gives the sequence to another message.
	other := stored(noon, 7, "u-1", home(t, 4, noon-day/2, 90))
	other.Hash = md5.Sum([]byte("other bytes"))
	if x := take(t, db, other)[0]; x.Accepted != 30 || x.Duplicates != 60 {
		t.Errorf("same sequence, other bytes: %+v", x)
	}
	checkOffline(t, db, "u-1", append(slices.Clone(samples), other.Units[0].Samples...))

	// The same message under the name of another stream.
	elsewhere := d
	elsewhere.Stream = "another"
	if x := take(t, db, elsewhere)[0]; x.Duplicates != 60 {
		t.Errorf("same message in another stream: %+v", x)
	}
}

func TestSameDeliveryTwiceInOneCall(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	d := stored(noon, 1, "u-1", home(t, 4, noon-day/2, 60))
	next := stored(noon, 2, "u-1", home(t, 4, noon-day/2, 61)[60:])
	x := take(t, db, d, next, d, d)
	for i, want := range []int64{60, 1, 60, 60} {
		if x[i].Accepted != want || x[i].Duplicates != 0 {
			t.Errorf("delivery %d: %+v, want %d accepted", i, x[i], want)
		}
	}
	s, err := db.Ingest(context.Background())
	if err != nil || s.Deliveries != 2 || s.Tally.Read != 61 {
		t.Errorf("recorded %+v, %v", s.Tally, err)
	}
}

func TestNothingToCount(t *testing.T) {
	t.Parallel()
	db := open(t)
	if x, err := db.Take(context.Background(), nil); err != nil || len(x) != 0 {
		t.Errorf("no delivery: %v, %v", x, err)
	}
	empty := stored(noon, 1, "u-1", nil)
	empty.Units = nil
	if x := take(t, db, empty, empty); x[0] != (analytics.DeliveryTally{}) {
		t.Errorf("an empty delivery: %+v", x[0])
	}
	if n := number(t, db, `SELECT count(*) FROM delivery`); n != 1 {
		t.Errorf("%d deliveries are recorded", n)
	}
}

// TestTwoWorkersTakeOverlappingDeliveries: two workers get the same deliveries
// of the same units at the same time, in other orders and groups. Every row
// counts once, and both tell the same of every delivery.
func TestTwoWorkersTakeOverlappingDeliveries(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	serials := []analytics.Serial{"u-1", "u-2", "u-3", "u-4"}
	catalogue(t, db, serials...)
	rng := rand.New(rand.NewPCG(9, 9))
	delivered := map[analytics.Serial][]analytics.Sample{}
	var all []analytics.Incoming
	for i, serial := range serials {
		samples := home(t, uint64(i), noon-day, 600)
		for range 40 {
			from := rng.IntN(580)
			part := slices.Clone(samples[from : from+1+rng.IntN(20)])
			if rng.IntN(4) == 0 {
				part[0].SoC = (part[0].SoC + 1) % 1000 // another version
			}
			d := stored(noon, uint64(len(all)+1), serial, part)
			if other := serials[rng.IntN(4)]; other != serial {
				// A delivery of two units, so that locks could cross.
				d.Units = append(d.Units, analytics.UnitSamples{Serial: other, Samples: part[:1]})
				delivered[other] = append(delivered[other], part[0])
			}
			all = append(all, d)
			delivered[serial] = append(delivered[serial], part...)
		}
	}
	tallies := [2]map[uint64]analytics.DeliveryTally{{}, {}}
	var wg sync.WaitGroup
	for w := range 2 {
		mine := slices.Clone(all)
		rng := rand.New(rand.NewPCG(10, uint64(w)))
		rng.Shuffle(len(mine), func(i, j int) { mine[i], mine[j] = mine[j], mine[i] })
		wg.Go(func() {
			for chunk := range slices.Chunk(mine, 7) {
				x, err := db.Take(context.Background(), chunk)
				if err != nil {
					t.Error(err)
					return
				}
				for i := range chunk {
					tallies[w][chunk[i].Sequence] = x[i]
				}
			}
		})
	}
	wg.Go(func() { // and a third seals meanwhile
		for range 5 {
			if _, err := db.Seal(context.Background(), 0); err != nil {
				t.Error(err)
			}
		}
	})
	wg.Wait()
	for _, serial := range serials {
		checkOffline(t, db, serial, delivered[serial])
		if err := othersDiffer(db, serial, delivered[serial]); err != nil {
			t.Error(err)
		}
	}
	checkTallies(t, db, tallies, delivered)
}

func checkTallies(t *testing.T, db *store.DB, tallies [2]map[uint64]analytics.DeliveryTally, delivered map[analytics.Serial][]analytics.Sample) {
	t.Helper()
	var sum analytics.DeliveryTally
	for sequence, x := range tallies[0] {
		sum.Add(x)
		if y := tallies[1][sequence]; x != y {
			t.Errorf("delivery %d: one worker tells %+v, the other %+v", sequence, x, y)
		}
	}
	var rows, duplicates int64
	for _, samples := range delivered {
		var set analytics.SampleSet
		for _, s := range samples {
			set.Add(s)
		}
		rows += int64(len(samples))
		duplicates += set.Resolve().Duplicates
	}
	if sum.Read != rows || sum.Duplicates != duplicates || !sum.Balanced() {
		t.Errorf("the deliveries sum up to %+v, want %d read and %d duplicates", sum, rows, duplicates)
	}
	s, err := db.Ingest(context.Background())
	if err != nil || s.Tally != sum || s.Deliveries != int64(len(tallies[0])) {
		t.Errorf("recorded %d deliveries, %+v, want %+v, %v", s.Deliveries, s.Tally, sum, err)
	}
}
