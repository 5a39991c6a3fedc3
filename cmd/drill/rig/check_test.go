package rig

import (
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
)

// history is a small run by hand: two deliveries of two readings, each sent,
// stored and counted once.
func history() *books {
	at := func(i int64) household.Reading {
		return household.Reading{Serial: "HB5-1", Sample: analytics.Sample{Time: analytics.Instant(i), Has: analytics.HasSoC}}
	}
	one := &Truth{Series: "r", Number: 1, Batch: "r/1", Sent: 1, Readings: []household.Reading{at(1), at(2)}, Refused: 1}
	two := &Truth{Series: "r", Number: 2, Batch: "r/2", Sent: 1, Readings: []household.Reading{at(2), at(3)}}
	record := func(sequence uint64, batch string, t analytics.DeliveryTally) analytics.Delivery {
		return analytics.Delivery{Stream: "S/1", Sequence: sequence, Batch: batch, Tally: t}
	}
	return &books{
		identity: "S/1", order: []*Truth{one, two}, truths: map[string]*Truth{"r/1": one, "r/2": two},
		confirmed: map[string]int64{"r": 2},
		records: []analytics.Delivery{
			record(1, "r/1", analytics.DeliveryTally{Read: 3, Accepted: 2, Quarantined: 1}),
			record(2, "r/2", analytics.DeliveryTally{Read: 2, Accepted: 1, Duplicates: 1}),
		},
		messages: []message{{1, "r/1"}, {2, "r/2"}},
	}
}

// TestBooksFindEveryWrong changes a sound history in one place each.
func TestBooksFindEveryWrong(t *testing.T) {
	t.Parallel()
	if got := history().differences(); len(got) > 0 {
		t.Fatalf("a sound history differs: %q", got)
	}
	for _, c := range []struct {
		name, want string
		spoil      func(*books)
	}{
		{"lost behind a confirmation", "is lost", func(b *books) { b.records, b.messages = b.records[:1], b.messages[:1] }},
		{"stored and not counted", "was not counted", func(b *books) { b.records = b.records[:1] }},
		{"counted twice", "stored 1 and counted 2", func(b *books) {
			again := b.records[1]
			again.Sequence, again.Tally = 3, analytics.DeliveryTally{Read: 2, Duplicates: 2}
			b.records = append(b.records, again)
		}},
		{"counted at another place", "was not counted", func(b *books) { b.records[0].Sequence = 7 }},
		{"counted more often than sent, after a rewind", "sent 1 and counted 2", func(b *books) {
			b.rewound = true
			b.records = append(b.records, b.records[1])
		}},
		{"counted and never sent", "never sent", func(b *books) { b.order[1].Sent = 0 }},
		{"counted and never delivered", "nobody delivered", func(b *books) { b.records[0].Batch = "x/1" }},
		{"stored and never delivered", "nobody delivered", func(b *books) { b.messages[0].batch = "" }},
		{"a tally that is not balanced", "has the tally", func(b *books) { b.records[0].Tally.Accepted++ }},
		{"a row that went missing", "has the tally", func(b *books) {
			b.records[0].Tally = analytics.DeliveryTally{Read: 2, Accepted: 1, Quarantined: 1}
		}},
		{"a row in quarantine that counts", "has the tally", func(b *books) {
			b.records[0].Tally = analytics.DeliveryTally{Read: 3, Accepted: 1, Quarantined: 2}
		}},
		{"a sample counted twice", "have a verdict", func(b *books) {
			b.records[1].Tally = analytics.DeliveryTally{Read: 2, Accepted: 2}
		}},
		{"another stream", "of the stream", func(b *books) { b.records[0].Stream = "S/2" }},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b := history()
			c.spoil(b)
			if got := strings.Join(b.differences(), "\n"); !strings.Contains(got, c.want) {
				t.Errorf("found %q, want %q", got, c.want)
			}
		})
	}
}

func TestLedgersAreComparedFieldByField(t *testing.T) {
	t.Parallel()
	want := analytics.Ledger{Model: "HB-5", Samples: 3, Charge: 7}
	got := want
	if d := compareLedgers("HB5-1", got, want); len(d) > 0 {
		t.Errorf("equal ledgers differ: %q", d)
	}
	got.Charge, got.HalfCycles[4] = 8, 1
	d := strings.Join(compareLedgers("HB5-1", got, want), "\n")
	for _, field := range []string{"charge_mwh is 8, want 7", `half_cycles is {"4":1}, want {}`} {
		if !strings.Contains(d, field) {
			t.Errorf("found %q, want %q", d, field)
		}
	}
	if n := strings.Count(d, "\n"); n != 1 {
		t.Errorf("found %q", d)
	}
}

func TestReusedSequences(t *testing.T) {
	t.Parallel()
	list := []analytics.Delivery{{Sequence: 1, Batch: "a"}, {Sequence: 2, Batch: "b"}, {Sequence: 2, Batch: "c"}, {Sequence: 2, Batch: "c"}}
	if n := reused(list); n != 1 {
		t.Errorf("%d sequences used again, want 1", n)
	}
}
