package sim

import (
	"bytes"
	"cmp"
	"fmt"
	"maps"
	"slices"

	"fadeledger/analytics"
	"fadeledger/cmd/drill/reference"
	"fadeledger/cmd/drill/reference/convert"
	"fadeledger/store/book"
)

// truth is what was offered: every parcel by its collector, name and series.
type truth map[parcelKey]*parcel

type parcelKey struct {
	collector, name, series string
	number                  int64
}

// archive remembers a parcel. What reads no numbers has none.
func (m *machine) archive(c *collector, p *parcel) {
	m.truth[keyOf(c, p)] = p
}

func keyOf(c *collector, p *parcel) parcelKey {
	if !c.plan.Receipts {
		return parcelKey{c.plan.Name, p.name, "", 0}
	}
	return parcelKey{c.plan.Name, p.name, p.series, p.number}
}

// recorded reports whether the database holds a delivery.
func (m *machine) recorded(s *stored) bool { return m.db.t.deliveries[m.broker.place(s)] != nil }

// checkReceipt fails where a receipt claims what is not committed.
func (m *machine) checkReceipt(r analytics.Receipt) {
	there := map[int64]bool{}
	for _, d := range m.db.t.deliveries {
		if d.collector == r.Collector && d.series == r.Series {
			there[d.number] = true
		}
	}
	for n := int64(1); n <= r.Last; n++ {
		if covers(r, n) && !there[n] {
			m.fail("the receipt of %s for %s claims %d, which is not committed", r.Collector, r.Series, n)
			return
		}
	}
}

// check compares what the database holds with what was offered.
func (m *machine) check() {
	c := &checking{m: m, t: m.db.t, held: map[book.Place][]*heldRow{}, delivered: map[analytics.Serial][]reference.Delivered{}}
	for _, id := range slices.Sorted(maps.Keys(c.t.quarantine)) {
		h := c.t.quarantine[id]
		c.held[h.place] = append(c.held[h.place], h)
	}
	c.nothingLost()
	for _, place := range c.places() {
		c.delivery(c.t.deliveries[place])
	}
	c.collectors()
	for _, id := range slices.Sorted(maps.Keys(c.t.units)) {
		c.unit(c.t.units[id])
	}
	c.balance()
}

// checking is one comparison.
type checking struct {
	m    *machine
	t    *tables
	held map[book.Place][]*heldRow
	// delivered is what the reference counts, by unit.
	delivered map[analytics.Serial][]reference.Delivered
	// duplicates and versions are sums over the units.
	duplicates, versions int64
}

func (c *checking) places() []book.Place {
	list := slices.Collect(maps.Keys(c.t.deliveries))
	slices.SortFunc(list, func(a, b book.Place) int {
		return cmp.Or(cmp.Compare(a.Stream, b.Stream), cmp.Compare(a.Sequence, b.Sequence), bytes.Compare(a.Hash[:], b.Hash[:]))
	})
	return list
}

// nothingLost: what a collector has handed over is recorded.
func (c *checking) nothingLost() {
	there := map[parcelKey]bool{}
	for _, d := range c.t.deliveries {
		there[parcelKey{d.collector, d.batch, d.series, d.number}] = true
	}
	for _, x := range c.m.collectors {
		for _, p := range x.handed {
			if !there[keyOf(x, p)] {
				c.m.fail("delivery %s of %s (%s %d) is lost", p.name, x.plan.Name, p.series, p.number)
			}
		}
	}
}

// delivery checks one delivery: its rows, its quarantine, its tally.
func (c *checking) delivery(d *recorded) {
	if !d.tally.Balanced() {
		c.m.fail("delivery %s of %s does not balance: %+v", d.batch, d.collector, d.tally)
	}
	var held int64
	for _, h := range c.held[d.Place] {
		held += h.Rows
	}
	if held != d.tally.Quarantined {
		c.m.fail("delivery %s of %s: %d rows are in quarantine, its tally says %d", d.batch, d.collector, held, d.tally.Quarantined)
	}
	if d.Stream == analytics.ReleaseStream {
		c.release(d)
		return
	}
	p := c.m.truth[parcelKey{d.collector, d.batch, d.series, d.number}]
	if p == nil {
		c.m.fail("delivery %s of %s was never sent", d.batch, d.collector)
		return
	}
	if !slices.Contains(c.m.storedAt[d.Place], d.stored) {
		c.m.fail("delivery %s of %s was not stored at %s", d.batch, d.collector, d.stored.Time())
	}
	if slices.ContainsFunc(p.rows, func(r row) bool { return r.poison() }) {
		c.setAside(d, p)
		return
	}
	if d.tally.Read != int64(len(p.rows)) {
		c.m.fail("delivery %s of %s: read %d of %d rows", d.batch, d.collector, d.tally.Read, len(p.rows))
	}
	c.rows(d, p)
}

// setAside: of a delivery that cannot be counted nothing counts, and all of it
// is kept.
func (c *checking) setAside(d *recorded, p *parcel) {
	list := c.held[d.Place]
	if len(list) != 1 || list[0].Line != 0 || !bytes.Equal(list[0].Raw, p.body) {
		c.m.fail("delivery %s of %s cannot be counted and is not kept as a whole", d.batch, d.collector)
	}
}

