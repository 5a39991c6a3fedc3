package book

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"fadeledger/analytics"
)

// recount counts the dirty days again, and those after each of them until what
// they carry over is what it was. The days of k hold the samples as they are to
// be. A unit whose state is of another version is counted anew as a whole.
func (u *unitWork) recount(ctx context.Context, t *taking, k *kept, dirty map[analytics.Day]bool, why string) error {
	if len(dirty) == 0 && !u.stale {
		return nil
	}
	days := make([]analytics.Day, 0, len(dirty))
	for d := range dirty {
		days = append(days, d)
	}
	slices.Sort(days)
	for _, d := range days {
		t.rewrite(u.ID, d, k.days[d])
	}
	counted, err := 0, error(nil)
	if u.stale {
		counted, err = u.anew(ctx, t, k, days)
	} else {
		counted, err = u.again(ctx, t, k, days)
	}
	if err != nil || len(days) == 0 {
		return err
	}
	t.changes.Recounts = append(t.changes.Recounts, Recount{u.ID, days[0].Start(), counted, reasonOf(why, days)})
	return nil
}

// rewrite keeps the samples of a day in the place of those that are kept.
func (t *taking) rewrite(unit int32, day analytics.Day, samples []analytics.Sample) {
	t.changes.Rewritten = append(t.changes.Rewritten, UnitDay{unit, day})
	t.keep(unit, samples, true)
}

func reasonOf(why string, days []analytics.Day) string {
	if len(days) == 1 {
		return fmt.Sprintf("%s on %s", why, days[0])
	}
	return fmt.Sprintf("%s on %d days from %s to %s", why, len(days), days[0], days[len(days)-1])
}

// again counts the dirty days, and what follows from them.
func (u *unitWork) again(ctx context.Context, t *taking, k *kept, dirty []analytics.Day) (counted int, err error) {
	if today, ok := u.counter.Today(); ok && len(dirty) == 1 && dirty[0] == today.Day() && len(k.days[dirty[0]]) > 0 {
		// The usual case: only the open day has changed, and needs nothing of
		// the unit's history but the carry of the day before.
		before, err := t.tx.DayBefore(ctx, u.ID, today.Day())
		if err != nil {
			return 0, err
		}
		u.counter = u.counter.Recounted(analytics.CountDay(u.Model, before, k.days[today.Day()], &u.effects))
		t.changes.Again = append(t.changes.Again, UnitDay{u.ID, today.Day()})
		t.leave(u.ID, &u.effects)
		return 1, nil
	}
	list, err := t.tx.Days(ctx, u.ID)
	if err != nil {
		return 0, err
	}
	h := &history{days: list}
	if today, ok := u.counter.Today(); ok {
		h.days, h.wasOpen, h.open = append(h.days, today), today.Day(), true
	}
	if err := h.recount(ctx, t, u, k, dirty); err != nil {
		return 0, err
	}
	h.handOver(t, u)
	u.counter = analytics.Assemble(h.days)
	return len(h.counted), nil
}

// history is the days of a unit while some of them are counted again.
type history struct {
	days []analytics.Segment
	// wasOpen is the day that was open; open says whether there was one.
	wasOpen analytics.Day
	open    bool
	counted map[analytics.Day]bool
}

// recount counts the dirty days, and those after each until the carry is what
// it was.
func (h *history) recount(ctx context.Context, t *taking, u *unitWork, k *kept, dirty []analytics.Day) error {
	h.counted = map[analytics.Day]bool{}
	follow := false // the day behind the last one is to be counted
	for i := 0; ; {
		var day analytics.Day
		switch {
		case len(dirty) > 0 && (!follow || i == len(h.days) || dirty[0] <= h.days[i].Day()):
			day, dirty = dirty[0], dirty[1:]
		case follow && i < len(h.days):
			day = h.days[i].Day()
		default:
			return nil
		}
		samples, err := u.samplesOf(ctx, t, k, day)
		if err != nil {
			return err
		}
		i, follow = h.count(u, day, samples, follow)
	}
}

// samplesOf gives the samples of a day as they are to be.
func (u *unitWork) samplesOf(ctx context.Context, t *taking, k *kept, day analytics.Day) ([]analytics.Sample, error) {
	samples, loaded := k.days[day]
	if loaded {
		return samples, nil
	}
	err := t.tx.Samples(ctx, u.ID, day.Start(), (day + 1).Start(), func(s analytics.Sample) error {
		samples = append(samples, s)
		return nil
	})
	return samples, err
}

// count counts one day. It gives where the day behind it stands, and whether
// that has to be counted too; follow says whether the day before had changed
// what it carries over.
func (h *history) count(u *unitWork, day analytics.Day, samples []analytics.Sample, follow bool) (next int, goOn bool) {
	h.counted[day] = true
	i, there := slices.BinarySearchFunc(h.days, day, func(g analytics.Segment, d analytics.Day) int { return int(g.Day() - d) })
	if len(samples) == 0 {
		if there {
			h.days = slices.Delete(h.days, i, i+1)
		}
		return i, follow || there
	}
	var before *analytics.Segment
	if i > 0 {
		before = &h.days[i-1]
	}
	g := analytics.CountDay(u.Model, before, samples, &u.effects)
	if !there {
		h.days = slices.Insert(h.days, i, g)
		return i + 1, true
	}
	same := g.SameCarry(&h.days[i])
	h.days[i] = g
	return i + 1, !same
}

// handOver drops what is stored of the days that were counted and writes them
// as they are. The last day is open and lives in the state of the unit.
func (h *history) handOver(t *taking, u *unitWork) {
	c := &t.changes
	for _, day := range slices.Sorted(maps.Keys(h.counted)) {
		c.Again = append(c.Again, UnitDay{u.ID, day})
	}
	last := len(h.days) - 1
	for i := range h.days {
		g := &h.days[i]
		wasOpen := h.open && g.Day() == h.wasOpen
		switch {
		case i == last:
			if !h.counted[g.Day()] && !wasOpen {
				c.Reopened = append(c.Reopened, UnitDay{u.ID, g.Day()})
			}
		case h.counted[g.Day()], wasOpen:
			c.Days = append(c.Days, Day{u.ID, *g})
		}
	}
	t.leave(u.ID, &u.effects)
}

// anew counts the unit from its first sample: what is kept, with the dirty days
// as they are to be.
func (u *unitWork) anew(ctx context.Context, t *taking, k *kept, dirty []analytics.Day) (counted int, err error) {
	u.counter, u.stale = analytics.Counter{}, false
	u.effects.Reset()
	step := func(s analytics.Sample) error {
		u.counter.Step(u.Model, s, &u.effects)
		return nil
	}
	from := analytics.Instant(-1 << 62)
	for _, day := range dirty {
		if err := t.tx.Samples(ctx, u.ID, from, day.Start(), step); err != nil {
			return 0, err
		}
		for _, s := range k.days[day] {
			_ = step(s) // it never fails
		}
		from = (day + 1).Start()
	}
	if err := t.tx.Samples(ctx, u.ID, from, 1<<62, step); err != nil {
		return 0, err
	}
	t.changes.Anew = append(t.changes.Anew, u.ID)
	counted = len(u.effects.Days) + int(min(1, u.counter.Samples()))
	t.leave(u.ID, &u.effects)
	return counted, nil
}
