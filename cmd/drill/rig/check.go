package rig

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/ingest/broker"
	"fadeledger/store"
)

// Evidence is what an oracle judges by.
type Evidence struct {
	Units  []analytics.Unit
	Models map[string]*analytics.Model
	Terms  map[string]*analytics.Terms
	// Delivered are all deliveries that collectors made ready.
	Delivered []Truth
	// DB is the service's database, which is at rest.
	DB *store.DB
}

// Oracle says in which units the service differs from what was delivered.
type Oracle func(ctx context.Context, e Evidence) (differences []string)

// Offline compares the ledger of every unit with an offline count of the
// samples that were delivered, key by key and byte by byte.
func Offline(ctx context.Context, e Evidence) []string {
	var out []string
	sets := Multiset(e.Delivered)
	for _, u := range e.Units {
		set := sets[u.Serial]
		if set == nil {
			set = &analytics.SampleSet{}
		}
		r := set.Resolve()
		m := e.Models[u.Model]
		a := analytics.Count(m, r.Counting)
		want := analytics.LedgerOf(m, e.Terms[u.Terms], &a.Counter, a.Excursions, a.Events, analytics.Versions{
			Duplicates: r.Duplicates, Conflicts: r.Conflicts, Superseded: r.Superseded,
		})
		want.Unit = u.Serial
		got, err := e.DB.Unit(ctx, u.Serial)
		if err != nil {
			out = append(out, fmt.Sprintf("unit %s: %v", u.Serial, err))
			continue
		}
		out = append(out, compareLedgers(u.Serial, got.Ledger, want)...)
	}
	return out
}

// compareLedgers names the fields in which two ledgers differ.
func compareLedgers(serial analytics.Serial, got, want analytics.Ledger) []string {
	g, w := fieldsOf(got), fieldsOf(want)
	var out []string
	for _, name := range sortedKeys(w) {
		if string(g[name]) != string(w[name]) {
			out = append(out, fmt.Sprintf("unit %s: %s is %.300s, want %.300s", serial, name, g[name], w[name]))
		}
	}
	if len(g) != len(w) {
		out = append(out, fmt.Sprintf("unit %s: %d fields, want %d", serial, len(g), len(w)))
	}
	return out
}

func fieldsOf(l analytics.Ledger) map[string]json.RawMessage {
	b, err := json.Marshal(l)
	var fields map[string]json.RawMessage
	if err == nil {
		err = json.Unmarshal(b, &fields)
	}
	if err != nil {
		panic(err) // a ledger marshals to an object
	}
	return fields
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// message is what the stream holds at a sequence.
type message struct {
	sequence uint64
	batch    string
}

// check compares everything at rest with what was delivered.
func (m *machine) check(ctx context.Context, r *Result) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	messages, err := m.messages(ctx)
	if err != nil {
		return err
	}
	var truths []*Truth
	var records []analytics.Delivery
	for _, c := range m.collectors {
		c.mu.Lock()
		truths = append(truths, c.all...)
		r.Differences = append(r.Differences, c.backwards...)
		r.Resent += c.resent
		c.mu.Unlock()
		list, err := m.db.Batches(ctx, c.name, "")
		if err != nil {
			return err
		}
		records = append(records, list...)
	}
	books := newBooks(m, truths, records, messages)
	r.Differences = append(r.Differences, books.differences()...)
	evidence, err := m.evidence(ctx, truths)
	if err != nil {
		return err
	}
	oracle := m.cfg.Oracle
	if oracle == nil {
		oracle = Offline
	}
	r.Differences = append(r.Differences, oracle(ctx, evidence)...)
	r.Deliveries, r.Stored, r.Counted, r.Samples = len(truths), len(messages), len(records), books.samples
	r.Shared, r.Again = m.handed.shared()
	r.Reused = reused(records)
	return m.checkQuarantine(ctx, r, truths)
}

// reused counts the sequences that were recorded with more than one content.
func reused(records []analytics.Delivery) int {
	first, again := map[uint64]string{}, map[uint64]bool{}
	for _, d := range records {
		if batch, ok := first[d.Sequence]; ok && batch != d.Batch {
			again[d.Sequence] = true
		}
		first[d.Sequence] = d.Batch
	}
	return len(again)
}

// messages reads the whole stream.
func (m *machine) messages(ctx context.Context) ([]message, error) {
	info, err := m.stream.Info(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the stream: %w", err)
	}
	var out []message
	for sequence := info.State.FirstSeq; sequence <= info.State.LastSeq && sequence > 0; sequence++ {
		raw, err := m.stream.GetMsg(ctx, sequence)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("read the stream at %d: %w", sequence, err)
		}
		out = append(out, message{sequence, raw.Header.Get(broker.HeaderBatch)})
	}
	return out, nil
}

func (m *machine) evidence(ctx context.Context, truths []*Truth) (Evidence, error) {
	models, terms, err := m.db.Catalogue(ctx)
	if err != nil {
		return Evidence{}, err
	}
	e := Evidence{Models: models, Terms: terms, DB: m.db}
	for _, h := range m.plan.fleet.Homes {
		e.Units = append(e.Units, h.Unit)
	}
	for _, t := range truths {
		e.Delivered = append(e.Delivered, *t)
	}
	return e, nil
}

