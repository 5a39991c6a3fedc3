package analytics_test

import (
	"reflect"
	"strings"
	"testing"

	"fadeledger/analytics"
)

func onDay(t testing.TB, text string) analytics.Day {
	t.Helper()
	d, err := analytics.ParseDay(text)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// slowModel covers a day between two samples.
func slowModel() *analytics.Model {
	m := testModel()
	m.MaxGap = analytics.DayLength
	return m
}

// steady counts a unit that reports once a day from start on, and charges and
// discharges as much every day.
func steady(start analytics.Instant, days int, perDay analytics.MilliwattHours) *analytics.Counter {
	samples := make([]analytics.Sample, days+1)
	for i := range samples {
		e := perDay * analytics.MilliwattHours(i)
		samples[i] = at(start+analytics.Instant(i)*day, charged(e), discharged(e))
	}
	return &analytics.Count(slowModel(), samples).Counter
}

func TestWarrantyStart(t *testing.T) {
	const commissioned, shipped = analytics.StartCommissioned, analytics.StartShipped
	d := func(v analytics.Day) *analytics.Day { return &v }
	tests := []struct {
		name       string
		rule       analytics.StartRule
		delay      int
		ship, comm *analytics.Day
		want       *analytics.Day
	}{
		{"commissioned alone", commissioned, 180, nil, d(500), d(500)},
		{"commissioned before the latest day", commissioned, 180, d(400), d(500), d(500)},
		{"commissioned on the latest day", commissioned, 100, d(400), d(500), d(500)},
		{"commissioned a day too late", commissioned, 99, d(400), d(500), d(499)},
		{"no longest delay", commissioned, 0, d(400), d(500), d(500)},
		{"not commissioned yet", commissioned, 180, d(400), nil, d(580)},
		{"no rule named", "", 99, d(400), d(500), d(499)},
		{"commissioned, no day known", commissioned, 180, nil, nil, nil},
		{"shipped", shipped, 180, d(400), d(450), d(580)},
		{"shipped without delay", shipped, 0, d(400), nil, d(400)},
		{"shipped, day not known", shipped, 180, nil, d(450), nil},
	}
	for _, tt := range tests {
		terms := analytics.Terms{Start: tt.rule, LongestDelayDays: tt.delay}
		got, ok := terms.WarrantyStart(analytics.Unit{Shipped: tt.ship, Commissioned: tt.comm})
		if ok != (tt.want != nil) || ok && got != *tt.want {
			t.Errorf("%s: got %v, %v, want %v", tt.name, got, ok, tt.want)
		}
	}
}

// TestWarrantyEnd: the first day after the warranty is the anniversary.
func TestWarrantyEnd(t *testing.T) {
	for _, tt := range []struct {
		start string
		years int
		want  string
	}{
		{"2021-03-01", 10, "2031-03-01"},
		{"2024-02-29", 10, "2034-03-01"},
		{"2024-02-29", 4, "2028-02-29"},
		{"2023-02-28", 1, "2024-02-28"},
		{"2023-03-01", 1, "2024-03-01"},
		{"2020-12-31", 15, "2035-12-31"},
		{"1999-02-28", 101, "2100-02-28"},
	} {
		terms := analytics.Terms{Years: tt.years}
		if got := terms.WarrantyEnd(onDay(t, tt.start)).String(); got != tt.want {
			t.Errorf("%s and %d years: %s, want %s", tt.start, tt.years, got, tt.want)
		}
	}
}

// TestPaceByHand: a cap of 10 MWh, 3 kWh a day, ten years of 3,652 days. After
// 100 days 3 % is spent; the pace is 0.03 × 3652/100 = 1.0956, and the cap is
// reached 3,333 days after the start.
func TestPaceByHand(t *testing.T) {
	start := onDay(t, "2021-03-01")
	terms := &analytics.Terms{Years: 10, EnergyCap: 10_000_000_000, EFCCap: 2_000}
	unit := analytics.Unit{Commissioned: &start}
	c := steady(start.Start(), 100, 3_000_000)
	s := analytics.StandingOf(unit, slowModel(), terms, c, (start + 100).Start())

	if *s.WarrantyStart != start || s.WarrantyEnd.String() != "2031-03-01" {
		t.Errorf("warranty %v to %v", *s.WarrantyStart, *s.WarrantyEnd)
	}
	if !near(s.TermPassed, 100.0/3652, 1e-15) || s.Coverage != 1 || s.CoveredDays != 100 {
		t.Errorf("term passed %v, coverage %v, covered days %v", s.TermPassed, s.Coverage, s.CoveredDays)
	}
	if s.PaceUnknown != "" || len(s.Measures) != 2 {
		t.Fatalf("pace unknown %q, measures %v", s.PaceUnknown, s.Measures)
	}
	efc, energy := s.Measures[0], s.Measures[1]
	if efc.Measure != analytics.MeasureEFC || efc.Used != 30 || efc.Limit != 2000 || !near(efc.Spent, 0.015, 1e-15) ||
		!near(*efc.Pace, 0.5478, 1e-12) || *efc.EndsOn != start+6666 {
		t.Errorf("equivalent full cycles: %+v, pace %v, ends on %v", efc, *efc.Pace, *efc.EndsOn)
	}
	if energy.Measure != analytics.MeasureEnergy || energy.Used != 300 || energy.Limit != 10_000 ||
		!near(energy.Spent, 0.03, 1e-15) || !near(*energy.Pace, 1.0956, 1e-12) || energy.EndsOn.String() != "2030-04-16" {
		t.Errorf("energy: %+v, pace %v, ends on %v", energy, *energy.Pace, *energy.EndsOn)
	}
	if s.Governing == nil || s.Governing.Measure != analytics.MeasureEnergy || !near(*s.PaceObserved, 1.0956, 1e-12) {
		t.Errorf("governing %+v, pace observed %v", s.Governing, s.PaceObserved)
	}
	wantFlag := analytics.Flag{Kind: analytics.FlagAhead, Title: "ahead of its term", Sentence: "3.0 % of the warranted energy is spent " +
		"after 2.7 % of the term: a pace of 1.10. At this rate it is used up on 2030-04-16, 10 months before the term ends on 2031-03-01."}
	if !reflect.DeepEqual(s.Flags, []analytics.Flag{wantFlag}) {
		t.Errorf("flags: %+v\nwant %+v", s.Flags, wantFlag)
	}
	if want := "It uses up the warranted energy 10 % faster than its term allows."; s.Verdict != want {
		t.Errorf("verdict %q, want %q", s.Verdict, want)
	}
}

// TestPaceObserved: half of the time is covered, so the pace in the covered
// time alone is twice the pace.
func TestPaceObserved(t *testing.T) {
	start := onDay(t, "2022-01-01")
	terms := &analytics.Terms{Years: 10, EnergyCap: 20_000_000_000}
	c := steady(start.Start(), 50, 3_000_000)
	s := analytics.StandingOf(analytics.Unit{Commissioned: &start}, slowModel(), terms, c, (start + 100).Start())
	pace := 0.0075 * 3652 / 100
	if !near(*s.Governing.Pace, pace, 1e-12) || !near(*s.PaceObserved, 2*pace, 1e-12) || s.Coverage != 0.5 {
		t.Errorf("pace %v, observed %v, coverage %v", *s.Governing.Pace, *s.PaceObserved, s.Coverage)
	}
	if !s.Has(analytics.FlagThin) || !s.Has(analytics.FlagSilent) || s.Has(analytics.FlagAhead) {
		t.Errorf("flags %+v", s.Flags)
	}
	want := "Only 50 % of its time is covered by telemetry (50 of 100 days). " +
		"The pace of 0.27 is the least it can be; in the covered time alone it was 0.55."
	if got := s.Flags[1].Sentence; got != want {
		t.Errorf("sentence %q, want %q", got, want)
	}
	if want := "Too little is covered to tell whether it stays within the warranted energy; it no longer reports."; s.Verdict != want {
		t.Errorf("verdict %q, want %q", s.Verdict, want)
	}
}

func TestPaceUnknown(t *testing.T) {
	start := onDay(t, "2022-01-01")
	known := analytics.Unit{Commissioned: &start}
	capped := &analytics.Terms{Years: 10, EnergyCap: 10_000_000_000}
	for _, tt := range []struct {
		name  string
		unit  analytics.Unit
		terms *analytics.Terms
		days  int
		asOf  analytics.Day
		want  string
	}{
		{"thirty covered days", known, capped, 30, start + 60, ""},
		{"twenty-nine", known, capped, 29, start + 60, "needs 30 covered days, has 29.0"},
		{"no terms", known, nil, 40, start + 60, "no terms are registered for this unit"},
		{"no limit", known, &analytics.Terms{Years: 10}, 40, start + 60, "the terms limit neither cycles nor energy"},
		{"no years", known, &analytics.Terms{EFCCap: 1}, 40, start + 60, "the terms name no number of years"},
		{"no start", analytics.Unit{}, capped, 40, start + 60,
			"the start of the warranty is not known: register the day it was commissioned or shipped"},
		{"on the first instant", known, capped, 40, start, "the warranty has not begun"},
		{"before it", known, capped, 40, start - 1, "the warranty has not begun"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := analytics.StandingOf(tt.unit, slowModel(), tt.terms, steady(start.Start(), tt.days, 1_000_000), tt.asOf.Start())
			if s.PaceUnknown != tt.want {
				t.Errorf("pace unknown: %q, want %q", s.PaceUnknown, tt.want)
			}
			for _, m := range s.Measures {
				if (m.Pace == nil) != (tt.want != "") {
					t.Errorf("%s: pace %v", m.Measure, m.Pace)
				}
			}
			if (s.PaceObserved == nil) != (tt.want != "") {
				t.Errorf("pace observed %v", s.PaceObserved)
			}
			if tt.want != "" && !strings.HasPrefix(s.Verdict, "Its pace is unknown: "+tt.want) {
				t.Errorf("verdict %q does not say why", s.Verdict)
			}
		})
	}
}

