package analytics_test

import (
	"strings"
	"testing"

	"fadeledger/analytics"
)

func flagKinds(s analytics.Standing) string {
	var kinds []string
	for _, f := range s.Flags {
		kinds = append(kinds, string(f.Kind))
	}
	return strings.Join(kinds, " ")
}

// TestFlagAheadThreshold: a kWh a day against as many kWh as the term has days
// is a pace of exactly 1, which is not ahead; a mWh more is.
func TestFlagAheadThreshold(t *testing.T) {
	start := onDay(t, "2021-03-01")
	unit := analytics.Unit{Commissioned: &start}
	for _, tt := range []struct {
		name string
		cap  analytics.MilliwattHours
		want string
	}{{"exactly 1", 1_461_000_000, ""}, {"just above", 1_460_999_999, "ahead"}} {
		terms := &analytics.Terms{Years: 4, EnergyCap: tt.cap} // 1,461 days
		c := steady(start.Start(), 100, 1_000_000)
		s := analytics.StandingOf(unit, slowModel(), terms, c, (start + 100).Start())
		if got := flagKinds(s); got != tt.want {
			t.Errorf("%s: flags %q at a pace of %v, want %q", tt.name, got, *s.Governing.Pace, tt.want)
		}
	}
	s := analytics.StandingOf(unit, slowModel(), &analytics.Terms{Years: 4, EnergyCap: 2_000_000_000},
		steady(start.Start(), 100, 1_000_000), (start + 100).Start())
	want := "It stays within the warranted energy: 5.0 % is spent after 6.8 % of the term."
	if s.Verdict != want || len(s.Flags) != 0 {
		t.Errorf("verdict %q and flags %q, want %q and none", s.Verdict, flagKinds(s), want)
	}
}

// TestVerdictSlightlyAhead: a unit that is ahead is never called 0 % faster.
func TestVerdictSlightlyAhead(t *testing.T) {
	start := onDay(t, "2021-03-01")
	terms := &analytics.Terms{Years: 4, EnergyCap: 1_459_000_000}
	s := analytics.StandingOf(analytics.Unit{Commissioned: &start}, slowModel(), terms,
		steady(start.Start(), 100, 1_000_000), (start + 100).Start())
	if !s.Has(analytics.FlagAhead) || strings.Contains(s.Verdict, " 0 % faster") {
		t.Errorf("verdict at a pace of %v: %q", *s.Governing.Pace, s.Verdict)
	}
}

func TestFlagSilentThreshold(t *testing.T) {
	start := onDay(t, "2022-01-01")
	unit := analytics.Unit{Commissioned: &start}
	terms := &analytics.Terms{Years: 10, EnergyCap: 10_000_000_000}
	c := steady(start.Start(), 40, 1_000_000)
	last := c.Last().Time
	for _, tt := range []struct {
		name string
		asOf analytics.Instant
		want string
	}{
		{"three days", last + 3*day, ""},
		{"three days and 1 ms", last + 3*day + 1, "silent"},
	} {
		s := analytics.StandingOf(unit, slowModel(), terms, c, tt.asOf)
		if got := flagKinds(s); got != tt.want {
			t.Errorf("%s: flags %q, want %q", tt.name, got, tt.want)
		}
		if tt.want == "" {
			continue
		}
		want := "No telemetry since 2022-02-10 00:00 UTC, 3 days ago; what it did since then is not known."
		if got := s.Flags[0].Sentence; got != want {
			t.Errorf("sentence %q, want %q", got, want)
		}
	}
}

