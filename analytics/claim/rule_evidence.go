package claim

import (
	"fmt"
	"math/big"

	"fadeledger/analytics"
)

// coldCharge judges the energy charged below the cold limit against the
// allowance of the terms.
func (c *bench) coldCharge() Result {
	switch {
	case c.t == nil:
		return withoutTerms(RuleColdCharge)
	case c.t.ColdChargeAllowance == nil:
		return notSet(RuleColdCharge, "set no allowance for charging in the cold")
	}
	var charged analytics.MicrowattHours
	var refs []Reference
	for _, x := range c.e.Ledger.Excursions {
		if x.Kind == analytics.ColdCharge.String() {
			charged += x.Charge
			refs = append(refs, Reference{"episode", x.Kind + " " + stamp(x.Start)})
		}
	}
	unchecked := analytics.Millis(0)
	if c.span != nil {
		unchecked = max(0, c.span.Length()-c.e.Ledger.Checked)
	}
	u := use{
		rule: RuleColdCharge, unit: "kWh", words: "allowance for charging in the cold", within: "allowed", beyond: "the terms allow",
		used: kWh(charged), limit: ratio(int64(*c.t.ColdChargeAllowance), 1e6), base: kWh(charged),
		covered: c.e.Ledger.Checked, slack: c.canDo(c.unsettled), hidden: c.canDo(unchecked),
	}
	r := c.judge(u)
	r.number("episodes", whole(int64(len(refs))), "1")
	r.refer(refs)
	return r
}

