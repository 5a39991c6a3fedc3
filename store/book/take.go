package book

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"

	"fadeledger/analytics"
)

// Room is memory that one transaction after the other can use. The zero value
// is ready. It must not be used by two transactions at once.
type Room struct {
	changes Changes
	samples []analytics.Sample
	states  []byte
}

// Take counts deliveries: what it gives are their tallies, in their order. A
// delivery that is recorded already changes nothing and gets the tally that was
// recorded. now is the time of the transaction, one for all.
func Take(ctx context.Context, tx Tx, room *Room, now analytics.Instant, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
	t := newTaking(tx, room, now)
	t.in, t.tallies = in, make([]analytics.DeliveryTally, len(in))
	units, err := t.lock(ctx)
	if err != nil {
		return nil, err
	}
	// Only now: whoever counted the same delivery held the same locks.
	if err := t.findKnown(ctx); err != nil {
		return nil, err
	}
	for i := range t.in {
		if t.known[i] {
			continue
		}
		if err := t.sort(i, units); err != nil {
			return nil, err
		}
	}
	for _, u := range t.units {
		if len(u.groups) == 0 {
			continue
		}
		if err := u.count(ctx, t); err != nil {
			return nil, fmt.Errorf("unit %s: %w", u.Serial, err)
		}
	}
	if err := t.record(ctx); err != nil {
		return nil, err
	}
	if err := t.write(ctx); err != nil {
		return nil, err
	}
	for i, first := range t.first {
		t.tallies[i] = t.tallies[first]
	}
	return t.tallies, nil
}

// taking is one transaction.
type taking struct {
	tx      Tx
	now     analytics.Instant
	in      []analytics.Incoming
	tallies []analytics.DeliveryTally
	known   []bool // deliveries that were recorded before
	first   []int  // for each delivery, the first in the call that is the same
	units   []*unitWork
	rules   map[string]Rule
	*Room
}

func newTaking(tx Tx, room *Room, now analytics.Instant) *taking {
	room.changes.Reset()
	room.changes.Now = now
	room.samples, room.states = room.samples[:0], room.states[:0]
	return &taking{tx: tx, now: now, Room: room}
}

// lock locks the ledgers of all units of the deliveries.
func (t *taking) lock(ctx context.Context) (map[analytics.Serial]*unitWork, error) {
	var serials []analytics.Serial
	seen := map[analytics.Serial]bool{}
	for i := range t.in {
		for _, u := range t.in[i].Units {
			if !seen[u.Serial] {
				seen[u.Serial] = true
				serials = append(serials, u.Serial)
			}
		}
	}
	if len(serials) == 0 {
		return nil, nil
	}
	if err := t.lockUnits(ctx, serials); err != nil {
		return nil, err
	}
	if err := t.findRules(ctx); err != nil {
		return nil, err
	}
	units := make(map[analytics.Serial]*unitWork, len(t.units))
	for _, u := range t.units {
		units[u.Serial] = u
	}
	return units, nil
}

func (t *taking) lockUnits(ctx context.Context, serials []analytics.Serial) error {
	locked, err := t.tx.Lock(ctx, serials)
	if err != nil {
		return err
	}
	slab := make([]unitWork, len(locked))
	t.units = make([]*unitWork, len(locked))
	for i := range locked {
		slab[i].Unit = locked[i]
		if err := slab[i].readState(); err != nil {
			return err
		}
		t.units[i] = &slab[i]
	}
	return nil
}

// findRules finds what the collectors of the deliveries may deliver.
func (t *taking) findRules(ctx context.Context) (err error) {
	if len(t.units) == 0 {
		return nil
	}
	var names []string
	for i := range t.in {
		if !slices.Contains(names, t.in[i].Collector) {
			names = append(names, t.in[i].Collector)
		}
	}
	t.rules, err = t.tx.Rules(ctx, names)
	return err
}

// findKnown marks the deliveries that are recorded already, and those that
// stand in the call before: they are redeliveries as well.
func (t *taking) findKnown(ctx context.Context) error {
	t.known = make([]bool, len(t.in))
	t.first = make([]int, len(t.in))
	places := make([]Place, len(t.in))
	for i := range t.in {
		places[i] = PlaceOf(&t.in[i])
	}
	recorded, err := t.tx.Recorded(ctx, places)
	if err != nil {
		return err
	}
	firsts := make(map[Place]int, len(t.in))
	for i, p := range places {
		first, again := firsts[p]
		if !again {
			first, firsts[p] = i, i
		}
		t.first[i] = first
		x, ok := recorded[p]
		t.known[i], t.tallies[i] = ok || again, x
	}
	return nil
}

