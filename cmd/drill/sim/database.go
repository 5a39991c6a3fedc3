package sim

import (
	"cmp"
	"context"
	"errors"
	"maps"
	"slices"

	"fadeledger/analytics"
	"fadeledger/store/book"
)

var (
	// errCut: the connection is gone, and nobody knows what became of what was
	// sent last.
	errCut = errors.New("connection lost")
	// errDown: the database does not answer.
	errDown = errors.New("the database is down")
	// errRefused: the database said no.
	errRefused = errors.New("the commit was refused")
)

// database holds tables and runs transactions.
type database struct {
	m *machine
	t *tables
	// locks are held by transactions until they end.
	locks map[int32]*transaction
	open  map[*transaction]bool
	// life counts crashes: a transaction of an earlier life is gone.
	life   int
	down   analytics.Instant
	backup *tables
	// restores counts how often a backup was put back.
	restores int
}

func newDatabase(m *machine) *database {
	return &database{m: m, t: newTables(), locks: map[int32]*transaction{}, open: map[*transaction]bool{}}
}

// crash ends all transactions.
func (db *database) crash(down analytics.Millis) {
	db.life++
	db.down = max(db.down, db.m.now+analytics.Instant(down))
}

// restore puts the backup back. Without one nothing happens.
func (db *database) restore(down analytics.Millis) bool {
	if db.backup == nil {
		return false
	}
	db.crash(down)
	db.t = db.backup
	db.restores++
	return true
}

// client is the database as a process sees it.
type client struct {
	db   *database
	p    *process
	room *book.Room
}

func (db *database) client(p *process) *client { return &client{db: db, p: p, room: &book.Room{}} }

// Profile gives the profile of a collector.
func (c *client) Profile(_ context.Context, collector string) (body, hash []byte, err error) {
	return profileOf(collector)
}

// ProfileByHash knows no profile: no delivery names one.
func (c *client) ProfileByHash(context.Context, []byte) ([]byte, error) {
	return nil, analytics.ErrNotFound
}

// attempts is how often a transaction is tried anew when a row was there.
const attempts = 5

// Take counts deliveries in one transaction.
func (c *client) Take(ctx context.Context, in []analytics.Incoming) (tallies []analytics.DeliveryTally, err error) {
	m := c.db.m
	if m.seams.take != nil {
		in = m.seams.take(c, in)
	}
	poisoned(in)
	err = c.keepBooks(in, func(tx book.Tx, now analytics.Instant) (err error) {
		tallies, err = book.Take(ctx, tx, c.room, now, in)
		return err
	})
	return tallies, err
}

// poisoned panics where counting is to panic.
func poisoned(in []analytics.Incoming) {
	for i := range in {
		for _, u := range in[i].Units {
			for _, s := range u.Samples {
				if s.Voltage == poisonVoltage {
					panic("a row that cannot be counted")
				}
			}
		}
	}
}

// Correct makes a correction.
func (c *client) Correct(ctx context.Context, correction *analytics.Correction) error {
	return c.keepBooks(nil, func(tx book.Tx, now analytics.Instant) error {
		return book.Correct(ctx, tx, c.room, now, correction)
	})
}

// Freshen counts a unit anew if its state is of another version.
func (c *client) Freshen(ctx context.Context, serial analytics.Serial) error {
	return c.keepBooks(nil, func(tx book.Tx, now analytics.Instant) error {
		return book.Freshen(ctx, tx, c.room, now, serial)
	})
}

// keepBooks runs one transaction, again where that helps.
func (c *client) keepBooks(in []analytics.Incoming, fn func(book.Tx, analytics.Instant) error) error {
	for attempt := 1; ; attempt++ {
		err := c.keepBooksOnce(in, fn)
		if !errors.Is(err, errUnique) || attempt == attempts {
			return err
		}
	}
}

func (c *client) keepBooksOnce(in []analytics.Incoming, fn func(book.Tx, analytics.Instant) error) error {
	m := c.db.m
	tx := &transaction{db: c.db, p: c.p, life: c.db.life, in: in}
	c.db.open[tx] = true
	defer tx.end()
	if err := tx.call("begin", nil); err != nil {
		return err
	}
	var wrapped book.Tx = tx
	if m.seams.tx != nil {
		wrapped = m.seams.tx(tx)
	}
	if err := fn(wrapped, m.now); err != nil {
		return err
	}
	if m.seams.lockOutside {
		tx.unlock()
		c.p.sleep(m.between(0, 2000))
	}
	err := tx.commit()
	if m.seams.commit != nil {
		err = m.seams.commit(tx, err)
	}
	return err
}