// books compares three accounts of the deliveries: the collectors', the
// stream's and the database's.
type books struct {
	identity  string
	rewound   bool
	truths    map[string]*Truth // by batch
	order     []*Truth
	records   []analytics.Delivery
	messages  []message
	confirmed map[string]int64 // by series
	samples   int
}

func newBooks(m *machine, truths []*Truth, records []analytics.Delivery, messages []message) *books {
	b := &books{
		identity: m.identity, rewound: m.rewound.Load() > 0, truths: map[string]*Truth{}, order: truths,
		records: records, messages: messages, confirmed: map[string]int64{},
	}
	for _, t := range truths {
		t.Stored, t.Counted = 0, 0
		b.truths[t.Batch] = t
	}
	for _, c := range m.collectors {
		c.mu.Lock()
		for series, through := range c.through {
			b.confirmed[series] = through
		}
		c.mu.Unlock()
	}
	return b
}

// differences fills in how often each delivery was stored and counted, and says
// what does not agree.
func (b *books) differences() []string {
	out := append(b.checkRecords(), b.checkStream()...)
	for _, t := range b.order {
		switch {
		case t.Sent == 0 && t.Counted+t.Stored > 0:
			out = append(out, fmt.Sprintf("delivery %s was never sent, but is stored %d and counted %d times", t.Batch, t.Stored, t.Counted))
		case t.Number <= b.confirmed[t.Series] && t.Counted+t.Stored == 0:
			out = append(out, fmt.Sprintf("delivery %s is lost: it was confirmed and never counted", t.Batch))
		case !b.rewound && t.Stored != t.Counted:
			out = append(out, fmt.Sprintf("delivery %s is stored %d and counted %d times", t.Batch, t.Stored, t.Counted))
		case t.Counted > t.Sent:
			out = append(out, fmt.Sprintf("delivery %s was sent %d and counted %d times", t.Batch, t.Sent, t.Counted))
		}
	}
	return append(out, b.checkSums()...)
}

// checkRecords looks at what the database recorded.
func (b *books) checkRecords() (out []string) {
	for _, d := range b.records {
		t := b.truths[d.Batch]
		if t == nil {
			out = append(out, fmt.Sprintf("the database recorded %s at %d, which nobody delivered", d.Batch, d.Sequence))
			continue
		}
		t.Counted++
		switch x := d.Tally; {
		case !x.Balanced(), x.Read != t.rows(), x.Quarantined != t.refused():
			out = append(out, fmt.Sprintf("delivery %s at %d has the tally %+v, want %d rows with %d in quarantine", d.Batch, d.Sequence, x, t.rows(), t.refused()))
		case d.Stream != b.identity:
			out = append(out, fmt.Sprintf("delivery %s is recorded of the stream %s, want %s", d.Batch, d.Stream, b.identity))
		}
	}
	return out
}

// checkStream looks for a record of every message.
func (b *books) checkStream() (out []string) {
	type place struct {
		sequence uint64
		batch    string
	}
	recorded := map[place]bool{}
	for _, d := range b.records {
		recorded[place{d.Sequence, d.Batch}] = true
	}
	for _, msg := range b.messages {
		t := b.truths[msg.batch]
		if t == nil {
			out = append(out, fmt.Sprintf("the stream holds %q at %d, which nobody delivered", msg.batch, msg.sequence))
			continue
		}
		t.Stored++
		if !recorded[place(msg)] {
			out = append(out, fmt.Sprintf("delivery %s stands in the stream at %d and was not counted", msg.batch, msg.sequence))
		}
	}
	return out
}

// checkSums compares the sums of all verdicts with the samples delivered.
func (b *books) checkSums() (out []string) {
	distinct := map[household.Reading]bool{}
	var rows int64
	for _, t := range b.order {
		rows += int64(t.Counted * len(t.Readings))
		for _, r := range t.Readings {
			distinct[r] = true
		}
	}
	b.samples = len(distinct)
	var sum analytics.DeliveryTally
	for _, d := range b.records {
		sum.Add(d.Tally)
	}
	if n := sum.Accepted + sum.Disputed + sum.Superseded; n != int64(len(distinct)) {
		out = append(out, fmt.Sprintf("%d samples have a verdict, %d were delivered", n, len(distinct)))
	}
	if want := rows - int64(len(distinct)); sum.Duplicates != want {
		out = append(out, fmt.Sprintf("%d rows are duplicates, want %d", sum.Duplicates, want))
	}
	return out
}

// checkQuarantine compares the rows in quarantine with those that belong there.
func (m *machine) checkQuarantine(ctx context.Context, r *Result, truths []*Truth) error {
	summary, err := m.db.Ingest(ctx)
	if err != nil {
		return err
	}
	var got, want int64
	for _, q := range summary.Quarantine {
		if q.Reason != analytics.ReasonConflictingSample {
			got += q.Rows
		}
	}
	for _, t := range truths {
		want += int64(t.Counted) * t.refused()
	}
	if got != want {
		r.Differences = append(r.Differences, fmt.Sprintf("%d rows are in quarantine, want %d", got, want))
	}
	if !summary.Tally.Balanced() {
		r.Differences = append(r.Differences, fmt.Sprintf("the sum of all deliveries is not balanced: %+v", summary.Tally))
	}
	return nil
}
