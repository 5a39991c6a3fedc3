package claim

import (
	"cmp"
	"math/big"

	"fadeledger/analytics"
)

// Terms is an edition of the terms with its numbers as decimals. Absent limits
// are zero, empty or nil, as in analytics.Terms.
type Terms struct {
	Name             string                   `json:"name"`
	Model            string                   `json:"model"`
	SoldFrom         Date                     `json:"sold_from"`
	Years            int                      `json:"years"`
	Life             []LifePoint              `json:"cycle_life"`
	Shallow          analytics.Shallow        `json:"shallow"`
	CountedFromPct   Decimal                  `json:"counted_from_pct"`
	EnergyCap        analytics.MilliwattHours `json:"energy_cap_mwh"`
	EFCCap           Decimal                  `json:"efc_cap"`
	EFCBasis         analytics.EFCBasis       `json:"efc_basis"`
	Retained         []RetainedPoint          `json:"retained_capacity"`
	Start            analytics.StartRule      `json:"start"`
	LongestDelayDays int                      `json:"longest_delay_days"`
	// ColdChargeAllowance is nil where the terms allow or forbid nothing.
	ColdChargeAllowance *analytics.MilliwattHours `json:"cold_charge_allowance_mwh"`
	LongestGapDays      int                       `json:"longest_gap_days"`
	RegistrationDays    int                       `json:"registration_days"`
	Remedy              []RemedyStep              `json:"remedy"`
}

// LifePoint is a warranted number of full cycles at a depth in percent.
type LifePoint struct {
	DepthPct Decimal `json:"depth_pct"`
	Cycles   Decimal `json:"cycles"`
}

// RetainedPoint is the share of the rated energy promised after a year.
type RetainedPoint struct {
	Year int     `json:"year"`
	Pct  Decimal `json:"pct"`
}

// RemedyStep is the share of the price that is made good through a warranty
// year.
type RemedyStep struct {
	ThroughYear int     `json:"through_year"`
	Pct         Decimal `json:"pct"`
}

// FreezeTerms gives an edition with its defaults spelled out and its floats as
// decimals of at most twelve digits after the point; nil for nil.
func FreezeTerms(t *analytics.Terms) *Terms {
	if t == nil {
		return nil
	}
	f := Terms{
		Name: t.Name, Model: t.Model, SoldFrom: Date(t.SoldFrom), Years: t.Years,
		Shallow: cmp.Or(t.Life.Shallow, analytics.ShallowThroughput), CountedFromPct: DecimalOf(analytics.DefaultCountedFrom),
		EnergyCap: t.EnergyCap, EFCCap: DecimalOf(t.EFCCap), EFCBasis: cmp.Or(t.EFCBasis, analytics.BasisThroughput),
		Start: cmp.Or(t.Start, analytics.StartCommissioned), LongestDelayDays: t.LongestDelayDays,
		LongestGapDays: t.LongestGapDays, RegistrationDays: t.RegistrationDays,
	}
	for _, p := range t.Life.Points {
		// A depth is a fraction of a percent of few digits; the product is
		// exact again once it is rounded.
		f.Life = append(f.Life, LifePoint{decimalOf(new(big.Rat).Mul(DecimalOf(p.Depth).rat(), ratio(100, 1)), 10), DecimalOf(p.Cycles)})
	}
	if t.Life.CountedFromPct != nil {
		f.CountedFromPct = DecimalOf(*t.Life.CountedFromPct)
	}
	for _, p := range t.Retained {
		f.Retained = append(f.Retained, RetainedPoint{p.Year, DecimalOf(p.Pct)})
	}
	for _, s := range t.Remedy {
		f.Remedy = append(f.Remedy, RemedyStep{s.ThroughYear, DecimalOf(s.Pct)})
	}
	if t.HasColdAllowance {
		allowance := t.ColdChargeAllowance
		f.ColdChargeAllowance = &allowance
	}
	f = f.sorted()
	return &f
}

