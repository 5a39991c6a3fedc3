package store

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"fadeledger/analytics"
	"fadeledger/store/block"
)

// takeAttempts is how often a transaction is tried anew when another worker
// recorded the same delivery first, or a deadlock was broken.
const takeAttempts = 5

// Take counts deliveries in one transaction: samples, ledgers, days,
// excursions, quarantine and the record of the deliveries are all there
// afterwards, or nothing is. A delivery that is already recorded changes
// nothing and answers what was recorded. The answers stand in the order of in.
//
// An error leaves nothing behind, except that after an error of the commit
// itself the outcome is unknown: taking the same deliveries again settles it.
func (db *DB) Take(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
	for attempt := 1; ; attempt++ {
		tallies, err := db.take(ctx, in)
		if err == nil || !retryable(err) || attempt == takeAttempts {
			return tallies, uncountable(err)
		}
		// A partition that was there may have been dropped, or the database
		// restored to a time before it.
		db.forgetPartitions()
	}
}

func (db *DB) take(ctx context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
	// One clock for all: partitions are made for the days of t.now.
	t := &taking{db: db, now: db.now(), in: in, tallies: make([]analytics.DeliveryTally, len(in))}
	t.gathered, _ = db.gathered.Get().(*gathered)
	if t.gathered == nil {
		t.gathered = &gathered{}
	}
	defer db.gathered.Put(t.gathered)
	t.reset()
	if err := db.prepare(ctx, in, t.now.Day()); err != nil {
		return nil, err
	}
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		t.tx = tx
		return t.run(ctx)
	})
	if err != nil {
		return nil, fmt.Errorf("count %d deliveries: %w", len(in), err)
	}
	return t.tallies, nil
}

// prepare does what must not happen inside the transaction: naming streams and
// making partitions for the recent days that the samples fall on.
func (db *DB) prepare(ctx context.Context, in []analytics.Incoming, today analytics.Day) error {
	for i := range in {
		if _, err := db.streamID(ctx, in[i].Stream); err != nil {
			return err
		}
	}
	return db.EnsurePartitions(ctx, today-hotDays, today+1)
}

// taking is one transaction of Take.
type taking struct {
	db      *DB
	tx      pgx.Tx
	now     analytics.Instant
	in      []analytics.Incoming
	tallies []analytics.DeliveryTally
	known   []bool // deliveries that were recorded before
	first   []int  // for each delivery, the first in the call that is the same
	units   []*unitWork
	*gathered
	// dropDays are unit-days whose samples are written anew, replaced the
	// units whose days, excursions and events are.
	dropDays []unitDay
	replaced []int32
	dropped  []unitInstant // instants whose other versions are written anew
}

// gathered are the rows that a transaction writes, and buffers: what the next
// transaction can use again.
type gathered struct {
	runs, blocks, days, excursions, events, others, quarantine, deliveries, recounts copyRows

	packer  block.Packer
	samples []analytics.Sample
	states  []byte
}

// reset empties the rows and keeps their room.
func (g *gathered) reset() {
	for _, c := range []*copyRows{&g.runs, &g.blocks, &g.days, &g.excursions, &g.events, &g.others, &g.quarantine, &g.deliveries, &g.recounts} {
		*c = copyRows{b: c.b[:0]}
	}
}

type unitDay struct {
	unit int32
	day  analytics.Day
}

type unitInstant struct {
	unit int32
	at   analytics.Instant
}

func (t *taking) run(ctx context.Context) error {
	units, err := t.lockUnits(ctx)
	if err != nil {
		return err
	}
	// Only now: whoever counted the same delivery held the same locks.
	if err := t.findKnown(ctx); err != nil {
		return err
	}
	for i := range t.in {
		if t.known[i] {
			continue
		}
		if err := t.sort(i, units); err != nil {
			return err
		}
	}
	for _, u := range t.units {
		if len(u.groups) == 0 {
			continue
		}
		if err := u.count(ctx, t); err != nil {
			return fmt.Errorf("unit %s: %w", u.serial, err)
		}
	}
	if err := t.write(ctx); err != nil {
		return err
	}
	for i, first := range t.first {
		t.tallies[i] = t.tallies[first]
	}
	return nil
}

// lockUnits locks the ledgers of all units of the deliveries in ascending
// order, so that two workers cannot block each other.
func (t *taking) lockUnits(ctx context.Context) (map[analytics.Serial]*unitWork, error) {
	var serials []string
	seen := map[analytics.Serial]bool{}
	for i := range t.in {
		for _, u := range t.in[i].Units {
			if !seen[u.Serial] {
				seen[u.Serial] = true
				serials = append(serials, string(u.Serial))
			}
		}
	}
	units := make(map[analytics.Serial]*unitWork, len(serials))
	if len(serials) == 0 {
		return units, nil
	}
	work, err := lockWork(ctx, t.tx, `u.serial = ANY ($1)`, serials)
	if err != nil {
		return nil, err
	}
	for _, w := range work {
		units[w.serial] = w
	}
	t.units = work
	return units, nil
}

// unitSlab is how many units are made at once.
const unitSlab = 64