// TestPaceNeedsAllOfThirtyDays: a minute short of thirty covered days the pace
// is unknown, and the reason does not claim thirty.
func TestPaceNeedsAllOfThirtyDays(t *testing.T) {
	start := onDay(t, "2022-01-01")
	c := steady(start.Start(), 29, 1_000_000)
	c.Step(slowModel(), at((start+30).Start()-minute, soc(1)), new(analytics.Effects))
	terms := &analytics.Terms{Years: 10, EnergyCap: 10_000_000_000}
	s := analytics.StandingOf(analytics.Unit{Commissioned: &start}, slowModel(), terms, c, (start + 30).Start())
	if s.PaceUnknown == "" || s.Governing.Pace != nil {
		t.Fatalf("pace is known at %v covered days", s.CoveredDays)
	}
	if strings.Contains(s.PaceUnknown, "has 30.0") {
		t.Errorf("%q contradicts itself", s.PaceUnknown)
	}
}

// TestEndsOnExactDay: at a kWh a day, a cap of so many kWh lasts so many days.
func TestEndsOnExactDay(t *testing.T) {
	start := onDay(t, "2021-03-01")
	c := steady(start.Start(), 100, 1_000_000)
	for days := analytics.Day(200); days < 2000; days++ {
		terms := &analytics.Terms{Years: 10, EnergyCap: 1_000_000 * analytics.MilliwattHours(days)}
		s := analytics.StandingOf(analytics.Unit{Commissioned: &start}, slowModel(), terms, c, (start + 100).Start())
		if got := *s.Governing.EndsOn; got != start+days {
			t.Fatalf("%d days: ends on %v, want %v", days, got, start+days)
		}
	}
}

