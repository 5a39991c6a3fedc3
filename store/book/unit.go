package book

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"fadeledger/analytics"
)

// unitWork is one unit within a transaction, its ledger locked.
type unitWork struct {
	Unit
	counter analytics.Counter
	stale   bool // the stored state is of another version

	groups  []sampleGroup
	items   []item // the samples of the groups, only where they may be late
	effects analytics.Effects
	changed bool
	// delivered counts the versions that deliveries add; counts and others are
	// how many more of them count and do not count.
	delivered, counts, others int64
}

// sampleGroup holds samples, their lines, and the index of the delivery that
// brought them.
type sampleGroup struct {
	samples  []analytics.Sample
	lines    []int32
	delivery int32
}

// item is a sample with the index of the delivery that brought it and the line
// that it stood on, 0 when that is not known.
type item struct {
	sample         analytics.Sample
	delivery, line int32
}

// readState reads the stored state. A state of another version is left empty:
// the unit is then counted anew from its samples.
func (u *unitWork) readState() error {
	if len(u.State) == 0 {
		return nil
	}
	err := u.counter.UnmarshalBinary(u.State)
	if errors.Is(err, analytics.ErrStateVersion) {
		u.stale = true
		return nil
	}
	if err != nil {
		return fmt.Errorf("read ledger of unit %s: %w", u.Serial, err)
	}
	return nil
}

// count takes the unit's samples of this transaction.
func (u *unitWork) count(ctx context.Context, t *taking) error {
	u.changed = true
	if !u.stale && u.allNew() {
		for _, g := range u.groups {
			n := int64(len(g.samples))
			t.tallies[g.delivery].Accepted += n
			u.delivered += n
			u.counts += n
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
// that nothing can be a duplicate, a dispute, or under a correction.
func (u *unitWork) allNew() bool {
	byStart := func(a, b sampleGroup) int { return cmp.Compare(a.samples[0].Time, b.samples[0].Time) }
	if !slices.IsSortedFunc(u.groups, byStart) {
		slices.SortStableFunc(u.groups, byStart)
	}
	last := analytics.Instant(math.MinInt64)
	if u.Newest != nil {
		last = *u.Newest
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

// joined gives the samples of all groups. They stay in the room of the
// transaction until it is written.
func (u *unitWork) joined(t *taking) []analytics.Sample {
	if len(u.groups) == 1 {
		return u.groups[0].samples
	}
	from := len(t.samples)
	for _, g := range u.groups {
		t.samples = append(t.samples, g.samples...)
	}
	return t.samples[from:len(t.samples):len(t.samples)]
}

// append counts samples that are newer than all counted ones and keeps them.
func (u *unitWork) append(t *taking, samples []analytics.Sample) {
	if len(samples) == 0 {
		return
	}
	for i := range samples {
		u.counter.Step(u.Model, samples[i], &u.effects)
	}
	u.know(samples[len(samples)-1].Time)
	t.keep(u.ID, samples, false)
	t.leave(u.ID, &u.effects)
}

func (u *unitWork) know(at analytics.Instant) {
	if u.Newest == nil || *u.Newest < at {
		u.Newest = &at
	}
}

// keep hands over samples to be kept, a piece for each UTC day.
func (t *taking) keep(unit int32, samples []analytics.Sample, rewritten bool) {
	for len(samples) > 0 {
		day := samples[0].Time.Day()
		n := 1
		for n < len(samples) && samples[n].Time.Day() == day {
			n++
		}
		t.changes.Pieces = append(t.changes.Pieces, Piece{unit, samples[:n:n], rewritten})
		samples = samples[n:]
	}
}

// leave hands over what steps have left behind for good and empties it.
func (t *taking) leave(unit int32, e *analytics.Effects) {
	c := &t.changes
	for i := range e.Days {
		c.Days = append(c.Days, Day{unit, e.Days[i]})
	}
	for i := range e.Excursions {
		c.Excursions = append(c.Excursions, Excursion{unit, e.EndedOn[i], e.Excursions[i]})
	}
	for _, x := range e.Events {
		c.Events = append(c.Events, Event{unit, x})
	}
	e.Reset()
}
