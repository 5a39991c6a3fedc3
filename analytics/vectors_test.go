package analytics_test

import (
	"math/rand/v2"
	"testing"

	"fadeledger/analytics"
	"fadeledger/analytics/vectortest"
)

func TestVectors(t *testing.T) {
	for _, v := range vectortest.Load(t) {
		t.Run(v.Name, func(t *testing.T) { v.Compare(t, v.Ledger(v.Deliveries())) })
	}
}

func TestVectorsInAnyOrder(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, v := range vectortest.Load(t) {
		samples := v.Deliveries()
		for range 3 {
			rng.Shuffle(len(samples), func(i, j int) { samples[i], samples[j] = samples[j], samples[i] })
			v.Compare(t, v.Ledger(samples))
		}
	}
}

// TestVectorsThroughStates serialises the state at random places and goes on
// from the bytes: any split of the series must give the same ledger.
func TestVectorsThroughStates(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, v := range vectortest.Load(t) {
		var set analytics.SampleSet
		for _, s := range v.Deliveries() {
			set.Add(s)
		}
		r := set.Resolve()
		m := v.AnalyticsModel()
		var c analytics.Counter
		var out analytics.Effects
		largest := 0
		for _, s := range r.Counting {
			if rng.IntN(5) == 0 {
				b, err := c.AppendBinary(nil)
				if err != nil {
					t.Fatal(err)
				}
				largest = max(largest, len(b))
				c = analytics.Counter{}
				if err := c.UnmarshalBinary(b); err != nil {
					t.Fatal(err)
				}
				again, _ := c.AppendBinary(nil)
				if string(again) != string(b) {
					t.Fatalf("%s: state changes when it is read and written again", v.Name)
				}
			}
			c.Step(m, s, &out)
		}
		v.Compare(t, analytics.LedgerOf(m, v.AnalyticsTerms(), &c, out.Excursions, out.Events,
			analytics.Versions{Duplicates: r.Duplicates, Conflicts: r.Conflicts}))
		t.Logf("%s: largest state %d bytes", v.Name, largest)
		if largest > 512 {
			t.Errorf("%s: state of %d bytes, want at most 512", v.Name, largest)
		}
	}
}
