package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"fadeledger/analytics"
)

// unitWork is one unit within a transaction, its ledger row locked.
type unitWork struct {
	id        int32
	serial    analytics.Serial
	modelName string
	model     *analytics.Model
	counter   analytics.Counter
	// newest is the newest instant of any version, nil before any sample.
	newest   *analytics.Instant
	versions analytics.Versions
	stale    bool // the stored state is of another version

	items   []item
	effects analytics.Effects
	changed bool
}

// item is a sample with the index of the delivery that brought it.
type item struct {
	sample   analytics.Sample
	delivery int32
}

// count takes the unit's samples of this transaction.
func (u *unitWork) count(ctx context.Context, t *taking) error {
	u.changed = true
	byTime := func(a, b item) int { return cmp.Compare(a.sample.Time, b.sample.Time) }
	if !slices.IsSortedFunc(u.items, byTime) {
		slices.SortStableFunc(u.items, byTime)
	}
	if !u.stale && u.allNew() {
		samples := make([]analytics.Sample, len(u.items))
		for i := range u.items {
			samples[i] = u.items[i].sample
			t.tallies[u.items[i].delivery].Accepted++
		}
		u.append(t, samples)
		return nil
	}
	return u.merge(ctx, t)
}

// allNew reports whether every sample is newer than all that is known of the
// unit, so that nothing can be a duplicate or a dispute.
func (u *unitWork) allNew() bool {
	if u.newest != nil && u.items[0].sample.Time <= *u.newest {
		return false
	}
	for i := 1; i < len(u.items); i++ {
		if u.items[i].sample.Time == u.items[i-1].sample.Time {
			return false
		}
	}
	return true
}

// append counts samples that are newer than all counted ones and keeps them.
func (u *unitWork) append(t *taking, samples []analytics.Sample) {
	if len(samples) == 0 {
		return
	}
	for i := range samples {
		u.counter.Step(u.model, samples[i], &u.effects)
	}
	u.know(samples[len(samples)-1].Time)
	t.keep(u.id, samples)
	t.leave(u.id, &u.effects)
}

func (u *unitWork) know(at analytics.Instant) {
	if u.newest == nil || *u.newest < at {
		u.newest = &at
	}
}

const dayColumns = "unit_id, day, samples, covered, charge, discharge, detail"

const excursionColumns = "unit_id, start_at, kind, end_at, samples, min_temp, max_temp, peak, allowed, charge, discharge, ending"

// leave writes what steps have left behind for good and empties it.
func (t *taking) leave(unit int32, e *analytics.Effects) {
	for i := range e.Days {
		t.day(unit, &e.Days[i])
	}
	for i := range e.Excursions {
		t.excursion(unit, &e.Excursions[i])
	}
	for _, x := range e.Events {
		c := &t.events
		c.row(4)
		c.int4(unit)
		c.int8(int64(x.At))
		c.text(x.Field)
		c.text(string(x.Kind))
	}
	*e = analytics.Effects{Days: e.Days[:0], Excursions: e.Excursions[:0], Events: e.Events[:0]}
}

func (t *taking) day(unit int32, d *analytics.DayCount) {
	c, f := &t.days, d.Total()
	c.row(7)
	c.int4(unit)
	c.int4(int32(d.Day))
	c.int8(d.Samples)
	c.int8(int64(d.Covered))
	c.int8(int64(f.Charge))
	c.int8(int64(f.Discharge))
	detail, _ := d.AppendBinary(nil)
	c.bytes(detail)
}

func (t *taking) excursion(unit int32, x *analytics.Excursion) {
	c := &t.excursions
	c.row(12)
	c.int4(unit)
	c.int8(int64(x.Start))
	c.int2(int16(x.Kind))
	c.int8(int64(x.End))
	c.int8(x.Samples)
	c.int4OrNull(int32(x.MinTemp), x.HasTemp)
	c.int4OrNull(int32(x.MaxTemp), x.HasTemp)
	c.int8(int64(x.Peak))
	c.int8(int64(x.AllowedAtPeak))
	c.int8(int64(x.Charge))
	c.int8(int64(x.Discharge))
	c.int2(int16(x.Ending))
}

// updateLedgers rewrites the rows of the units that changed.
func (t *taking) updateLedgers(ctx context.Context) error {
	var (
		ids                               []int32
		states                            [][]byte
		newest                            []*analytics.Instant
		duplicates, conflicts, superseded []int64
	)
	for _, u := range t.units {
		if !u.changed {
			continue
		}
		state, err := u.counter.AppendBinary(nil)
		if err != nil {
			return fmt.Errorf("write state of unit %s: %w", u.serial, err)
		}
		ids = append(ids, u.id)
		states = append(states, state)
		newest = append(newest, u.newest)
		duplicates = append(duplicates, u.versions.Duplicates)
		conflicts = append(conflicts, u.versions.Conflicts)
		superseded = append(superseded, u.versions.Superseded)
	}
	if len(ids) == 0 {
		return nil
	}
	_, err := t.tx.Exec(ctx, `
		UPDATE unit_ledger l
		SET state = n.state,
			newest_known = n.newest_known,
			duplicates = n.duplicates,
			conflicts = n.conflicts,
			superseded = n.superseded,
			changed_at = greatest($7, l.changed_at + 1)
		FROM unnest($1::int[], $2::bytea[], $3::bigint[], $4::bigint[], $5::bigint[], $6::bigint[])
			AS n (unit_id, state, newest_known, duplicates, conflicts, superseded)
		WHERE l.unit_id = n.unit_id`,
		ids, states, newest, duplicates, conflicts, superseded, t.now)
	if err != nil {
		return fmt.Errorf("update ledgers: %w", err)
	}
	return nil
}