// TestFlagThinThreshold: less than 80 % of more than thirty days.
func TestFlagThinThreshold(t *testing.T) {
	start := onDay(t, "2022-01-01")
	unit := analytics.Unit{Commissioned: &start}
	for _, tt := range []struct {
		name  string
		early analytics.Instant // how long before the last day the last sample is
		days  int
		asOf  analytics.Instant
		want  bool
	}{
		{"32 of 40 days", 0, 32, 40 * day, false},
		{"32 of 40 days and 1 ms", 0, 32, 40*day + 1, true},
		{"a part of thirty days", 0, 3, 30 * day, false},
		{"a part of thirty days and 1 ms", 0, 3, 30*day + 1, true},
	} {
		c := steady(start.Start(), tt.days, 1_000_000)
		s := analytics.StandingOf(unit, slowModel(), nil, c, start.Start()+tt.asOf)
		if got := s.Has(analytics.FlagThin); got != tt.want {
			t.Errorf("%s: thin %v at coverage %v, want %v", tt.name, got, s.Coverage, tt.want)
		}
	}
}

// coldUnit counts three cold-charge episodes of 10 Wh each; the last ones end
// within the limit as often as asked for.
func coldUnit(start analytics.Instant, within int) *analytics.Counter {
	a := &analytics.Account{}
	m := testModel()
	for i := range analytics.Instant(3) {
		now := start + i*hour
		after := analytics.Milliwatts(0)
		if int(i) >= 3-within {
			after = 3_000_000
		}
		for _, s := range []analytics.Sample{
			at(now, coldest(500-analytics.CentiCelsius(i)), power(4_000_000)),
			at(now+9*second, coldest(500), power(4_000_000)),
			at(now+minute, coldest(500), power(after)),
		} {
			a.Counter.Step(m, s, &a.Effects)
		}
	}
	return &a.Counter
}

func TestFlagCold(t *testing.T) {
	start := onDay(t, "2022-01-01").Start()
	const head = "3 charging episodes below the cold limit between 2022-01-01 00:00 UTC and 2022-01-01 02:00 UTC, " +
		"0.0 kWh charged, coldest 5.0 °C."
	for within, tail := range map[int]string{
		0: " In none of them was the rate brought down to what is allowed while the cells stayed cold.",
		1: " In 1 of them the rate then came down to what is allowed while the cells were still cold, curtailed or for want of power.",
		3: " In each of them the rate then came down to what is allowed while the cells were still cold, curtailed or for want of power.",
	} {
		c := coldUnit(start, within)
		s := analytics.StandingOf(analytics.Unit{}, testModel(), nil, c, c.Last().Time)
		if got := flagKinds(s); got != "cold" {
			t.Fatalf("flags %q, want cold", got)
		}
		if got := s.Flags[0].Sentence; got != head+tail {
			t.Errorf("%d within: %q\nwant %q", within, got, head+tail)
		}
		want := "Its pace is unknown: no terms are registered for this unit; it was charged below its cold limit."
		if s.Verdict != want {
			t.Errorf("verdict %q, want %q", s.Verdict, want)
		}
	}
}

func TestStandingWithoutSamples(t *testing.T) {
	start := onDay(t, "2022-01-01")
	terms := &analytics.Terms{Years: 10, EnergyCap: 10_000_000_000}
	var c analytics.Counter
	const nothing = "Nothing can be said: no telemetry has been counted for this unit."
	for _, tt := range []struct {
		name  string
		unit  analytics.Unit
		terms *analytics.Terms
		asOf  analytics.Instant
		flags string
	}{
		{"new", analytics.Unit{Commissioned: &start}, terms, start.Start() + 3*day, ""},
		{"three days and 1 ms old", analytics.Unit{Commissioned: &start}, terms, start.Start() + 3*day + 1, "silent"},
		{"start not known", analytics.Unit{}, terms, start.Start() + 400*day, ""},
		{"no terms", analytics.Unit{Commissioned: &start}, nil, start.Start() + 400*day, ""},
	} {
		s := analytics.StandingOf(tt.unit, testModel(), tt.terms, &c, tt.asOf)
		if got := flagKinds(s); got != tt.flags || s.Verdict != nothing || s.Coverage != 0 || s.CoveredDays != 0 {
			t.Errorf("%s: flags %q, verdict %q, coverage %v", tt.name, got, s.Verdict, s.Coverage)
		}
		if tt.flags == "silent" {
			if want := "No telemetry at all since its warranty began on 2022-01-01."; s.Flags[0].Sentence != want {
				t.Errorf("%s: sentence %q, want %q", tt.name, s.Flags[0].Sentence, want)
			}
		}
	}
}

