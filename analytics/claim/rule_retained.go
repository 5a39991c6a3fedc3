package claim

import (
	"fmt"
	"math/big"
	"slices"

	"fadeledger/analytics"
)

// settleTest is what settles the retained capacity.
const settleTest = "a capacity test by the printed procedure"

// retained judges the retained capacity against the promise at the day of the
// newest valid test. It is met where the promise is clearly kept, not met where
// it is clearly broken. A test that shows the promise kept says nothing once it
// is older than TestValidDays; one that shows it broken stays, since capacity
// does not come back. Where another valid test of the last TestValidDays
// clearly says the opposite, nobody can tell.
func (c *bench) retained() Result {
	switch {
	case c.t == nil:
		return withoutTerms(RuleRetained)
	case len(c.t.Retained) == 0:
		return notSet(RuleRetained, "promise no capacity that is left")
	case c.start == nil:
		return c.withoutStart(RuleRetained)
	}
	r := Result{Rule: RuleRetained, Set: true, Outcome: CannotTell, Settle: []string{settleTest}}
	asOf := c.e.AsOf.Day.Day()
	promised := promisedAt(c.t.Retained, ageAt(*c.start, asOf))
	r.number("promised today", decimalOf(promised, 6), "%")
	var refs []Reference
	var valid []TestResult
	for _, t := range c.e.Tests {
		refs = append(refs, Reference{"test", t.RecordSHA256})
		if t.Valid && t.Day.Day() <= asOf {
			valid = append(valid, t)
		}
	}
	r.refer(refs)
	if len(valid) == 0 {
		r.Sentence = fmt.Sprintf("No valid capacity test was made, so whether the promised %s %% is left is not known.", decimalOf(promised, 2))
		if len(refs) > 0 {
			r.Sentence = fmt.Sprintf("No capacity test that was handed in kept to the procedure, so whether the promised %s %% is left is not known.", decimalOf(promised, 2))
		}
		return r
	}
	c.byTest(&r, valid)
	return r
}

// byTest judges by the newest of the valid tests.
func (c *bench) byTest(r *Result, valid []TestResult) {
	t := valid[len(valid)-1]
	promised, verdict := c.verdict(t)
	r.Span = &Gap{t.Start, t.End}
	r.number("left", decimalOf(t.retainedPct(), 6), "%")
	r.number("uncertainty", decimalOf(ratio(int64(t.Expanded)*100, int64(t.Reference)), 6), "%")
	r.number("promised", decimalOf(promised, 6), "%")
	age := c.e.AsOf.Day.Day() - t.Day.Day()
	r.number("age of the test", whole(int64(age)), "day")
	found := fmt.Sprintf("The test on %s found %s %% of the energy of a new unit, give or take %s %%; %s %% was promised for that day.", t.Day.words(),
		decimalOf(t.retainedPct(), 2), decimalOf(ratio(int64(t.Expanded)*100, int64(t.Reference)), 2), decimalOf(promised, 2))
	switch {
	case c.contradicted(verdict, valid):
		r.Sentence = found + " Another test says the opposite."
	case verdict == Inside:
		r.Sentence = found + " That is too close to tell."
		r.Settle = []string{settleTest + " with better instruments, or later"}
	case verdict == Below:
		r.Outcome, r.Settle = NotMet, nil
		r.Sentence = found + " That is clearly less."
	case age > TestValidDays:
		r.Sentence = found + fmt.Sprintf(" That was %s ago, too long to tell what is left today.", counted(int64(age), "day"))
	default:
		r.Outcome, r.Settle = Met, nil
		r.Sentence = found + " That is clearly no less."
	}
}

// verdict compares a test with the promise on its own day.
func (c *bench) verdict(t TestResult) (promised *big.Rat, v Verdict) {
	promised = promisedAt(c.t.Retained, ageAt(*c.start, t.Day.Day()))
	return promised, t.against(promised)
}

// contradicted reports whether a recent valid test clearly says the opposite.
func (c *bench) contradicted(v Verdict, valid []TestResult) bool {
	opposite := map[Verdict]Verdict{Above: Below, Below: Above}[v]
	return opposite != "" && slices.ContainsFunc(valid, func(t TestResult) bool {
		_, other := c.verdict(t)
		return other == opposite && c.e.AsOf.Day.Day()-t.Day.Day() <= analytics.Day(TestValidDays)
	})
}
