package sim

import (
	"cmp"
	"slices"

	"fadeledger/analytics"
	"fadeledger/cmd/drill/reference"
	"fadeledger/cmd/drill/reference/convert"
)

// unit compares one unit with the reference, field by field.
func (c *checking) unit(u *unitTable) {
	m := c.m
	corrections := slices.Clone(u.corrections)
	slices.SortFunc(corrections, func(a, b analytics.Correction) int { return cmp.Compare(a.ID, b.ID) })
	want := reference.Count(convert.Model(u.model, terms()), c.delivered[u.serial], convert.Corrections(corrections))
	counter, err := u.counter()
	if err != nil {
		m.fail("unit %s: %v", u.serial, err)
		return
	}
	l := u.view(&counter)
	if m.seams.view != nil {
		m.seams.view(u, &l)
	}
	for _, d := range convert.Compare(l, want) {
		m.fail("unit %s: %s", u.serial, d)
	}
	days, err := u.segments()
	if err != nil {
		m.fail("unit %s: %v", u.serial, err)
		return
	}
	if today, ok := counter.Today(); ok {
		days = append(days, today)
	}
	for _, d := range convert.CompareDays(analytics.DaysOf(days), want) {
		m.fail("unit %s: %s", u.serial, d)
	}
	c.state(u, &counter)
	c.duplicates += want.Duplicates
	c.versions += u.versions()
}

// state: the samples that are kept give the state and the days that are kept,
// byte by byte.
func (c *checking) state(u *unitTable, counter *analytics.Counter) {
	samples := u.samples(-1<<62, 1<<62)
	for i := 1; i < len(samples); i++ {
		if samples[i].Time <= samples[i-1].Time {
			c.m.fail("unit %s: the sample of %s is kept twice", u.serial, samples[i].Time.Time())
			return
		}
	}
	account := analytics.Count(u.model, samples)
	want, err := account.Counter.AppendBinary(nil)
	if err != nil {
		c.m.fail("unit %s: %v", u.serial, err)
		return
	}
	if got, err := counter.AppendBinary(nil); err != nil || !slices.Equal(got, want) {
		c.m.fail("unit %s: the state is not that of the samples that are kept", u.serial)
	}
	if u.ledger.Samples != int64(len(samples)) {
		c.m.fail("unit %s: the ledger says %d samples, %d are kept", u.serial, u.ledger.Samples, len(samples))
	}
	if len(u.days) != len(account.Days) {
		c.m.fail("unit %s: %d complete days are kept, the samples give %d", u.serial, len(u.days), len(account.Days))
		return
	}
	for i, d := range u.days {
		body, err := account.Days[i].AppendBinary(nil)
		if err != nil || !slices.Equal(body, d.body) {
			c.m.fail("unit %s: day %s is not that of the samples that are kept", u.serial, d.day)
			return
		}
	}
}

// counter reads the state.
func (u *unitTable) counter() (c analytics.Counter, err error) {
	if len(u.ledger.State) > 0 {
		err = c.UnmarshalBinary(u.ledger.State)
	}
	return c, err
}

// view gives the ledger as readers see it.
func (u *unitTable) view(counter *analytics.Counter) analytics.Ledger {
	excursions := make([]analytics.Excursion, len(u.excursions))
	for i, x := range u.excursions {
		excursions[i] = x.Excursion
	}
	events := slices.Clone(u.events)
	slices.SortFunc(events, func(a, b analytics.Event) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Field, b.Field))
	})
	return analytics.LedgerOf(u.model, terms(), counter, excursions, events, u.ledger.Versions)
}

// versions counts the delivered versions that the unit holds: those that do not
// count, and those that do and are none of a correction.
func (u *unitTable) versions() int64 {
	n := int64(len(u.others))
	for _, s := range u.samples(-1<<62, 1<<62) {
		if !slices.ContainsFunc(u.corrections, func(c analytics.Correction) bool { return c.From <= s.Time && s.Time < c.To }) {
			n++
		}
	}
	return n
}