// TestStandingWithoutTerms: coverage runs from the first sample.
func TestStandingWithoutTerms(t *testing.T) {
	start := onDay(t, "2022-01-01")
	c := steady(start.Start(), 40, 1_000_000)
	s := analytics.StandingOf(analytics.Unit{Commissioned: ptr(start - 1000)}, nil, nil, c, (start + 50).Start())
	if s.Coverage != 0.8 || s.Governing != nil || len(s.Measures) != 0 || s.WarrantyStart != nil || s.WarrantyEnd != nil || s.TermPassed != 0 {
		t.Errorf("standing %+v", s)
	}
	if want := "Its pace is unknown: no terms are registered for this unit; it no longer reports."; s.Verdict != want {
		t.Errorf("verdict %q, want %q", s.Verdict, want)
	}
}

// TestFlagOrder: a unit with every flag carries them in order of weight.
func TestFlagOrder(t *testing.T) {
	start := onDay(t, "2022-01-01")
	m := slowModel()
	c := steady(start.Start(), 40, 9_000_000)
	c.Step(m, at((start+40).Start()+hour, coldest(-500), power(900_000)), new(analytics.Effects))
	terms := &analytics.Terms{Years: 10, Life: twoPoints, EnergyCap: 3_000_000_000}
	s := analytics.StandingOf(analytics.Unit{Commissioned: &start}, m, terms, c, (start + 100).Start())
	if got := flagKinds(s); got != "ahead cold silent thin" {
		t.Errorf("flags %q, want all in order of weight", got)
	}
	for i, f := range s.Flags {
		if f.Kind != analytics.FlagKinds[i] || f.Title == "" || !strings.HasSuffix(f.Sentence, ".") {
			t.Errorf("flag %d: %+v", i, f)
		}
	}
	want := "It uses up the warranted energy 338 % faster than its term allows; it was charged below its cold limit; it no longer reports."
	if s.Verdict != want {
		t.Errorf("verdict %q, want %q", s.Verdict, want)
	}
}

// TestVerdictNamesMeasure: every measure that may govern has its words.
func TestVerdictNamesMeasure(t *testing.T) {
	start := onDay(t, "2022-01-01")
	for words, terms := range map[string]*analytics.Terms{
		"the warranted cycle life":             {Years: 10, Life: twoPoints},
		"the warranted equivalent full cycles": {Years: 10, EFCCap: 6_000},
		"the warranted energy":                 {Years: 10, EnergyCap: 1e12},
	} {
		c := steady(start.Start(), 40, 1_000_000)
		s := analytics.StandingOf(analytics.Unit{Commissioned: &start}, slowModel(), terms, c, (start + 40).Start())
		if want := "It stays within " + words + ": "; !strings.HasPrefix(s.Verdict, want) {
			t.Errorf("verdict %q does not begin with %q", s.Verdict, want)
		}
	}
}

// TestSpanToEnd says the time between both ends in days, months or years.
func TestSpanToEnd(t *testing.T) {
	start := onDay(t, "2021-03-01")
	for _, tt := range []struct {
		cap  analytics.MilliwattHours // at 1 kWh a day: its kWh are the days it lasts
		want string
	}{
		{1_460_500_000, ", 1 day before the term ends on 2025-03-01."},
		{1_402_500_000, ", 59 days before"},
		{1_401_500_000, ", 2 months before"},
		{732_500_000, ", 24 months before"},
		{731_500_000, ", 2.0 years before"},
	} {
		s := analytics.StandingOf(analytics.Unit{Commissioned: &start}, slowModel(), &analytics.Terms{Years: 4, EnergyCap: tt.cap},
			steady(start.Start(), 100, 1_000_000), (start + 100).Start())
		if !s.Has(analytics.FlagAhead) || !strings.Contains(s.Flags[0].Sentence, tt.want) {
			t.Errorf("%v kWh: flags %+v, want %q", tt.cap.KWh(), s.Flags, tt.want)
		}
	}
}