// sorted puts the points in ascending order and spells defaults out.
func (t Terms) sorted() Terms {
	t.Shallow = cmp.Or(t.Shallow, analytics.ShallowThroughput)
	t.CountedFromPct = cmp.Or(t.CountedFromPct, DecimalOf(analytics.DefaultCountedFrom))
	t.EFCCap = cmp.Or(t.EFCCap, "0")
	t.EFCBasis = cmp.Or(t.EFCBasis, analytics.BasisThroughput)
	t.Start = cmp.Or(t.Start, analytics.StartCommissioned)
	t.Life = ordered(t.Life, func(a, b LifePoint) int { return a.DepthPct.rat().Cmp(b.DepthPct.rat()) })
	t.Retained = ordered(t.Retained, func(a, b RetainedPoint) int { return cmp.Compare(a.Year, b.Year) })
	t.Remedy = ordered(t.Remedy, func(a, b RemedyStep) int { return cmp.Compare(a.ThroughYear, b.ThroughYear) })
	return t
}

// Counted is what a count of the unit's samples left, as the store keeps it.
type Counted struct {
	Counter    *analytics.Counter
	Excursions []analytics.Excursion
	Events     []analytics.Event
	Versions   analytics.Versions
}

// FreezeLedger gives the ledger of a unit in exact numbers. Terms may be nil.
// Disputes, Quarantined, Corrections and Bridged are left to the caller, who
// keeps them elsewhere.
func FreezeLedger(m *analytics.Model, t *analytics.Terms, c Counted) Ledger {
	counter := c.Counter
	l := Ledger{
		Samples: counter.Samples(), Duplicates: c.Versions.Duplicates, Conflicts: c.Versions.Conflicts, Superseded: c.Versions.Superseded,
		Covered: counter.Covered(), Checked: counter.Checked(), EFC: DecimalOf(analytics.EFC(m, t, counter.Total())),
		HalfCycles: map[int]int64{},
	}
	if counter.Samples() > 0 {
		first, last := counter.First(), counter.Last().Time
		l.First, l.Last, l.Elapsed = &first, &last, analytics.Millis(last-first)
	}
	for bin, n := range counter.HalfCycles() {
		if n > 0 {
			l.HalfCycles[bin] = n
		}
	}
	by := counter.Energy()
	l.Energy = Energy{Counter: Flow(by[analytics.ByCounter]), Power: Flow(by[analytics.ByPower]), SoC: Flow(by[analytics.BySoC])}
	if t != nil {
		for _, s := range analytics.MeasuresOf(m, t, counter) {
			l.Spent = append(l.Spent, Spent{s.Measure, DecimalOf(s.Spent)})
		}
	}
	for _, x := range append(append([]analytics.Excursion{}, c.Excursions...), counter.OpenExcursions()...) {
		l.Excursions = append(l.Excursions, episodeOf(x))
	}
	for _, e := range c.Events {
		l.Events = append(l.Events, Event(e))
	}
	return l.sorted()
}

func episodeOf(x analytics.Excursion) Episode {
	e := Episode{
		Kind: x.Kind.String(), Start: x.Start, End: x.End, Samples: x.Samples,
		Peak: x.Peak, Allowed: x.AllowedAtPeak, Charge: x.Charge, Discharge: x.Discharge, Ending: x.Ending.String(),
	}
	if x.HasTemp {
		low, high := x.MinTemp, x.MaxTemp
		e.MinTemp, e.MaxTemp = &low, &high
	}
	return e
}

// GapsOf gives the longest time between two consecutive samples, which must be
// in ascending order, and the gaps that are longer than a day.
func GapsOf(times []analytics.Instant) (longest analytics.Millis, above []Gap) {
	for i := 1; i < len(times); i++ {
		g := Gap{times[i-1], times[i]}
		longest = max(longest, g.Length())
		if g.Length() > analytics.DayLength {
			above = append(above, g)
		}
	}
	return longest, above
}