// lockWork locks the ledgers that a condition selects and reads their states.
func lockWork(ctx context.Context, tx pgx.Tx, condition string, args ...any) ([]*unitWork, error) {
	rows, err := tx.Query(ctx, `
		SELECT u.unit_id, u.serial, u.model, l.state, l.newest_known, l.duplicates, l.conflicts, l.superseded
		FROM unit u
		JOIN unit_ledger l USING (unit_id)
		WHERE `+condition+`
		ORDER BY u.unit_id
		FOR UPDATE OF l`, args...)
	if err != nil {
		return nil, fmt.Errorf("lock units: %w", err)
	}
	var work []*unitWork
	var slab []unitWork
	var state []byte // valid until the next row
	models := map[string]bool{}
	for rows.Next() {
		if len(slab) == 0 {
			slab = make([]unitWork, unitSlab)
		}
		w := &slab[0]
		slab = slab[1:]
		if err := rows.Scan(&w.id, &w.serial, &w.modelName, (*pgtype.DriverBytes)(&state), &w.newest,
			&w.versions.Duplicates, &w.versions.Conflicts, &w.versions.Superseded); err != nil {
			return nil, fmt.Errorf("read ledger: %w", err)
		}
		if err := w.readState(state); err != nil {
			return nil, err
		}
		models[w.modelName] = true
		work = append(work, w)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("lock units: %w", err)
	}
	byName, err := loadModels(ctx, tx, models)
	if err != nil {
		return nil, err
	}
	for _, w := range work {
		w.model = byName[w.modelName]
	}
	return work, nil
}

// write sends everything that the transaction has gathered.
func (t *taking) write(ctx context.Context) error {
	if err := t.dropOld(ctx); err != nil {
		return err
	}
	if err := t.updateLedgers(ctx); err != nil {
		return err
	}
	t.recordDeliveries()
	for _, c := range []struct {
		rows           *copyRows
		table, columns string
	}{
		{&t.blocks, "sample_block", "unit_id, t0, t1, samples, sealed, body"},
		{&t.runs, "sample_run", "hour, unit_id, t0, t1, samples, body"},
		{&t.others, "sample_other", otherColumns},
		{&t.days, "unit_day", dayColumns},
		{&t.excursions, "excursion", excursionColumns},
		{&t.events, "unit_event", "unit_id, at, field, kind"},
		{&t.recounts, "recount", "unit_id, at, from_at, reason"},
		{&t.quarantine, "quarantine", quarantineColumns},
		{&t.deliveries, "delivery", deliveryColumns},
	} {
		if err := c.rows.send(ctx, t.tx, c.table, c.columns); err != nil {
			return err
		}
	}
	return t.updateCollectors(ctx)
}

const deliveryColumns = "stream_id, sequence, hash, collector, batch, stored_at, counted_at, " +
	"read, accepted, duplicates, disputed, superseded, quarantined"

func (t *taking) recordDeliveries() {
	c := &t.deliveries
	for i := range t.in {
		if t.known[i] {
			continue
		}
		d, x := &t.in[i], t.tallies[i]
		c.row(13)
		c.int2(t.db.cachedStream(d.Stream))
		c.int8(int64(d.Sequence))
		c.bytes(d.Hash[:])
		c.text(d.Collector)
		c.text(d.Batch)
		c.int8(int64(d.StoredAt))
		c.int8(int64(t.now))
		for _, n := range []int64{x.Read, x.Accepted, x.Duplicates, x.Disputed, x.Superseded, x.Quarantined} {
			c.int8(n)
		}
	}
}

// collectorTotal is what deliveries add to the totals of their collector.
type collectorTotal struct {
	analytics.DeliveryTally
	deliveries int64
	last       analytics.Instant
}

// collectorTotals sums the deliveries by collector. A released row was read and
// quarantined before: it moves, and is not read a second time.
func (t *taking) collectorTotals(released map[string]int64) map[string]*collectorTotal {
	totals := map[string]*collectorTotal{}
	for i := range t.in {
		if t.known[i] {
			continue
		}
		x := totals[t.in[i].Collector]
		if x == nil {
			x = &collectorTotal{}
			totals[t.in[i].Collector] = x
		}
		x.Add(t.tallies[i])
		if t.in[i].Stream != analytics.ReleaseStream {
			x.deliveries++
		}
		x.last = max(x.last, t.in[i].StoredAt)
	}
	for collector, n := range released {
		if x := totals[collector]; x != nil {
			x.Read -= n
			x.Quarantined -= n
		}
	}
	return totals
}

// updateCollectors adds the deliveries to the totals of their collectors, last
// of all, since two workers may share a collector, and in order of name.
func (t *taking) updateCollectors(ctx context.Context) error {
	released, err := t.release(ctx)
	if err != nil {
		return err
	}
	totals := t.collectorTotals(released)
	b := &pgx.Batch{}
	for _, name := range slices.Sorted(maps.Keys(totals)) {
		x := totals[name]
		b.Queue(`
			INSERT INTO collector AS c (name, deliveries, read, accepted, duplicates, disputed, superseded, quarantined, last_stored_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)
			ON CONFLICT (name) DO UPDATE SET
				deliveries = c.deliveries + EXCLUDED.deliveries,
				read = c.read + EXCLUDED.read,
				accepted = c.accepted + EXCLUDED.accepted,
				duplicates = c.duplicates + EXCLUDED.duplicates,
				disputed = c.disputed + EXCLUDED.disputed,
				superseded = c.superseded + EXCLUDED.superseded,
				quarantined = c.quarantined + EXCLUDED.quarantined,
				last_stored_at = greatest(c.last_stored_at, EXCLUDED.last_stored_at)`,
			name, x.deliveries, x.Read, x.Accepted, x.Duplicates, x.Disputed, x.Superseded, x.Quarantined, x.last)
	}
	t.queueNotes(b)
	if b.Len() == 0 {
		return nil
	}
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("update collectors: %w", err)
	}
	return nil
}

// readState reads a stored state. A state of another version is left empty:
// the unit is then counted anew from its samples.
func (u *unitWork) readState(state []byte) error {
	if len(state) == 0 {
		return nil
	}
	err := u.counter.UnmarshalBinary(state)
	if errors.Is(err, analytics.ErrStateVersion) {
		u.stale = true
		return nil
	}
	if err != nil {
		return fmt.Errorf("read ledger of unit %s: %w", u.serial, err)
	}
	return nil
}
