package store

import (
	"cmp"
	"context"
	"fmt"
	"math"
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

	groups  []sampleGroup
	items   []item // the samples of the groups, only where they may be late
	effects analytics.Effects
	changed bool
}

// item is a sample with the index of the delivery that brought it and the line
// that it stood on, 0 when that is not known.
type item struct {
	sample         analytics.Sample
	delivery, line int32
}

// sampleGroup holds samples, their lines, and the index of the delivery that
// brought them.
type sampleGroup struct {
	samples  []analytics.Sample
	lines    []int32
	delivery int32
}

// count takes the unit's samples of this transaction.
func (u *unitWork) count(ctx context.Context, t *taking) error {
	u.changed = true
	if !u.stale && u.allNew() {
		for _, g := range u.groups {
			t.tallies[g.delivery].Accepted += int64(len(g.samples))
		}
		u.append(t, u.joined(t))
		return nil
	}
	for _, g := range u.groups {
		u.items = slices.Grow(u.items, len(g.samples))
		for i, s := range g.samples {
			it := item{sample: s, delivery: g.delivery}
			if i < len(g.lines) {
				it.line = g.lines[i]
			}
			u.items = append(u.items, it)
		}
	}
	slices.SortStableFunc(u.items, func(a, b item) int {
		return cmp.Or(cmp.Compare(a.sample.Time, b.sample.Time), cmp.Compare(a.delivery, b.delivery))
	})
	return u.merge(ctx, t)
}

// allNew puts the groups in order of time and reports whether every sample is
// then newer than the one before and than all that is known of the unit, so
// that nothing can be a duplicate or a dispute.
func (u *unitWork) allNew() bool {
	byStart := func(a, b sampleGroup) int { return cmp.Compare(a.samples[0].Time, b.samples[0].Time) }
	if !slices.IsSortedFunc(u.groups, byStart) {
		slices.SortStableFunc(u.groups, byStart)
	}
	last := analytics.Instant(math.MinInt64)
	if u.newest != nil {
		last = *u.newest
	}
	for _, g := range u.groups {
		for i := range g.samples {
			if g.samples[i].Time <= last {
				return false
			}
			last = g.samples[i].Time
		}
	}
	return true
}

// joined gives the samples of all groups, valid until the next call.
func (u *unitWork) joined(t *taking) []analytics.Sample {
	if len(u.groups) == 1 {
		return u.groups[0].samples
	}
	t.samples = t.samples[:0]
	for _, g := range u.groups {
		t.samples = append(t.samples, g.samples...)
	}
	return t.samples
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
	t.states = t.states[:0]
	for _, u := range t.units {
		if !u.changed {
			continue
		}
		// All states lie one behind the other in one buffer.
		from := len(t.states)
		var err error
		if t.states, err = u.counter.AppendBinary(t.states); err != nil {
			return fmt.Errorf("write state of unit %s: %w", u.serial, err)
		}
		ids = append(ids, u.id)
		states = append(states, t.states[from:])
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
