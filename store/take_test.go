package store_test

import (
	"context"
	"crypto/md5"
	"encoding/binary"
	"encoding/json"
	"log/slog"
	"math/rand/v2"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/analytics/vectortest"
	"fadeledger/store"
	"fadeledger/store/storetest"
)

func open(t testing.TB) *store.DB {
	t.Helper()
	db, err := store.Open(context.Background(), storetest.Database(t), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	return db
}

// register makes a unit of the vector's model and terms for each serial.
func register(t testing.TB, db *store.DB, v *vectortest.Vector, serials ...analytics.Serial) {
	t.Helper()
	terms := *v.AnalyticsTerms()
	terms.Model = v.AnalyticsModel().Name
	r := store.Registration{Models: []analytics.Model{*v.AnalyticsModel()}, Terms: []analytics.Terms{terms}}
	for _, s := range serials {
		r.Units = append(r.Units, analytics.Unit{Serial: s, Model: terms.Model, Terms: terms.Name, Stack: "s-1"})
	}
	if _, err := db.Register(context.Background(), r); err != nil {
		t.Fatal(err)
	}
}

// delivery makes an incoming delivery of one unit's samples.
func delivery(sequence uint64, serial analytics.Serial, samples []analytics.Sample) analytics.Incoming {
	d := analytics.Incoming{
		Delivery: analytics.Delivery{Stream: "test", Sequence: sequence, Collector: "c-1", StoredAt: analytics.InstantOf(time.Now())},
		Units:    []analytics.UnitSamples{{Serial: serial, Samples: samples}},
	}
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], sequence)
	d.Hash = md5.Sum(b[:])
	return d
}

func take(t testing.TB, db *store.DB, in ...analytics.Incoming) []analytics.DeliveryTally {
	t.Helper()
	tallies, err := db.Take(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	for i, x := range tallies {
		if !x.Balanced() {
			t.Fatalf("delivery %d: %+v does not balance", in[i].Sequence, x)
		}
	}
	return tallies
}

func ledgerJSON(t testing.TB, db *store.DB, serial analytics.Serial) []byte {
	t.Helper()
	r, err := db.Unit(context.Background(), serial)
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(r.Ledger)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// cut cuts samples into deliveries of at most n.
func cut(samples []analytics.Sample, n int, serial analytics.Serial) []analytics.Incoming {
	var out []analytics.Incoming
	for i := 0; i < len(samples); i += n {
		out = append(out, delivery(uint64(len(out)+1), serial, samples[i:min(i+n, len(samples))]))
	}
	return out
}

func TestVectorsThroughTheLedger(t *testing.T) {
	orders := []struct {
		name    string
		size    int
		prepare func(rng *rand.Rand, d []analytics.Incoming, samples []analytics.Sample)
	}{
		{"as delivered, large", 5000, nil},
		{"as delivered, small", 60, nil},
		{"deliveries in reverse", 700, func(_ *rand.Rand, d []analytics.Incoming, _ []analytics.Sample) {
			for i, j := 0, len(d)-1; i < j; i, j = i+1, j-1 {
				d[i], d[j] = d[j], d[i]
			}
		}},
		{"deliveries shuffled", 900, func(rng *rand.Rand, d []analytics.Incoming, _ []analytics.Sample) {
			rng.Shuffle(len(d), func(i, j int) { d[i], d[j] = d[j], d[i] })
		}},
	}
	for _, v := range vectortest.Load(t) {
		t.Run(v.Name, func(t *testing.T) {
			db := open(t)
			for i, o := range orders {
				serial := analytics.Serial(string(rune('A' + i)))
				register(t, db, &v, serial)
				d := cut(v.Deliveries(), o.size, serial)
				for j := range d {
					d[j].Sequence += uint64(i) * 100_000
				}
				if o.prepare != nil {
					o.prepare(rand.New(rand.NewPCG(1, uint64(i))), d, nil)
				}
				for j := range d {
					take(t, db, d[j])
				}
				before := ledgerJSON(t, db, serial)
				v.CompareJSON(t, before)
				checkDays(t, db, &v, serial)
				// Every delivery once more, as a broker redelivers it.
				for j := range d {
					take(t, db, d[j])
				}
				if after := ledgerJSON(t, db, serial); string(after) != string(before) {
					t.Errorf("%s: redelivery changed the ledger from\n%s\nto\n%s", o.name, before, after)
				}
			}
		})
	}
}

// checkDays compares the days and the kept samples with a count from scratch.
func checkDays(t *testing.T, db *store.DB, v *vectortest.Vector, serial analytics.Serial) {
	t.Helper()
	var set analytics.SampleSet
	for _, s := range v.Deliveries() {
		set.Add(s)
	}
	want := analytics.Count(v.AnalyticsModel(), set.Resolve().Counting).AllDays()
	got, err := db.Days(context.Background(), serial, -1<<30, 1<<30)
	if err != nil {
		t.Fatal(err)
	}
	a, _ := json.Marshal(want)
	b, _ := json.Marshal(got)
	if string(a) != string(b) {
		t.Errorf("unit %s: days differ:\n%s\n%s", serial, b, a)
	}
	i := 0
	counting := set.Resolve().Counting
	err = db.Samples(context.Background(), serial, 0, 1<<60, func(s analytics.Sample) error {
		if i >= len(counting) || s != counting[i] {
			t.Fatalf("unit %s: sample %d is %+v", serial, i, s)
		}
		i++
		return nil
	})
	if err != nil || i != len(counting) {
		t.Errorf("unit %s: read %d samples of %d, %v", serial, i, len(counting), err)
	}
}