// TestEndsOnHorizon: what is hardly used has a pace but no end date, and what
// is not used at all neither.
func TestEndsOnHorizon(t *testing.T) {
	start := onDay(t, "2022-01-01")
	terms := &analytics.Terms{Years: 10, EnergyCap: 10_000_000_000}
	for _, tt := range []struct {
		name   string
		perDay analytics.MilliwattHours
		ends   bool
	}{{"nothing", 0, false}, {"hardly", 100_000, false}, {"a little", 1_000_000, true}} {
		s := analytics.StandingOf(analytics.Unit{Commissioned: &start}, slowModel(), terms,
			steady(start.Start(), 40, tt.perDay), (start + 40).Start())
		if g := s.Governing; g.Pace == nil || (g.EndsOn != nil) != tt.ends || (*g.Pace > 0) != (tt.perDay > 0) {
			t.Errorf("%s: pace %v, ends on %v", tt.name, g.Pace, g.EndsOn)
		}
	}
}

// TestMeasures: the governing measure is the one with the largest spent, the
// first of equals, cycle life first.
func TestMeasures(t *testing.T) {
	m := testModel()
	c := &analytics.Count(m, []analytics.Sample{at(0, soc(1000)), at(minute, soc(200)), at(2*minute, soc(1000))}).Counter
	for _, tt := range []struct {
		name  string
		terms analytics.Terms
		want  analytics.Measure
		spent float64
	}{
		{"cycle life", analytics.Terms{Life: twoPoints, EFCCap: 10_000, EnergyCap: 1e12}, analytics.MeasureCycleLife, 1e-4},
		{"efc", analytics.Terms{Life: twoPoints, EFCCap: 1_000}, analytics.MeasureEFC, 8e-4},
		{"efc by discharge", analytics.Terms{EFCCap: 1_000, EFCBasis: analytics.BasisDischarge}, analytics.MeasureEFC, 8e-4},
		{"energy", analytics.Terms{Life: twoPoints, EnergyCap: 8_000_000_000}, analytics.MeasureEnergy, 1e-3},
		{"the first of equals", analytics.Terms{EFCCap: 1_000, EnergyCap: 10_000_000_000}, analytics.MeasureEFC, 8e-4},
	} {
		l := analytics.LedgerOf(m, &tt.terms, c, nil, nil, analytics.Versions{})
		if l.Governing != tt.want {
			t.Errorf("%s: governing %q of %+v, want %q", tt.name, l.Governing, l.Measures, tt.want)
			continue
		}
		for _, by := range l.Measures {
			if by.Measure == tt.want && !near(by.Spent, tt.spent, 1e-12) {
				t.Errorf("%s: spent %v, want %v", tt.name, by.Spent, tt.spent)
			}
		}
	}
	none := analytics.LedgerOf(m, &analytics.Terms{Name: "open"}, c, nil, nil, analytics.Versions{})
	if none.Spent != nil || none.Governing != "" || none.Terms != "open" {
		t.Errorf("terms without a limit: spent %v, governing %q", none.Spent, none.Governing)
	}
}
