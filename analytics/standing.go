package analytics

import (
	"fmt"
	"math"
	"strings"
)

// Thresholds of the flags.
const (
	// PaceNeedsDays is the number of covered days from which a pace is known.
	PaceNeedsDays = 30
	// SilentAfter is the time without telemetry that raises FlagSilent.
	SilentAfter = 3 * DayLength
	// ThinBelow is the coverage under which FlagThin is raised.
	ThinBelow = 0.8
	// furthest is the horizon in days beyond which no end date is given.
	furthest = 200 * 365
)

// StandingOf relates what a unit has used to its terms at an instant. Model
// and terms may be nil; the counter may be empty.
//
// Special cases:
//   - no terms, or terms without a limit: Measures is empty, PaceUnknown says so
//   - no warranty start known: pace unknown
//   - fewer than PaceNeedsDays covered days: pace unknown
//   - warranty not begun at asOf: pace unknown
func StandingOf(u Unit, m *Model, t *Terms, c *Counter, asOf Instant) Standing {
	s := Standing{AsOf: asOf, CoveredDays: float64(c.Covered()) / float64(DayLength)}
	from := c.First()
	if t != nil {
		if start, ok := t.WarrantyStart(u); ok {
			s.WarrantyStart = &start
			from = start.Start()
			if t.Years > 0 {
				end := t.WarrantyEnd(start)
				s.WarrantyEnd = &end
				s.TermPassed = max(0, float64(asOf-from)/float64(end.Start()-from))
			}
		}
	}
	elapsed := Millis(asOf - from)
	if c.Samples() > 0 && elapsed > 0 {
		s.Coverage = min(1, float64(c.Covered())/float64(elapsed))
	}
	if t != nil && m != nil {
		s.Measures = MeasuresOf(m, t, c)
	}
	s.PaceUnknown = paceUnknown(&s, t, elapsed)
	if s.PaceUnknown == "" {
		s.setPace(elapsed)
	}
	s.Governing = governing(s.Measures)
	s.Flags = flagsOf(&s, m, c, elapsed)
	s.Verdict = verdictOf(&s, c)
	return s
}

func paceUnknown(s *Standing, t *Terms, elapsed Millis) string {
	switch {
	case t == nil:
		return "no terms are registered for this unit"
	case len(s.Measures) == 0:
		return "the terms limit neither cycles nor energy"
	case s.WarrantyStart == nil:
		return "the start of the warranty is not known: register the day it was commissioned or shipped"
	case s.WarrantyEnd == nil:
		return "the terms name no number of years"
	case elapsed <= 0:
		return "the warranty has not begun"
	case s.CoveredDays < PaceNeedsDays:
		// Rounded down: 29.96 days are not 30.
		return fmt.Sprintf("needs %d covered days, has %.1f", PaceNeedsDays, math.Floor(s.CoveredDays*10)/10)
	}
	return ""
}

// setPace computes pace and end date of every measure: at the rate so far,
// what is spent reaches 1 after elapsed / spent.
func (s *Standing) setPace(elapsed Millis) {
	term := float64(s.WarrantyEnd.Start() - s.WarrantyStart.Start())
	for i := range s.Measures {
		m := &s.Measures[i]
		pace := m.Spent / (float64(elapsed) / term)
		m.Pace = &pace
		if m.Spent <= 0 {
			continue
		}
		days := float64(elapsed) / float64(DayLength) / m.Spent
		if days < furthest {
			// The quotient of whole days may come out a hair short.
			end := *s.WarrantyStart + Day(math.Floor(days+1e-6))
			m.EndsOn = &end
		}
	}
	if g := governing(s.Measures); g != nil && s.CoveredDays > 0 {
		observed := g.Spent / (s.CoveredDays * float64(DayLength) / term)
		s.PaceObserved = &observed
	}
}

func flagsOf(s *Standing, m *Model, c *Counter, elapsed Millis) []Flag {
	var flags []Flag
	if g := s.Governing; g != nil && g.Pace != nil && *g.Pace > 1 {
		flags = append(flags, Flag{FlagAhead, "ahead of its term", aheadSentence(s, g)})
	}
	if t := c.Tallies()[ColdCharge]; t.Episodes > 0 {
		flags = append(flags, Flag{FlagCold, "charged below its cold limit", coldSentence(t, c)})
	}
	if c.Samples() > 0 && Millis(s.AsOf-c.Last().Time) > SilentAfter {
		flags = append(flags, Flag{FlagSilent, "silent", fmt.Sprintf(
			"No telemetry since %s, %.0f days ago; what it did since then is not known.",
			stamp(c.Last().Time), float64(s.AsOf-c.Last().Time)/float64(DayLength))})
	}
	if c.Samples() == 0 && elapsed > SilentAfter && s.WarrantyStart != nil {
		flags = append(flags, Flag{FlagSilent, "silent", fmt.Sprintf(
			"No telemetry at all since its warranty began on %s.", *s.WarrantyStart)})
	}
	if c.Samples() > 0 && elapsed > PaceNeedsDays*DayLength && s.Coverage < ThinBelow {
		flags = append(flags, Flag{FlagThin, "too little coverage to tell", thinSentence(s)})
	}
	return flags
}

