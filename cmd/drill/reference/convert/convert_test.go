package convert_test

import (
	"slices"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/cmd/drill/reference"
	"fadeledger/cmd/drill/reference/convert"
)

// counted gives a ledger, its days and the reference's count of the same
// series: a cold charge, a counter that starts anew, a duplicate, a dispute
// and a version outdone.
func counted() (analytics.Ledger, []analytics.DayCount, reference.Result) {
	m := &analytics.Model{
		Rated: 5_200_000, MaxPower: 2_600_000,
		ChargeLimit: analytics.LimitTable{{Temp: 0, Rate: 200_000}, {Temp: 1200, Rate: 500_000}, {Temp: 4400, Rate: 500_000}},
	}
	x := &analytics.Terms{
		EnergyCap: 31_000_000_000,
		Life:      analytics.CycleLife{Points: []analytics.LifePoint{{Depth: 0.8, Cycles: 9000}, {Depth: 0.95, Cycles: 6200}}},
	}
	const has = analytics.HasSoC | analytics.HasTemp | analytics.HasPower | analytics.HasCharge | analytics.HasDischarge
	var delivered []analytics.Sample
	for i, soc := range []analytics.SoC{500, 520, 510, 600, 300, 900, 400} {
		delivered = append(delivered, analytics.Sample{
			Time: analytics.Instant(i) * 600_000, Has: has, SoC: soc, Temp: -500 + analytics.CentiCelsius(i),
			Power: 600_000, Charge: analytics.MilliwattHours(20_000 * (i % 4)), Discharge: analytics.MilliwattHours(3000 * i),
		})
	}
	disputed, outdone := delivered[1], delivered[2]
	disputed.SoC, outdone.Rank = 521, -1
	delivered = append(delivered, delivered[0], disputed, outdone)

	var set analytics.SampleSet
	for _, s := range delivered {
		set.Add(s)
	}
	r := set.Resolve()
	a := analytics.Count(m, r.Counting)
	l := analytics.LedgerOf(m, x, &a.Counter, a.Excursions, a.Events, analytics.Versions{
		Duplicates: r.Duplicates, Conflicts: r.Conflicts, Superseded: r.Superseded})
	return l, a.AllDays(), reference.Count(convert.Model(m, x), convert.Delivered(delivered, 1<<40), nil)
}

// TestCompareTells changes one thing in the ledger at a time, and wants it
// told by its name and nothing else.
func TestCompareTells(t *testing.T) {
	tests := []struct {
		field  string
		change func(*analytics.Ledger)
	}{
		{"samples", func(l *analytics.Ledger) { l.Samples++ }},
		{"duplicates", func(l *analytics.Ledger) { l.Duplicates++ }},
		{"conflicts", func(l *analytics.Ledger) { l.Conflicts = 0 }},
		{"superseded", func(l *analytics.Ledger) { l.Superseded++ }},
		{"first", func(l *analytics.Ledger) { *l.First += 0.001 }},
		{"last", func(l *analytics.Ledger) { *l.Last -= 0.001 }},
		{"half_cycles[60]", func(l *analytics.Ledger) { l.HalfCycles[60]++ }},
		{"half_cycles[200]", func(l *analytics.Ledger) { l.HalfCycles[200] = 2 }},
		{"charge_mwh", func(l *analytics.Ledger) { l.Charge++ }},
		{"discharge_mwh", func(l *analytics.Ledger) { l.Discharge-- }},
		{"energy_by_basis.counter charge", func(l *analytics.Ledger) { l.ByBasis[0][0]++ }},
		{"energy_by_basis.soc discharge", func(l *analytics.Ledger) { l.ByBasis[2][1]++ }},
		{"efc", func(l *analytics.Ledger) { l.EFC *= 1.000001 }},
		{"covered_s", func(l *analytics.Ledger) { l.Covered += 0.001 }},
		{"elapsed_s", func(l *analytics.Ledger) { l.Elapsed += 0.001 }},
		{"spent", func(l *analytics.Ledger) { *l.Spent *= 1.000001 }},
		{"spent", func(l *analytics.Ledger) { l.Spent = nil }},
		{"measures", func(l *analytics.Ledger) { l.Measures = l.Measures[:1] }},
		{"spent by energy", func(l *analytics.Ledger) {
			i := slices.IndexFunc(l.Measures, func(m analytics.SpentBy) bool { return m.Measure == analytics.MeasureEnergy })
			l.Measures[i].Spent *= 1.000001
		}},
		{"events", func(l *analytics.Ledger) { l.Events = nil }},
		{"events[0]", func(l *analytics.Ledger) { l.Events[0].At++ }},
		{"excursions", func(l *analytics.Ledger) { l.Excursions = append(l.Excursions, l.Excursions[len(l.Excursions)-1]) }},
		{"excursions[0]", func(l *analytics.Ledger) { l.Excursions[0].Samples++ }},
		{"excursions[0]", func(l *analytics.Ledger) { l.Excursions[0].MinTemp-- }},
		{"excursions[0]", func(l *analytics.Ledger) { l.Excursions[0].Charge++ }},
		{"excursions[0] peak", func(l *analytics.Ledger) { l.Excursions[0].Peak += 2 }},
	}
	for _, tt := range tests {
		t.Run(tt.field, func(t *testing.T) {
			l, _, r := counted()
			if found := convert.Compare(l, r); len(found) > 0 {
				t.Fatalf("before the change: %q", found)
			}
			tt.change(&l)
			found := convert.Compare(l, r)
			if len(found) != 1 || !strings.HasPrefix(found[0], tt.field+": ") {
				t.Errorf("got %q, want one that begins with %q", found, tt.field)
			}
		})
	}
}

