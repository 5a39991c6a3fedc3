package sim

import (
	"strings"
	"testing"

	"fadeledger/analytics"
)

// sound is a schedule in which everything that is checked occurs.
func sound() Schedule {
	return Schedule{
		Seed: 7, Workers: 2, Partitions: 2, Days: 2, Slow: 300,
		Collectors: []CollectorPlan{{Name: "c-0", Receipts: true}, {Name: "meter", Rank: 1, Receipts: true, JSON: true}},
		Units: []UnitPlan{
			{Serial: "SN001", Seed: 11, Cadence: 12, Second: 1, Counters: true, Late: 30, Again: 40, Dispute: 40, Future: 70, Bad: 30, Poison: 10},
			{Serial: "SN002", Seed: 12, Cadence: 20, Second: -1, Registered: 1500},
			{Serial: "SN003", Seed: 13, Cadence: 30, Second: -1, Registered: -1},
		},
		Faults: []Fault{{At: 90_000, Kind: Correct, N: 60, For: 20_000}, {At: 100_000, Kind: Kill, For: 30}},
	}
}

// TestCheckerFails: a checker that cannot fail proves nothing. Each history is
// good but for one thing, which must be told.
func TestCheckerFails(t *testing.T) {
	tests := map[string]struct {
		spoil func(*machine, *tables)
		want  string
	}{
		"a delivery is lost": {func(_ *machine, t *tables) {
			for p, d := range t.deliveries {
				if d.number > 0 {
					delete(t.deliveries, p)
					return
				}
			}
		}, "is lost"},
		"a delivery was never sent": {func(m *machine, _ *tables) { m.truth = truth{} }, "was never sent"},
		"a delivery was stored at another time": {func(_ *machine, t *tables) {
			each(t.deliveries, func(d *recorded) { d.stored++ })
		}, "was not stored at"},
		"a tally does not balance": {func(_ *machine, t *tables) {
			each(t.deliveries, func(d *recorded) { d.tally.Accepted++ })
		}, "does not balance"},
		"a tally shifts a row": {func(_ *machine, t *tables) {
			each(t.deliveries, func(d *recorded) { d.tally.Accepted--; d.tally.Duplicates++ })
		}, "duplicates, the units know"},
		"a row is read twice": {func(_ *machine, t *tables) {
			each(t.deliveries, func(d *recorded) { d.tally.Accepted++; d.tally.Read++ })
		}, "read "},
		"a total is off": {func(_ *machine, t *tables) {
			c := t.collectors["c-0"]
			c.Tally.Read++
			t.collectors["c-0"] = c
		}, "the totals are"},
		"an unreadable row is gone":        {func(_ *machine, t *tables) { forget(t, "time-unreadable") }, "rows are in quarantine"},
		"a row from the future is gone":    {func(_ *machine, t *tables) { forget(t, analytics.ReasonFuture) }, "rows are in quarantine"},
		"a row of an unknown unit is gone": {func(_ *machine, t *tables) { forget(t, analytics.ReasonUnknownUnit) }, "rows are in quarantine"},
		"a row of an unknown unit is another": {func(_ *machine, t *tables) {
			each(t.quarantine, func(h *heldRow) {
				if h.Serial == "SN003" {
					h.Samples = []analytics.Sample{{Time: h.Samples[0].Time, Has: analytics.HasSoC, SoC: 1}}
				}
			})
		}, "rows of unknown units"},
		"a released row is held": {func(_ *machine, t *tables) {
			each(t.quarantine, func(h *heldRow) { h.released = false })
		}, "still held"},
		"a delivery that cannot be counted is not kept": {func(_ *machine, t *tables) {
			each(t.quarantine, func(h *heldRow) {
				if h.Line == 0 {
					h.Raw = h.Raw[:len(h.Raw)-1]
				}
			})
		}, "not kept as a whole"},
		"a duplicate too many":    {unit(func(u *unitTable) { u.ledger.Duplicates++ }), "duplicates"},
		"a conflict too few":      {unit(func(u *unitTable) { u.ledger.Conflicts-- }), "conflicts"},
		"a superseded too many":   {unit(func(u *unitTable) { u.ledger.Superseded++ }), "superseded"},
		"a wrong number":          {unit(func(u *unitTable) { u.ledger.Samples++ }), "the ledger says"},
		"a version is gone":       {unit(func(u *unitTable) { u.others = u.others[1:] }), "versions, the units hold"},
		"a sample is gone":        {unit(func(u *unitTable) { u.pieces = u.pieces[1:] }), "not that of the samples"},
		"a sample is kept twice":  {unit(func(u *unitTable) { u.pieces = append(u.pieces, u.pieces[0]) }), "kept twice"},
		"an event is gone":        {unit(func(u *unitTable) { u.events = u.events[1:] }), "events"},
		"an excursion is gone":    {unit(func(u *unitTable) { u.excursions = u.excursions[1:] }), "excursions"},
		"an excursion is longer":  {unit(func(u *unitTable) { u.excursions[0].End++ }), "excursions"},
		"a day is gone":           {unit(func(u *unitTable) { u.days = nil }), "day "},
		"a correction is gone":    {unit(func(u *unitTable) { u.corrections = nil }), "samples"},
		"a state of another time": {unit(func(u *unitTable) { u.ledger.State = nil }), "samples: the ledger has 0"},
	}
	good := newRunner().machine(sound())
	if good.run(); len(good.trouble) > 0 {
		t.Fatalf("the history is not good: %q", good.trouble)
	}
	if good.check(); len(good.trouble) > 0 {
		t.Fatalf("the history is not good: %q", good.trouble)
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			m := newRunner().machine(sound())
			m.run()
			test.spoil(m, m.db.t)
			m.check()
			if text := strings.Join(m.trouble, "\n"); !strings.Contains(text, test.want) {
				t.Errorf("told is %q, want something about %q", text, test.want)
			}
		})
	}
}