// transaction is one transaction. What it writes is gathered until its commit.
type transaction struct {
	db       *database
	p        *process
	life     int
	in       []analytics.Incoming
	changes  *book.Changes
	released []int64
	gone     bool // the connection is lost
}

var _ book.Tx = (*transaction)(nil)

func (tx *transaction) end() {
	tx.unlock()
	delete(tx.db.open, tx)
}

func (tx *transaction) unlock() {
	for id, holder := range tx.db.locks {
		if holder == tx {
			delete(tx.db.locks, id)
		}
	}
}

// alive reports why a transaction cannot go on, nil if it can.
func (tx *transaction) alive() error {
	switch {
	case tx.p.dead:
		return errDead
	case tx.gone || tx.life != tx.db.life:
		return errCut
	case tx.db.down > tx.db.m.now:
		return errDown
	}
	return nil
}

// call makes a call of the database, at which faults may wait.
func (tx *transaction) call(name string, do func() error) error {
	if err := tx.hit(name, false); err != nil {
		return err
	}
	if do != nil {
		if err := do(); err != nil {
			return err
		}
	}
	return tx.hit(name, true)
}

func (tx *transaction) hit(name string, after bool) error {
	if err := tx.alive(); err != nil {
		return err
	}
	if err := tx.db.m.hit(tx.p, name, after); err != nil {
		tx.gone = true
		return err
	}
	return tx.alive()
}

// commit makes the changes, all or none. After an error they may be made.
func (tx *transaction) commit() error {
	m := tx.db.m
	return tx.call("commit", func() error {
		if tx.changes == nil {
			return nil
		}
		if m.fires(Refuse) {
			return errRefused
		}
		t, err := tx.db.t.apply(tx.changes, tx.released, passes{m.seams.lax, m.seams.laxRelease})
		if err != nil {
			return err
		}
		tx.db.put(t)
		if m.seams.committed != nil {
			m.seams.committed(tx)
		}
		return nil
	})
}

// put makes tables the present ones. A backup that would miss what the stream
// no longer holds is of no use from then on.
func (db *database) put(t *tables) {
	for place := range t.deliveries {
		if db.t.deliveries[place] == nil && place.Stream != analytics.ReleaseStream && !db.m.broker.holds(place) {
			db.backup = nil
		}
	}
	db.t = t
}

// Lock locks ledgers, waiting for other transactions.
func (tx *transaction) Lock(_ context.Context, serials []analytics.Serial) ([]book.Unit, error) {
	var list []book.Unit
	err := tx.call("lock", func() error {
		for _, id := range slices.Sorted(maps.Keys(tx.db.t.units)) {
			if !slices.Contains(serials, tx.db.t.units[id].serial) {
				continue
			}
			for tx.db.locks[id] != nil && !tx.db.m.seams.noLock {
				tx.p.sleep(tx.db.m.between(20, 1500))
				if err := tx.alive(); err != nil {
					return err
				}
			}
			tx.db.locks[id] = tx
			u := tx.db.t.units[id]
			list = append(list, book.Unit{
				ID: id, Serial: u.serial, Model: u.model, State: slices.Clone(u.ledger.State), Newest: u.ledger.Newest, Bound: u.bound, Versions: u.ledger.Versions,
			})
		}
		return nil
	})
	return list, err
}

// Rules gives what collectors are held to. It is no call at which faults wait:
// an answer that does not come is as good as one of the call before.
func (tx *transaction) Rules(_ context.Context, collectors []string) (map[string]book.Rule, error) {
	rules := map[string]book.Rule{}
	for _, name := range collectors {
		if r, ok := tx.db.t.rules[name]; ok {
			rules[name] = r
		}
	}
	return rules, tx.alive()
}

// Recorded finds deliveries.
func (tx *transaction) Recorded(_ context.Context, places []book.Place) (map[book.Place]analytics.DeliveryTally, error) {
	out := map[book.Place]analytics.DeliveryTally{}
	err := tx.call("recorded", func() error {
		for _, p := range places {
			if r := tx.db.t.deliveries[p]; r != nil {
				out[p] = r.tally
			}
		}
		return nil
	})
	return out, err
}