// record notes the deliveries, and what they add to the totals of their
// collectors.
func (t *taking) record(ctx context.Context) error {
	c := &t.changes
	for i := range t.in {
		d := &t.in[i]
		if t.known[i] {
			continue
		}
		if !t.tallies[i].Balanced() {
			return fmt.Errorf("%w: delivery %d of %s: %+v", ErrUnbalanced, d.Sequence, d.Collector, t.tallies[i])
		}
		c.Deliveries = append(c.Deliveries, Recorded{d, t.tallies[i]})
		if d.Number > 0 {
			c.Numbered = append(c.Numbered, Numbered{d.Collector, d.Series, d.Number})
		}
	}
	slices.SortFunc(c.Numbered, func(a, b Numbered) int {
		return cmp.Or(cmp.Compare(a.Collector, b.Collector), cmp.Compare(a.Series, b.Series), cmp.Compare(a.Number, b.Number))
	})
	released, err := t.release(ctx)
	if err != nil {
		return err
	}
	totals := t.collectors(released)
	for _, name := range slices.Sorted(maps.Keys(totals)) {
		c.Collectors = append(c.Collectors, *totals[name])
	}
	t.notes()
	t.askings()
	return nil
}

// release marks the rows that deliveries bring back and gives, by collector,
// how many rows they stood for.
func (t *taking) release(ctx context.Context) (map[string]int64, error) {
	var ids []int64
	for i := range t.in {
		if !t.known[i] {
			ids = append(ids, t.in[i].Releases...)
		}
	}
	if len(ids) == 0 {
		return nil, nil
	}
	return t.tx.Release(ctx, ids, t.now)
}

// collectors sums the deliveries by collector. A released row was read and
// quarantined before: it moves, and is not read a second time.
func (t *taking) collectors(released map[string]int64) map[string]*Collector {
	totals := map[string]*Collector{}
	for i := range t.in {
		if t.known[i] {
			continue
		}
		d := &t.in[i]
		x := totals[d.Collector]
		if x == nil {
			x = &Collector{Name: d.Collector}
			totals[d.Collector] = x
		}
		x.Tally.Add(t.tallies[i])
		if d.Stream != analytics.ReleaseStream {
			x.Deliveries++
		}
		x.LastStored = max(x.LastStored, d.StoredAt)
	}
	for collector, n := range released {
		if x := totals[collector]; x != nil {
			x.Tally.Read -= n
			x.Tally.Quarantined -= n
		}
	}
	return totals
}

// notes sums the notes of the deliveries.
func (t *taking) notes() {
	type key struct{ collector, code, detail string }
	sums := map[key]*Note{}
	for i := range t.in {
		d := &t.in[i]
		if t.known[i] {
			continue
		}
		for _, n := range d.Notes {
			k := key{d.Collector, n.Code, n.Detail}
			if sums[k] == nil {
				sums[k] = &Note{Collector: d.Collector, Code: n.Code, Detail: n.Detail}
			}
			sums[k].Text = n.Text
			sums[k].Deliveries++
			sums[k].LastAt = max(sums[k].LastAt, d.StoredAt)
		}
	}
	for _, n := range sums {
		t.changes.Notes = append(t.changes.Notes, *n)
	}
	slices.SortFunc(t.changes.Notes, func(a, b Note) int {
		return cmp.Or(cmp.Compare(a.Collector, b.Collector), cmp.Compare(a.Code, b.Code), cmp.Compare(a.Detail, b.Detail))
	})
}

// write hands over everything that the transaction has gathered.
func (t *taking) write(ctx context.Context) error {
	for _, u := range t.units {
		if !u.changed {
			continue
		}
		if u.delivered != u.counts+u.others {
			return fmt.Errorf("unit %s: %w: %d versions more by delivery, %d more that count and %d more that do not",
				u.Serial, ErrUnbalanced, u.delivered, u.counts, u.others)
		}
		// All states lie one behind the other in one buffer.
		from := len(t.states)
		var err error
		if t.states, err = u.counter.AppendBinary(t.states); err != nil {
			return fmt.Errorf("write state of unit %s: %w", u.Serial, err)
		}
		t.changes.Ledgers = append(t.changes.Ledgers, Ledger{
			Unit: u.ID, State: t.states[from:len(t.states):len(t.states)], Newest: u.Newest, Samples: u.counter.Samples(), Delivered: u.delivered, Versions: u.Versions,
		})
	}
	return t.tx.Write(ctx, &t.changes)
}
