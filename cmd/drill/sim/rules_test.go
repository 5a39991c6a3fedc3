package sim

import (
	"context"
	"testing"

	"fadeledger/analytics"
	"fadeledger/store/book"
)

// TestRules: the simulated database holds what a collector may not deliver, and
// gives it back once the unit is bound, as the real one does.
func TestRules(t *testing.T) {
	m := newRunner().machine(sound())
	m.run()
	u := m.db.t.units[1]
	m.db.t.rules["c-strange"] = book.Rule{Taking: analytics.TakesFirst}
	before := u.ledger.Samples
	sample := analytics.Sample{Time: m.now - 1000, Has: analytics.HasSoC, SoC: 1234}
	in := analytics.Incoming{
		Delivery: analytics.Delivery{Stream: "s", Sequence: 1, Collector: "c-strange", StoredAt: m.now},
		Units:    []analytics.UnitSamples{{Serial: u.serial, Samples: []analytics.Sample{sample}}},
	}
	take := func(in analytics.Incoming) analytics.DeliveryTally {
		t.Helper()
		tx := &transaction{db: m.db, p: &process{m: m, slot: -1, yield: func(analytics.Millis) bool { return true }}, life: m.db.life}
		tallies, err := book.Take(context.Background(), tx, &book.Room{}, m.now, []analytics.Incoming{in})
		if err != nil {
			t.Fatal(err)
		}
		next, err := m.db.t.apply(tx.changes, tx.released, passes{})
		if err != nil {
			t.Fatal(err)
		}
		m.db.t = next
		tx.end()
		return tallies[0]
	}
	if x := take(in); x.Quarantined != 1 {
		t.Fatalf("foreign: %+v", x)
	}
	if a := m.db.t.asking[asked{1, "c-strange"}]; a.Samples != 1 || a.FirstAt != m.now {
		t.Errorf("asking: %+v", a)
	}
	ready := func() (n int) {
		for _, h := range m.db.heldRegistered(100) {
			if h.Collector == "c-strange" {
				n++
			}
		}
		return n
	}
	if n := ready(); n != 0 {
		t.Errorf("%d rows are ready before the unit is bound", n)
	}
	bound := m.db.t.units[1].clone()
	bound.bound = []string{"c-strange"}
	m.db.t.units[1] = bound
	if n := ready(); n != 1 {
		t.Errorf("%d rows are ready", n)
	}
	in.Sequence, in.Units[0].Samples[0].Time = 2, m.now
	if x := take(in); x.Accepted != 1 || m.db.t.units[1].ledger.Samples != before+1 {
		t.Errorf("bound: %+v, %d samples more", x, m.db.t.units[1].ledger.Samples-before)
	}
}
