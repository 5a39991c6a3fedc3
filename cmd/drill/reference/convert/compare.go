package convert

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"

	"fadeledger/analytics"
	"fadeledger/cmd/drill/reference"
)

// differences gathers what differs, a line each.
type differences []string

func (d *differences) tell(field string, ledger, want any) {
	*d = append(*d, fmt.Sprintf("%s: the ledger has %v, the reference %v", field, ledger, want))
}

func (d *differences) ints(field string, ledger, want int64) {
	if ledger != want {
		d.tell(field, ledger, want)
	}
}

// floats allows for the last bits of a sum taken in another order.
func (d *differences) floats(field string, ledger, want float64) {
	if !(math.Abs(ledger-want) <= 1e-12*math.Abs(want)) {
		d.tell(field, ledger, want)
	}
}

// Compare gives the differences between a ledger and the reference's count of
// the same deliveries, field by field; empty when they are equal. Integers are
// compared exactly, fractions to 1e-12 relative.
func Compare(l analytics.Ledger, r reference.Result) []string {
	var d differences
	d.ints("samples", l.Samples, r.Samples)
	d.ints("duplicates", l.Duplicates, r.Duplicates)
	d.ints("conflicts", l.Conflicts, r.Conflicts)
	d.ints("superseded", l.Superseded, r.Superseded)
	if (l.First == nil) != (r.Samples == 0) || (l.Last == nil) != (r.Samples == 0) {
		d.tell("first and last known", l.First != nil && l.Last != nil, r.Samples > 0)
	} else if l.First != nil {
		d.floats("first", *l.First, float64(r.FirstMs)/1000)
		d.floats("last", *l.Last, float64(r.LastMs)/1000)
	}
	d.bins("half_cycles", binsOf(l.HalfCycles), r.HalfCycles)
	d.energies(l, r)
	d.floats("covered_s", l.Covered, float64(r.CoveredMs)/1000)
	d.floats("elapsed_s", l.Elapsed, float64(r.ElapsedMs)/1000)
	d.spent(l, r)
	d.events(l.Events, r.Events)
	d.excursions(l.Excursions, r.Excursions)
	return d
}

// energies compares what an answer says in mWh: every basis rounded to the
// nearest, and totals that are the sum of what stands beside them.
func (d *differences) energies(l analytics.Ledger, r reference.Result) {
	var charge, discharge int64
	for basis, want := range []reference.Energy{r.Counter, r.Power, r.BySoC} {
		name := "energy_by_basis." + analytics.Basis(basis).String()
		in, out := wholeMWh(want.ChargeUWh), wholeMWh(want.DischargeUWh)
		d.ints(name+" charge", int64(l.ByBasis[basis][0]), in)
		d.ints(name+" discharge", int64(l.ByBasis[basis][1]), out)
		charge, discharge = charge+in, discharge+out
	}
	d.ints("charge_mwh", int64(l.Charge), charge)
	d.ints("discharge_mwh", int64(l.Discharge), discharge)
	d.floats("efc", l.EFC, r.EFC)
}

// wholeMWh rounds to the nearest mWh, half up; energies are never negative.
func wholeMWh(uwh int64) int64 { return (uwh + 500) / 1000 }

func binsOf(h analytics.HalfCycles) map[int]int64 {
	out := map[int]int64{}
	for k, n := range h {
		if n != 0 {
			out[k] = n
		}
	}
	return out
}

func (d *differences) bins(field string, ledger, want map[int]int64) {
	bins := map[int]bool{}
	for k := range ledger {
		bins[k] = true
	}
	for k := range want {
		bins[k] = true
	}
	for _, k := range slices.Sorted(maps.Keys(bins)) {
		d.ints(fmt.Sprintf("%s[%d]", field, k), ledger[k], want[k])
	}
}