func TestCompareDaysTells(t *testing.T) {
	tests := []struct {
		field  string
		change func([]analytics.DayCount) []analytics.DayCount
	}{
		{"day 1970-01-01", func([]analytics.DayCount) []analytics.DayCount { return nil }},
		{"day 1970-01-01", func(d []analytics.DayCount) []analytics.DayCount { return append(d, d[0]) }},
		{"day 1970-01-01 samples", func(d []analytics.DayCount) []analytics.DayCount { d[0].Samples++; return d }},
		{"day 1970-01-01 covered_ms", func(d []analytics.DayCount) []analytics.DayCount { d[0].Covered++; return d }},
		{"day 1970-01-01 charge_uwh", func(d []analytics.DayCount) []analytics.DayCount { d[0].Energy[2].Charge++; return d }},
		{"day 1970-01-01 discharge_uwh", func(d []analytics.DayCount) []analytics.DayCount { d[0].Energy[0].Discharge++; return d }},
		{"day 1970-01-01 closed[60]", func(d []analytics.DayCount) []analytics.DayCount {
			d[0].Closed = map[int]int64{60: 2}
			return d
		}},
	}
	for _, tt := range tests {
		t.Run(tt.field, func(t *testing.T) {
			_, days, r := counted()
			if found := convert.CompareDays(days, r); len(found) > 0 {
				t.Fatalf("before the change: %q", found)
			}
			found := convert.CompareDays(tt.change(days), r)
			if len(found) == 0 || !strings.HasPrefix(found[0], tt.field+": ") {
				t.Errorf("got %q, want one that begins with %q", found, tt.field)
			}
		})
	}
}

// TestSample: a zero is a value, what is absent is none.
func TestSample(t *testing.T) {
	s := convert.Sample(analytics.Sample{Time: 7, Rank: 2, Has: analytics.HasSoC | analytics.HasTempMax | analytics.PowerIsMean, TempMax: -3})
	if s.TimeMs != 7 || s.Rank != 2 || !s.PowerIsMean || s.SoC == nil || *s.SoC != 0 || s.TempMaxCentiC == nil || *s.TempMaxCentiC != -3 {
		t.Errorf("got %+v", s)
	}
	if s.TempCentiC != nil || s.PowerMW != nil || s.CurrentMA != nil || s.VoltageMV != nil || s.ChargeMWh != nil || s.DischargeMWh != nil {
		t.Errorf("fields that are absent came through: %+v", s)
	}
}

func TestCorrections(t *testing.T) {
	got := convert.Corrections([]analytics.Correction{
		{From: 1, To: 9, Samples: []analytics.Sample{{Time: 5, Has: analytics.HasSoC, SoC: 7}}},
		{From: 2, To: 3},
	})
	if len(got) != 2 || got[0].FromMs != 1 || got[0].ToMs != 9 || len(got[0].Samples) != 1 || *got[0].Samples[0].SoC != 7 {
		t.Errorf("got %+v", got)
	}
	if got[1].FromMs != 2 || got[1].ToMs != 3 || len(got[1].Samples) != 0 {
		t.Errorf("a span without samples: got %+v", got[1])
	}
}