func aheadSentence(s *Standing, g *SpentBy) string {
	text := fmt.Sprintf("%.1f %% of %s is spent after %.1f %% of the term: a pace of %.2f.",
		g.Spent*100, measureWords(g.Measure), s.TermPassed*100, *g.Pace)
	if g.EndsOn != nil {
		text += fmt.Sprintf(" At this rate it is used up on %s, %s before the term ends on %s.",
			*g.EndsOn, spanWords(int(*s.WarrantyEnd-*g.EndsOn)), *s.WarrantyEnd)
	}
	return text
}

func measureWords(m Measure) string {
	switch m {
	case MeasureEFC:
		return "the warranted equivalent full cycles"
	case MeasureEnergy:
		return "the warranted energy"
	}
	return "the warranted cycle life"
}

func coldSentence(t Tally, c *Counter) string {
	text := fmt.Sprintf("%s below the cold limit between %s and %s, %.1f kWh charged, coldest %s °C.",
		counted(t.Episodes, "charging episode"), stamp(t.First), stamp(t.Last),
		float64(t.Charge)/1e9, strings.Replace(fmt.Sprintf("%.1f", t.MinTemp.Celsius()), "-", "−", 1))
	switch within := c.Curtailed(); {
	case within == 0:
		return text + " In none of them was the rate brought down to what is allowed while the cells stayed cold."
	case within == t.Episodes:
		return text + " In each of them the rate then came down to what is allowed while the cells were still cold, curtailed or for want of power."
	}
	return text + fmt.Sprintf(" In %d of them the rate then came down to what is allowed while the cells were still cold, curtailed or for want of power.", c.Curtailed())
}

func thinSentence(s *Standing) string {
	text := fmt.Sprintf("Only %.0f %% of its time is covered by telemetry (%.0f of %.0f days).",
		s.Coverage*100, s.CoveredDays, s.CoveredDays/max(s.Coverage, 1e-9))
	if s.PaceObserved != nil && s.Governing.Pace != nil {
		text += fmt.Sprintf(" The pace of %.2f is the least it can be; in the covered time alone it was %.2f.",
			*s.Governing.Pace, *s.PaceObserved)
	}
	return text
}

// verdictOf says in one sentence where the unit stands.
func verdictOf(s *Standing, c *Counter) string {
	if c.Samples() == 0 {
		return "Nothing can be said: no telemetry has been counted for this unit."
	}
	var parts []string
	g := s.Governing
	switch {
	case g == nil || g.Pace == nil:
		parts = append(parts, "Its pace is unknown: "+s.PaceUnknown)
	case *g.Pace > 1:
		parts = append(parts, fmt.Sprintf("It uses up %s %s faster than its term allows", measureWords(g.Measure), fasterWords(*g.Pace)))
	case s.Has(FlagThin):
		parts = append(parts, fmt.Sprintf("Too little is covered to tell whether it stays within %s", measureWords(g.Measure)))
	default:
		parts = append(parts, fmt.Sprintf("It stays within %s: %.1f %% is spent after %.1f %% of the term", measureWords(g.Measure), g.Spent*100, s.TermPassed*100))
	}
	if s.Has(FlagCold) {
		parts = append(parts, "it was charged below its cold limit")
	}
	if s.Has(FlagSilent) {
		parts = append(parts, "it no longer reports")
	}
	return strings.Join(parts, "; ") + "."
}

// fasterWords says by how much a pace above 1 is ahead.
func fasterWords(pace float64) string {
	if percent := math.Round((pace - 1) * 100); percent >= 1 {
		return fmt.Sprintf("%.0f %%", percent)
	}
	return "less than 1 %"
}

func counted(n int64, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

func stamp(i Instant) string { return i.Time().Format("2006-01-02 15:04") + " UTC" }

func spanWords(days int) string {
	if days < 60 {
		return counted(int64(days), "day")
	}
	if days < 730 {
		return fmt.Sprintf("%.0f months", float64(days)/30.44)
	}
	return fmt.Sprintf("%.1f years", float64(days)/365.25)
}
