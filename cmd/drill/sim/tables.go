package sim

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"

	"fadeledger/analytics"
	"fadeledger/store/book"
)

// errUnique: a row is there already. The transaction is tried again.
var errUnique = errors.New("unique violation")

// tables are what the database holds. They are never changed: a commit makes
// new ones that share what stayed the same, so that a copy costs nothing.
type tables struct {
	units      map[int32]*unitTable
	deliveries map[book.Place]*recorded
	collectors map[string]book.Collector
	numbers    map[series]map[int64]bool
	quarantine map[int64]*heldRow
	// rules are what collectors may deliver; asking what those that are held to
	// something ask for.
	rules  map[string]book.Rule
	asking map[asked]book.Asking
	// marks say up to where what is acknowledged was found in the books.
	marks    map[partition]book.Place
	lastHeld int64
	lastMade int64
	commits  int
}

// unitTable is all about one unit.
type unitTable struct {
	id          int32
	serial      analytics.Serial
	model       *analytics.Model
	bound       []string
	ledger      book.Ledger
	pieces      []book.Piece
	others      []analytics.Version
	days        []dayRow
	excursions  []book.Excursion
	events      []analytics.Event
	corrections []analytics.Correction
}

type dayRow struct {
	day  analytics.Day
	body []byte
}

// recorded is a delivery in the books.
type recorded struct {
	book.Place
	collector string
	batch     string
	series    string
	number    int64
	stored    analytics.Instant
	counted   analytics.Instant
	releases  []int64
	tally     analytics.DeliveryTally
}

type partition struct {
	stream string
	number int
}

type asked struct {
	unit      int32
	collector string
}

type series struct{ collector, name string }

// heldRow is an entry of the quarantine.
type heldRow struct {
	analytics.Held
	place    book.Place
	released bool
}

func newTables() *tables {
	return &tables{
		units: map[int32]*unitTable{}, deliveries: map[book.Place]*recorded{}, collectors: map[string]book.Collector{},
		numbers: map[series]map[int64]bool{}, quarantine: map[int64]*heldRow{}, marks: map[partition]book.Place{},
		rules: map[string]book.Rule{}, asking: map[asked]book.Asking{},
	}
}

func (t *tables) clone() *tables {
	n := *t
	n.units, n.deliveries, n.collectors = maps.Clone(t.units), maps.Clone(t.deliveries), maps.Clone(t.collectors)
	n.numbers, n.quarantine, n.marks = maps.Clone(t.numbers), maps.Clone(t.quarantine), maps.Clone(t.marks)
	n.rules, n.asking = maps.Clone(t.rules), maps.Clone(t.asking)
	return &n
}

func (u *unitTable) clone() *unitTable {
	n := *u
	n.pieces, n.others, n.days = slices.Clone(u.pieces), slices.Clone(u.others), slices.Clone(u.days)
	n.excursions, n.events, n.corrections = slices.Clone(u.excursions), slices.Clone(u.events), slices.Clone(u.corrections)
	return &n
}

// register makes a unit known.
func (t *tables) register(id int32, serial analytics.Serial, model *analytics.Model) *tables {
	n := t.clone()
	n.units[id] = &unitTable{id: id, serial: serial, model: model, ledger: book.Ledger{Unit: id}}
	n.commits++
	return n
}

// applying makes changes on a copy.
type applying struct {
	*tables
	touched map[int32]bool
	passes
}

// passes is what may be there already, as a plant may want it: rows, and
// released rows that are released again.
type passes struct{ lax, release bool }

// apply gives the tables with the changes and the released rows. The changes
// may be used again afterwards.
func (t *tables) apply(c *book.Changes, released []int64, p passes) (*tables, error) {
	a := &applying{tables: t.clone(), touched: map[int32]bool{}, passes: p}
	a.commits++
	a.drop(c)
	for _, insert := range []func(*book.Changes) error{a.insertPieces, a.insertDays, a.insertOthers, a.record} {
		if err := insert(c); err != nil {
			return nil, err
		}
	}
	for _, id := range released {
		h := a.quarantine[id]
		if h == nil || h.released && !p.release {
			return nil, fmt.Errorf("%w: row %d was released meanwhile", analytics.ErrConflict, id)
		}
		n := *h
		n.released = true
		a.quarantine[id] = &n
	}
	a.sum(c)
	return a.tables, nil
}