// Samples yields counting samples.
func (tx *transaction) Samples(_ context.Context, unit int32, from, to analytics.Instant, yield func(analytics.Sample) error) error {
	return tx.call("samples", func() error {
		for _, s := range tx.db.t.units[unit].samples(from, to) {
			if err := yield(s); err != nil {
				return err
			}
		}
		return nil
	})
}

// Others gives versions that do not count.
func (tx *transaction) Others(_ context.Context, unit int32, from, to analytics.Instant) (list []analytics.Version, err error) {
	err = tx.call("others", func() error {
		for _, v := range tx.db.t.units[unit].others {
			if from <= v.Time && v.Time < to {
				list = append(list, v)
			}
		}
		slices.SortStableFunc(list, func(a, b analytics.Version) int { return cmp.Compare(a.Time, b.Time) })
		return nil
	})
	return list, err
}

// Days gives the complete days.
func (tx *transaction) Days(_ context.Context, unit int32) (list []analytics.Segment, err error) {
	err = tx.call("days", func() (err error) {
		list, err = tx.db.t.units[unit].segments()
		return err
	})
	return list, err
}

// DayBefore gives the last complete day before a day.
func (tx *transaction) DayBefore(_ context.Context, unit int32, day analytics.Day) (g *analytics.Segment, err error) {
	err = tx.call("day-before", func() error {
		for _, r := range slices.Backward(tx.db.t.units[unit].days) {
			if r.day < day {
				g = &analytics.Segment{}
				return g.UnmarshalBinary(r.body)
			}
		}
		return nil
	})
	return g, err
}

// Corrections gives corrections in the order of their making.
func (tx *transaction) Corrections(_ context.Context, unit int32, from, to analytics.Instant) (list []analytics.Correction, err error) {
	err = tx.call("corrections", func() error {
		for _, c := range tx.db.t.units[unit].corrections {
			if c.From < to && from < c.To {
				list = append(list, c)
			}
		}
		return nil
	})
	return list, err
}

// Release marks entries of the quarantine.
func (tx *transaction) Release(_ context.Context, ids []int64, _ analytics.Instant) (map[string]int64, error) {
	back := map[string]int64{}
	err := tx.call("release", func() error {
		for _, id := range ids {
			h := tx.db.t.quarantine[id]
			if h == nil || h.released && !tx.db.m.seams.laxRelease {
				return analytics.ErrConflict
			}
			back[h.Collector] += h.Rows
		}
		tx.released = append(tx.released, ids...)
		return nil
	})
	return back, err
}

// Write takes the changes; the commit makes them.
func (tx *transaction) Write(_ context.Context, changes *book.Changes) error {
	return tx.call("write", func() error {
		if tx.db.m.seams.write != nil {
			tx.db.m.seams.write(tx, changes)
		}
		tx.changes = changes
		return nil
	})
}

// heldRegistered gives at most n rows that wait for units which are registered
// now, and may be delivered by the rows' collectors.
func (db *database) heldRegistered(n int) []analytics.Held {
	known := map[analytics.Serial]*book.Unit{}
	for _, u := range db.t.units {
		known[u.serial] = &book.Unit{Serial: u.serial, Bound: u.bound}
	}
	return db.held(n, func(h *heldRow) bool {
		u := known[h.Serial]
		return u != nil && (h.Reason == analytics.ReasonUnknownUnit || h.Reason == analytics.ReasonForeignUnit) &&
			db.t.rules[h.Collector].Lets(h.Collector, u)
	})
}

// held gives at most n rows in quarantine, oldest first.
func (db *database) held(n int, wanted func(*heldRow) bool) (list []analytics.Held) {
	for _, id := range slices.Sorted(maps.Keys(db.t.quarantine)) {
		if h := db.t.quarantine[id]; !h.released && wanted(h) && len(list) < n {
			list = append(list, h.Held)
		}
	}
	return list
}

// mark notes how far a partition was looked at.
func (db *database) mark(p partition, place book.Place) {
	if db.t.marks[p] == place {
		return
	}
	db.t = db.t.clone()
	db.t.marks[p] = place
}

// outdate makes all states and days those of another version of the counter.
func (db *database) outdate() {
	t := db.t.clone()
	for id, u := range t.units {
		if len(u.ledger.State) == 0 {
			continue
		}
		u = u.clone()
		u.ledger.State = slices.Clone(u.ledger.State)
		u.ledger.State[0]--
		for i := range u.days {
			u.days[i].body = slices.Clone(u.days[i].body)
			u.days[i].body[0]--
		}
		t.units[id] = u
	}
	db.t = t
	db.crash(0)
}
