package book

import (
	"context"
	"fmt"
	"slices"

	"fadeledger/analytics"
)

// longestCorrection bounds the span of one correction in days: all of its
// samples are in memory at once.
const longestCorrection = 62

// Correct makes a correction of a unit. What it replaces stays readable as
// versions that do not count. Its ID and time are set.
//
// analytics.ErrInvalid: the span or the samples make no sense.
// analytics.ErrNotFound: the unit is not registered.
func Correct(ctx context.Context, tx Tx, room *Room, now analytics.Instant, c *analytics.Correction) error {
	if err := checkCorrection(now, c); err != nil {
		return err
	}
	t := newTaking(tx, room, now)
	if err := t.lockUnits(ctx, []analytics.Serial{c.Serial}); err != nil {
		return err
	}
	if len(t.units) == 0 {
		return fmt.Errorf("unit %s: %w", c.Serial, analytics.ErrNotFound)
	}
	u := t.units[0]
	u.changed = true
	c.At = now
	k := newKept()
	for day := c.From.Day(); day <= (c.To - 1).Day(); day++ {
		if err := k.loadDay(ctx, tx, u.ID, day); err != nil {
			return err
		}
	}
	dirty := map[analytics.Day]bool{}
	for _, at := range k.instants(c) {
		before := k.counting[at]
		after := u.settle(t, k, at, nil, c)
		if before == nil && after == nil || before != nil && after != nil && *before == *after {
			continue
		}
		k.replace(at, after)
		dirty[at.Day()] = true
	}
	// What comes later into the span must be held against the correction.
	u.know(c.To - 1)
	t.changes.Corrections = append(t.changes.Corrections, Made{u.ID, c})
	if err := u.recount(ctx, t, k, dirty, "a correction"); err != nil {
		return err
	}
	return t.write(ctx)
}

func checkCorrection(now analytics.Instant, c *analytics.Correction) error {
	wrong := func(format string, args ...any) error {
		return fmt.Errorf("%w: %s", analytics.ErrInvalid, fmt.Sprintf(format, args...))
	}
	switch {
	case c.By == "" || c.Why == "":
		return wrong("say who makes the correction and why")
	case c.From >= c.To:
		return wrong("the span is empty: from must be before to")
	case c.To > now:
		return wrong("the span reaches into the future; what is not yet there cannot be corrected")
	case (c.To-1).Day()-c.From.Day() >= longestCorrection:
		return wrong("the span covers more than %d days; make several corrections of it", longestCorrection)
	}
	for i := range c.Samples {
		switch at := c.Samples[i].Time; {
		case at < c.From || at >= c.To:
			return wrong("sample %d lies at %s, outside the span", i+1, at.Time().Format("2006-01-02T15:04:05.999Z"))
		case i > 0 && at <= c.Samples[i-1].Time:
			return wrong("sample %d is not later than the one before", i+1)
		}
		c.Samples[i].Rank = 0
	}
	return nil
}

// instants gives every instant of the correction's span at which there is a
// version or a sample of it, in ascending order.
func (k *kept) instants(c *analytics.Correction) []analytics.Instant {
	var all []analytics.Instant
	within := func(at analytics.Instant) {
		if c.From <= at && at < c.To {
			all = append(all, at)
		}
	}
	for at := range k.counting {
		within(at)
	}
	for at := range k.others {
		within(at)
	}
	for i := range c.Samples {
		within(c.Samples[i].Time)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// Freshen counts a unit anew if its state is of another version of the counter,
// and changes nothing otherwise.
func Freshen(ctx context.Context, tx Tx, room *Room, now analytics.Instant, serial analytics.Serial) error {
	t := newTaking(tx, room, now)
	if err := t.lockUnits(ctx, []analytics.Serial{serial}); err != nil {
		return err
	}
	for _, u := range t.units {
		if !u.stale {
			continue
		}
		u.changed = true
		if err := u.recount(ctx, t, newKept(), nil, ""); err != nil {
			return err
		}
	}
	return t.write(ctx)
}