// limits tells of excursions other than charging in the cold. Terms say nothing
// about them, so they change no recommendation.
func (c *bench) limits() Result {
	r := Result{Rule: RuleLimits, Outcome: Met, Span: c.span, Coverage: c.coverage(c.e.Ledger.Checked)}
	var refs []Reference
	byKind := make([]int64, analytics.ExcursionKinds)
	for _, x := range c.e.Ledger.Excursions {
		kind, ok := analytics.ParseExcursionKind(x.Kind)
		if !ok || kind == analytics.ColdCharge {
			continue
		}
		byKind[kind]++
		refs = append(refs, Reference{"episode", x.Kind + " " + stamp(x.Start)})
	}
	for kind, n := range byKind {
		if n > 0 {
			r.number(analytics.ExcursionKind(kind).String(), whole(n), "1")
		}
	}
	r.refer(refs)
	switch {
	case len(refs) > 0:
		r.Outcome = NotMet
		r.Sentence = fmt.Sprintf("The unit was used outside the limits of its model %s; the terms attach nothing to that.", times(len(refs)))
	case r.Coverage == nil || *r.Coverage < EnoughCoverage:
		r.Outcome = CannotTell
		r.Sentence = "Too little was reported to tell whether the unit was always used within the limits of its model; the terms attach nothing to that."
	default:
		r.Sentence = "The unit was used within the limits of its model."
	}
	return r
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// gap judges the longest time without telemetry. What lies between two samples,
// or between the first day of the warranty and the first sample, counts. The
// time after the last sample may be the failure itself: it never breaks the
// rule, but where it is longer than allowed the rule cannot tell.
func (c *bench) gap() Result {
	switch {
	case c.t == nil:
		return withoutTerms(RuleGap)
	case c.t.LongestGapDays == 0:
		return notSet(RuleGap, "set no longest time without telemetry")
	case c.span == nil:
		return c.withoutStart(RuleGap)
	}
	allowed := analytics.Millis(c.t.LongestGapDays) * analytics.DayLength
	longest, refs, files := c.longestGap(allowed)
	silences := c.silences()
	last := silences[len(silences)-1]
	r := Result{Rule: RuleGap, Set: true, Outcome: Met, Span: c.span, Coverage: c.coverage(c.e.Ledger.Covered)}
	r.number("allowed", whole(int64(c.t.LongestGapDays)), "day")
	r.number("longest", days(longest), "day")
	r.number("since the last sample", days(last.Length()), "day")
	switch {
	case longest > allowed:
		r.Outcome = NotMet
		r.Sentence = fmt.Sprintf("For %s on end nothing was reported by the unit; the terms allow %d. What the gateway kept for that time can still be handed in.", daysWords(longest), c.t.LongestGapDays)
		r.Settle = files
	case last.Length() > allowed:
		r.Outcome = CannotTell
		r.Sentence = fmt.Sprintf("Nothing has been reported by the unit since %s. Whether that is the failure or a unit that was not connected is not known.", Date(last.From.Day()).words())
		r.Settle = []string{"the day on which the unit failed or was switched off", "the file from the gateway for " + spanWords(last.From, last.To)}
		refs = append(refs, gapReference(last))
	default:
		r.Sentence = fmt.Sprintf("The longest time without a report was %s; the terms allow %d.", daysWords(longest), c.t.LongestGapDays)
	}
	r.refer(refs)
	return r
}

// longestGap gives the longest time before the last sample without telemetry,
// and what is longer than allowed, with the first files that would fill it.
func (c *bench) longestGap(allowed analytics.Millis) (longest analytics.Millis, refs []Reference, files []string) {
	longest = c.e.LongestGap
	silences := c.silences()
	for _, g := range silences[:len(silences)-1] {
		longest = max(longest, g.Length())
		if g.Length() <= allowed {
			continue
		}
		refs = append(refs, gapReference(g))
		if len(files) < maxFiles {
			files = append(files, "the file from the gateway for "+spanWords(g.From, g.To))
		}
	}
	return longest, refs, files
}

func gapReference(g Gap) Reference { return Reference{"gap", stamp(g.From) + "/" + stamp(g.To)} }

// records tells whether everything reported by the unit is settled, and whether the
// numbers that the ledger states follow from its counts.
func (c *bench) records() Result {
	l := &c.e.Ledger
	r := Result{Rule: RuleRecords, Set: true, Outcome: Met}
	r.refer(recordReferences(l))
	var quarantined int64
	for _, q := range l.Quarantined {
		quarantined += q.Rows
	}
	disputed := max(l.Conflicts, int64(len(l.Disputes)))
	r.number("disputes", whole(disputed), "1")
	r.number("set aside", whole(quarantined), "1")
	r.number("counter jumps", whole(int64(len(l.Events))), "1")
	r.number("corrections", whole(int64(len(l.Corrections))), "1")
	switch wrong := c.disagreement(); {
	case wrong != "":
		r.Outcome = NotMet
		r.Sentence = "The ledger does not agree with itself: " + wrong + "."
		r.Settle = []string{"a recount of the unit"}
	case c.open() > 0:
		r.Outcome = CannotTell
		r.Sentence = fmt.Sprintf("%s in dispute and %s set aside, not decided yet; where they matter, the rules on use say so.",
			counted(disputed, "record"), counted(quarantined, "record"))
		r.Settle = []string{fmt.Sprintf("a decision on the %s that %s in dispute or set aside", counted(c.open(), "record"), areIs(c.open()))}
	default:
		r.Sentence = "All records of the unit are settled."
	}
	if n := len(l.Corrections); n > 0 {
		r.Sentence += fmt.Sprintf(" A person has corrected %s of time.", counted(int64(n), "span"))
	}
	return r
}

func recordReferences(l *Ledger) []Reference {
	var refs []Reference
	for _, at := range l.Disputes {
		refs = append(refs, Reference{"dispute", stamp(at)})
	}
	for _, q := range l.Quarantined {
		if q.Rows > 0 {
			refs = append(refs, Reference{"quarantine", q.Reason})
		}
	}
	for _, e := range l.Events {
		refs = append(refs, Reference{"event", string(e.Kind) + " " + stamp(e.At)})
	}
	for _, x := range l.Corrections {
		refs = append(refs, Reference{"correction", stamp(x.From) + "/" + stamp(x.To)})
	}
	return refs
}

// agreement is how far a stated number may lie from the one worked out anew:
// the ledger's are floats.
var agreement = big.NewRat(1, 1e9)

// disagreement says which stated number does not follow from the counts, empty
// where all do.
func (c *bench) disagreement() string {
	l := &c.e.Ledger
	total := l.Energy.Total()
	if efc := c.efcOf(total); l.EFC != "" && differ(l.EFC.rat(), efc) {
		return fmt.Sprintf("it states %s full cycles, its energies make %s", l.EFC, decimalOf(efc, 6))
	}
	for _, s := range l.Spent {
		want := new(big.Rat)
		switch {
		case c.t == nil:
			continue
		case s.Measure == analytics.MeasureCycleLife && len(c.t.Life) > 0:
			w := wearOf(c.t)
			want = w.spent(l.HalfCycles, w.spends)
		case s.Measure == analytics.MeasureEFC && c.t.EFCCap.rat().Sign() > 0:
			want.Quo(c.efcOf(total), c.t.EFCCap.rat())
		case s.Measure == analytics.MeasureEnergy && c.t.EnergyCap > 0:
			want.Quo(kWh(total.Discharge), ratio(int64(c.t.EnergyCap), 1e6))
		default:
			continue
		}
		if differ(s.Spent.rat(), want) {
			return fmt.Sprintf("it states %s of %s spent, its counts make %s", s.Spent, s.Measure, decimalOf(want, 6))
		}
	}
	return ""
}

// differ compares to a billionth of the larger number, or of 1.
func differ(a, b *big.Rat) bool {
	d := new(big.Rat).Sub(a, b)
	scale := maxRat(ratio(1, 1), new(big.Rat).Abs(b))
	return d.Abs(d).Cmp(scale.Mul(scale, agreement)) > 0
}
