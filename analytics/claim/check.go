package claim

import (
	"fmt"

	"fadeledger/analytics"
)

// Check reports why the evidence cannot be judged, wrapping
// analytics.ErrInvalid: a version that this package does not know, a number
// that is none, or a day that cannot be the site's at the moment asked for.
func (e *Evidence) Check() error {
	wrong := func(format string, args ...any) error {
		return fmt.Errorf("evidence of unit %s: %s: %w", e.Unit.Serial, fmt.Sprintf(format, args...), analytics.ErrInvalid)
	}
	switch {
	case e.Version != EvidenceVersion:
		return wrong("version %d is not known, only %d", e.Version, EvidenceVersion)
	case e.Rules != RulesVersion:
		return wrong("edition %d of the rules is not known, only %d", e.Rules, RulesVersion)
	case e.Counting != CountingVersion:
		return wrong("edition %d of the counting rules is not known, only %d", e.Counting, CountingVersion)
	case e.Ground != "" && e.Ground != GroundDefect && e.Ground != GroundCapacity:
		return wrong("ground %q is not known", e.Ground)
	case e.Model.Rated <= 0 || e.Model.MaxPower <= 0:
		return wrong("the model has no rated energy or no highest power")
	}
	if !sameDay(e.AsOf.Day, e.AsOf.Instant) {
		return wrong("%s cannot be the site's day at %s", e.AsOf.Day, e.AsOf.Instant.Time())
	}
	if err := e.Ledger.check(); err != nil {
		return wrong("%v", err)
	}
	if e.Terms != nil {
		if err := e.Terms.check(); err != nil {
			return wrong("terms %q: %v", e.Terms.Name, err)
		}
	}
	for _, t := range e.Tests {
		if t.Valid && (t.Reference <= 0 || t.Energy < 0 || t.Expanded < 0) {
			return wrong("the capacity test of %s has no usable result", t.Day)
		}
		if t.Valid && !sameDay(t.Day, t.End) {
			return wrong("%s cannot be the site's day of a capacity test that ended at %s", t.Day, t.End.Time())
		}
	}
	return nil
}

// sameDay reports whether some zone has the day at the instant. None is more than
// 14 hours from UTC.
func sameDay(d Date, at analytics.Instant) bool {
	return d.Day() >= (at-14*analytics.Instant(analytics.Hour)).Day() && d.Day() <= (at+14*analytics.Instant(analytics.Hour)).Day()
}

func (l *Ledger) check() error {
	for bin, n := range l.HalfCycles {
		if bin < 0 || bin >= analytics.Bins || n < 0 {
			return fmt.Errorf("%d half cycles in bin %d", n, bin)
		}
	}
	total := l.Energy.Total()
	if total.Charge < 0 || total.Discharge < 0 {
		return fmt.Errorf("a negative energy")
	}
	if l.Samples > 0 && (l.First == nil || l.Last == nil || *l.Last < *l.First) {
		return fmt.Errorf("samples without a first and a last one")
	}
	if l.Covered < 0 || l.Checked < 0 || l.Bridged < 0 || l.Checked > l.Covered {
		return fmt.Errorf("times that cannot be: covered %d ms, checked %d ms, bridged %d ms", l.Covered, l.Checked, l.Bridged)
	}
	for _, s := range l.Spent {
		if !s.Spent.Valid() {
			return fmt.Errorf("spent %q is not a decimal", s.Spent)
		}
	}
	if l.EFC != "" && !l.EFC.Valid() {
		return fmt.Errorf("efc %q is not a decimal", l.EFC)
	}
	return nil
}

func (t *Terms) check() error {
	for _, d := range []Decimal{t.CountedFromPct, t.EFCCap} {
		if d != "" && !d.Valid() {
			return fmt.Errorf("%q is not a decimal", d)
		}
	}
	zero, hundred := ratio(0, 1), ratio(100, 1)
	for i, p := range t.Life {
		if !p.DepthPct.Valid() || !p.Cycles.Valid() || p.Cycles.rat().Cmp(zero) <= 0 ||
			p.DepthPct.rat().Cmp(zero) <= 0 || p.DepthPct.rat().Cmp(hundred) > 0 {
			return fmt.Errorf("cycle life %q at %q %% makes no sense", p.Cycles, p.DepthPct)
		}
		for _, q := range t.Life[:i] {
			if q.DepthPct == p.DepthPct {
				return fmt.Errorf("two cycle lives at %s %%", p.DepthPct)
			}
		}
	}
	for i, p := range t.Retained {
		for _, q := range t.Retained[:i] {
			if q.Year == p.Year {
				return fmt.Errorf("two retained capacities for year %d", p.Year)
			}
		}
		if !p.Pct.Valid() {
			return fmt.Errorf("retained capacity %q is not a decimal", p.Pct)
		}
	}
	for _, s := range t.Remedy {
		if !s.Pct.Valid() {
			return fmt.Errorf("remedy %q is not a decimal", s.Pct)
		}
	}
	if t.Years < 1 {
		return fmt.Errorf("a term of %d years", t.Years)
	}
	return nil
}