// each changes the first entry of a table in order of nothing in particular;
// every entry is as good.
func each[K comparable, V any](table map[K]*V, change func(*V)) {
	for _, v := range table {
		change(v)
	}
}

func forget(t *tables, reason string) {
	for id, h := range t.quarantine {
		if h.Reason == reason && (!h.released || reason == analytics.ReasonFuture) {
			delete(t.quarantine, id)
		}
	}
}

// unit changes the first unit.
func unit(change func(*unitTable)) func(*machine, *tables) {
	return func(_ *machine, t *tables) { change(t.units[1]) }
}

// TestReceiptsAreChecked: a receipt must be true and must not go back.
func TestReceiptsAreChecked(t *testing.T) {
	m := newRunner().machine(sound())
	m.run()
	m.checkReceipt(analytics.Receipt{Collector: "c-0", Series: "run-1", Through: 1, Last: 9999})
	if len(m.trouble) != 1 || !strings.Contains(m.trouble[0], "is not committed") {
		t.Errorf("told is %q", m.trouble)
	}
	m.trouble = nil
	c := m.collectors[0]
	m.db.t.numbers = map[series]map[int64]bool{}
	c.last["run-1"] = analytics.Receipt{Collector: "c-0", Series: "run-1", Through: 1, Last: 1}
	c.receipt()
	if len(m.trouble) != 1 || !strings.Contains(m.trouble[0], "went back") {
		t.Errorf("told is %q", m.trouble)
	}
}

// TestAcknowledgedAndNotRecorded: the broker's side is checked at every
// acknowledgement.
func TestAcknowledgedAndNotRecorded(t *testing.T) {
	m := newRunner().machine(sound())
	if err := m.broker.publish("c-0", "1", nil, []byte("x")); err != nil {
		t.Fatal(err)
	}
	p := &process{m: m, slot: -1, yield: func(analytics.Millis) bool { return true }}
	partition := m.broker.list[0].partition
	for list := m.broker.pull(p, partition, 1); ; list = m.broker.pull(p, partition, 1) {
		if len(list) == 1 {
			if err := list[0].Ack(); err != nil {
				t.Fatal(err)
			}
			break
		}
	}
	if len(m.trouble) != 1 || !strings.Contains(m.trouble[0], "not recorded") {
		t.Errorf("told is %q", m.trouble)
	}
}

// TestNoRest: a run that does not come to rest fails.
func TestNoRest(t *testing.T) {
	s := sound()
	stuck := Plant{put: func(s *seams) {
		s.commit = func(*transaction, error) error { return errDown }
	}}
	if r := Run(s, stuck); len(r.Trouble) == 0 || !strings.Contains(strings.Join(r.Trouble, " "), "come to rest") {
		t.Errorf("told is %q", r.Trouble)
	}
}