// unit gives a unit to be changed.
func (a *applying) unit(id int32) *unitTable {
	if !a.touched[id] {
		a.touched[id] = true
		a.units[id] = a.units[id].clone()
	}
	return a.units[id]
}

func (a *applying) drop(c *book.Changes) {
	for _, d := range c.Rewritten {
		u := a.unit(d.Unit)
		u.pieces = slices.DeleteFunc(u.pieces, func(p book.Piece) bool { return p.Samples[0].Time.Day() == d.Day })
	}
	for _, m := range c.Moved {
		u := a.unit(m.Unit)
		u.others = slices.DeleteFunc(u.others, func(v analytics.Version) bool { return v.Time == m.At })
	}
	for _, id := range c.Anew {
		u := a.unit(id)
		u.days, u.excursions, u.events = nil, nil, nil
	}
	for _, d := range c.Again {
		u := a.unit(d.Unit)
		u.excursions = slices.DeleteFunc(u.excursions, func(x book.Excursion) bool { return x.EndedOn == d.Day })
		u.events = slices.DeleteFunc(u.events, func(e analytics.Event) bool { return e.At.Day() == d.Day })
	}
	for _, d := range slices.Concat(c.Again, c.Reopened) {
		u := a.unit(d.Unit)
		u.days = slices.DeleteFunc(u.days, func(r dayRow) bool { return r.day == d.Day })
	}
}

func (a *applying) insertPieces(c *book.Changes) error {
	for _, l := range c.Ledgers {
		l.State = slices.Clone(l.State)
		a.unit(l.Unit).ledger = l
	}
	for _, p := range c.Pieces {
		u := a.unit(p.Unit)
		first, last := p.Samples[0].Time, p.Samples[len(p.Samples)-1].Time
		for _, o := range u.pieces {
			if o.Samples[0].Time <= last && first <= o.Samples[len(o.Samples)-1].Time && !a.lax {
				return fmt.Errorf("%w: samples of unit %s at %s", errUnique, u.serial, first.Time())
			}
		}
		p.Samples = slices.Clone(p.Samples)
		u.pieces = append(u.pieces, p)
	}
	return nil
}

func (a *applying) insertDays(c *book.Changes) error {
	for i := range c.Days {
		d := &c.Days[i]
		u := a.unit(d.Unit)
		body, err := d.Segment.AppendBinary(nil)
		if err != nil {
			return err
		}
		at, there := slices.BinarySearchFunc(u.days, d.Segment.Day(), func(r dayRow, day analytics.Day) int { return cmp.Compare(r.day, day) })
		switch {
		case there && !a.lax:
			return fmt.Errorf("%w: day %s of unit %s", errUnique, d.Segment.Day(), u.serial)
		case there:
			u.days[at].body = body
		default:
			u.days = slices.Insert(u.days, at, dayRow{d.Segment.Day(), body})
		}
	}
	for _, x := range c.Excursions {
		u := a.unit(x.Unit)
		if slices.ContainsFunc(u.excursions, func(o book.Excursion) bool { return o.Start == x.Start && o.Kind == x.Kind }) && !a.lax {
			return fmt.Errorf("%w: excursion of unit %s", errUnique, u.serial)
		}
		u.excursions = append(u.excursions, x)
	}
	for _, e := range c.Events {
		u := a.unit(e.Unit)
		if slices.Contains(u.events, e.Event) && !a.lax {
			return fmt.Errorf("%w: event of unit %s", errUnique, u.serial)
		}
		u.events = append(u.events, e.Event)
	}
	return nil
}

func (a *applying) insertOthers(c *book.Changes) error {
	for _, o := range c.Others {
		u := a.unit(o.Unit)
		if slices.ContainsFunc(u.others, func(v analytics.Version) bool { return v.Sample == o.Sample }) && !a.lax {
			return fmt.Errorf("%w: version of unit %s", errUnique, u.serial)
		}
		u.others = append(u.others, o.Version)
	}
	for _, m := range c.Corrections {
		u := a.unit(m.Unit)
		a.lastMade++
		m.ID = a.lastMade
		made := *m.Correction
		made.Samples = slices.Clone(made.Samples)
		u.corrections = append(u.corrections, made)
	}
	return nil
}