// rows settles what became of each row of a delivery, and gives the reference
// what it is to count.
func (c *checking) rows(d *recorded, p *parcel) {
	var bad int64
	unknown := map[analytics.Serial]bool{}
	for _, h := range c.held[d.Place] {
		switch h.Reason {
		case analytics.ReasonUnknownUnit:
			unknown[h.Serial] = true
		case analytics.ReasonFuture:
		default:
			bad++
		}
	}
	var wantBad int64
	future, wantFuture := c.heldSamples(d.Place, analytics.ReasonFuture), []analytics.Sample{}
	waiting, wantWaiting := c.heldSamples(d.Place, analytics.ReasonUnknownUnit), []analytics.Sample{}
	for i := range p.rows {
		r := &p.rows[i]
		switch {
		case r.bad:
			wantBad++
		case unknown[r.serial]:
			wantWaiting = append(wantWaiting, r.sample)
		case r.sample.Time > d.stored+analytics.Instant(analytics.FutureSkew):
			wantFuture = append(wantFuture, r.sample)
			c.count(r.serial, r.sample, d.stored)
		default:
			c.count(r.serial, r.sample, d.stored)
		}
	}
	where := fmt.Sprintf("delivery %s of %s", d.batch, d.collector)
	if bad != wantBad {
		c.m.fail("%s: %d unreadable rows are kept, want %d", where, bad, wantBad)
	}
	c.same(where+": rows from the future", future, wantFuture)
	c.same(where+": rows of unknown units", waiting, wantWaiting)
}

func (c *checking) count(serial analytics.Serial, s analytics.Sample, stored analytics.Instant) {
	c.delivered[serial] = append(c.delivered[serial], reference.Delivered{Sample: convert.Sample(s), StoredMs: int64(stored)})
}

// heldSamples gives the samples that are held of a delivery for a reason.
func (c *checking) heldSamples(place book.Place, reason string) (list []analytics.Sample) {
	for _, h := range c.held[place] {
		if h.Reason == reason {
			list = append(list, h.Samples...)
		}
	}
	return list
}

// same compares two lists of samples without regard to order.
func (c *checking) same(what string, got, want []analytics.Sample) {
	order := func(a, b analytics.Sample) int {
		return cmp.Or(cmp.Compare(a.Time, b.Time), cmp.Compare(a.SoC, b.SoC), cmp.Compare(a.Temp, b.Temp), cmp.Compare(a.Has, b.Has))
	}
	slices.SortFunc(got, order)
	slices.SortFunc(want, order)
	if !slices.Equal(got, want) {
		c.m.fail("%s: %d are held, want %d", what, len(got), len(want))
	}
}

// release checks a delivery of released rows: they count by the time of the
// release, each once.
func (c *checking) release(d *recorded) {
	for _, id := range d.releases {
		h := c.t.quarantine[id]
		if h == nil || !h.released {
			c.m.fail("row %d was released and is still held", id)
			continue
		}
		var want []analytics.Sample
		for _, s := range h.Samples {
			if c.count(h.Serial, s, d.counted); s.Time > d.counted+analytics.Instant(analytics.FutureSkew) {
				want = append(want, s)
			}
		}
		c.same(fmt.Sprintf("row %d, released: rows from the future", id), c.heldSamples(d.Place, analytics.ReasonFuture), want)
	}
}

// collectors: the totals are the sums of what is recorded, less what came back.
func (c *checking) collectors() {
	sums := map[string]analytics.DeliveryTally{}
	n := map[string]int64{}
	for _, d := range c.t.deliveries {
		x := sums[d.collector]
		x.Add(d.tally)
		sums[d.collector] = x
		if d.Stream != analytics.ReleaseStream {
			n[d.collector]++
		}
	}
	for _, h := range c.t.quarantine {
		if h.released {
			x := sums[h.Collector]
			x.Read -= h.Rows
			x.Quarantined -= h.Rows
			sums[h.Collector] = x
		}
	}
	for _, name := range slices.Sorted(maps.Keys(sums)) {
		got := c.t.collectors[name]
		if got.Tally != sums[name] || got.Deliveries != n[name] {
			c.m.fail("collector %s: the totals are %d %+v, its %d deliveries give %+v", name, got.Deliveries, got.Tally, n[name], sums[name])
		}
	}
}

// balance: what became of all rows agrees with what the units hold.
func (c *checking) balance() {
	var sum analytics.DeliveryTally
	for _, d := range c.t.deliveries {
		sum.Add(d.tally)
	}
	if sum.Duplicates != c.duplicates {
		c.m.fail("the deliveries brought %d duplicates, the units know %d", sum.Duplicates, c.duplicates)
	}
	if got := sum.Accepted + sum.Disputed + sum.Superseded; got != c.versions {
		c.m.fail("the deliveries brought %d versions, the units hold %d", got, c.versions)
	}
}