// spent compares every measure, and the one that stands for all of them: the
// cycle life where one is warranted, else the largest.
func (d *differences) spent(l analytics.Ledger, r reference.Result) {
	want := map[analytics.Measure]float64{}
	for measure, share := range map[analytics.Measure]*float64{
		analytics.MeasureCycleLife: r.SpentLife,
		analytics.MeasureEFC:       r.SpentEFC,
		analytics.MeasureEnergy:    r.SpentEnergy,
	} {
		if share != nil {
			want[measure] = *share
		}
	}
	d.ints("measures", int64(len(l.Measures)), int64(len(want)))
	for _, m := range l.Measures {
		d.floats("spent by "+string(m.Measure), m.Spent, want[m.Measure])
	}
	if len(want) == 0 {
		if l.Spent != nil && *l.Spent != 0 {
			d.tell("spent", *l.Spent, nil)
		}
		return
	}
	share, ok := want[analytics.MeasureCycleLife]
	if !ok {
		share = slices.Max(slices.Collect(maps.Values(want)))
	}
	if l.Spent == nil {
		d.tell("spent", nil, share)
		return
	}
	d.floats("spent", *l.Spent, share)
}

func (d *differences) events(ledger []analytics.Event, want []reference.Event) {
	var got []reference.Event
	for _, e := range ledger {
		got = append(got, reference.Event{Kind: string(e.Kind), TimeMs: int64(e.At), Field: e.Field})
	}
	each(d, "events", got, want)
}

// each compares two lists entry by entry.
func each[T comparable](d *differences, field string, ledger, want []T) {
	d.ints(field, int64(len(ledger)), int64(len(want)))
	for i := range min(len(ledger), len(want)) {
		if ledger[i] != want[i] {
			d.tell(fmt.Sprintf("%s[%d]", field, i), ledger[i], want[i])
		}
	}
}

// episode is an excursion without pointers.
type episode struct {
	Kind                    string
	StartMs, EndMs, N       int64
	Temps                   string
	ChargeUWh, DischargeUWh int64
}

// excursions compares the episodes in order of start, then of kind; the peak
// to the millionth of C that the ledger keeps.
func (d *differences) excursions(ledger []analytics.Excursion, want []reference.Excursion) {
	got := slices.Clone(ledger)
	slices.SortFunc(got, func(a, b analytics.Excursion) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.Kind.String(), b.Kind.String()))
	})
	var left, right []episode
	for _, e := range got {
		temps := "unknown"
		if e.HasTemp {
			temps = fmt.Sprintf("%d..%d", e.MinTemp, e.MaxTemp)
		}
		left = append(left, episode{
			e.Kind.String(), int64(e.Start), int64(e.End), e.Samples, temps, int64(e.Charge), int64(e.Discharge),
		})
	}
	for _, e := range want {
		temps := "unknown"
		if e.MinTempCentiC != nil {
			temps = fmt.Sprintf("%d..%d", *e.MinTempCentiC, *e.MaxTempCentiC)
		}
		right = append(right, episode{e.Kind, e.StartMs, e.EndMs, e.N, temps, e.ChargeUWh, e.DischargeUWh})
	}
	each(d, "excursions", left, right)
	for i := range min(len(got), len(want)) {
		if peak := float64(got[i].Peak); math.Abs(peak-want[i].PeakC*1e6) >= 1 {
			d.tell(fmt.Sprintf("excursions[%d] peak", i), peak/1e6, want[i].PeakC)
		}
	}
}

// CompareDays gives the differences between the days of a count and those of
// the reference. A day without samples, covered time, energy and cycles is the
// same as no day.
func CompareDays(days []analytics.DayCount, r reference.Result) []string {
	var d differences
	seen := map[int32]bool{}
	for _, day := range days {
		name, n := "day "+day.Day.String(), int32(day.Day)
		if seen[n] {
			d.tell(name, "the day twice", "it once")
		}
		seen[n] = true
		want, total := r.Days[n], day.Total()
		d.ints(name+" samples", day.Samples, want.Samples)
		d.ints(name+" covered_ms", int64(day.Covered), want.CoveredMs)
		d.ints(name+" charge_uwh", int64(total.Charge), want.ChargeUWh)
		d.ints(name+" discharge_uwh", int64(total.Discharge), want.DischargeUWh)
		d.bins(name+" closed", day.Closed, want.Closed)
	}
	for _, n := range slices.Sorted(maps.Keys(r.Days)) {
		if !seen[n] {
			d.tell("day "+analytics.Day(n).String(), "nothing", r.Days[n])
		}
	}
	return d
}