func (a *applying) record(c *book.Changes) error {
	for i := range c.Deliveries {
		x := &c.Deliveries[i]
		d := x.Delivery
		r := &recorded{
			Place: book.PlaceOf(d), collector: d.Collector, batch: d.Batch, series: d.Series, number: d.Number,
			stored: d.StoredAt, counted: c.Now, releases: slices.Clone(d.Releases), tally: x.Tally,
		}
		if a.deliveries[r.Place] != nil && !a.lax {
			return fmt.Errorf("%w: delivery %d", errUnique, d.Sequence)
		}
		a.deliveries[r.Place] = r
	}
	a.hold(c)
	for _, n := range c.Numbered {
		a.number(n)
	}
	return nil
}

// hold puts entries into quarantine.
func (a *applying) hold(c *book.Changes) {
	for _, h := range c.Quarantine {
		a.lastHeld++
		q := *h.Quarantined
		q.ID, q.Rows = a.lastHeld, int64(h.Rows)
		d := h.Delivery
		q.Collector, q.Sequence, q.Batch, q.StoredAt = d.Collector, d.Sequence, d.Batch, d.StoredAt
		a.quarantine[q.ID] = &heldRow{
			Held: analytics.Held{
				Quarantined: q, ContentType: d.ContentType, Header: slices.Clone(d.Header), Samples: slices.Clone(h.Samples),
			},
			place: book.PlaceOf(d),
		}
	}
}

func (a *applying) number(n book.Numbered) {
	k := series{n.Collector, n.Series}
	set := maps.Clone(a.numbers[k])
	if set == nil {
		set = map[int64]bool{}
	}
	set[n.Number] = true
	a.numbers[k] = set
}

func (a *applying) sum(c *book.Changes) {
	for _, x := range c.Collectors {
		sum := a.collectors[x.Name]
		sum.Name = x.Name
		sum.Deliveries += x.Deliveries
		sum.Tally.Add(x.Tally)
		sum.LastStored = max(sum.LastStored, x.LastStored)
		a.collectors[x.Name] = sum
	}
	for _, x := range c.Asking {
		k := asked{x.Unit, x.Collector}
		if before, ok := a.asking[k]; ok {
			x.FirstAt, x.LastAt = min(before.FirstAt, x.FirstAt), max(before.LastAt, x.LastAt)
			x.Samples += before.Samples
		}
		a.asking[k] = x
	}
}

// samples gives the counting samples of a unit in [from, to) in order.
func (u *unitTable) samples(from, to analytics.Instant) []analytics.Sample {
	var list []analytics.Sample
	for _, p := range u.pieces {
		if p.Samples[len(p.Samples)-1].Time < from || p.Samples[0].Time >= to {
			continue
		}
		for _, s := range p.Samples {
			if from <= s.Time && s.Time < to {
				list = append(list, s)
			}
		}
	}
	slices.SortStableFunc(list, func(a, b analytics.Sample) int { return cmp.Compare(a.Time, b.Time) })
	return list
}

// stale reports that the state is of another version.
func (u *unitTable) stale() bool {
	return len(u.ledger.State) > 0 && u.ledger.State[0] != analytics.CounterVersion
}

// segments gives the complete days.
func (u *unitTable) segments() ([]analytics.Segment, error) {
	list := make([]analytics.Segment, len(u.days))
	for i, d := range u.days {
		if err := list[i].UnmarshalBinary(d.body); err != nil {
			return nil, err
		}
	}
	return list, nil
}

// receipt says which numbers of a series are committed.
func (t *tables) receipt(collector, name string) analytics.Receipt {
	r := analytics.Receipt{Collector: collector, Series: name}
	for _, n := range slices.Sorted(maps.Keys(t.numbers[series{collector, name}])) {
		if n > r.Last+1 {
			r.Holes = append(r.Holes, [2]int64{r.Last + 1, n - 1})
		}
		if n == r.Through+1 {
			r.Through = n
		}
		r.Last = n
	}
	return r
}

// covers reports whether a receipt covers a number.
func covers(r analytics.Receipt, n int64) bool {
	if n > r.Last {
		return false
	}
	return !slices.ContainsFunc(r.Holes, func(h [2]int64) bool { return h[0] <= n && n <= h[1] })
}
