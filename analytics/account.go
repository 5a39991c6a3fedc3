package analytics

import (
	"cmp"
	"slices"
)

// Account is the result of counting a unit: the state and what it left behind.
type Account struct {
	Counter Counter
	Effects
}

// Count counts the samples of one unit, which must be in strictly ascending
// order of time, from the start.
func Count(m *Model, samples []Sample) *Account {
	a := &Account{}
	for i := range samples {
		a.Counter.Step(m, samples[i], &a.Effects)
	}
	return a
}

// AllDays gives the complete days and the one that is still open.
func (a *Account) AllDays() []DayCount {
	return DaysOf(a.Segments())
}

// Segments gives all days, the one that is still open last.
func (a *Account) Segments() []Segment {
	days := slices.Clone(a.Days)
	if d, ok := a.Counter.Today(); ok {
		days = append(days, d)
	}
	return days
}

// Versions counts what the ledger says about versions of samples.
type Versions struct {
	Duplicates, Conflicts, Superseded int64
}

// LedgerOf writes the ledger of a unit. Terms may be nil. The excursions are
// the complete ones; open episodes are added as they stand.
func LedgerOf(m *Model, t *Terms, c *Counter, excursions []Excursion, events []Event, v Versions) Ledger {
	l := Ledger{
		Model: m.Name, Samples: c.Samples(),
		Duplicates: v.Duplicates, Conflicts: v.Conflicts, Superseded: v.Superseded,
		HalfCycles: c.HalfCycles(),
		Covered:    c.Covered().Seconds(), Checked: c.Checked().Seconds(),
		Events: append([]Event{}, events...), Excursions: append([]Excursion{}, excursions...),
	}
	if c.Samples() > 0 {
		first, last := c.First().Seconds(), c.Last().Time.Seconds()
		l.First, l.Last = &first, &last
		l.Elapsed = Millis(c.Last().Time - c.First()).Seconds()
	}
	for b, f := range c.Energy() {
		l.ByBasis[b] = [2]MilliwattHours{f.Charge.Round(), f.Discharge.Round()}
		l.Charge += l.ByBasis[b][0]
		l.Discharge += l.ByBasis[b][1]
	}
	l.Excursions = append(l.Excursions, c.OpenExcursions()...)
	slices.SortStableFunc(l.Excursions, func(a, b Excursion) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.Kind, b.Kind))
	})
	slices.SortStableFunc(l.Events, func(a, b Event) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Field, b.Field), cmp.Compare(a.Kind, b.Kind))
	})
	l.EFC = EFC(m, t, c.Total())
	if t != nil {
		l.applyTerms(m, t, c)
	}
	return l
}

func (l *Ledger) applyTerms(m *Model, t *Terms, c *Counter) {
	l.Terms = t.Name
	l.Measures = MeasuresOf(m, t, c)
	g := governing(l.Measures)
	if g == nil {
		return
	}
	l.Governing = g.Measure
	spent := g.Spent
	if l.Measures[0].Measure == MeasureCycleLife {
		spent = l.Measures[0].Spent
	}
	l.Spent = &spent
}

// EFC gives the equivalent full cycles of an energy: by throughput,
// (charge + discharge) / (2 × rated), unless the terms count discharge alone.
func EFC(m *Model, t *Terms, f Flow) float64 {
	rated := float64(m.Rated) * 1000
	if rated <= 0 {
		return 0
	}
	if t != nil && t.EFCBasis == BasisDischarge {
		return float64(f.Discharge) / rated
	}
	return float64(f.Charge+f.Discharge) / (2 * rated)
}

// MeasuresOf computes every measure that the terms limit, cycle life first.
// Pace and EndsOn are left nil: they need the clock.
func MeasuresOf(m *Model, t *Terms, c *Counter) []SpentBy {
	var out []SpentBy
	if len(t.Life.Points) > 0 {
		h := c.HalfCycles()
		spent := t.Life.Spent(&h)
		out = append(out, SpentBy{Measure: MeasureCycleLife, Spent: spent, Used: spent, Limit: 1})
	}
	if t.EFCCap > 0 {
		used := EFC(m, t, c.Total())
		out = append(out, SpentBy{Measure: MeasureEFC, Spent: used / t.EFCCap, Used: used, Limit: t.EFCCap})
	}
	if t.EnergyCap > 0 {
		used := c.Total().Discharge
		out = append(out, SpentBy{
			Measure: MeasureEnergy, Spent: float64(used) / (float64(t.EnergyCap) * 1000),
			Used: used.Round().KWh(), Limit: t.EnergyCap.KWh(),
		})
	}
	return out
}

// governing gives the measure with the largest spent, the first of equals.
func governing(measures []SpentBy) *SpentBy {
	var g *SpentBy
	for i := range measures {
		if g == nil || measures[i].Spent > g.Spent {
			g = &measures[i]
		}
	}
	return g
}
