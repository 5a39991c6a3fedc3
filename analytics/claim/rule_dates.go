package claim

import (
	"fmt"

	"fadeledger/analytics"
)

// terms judges whether the unit's edition is known and can be its own.
func (c *bench) terms() Result {
	if c.t == nil {
		r := withoutTerms(RuleTerms)
		r.Sentence = "No terms are registered for this unit."
		return r
	}
	r := Result{Rule: RuleTerms, Set: true, Outcome: Met}
	switch d := c.e.Unit.Commissioned; {
	case c.t.Model != c.e.Model.Name:
		r.Outcome = NotMet
		r.Sentence = fmt.Sprintf("The registered terms %q are for the model %s, but the unit is of the model %s.", c.t.Name, c.t.Model, c.e.Model.Name)
		r.Settle = []string{"the terms that the unit was sold with"}
	case d != nil && *d < c.t.SoldFrom:
		r.Outcome = CannotTell
		r.Sentence = fmt.Sprintf("The unit went into use on %s, before any unit was sold with the terms %q (from %s).", d.words(), c.t.Name, c.t.SoldFrom.words())
		r.Settle = []string{"the terms that the unit was sold with"}
	default:
		r.Sentence = fmt.Sprintf("The unit was sold with the terms %q.", c.t.Name)
	}
	return r
}

// begins judges whether the first day of the warranty is known.
func (c *bench) begins() Result {
	if c.t == nil {
		return withoutTerms(RuleStart)
	}
	r := Result{Rule: RuleStart, Set: true, Outcome: CannotTell}
	u := c.e.Unit
	switch {
	case c.misdated():
		r.Sentence = fmt.Sprintf("The registered dates contradict each other: shipped on %s, in use from %s, asked on %s.",
			dateWords(u.Shipped), dateWords(u.Commissioned), c.e.AsOf.Day.words())
		r.Settle = []string{"the right days on which the unit was shipped and put into use"}
	case c.start == nil && c.t.Start == analytics.StartShipped:
		r.Sentence = "The warranty runs from the day the unit was shipped, and that day is not registered."
		r.Settle = []string{"the day on which the unit was shipped"}
	case c.start == nil:
		r.Sentence = "The warranty runs from the day the unit was put into use, and that day is not registered."
		r.Settle = []string{"the day on which the unit was put into use"}
	default:
		r.Outcome = Met
		r.Sentence = c.beginsSentence(Date(*c.start))
	}
	return r
}

func dateWords(d *Date) string {
	if d == nil {
		return "a day not known"
	}
	return d.words()
}

func (c *bench) beginsSentence(start Date) string {
	text := fmt.Sprintf("The warranty began on %s", start.words())
	if start > c.e.AsOf.Day {
		text = fmt.Sprintf("The warranty begins on %s", start.words())
	}
	switch u := c.e.Unit; {
	case c.assumed:
		return text + fmt.Sprintf(": the day it was put into use is not registered, and the terms let at most %s pass after it was shipped on %s.",
			counted(int64(c.t.LongestDelayDays), "day"), u.Shipped.words())
	case c.t.Start == analytics.StartShipped:
		return text + fmt.Sprintf(", %s after the unit was shipped.", counted(int64(c.t.LongestDelayDays), "day"))
	case start < *u.Commissioned:
		return text + fmt.Sprintf(": the unit was put into use on %s, later than the %s after shipping that the terms allow.",
			u.Commissioned.words(), counted(int64(c.t.LongestDelayDays), "day"))
	}
	return text + ", the day the unit was put into use."
}

// registration judges whether the unit was registered in time. The days count
// from the later of the first day of the warranty and the day put into use; the
// last day is in time.
func (c *bench) registration() Result {
	switch {
	case c.t == nil:
		return withoutTerms(RuleRegistration)
	case c.t.RegistrationDays == 0:
		return notSet(RuleRegistration, "set no time for registering the unit")
	case c.start == nil:
		return c.withoutStart(RuleRegistration)
	}
	from := Date(*c.start)
	if d := c.e.Unit.Commissioned; d != nil && *d > from {
		from = *d
	}
	last := from + Date(c.t.RegistrationDays)
	r := Result{Rule: RuleRegistration, Set: true, Outcome: Met}
	r.number("allowed", whole(int64(c.t.RegistrationDays)), "day")
	registered := c.e.Unit.Registered
	if registered == nil {
		if c.e.AsOf.Day <= last {
			r.Sentence = fmt.Sprintf("The unit is not registered yet; there is time until %s.", last.words())
			return r
		}
		r.Outcome = CannotTell
		r.Sentence = fmt.Sprintf("The unit had to be registered by %s, and no day of registration is known.", last.words())
		r.Settle = []string{"the day on which the unit was registered"}
		return r
	}
	r.number("taken", whole(int64(*registered-from)), "day")
	if *registered > last {
		r.Outcome = NotMet
		r.Sentence = fmt.Sprintf("The unit was registered on %s, after the last day for it, %s.", registered.words(), last.words())
		return r
	}
	r.Sentence = fmt.Sprintf("The unit was registered on %s; there was time until %s.", registered.words(), last.words())
	return r
}

// withoutStart is the result of a rule that needs the first day.
func (c *bench) withoutStart(id RuleID) Result {
	r := Result{Rule: id, Set: true, Outcome: CannotTell, Settle: c.begins().Settle}
	r.Sentence = "This cannot be judged while the first day of the warranty is not known."
	return r
}

// inTerm judges whether the day asked for lies before the end of the term. The
// days are the site's own.
func (c *bench) inTerm() Result {
	switch {
	case c.t == nil:
		return withoutTerms(RuleInTerm)
	case c.start == nil:
		return c.withoutStart(RuleInTerm)
	}
	end := anniversary(*c.start, c.t.Years)
	asOf := c.e.AsOf.Day
	r := Result{Rule: RuleInTerm, Set: true, Outcome: Met}
	r.number("term", whole(int64(c.t.Years)), "year")
	r.number("left", whole(int64(end-asOf.Day())), "day")
	last := Date(end - 1)
	if asOf.Day() >= end {
		r.Outcome = NotMet
		r.Sentence = fmt.Sprintf("The last day of the warranty was %s; the day asked for is %s.", last.words(), asOf.words())
		return r
	}
	r.Sentence = fmt.Sprintf("The warranty runs until %s; the day asked for is %s.", last.words(), asOf.words())
	return r
}

// remedy tells what is made good in the warranty year of the day asked for.
func (c *bench) remedy() Result {
	switch {
	case c.t == nil:
		return withoutTerms(RuleRemedy)
	case len(c.t.Remedy) == 0:
		return notSet(RuleRemedy, "name no share of the price by year")
	case c.start == nil:
		return c.withoutStart(RuleRemedy)
	}
	r := Result{Rule: RuleRemedy, Set: true, Outcome: Met}
	year := yearsPassed(*c.start, c.e.AsOf.Day.Day()) + 1
	r.number("warranty year", whole(int64(year)), "year")
	s := c.share()
	switch {
	case year > c.t.Years:
		r.Outcome = NotMet
		r.Sentence = "Nothing is made good after the last day of the warranty."
	case s == nil:
		r.Outcome = CannotTell
		r.Sentence = fmt.Sprintf("The terms do not say what is made good in year %d of the warranty.", year)
		r.Settle = []string{fmt.Sprintf("what the terms make good in year %d", year)}
	default:
		r.number("share of the price", s.Pct, "%")
		r.Sentence = fmt.Sprintf("The claim falls in year %d of the warranty, in which %s %% of the price is made good.", s.Year, s.Pct)
	}
	return r
}
