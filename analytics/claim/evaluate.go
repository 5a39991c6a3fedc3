package claim

import (
	"fmt"
	"math/big"
	"slices"
	"strings"

	"fadeledger/analytics"
)

// Coverage and age up to which evidence is taken as it is.
const (
	// EnoughCoverage is the share of the time in parts per million from which
	// the count is taken for the whole use. Below it, what was counted is only
	// the least that the use can have been. It is where a unit stops being
	// flagged as thinly covered.
	EnoughCoverage = 800_000
	// TestValidDays is the age up to which a capacity test tells that a unit
	// still holds what was promised.
	TestValidDays = 180
)

// Evaluate judges evidence by the rules of its edition. Nothing but the
// evidence matters: no clock, no zone of the machine, no order of lists. The
// error is that of Evidence.Check, or ErrNotCanonical.
func Evaluate(evidence Evidence) (Assessment, error) {
	if err := evidence.Check(); err != nil {
		return Assessment{}, err
	}
	e := evidence.Sorted()
	hash, err := Hash(e)
	if err != nil {
		return Assessment{}, fmt.Errorf("hash the evidence of unit %s: %w", e.Unit.Serial, err)
	}
	c := newCase(&e)
	a := Assessment{
		Version: EvidenceVersion, Rules: RulesVersion, Evidence: hash,
		Serial: e.Unit.Serial, Ground: e.Ground, AsOf: e.AsOf,
	}
	for _, rule := range []func() Result{
		c.terms, c.begins, c.registration, c.inTerm, c.cycleLife, c.efc, c.energy,
		c.retained, c.coldCharge, c.gap, c.limits, c.records, c.remedy,
	} {
		r := rule()
		r.Effect = effect(e.Ground, r.Rule, r.Outcome)
		r.Numbers = append([]Number{}, r.Numbers...)
		r.Settle = append([]string{}, r.Settle...)
		r.References = append([]Reference{}, r.References...)
		a.Outcomes = append(a.Outcomes, r)
	}
	a.Share = c.share()
	a.conclude()
	return a, nil
}

// conclude takes the strongest effect for the recommendation and says it.
func (a *Assessment) conclude() {
	a.Recommendation = Honour
	for _, r := range a.Outcomes {
		if strength(r.Effect) > strength(a.Recommendation) {
			a.Recommendation = r.Effect
		}
	}
	a.Because, a.Missing = []RuleID{}, []string{}
	var why []string
	for _, r := range a.Outcomes {
		if r.Effect != a.Recommendation && !a.founded(r) {
			continue
		}
		a.Because = append(a.Because, r.Rule)
		if !slices.Contains(why, r.Sentence) {
			why = append(why, r.Sentence)
		}
		for _, s := range r.Settle {
			if !slices.Contains(a.Missing, s) {
				a.Missing = append(a.Missing, s)
			}
		}
	}
	a.Sentence = a.lead()
	if len(why) > 0 {
		a.Sentence += " " + strings.Join(why, " ")
	}
}

// founded reports whether a result is what an honoured claim for lost capacity
// rests on.
func (a *Assessment) founded(r Result) bool {
	return a.Recommendation == Honour && a.Ground == GroundCapacity && r.Rule == RuleRetained && r.Outcome == NotMet
}

// lead says the recommendation; the sentences of the rules follow.
func (a *Assessment) lead() string {
	switch a.Recommendation {
	case OutOfTerm:
		return "The warranty is over."
	case Decline:
		if len(a.Because) == 1 && a.Because[0] == RuleRetained {
			return "The promised capacity is still there."
		}
		return "A condition of the warranty is not met."
	case NeedsEvidence:
		return "Something is missing before this claim can be answered."
	}
	text := "The unit is under warranty, and nothing that the terms ask for stands against the claim."
	if a.Share != nil {
		text += fmt.Sprintf(" In year %d of the warranty, %s %% of the price is made good.", a.Share.Year, a.Share.Pct)
	}
	return text
}

// bench holds a case while it is judged: the sorted evidence and what several
// rules need of it.
type bench struct {
	e *Evidence
	t *Terms // nil without terms
	// start is nil where it is not known; assumed says that it is the latest
	// day the terms allow, for want of a better one.
	start   *analytics.Day
	assumed bool
	// span is what the count should cover; nil where neither a start nor a
	// sample is known.
	span *Gap
	// hidden is the time within span that is not covered; unsettled the time
	// around instants whose sample is not settled.
	hidden, unsettled analytics.Millis
}

func newCase(e *Evidence) *bench {
	c := &bench{e: e, t: e.Terms}
	c.start, c.assumed = startOf(c.t, e.Unit)
	if c.start != nil && c.misdated() {
		c.start = nil
	}
	var from *analytics.Instant
	if c.start != nil {
		i := c.start.Start()
		from = &i
	}
	if first := e.Ledger.First; first != nil && (from == nil || *first < *from) {
		from = first
	}
	if from != nil {
		c.span = &Gap{*from, max(*from, e.AsOf.Instant)}
		c.hidden = max(0, c.span.Length()-e.Ledger.Covered)
	}
	// Without one sample, the two pairs beside it are known no better than by
	// what the unit can do.
	c.unsettled = 2 * e.Model.Gap() * analytics.Millis(c.open()+int64(len(e.Ledger.Events)))
	return c
}

// startOf gives the first day of the warranty by the rule of the terms, as
// analytics.Terms.WarrantyStart does, but does not take the day shipped for the
// day commissioned where the terms name no longest delay: the warranty could
// have begun on any later day.
func startOf(t *Terms, u Unit) (start *analytics.Day, assumed bool) {
	if t == nil {
		return nil, false
	}
	var latest *analytics.Day
	if u.Shipped != nil && (t.LongestDelayDays > 0 || t.Start == analytics.StartShipped) {
		d := u.Shipped.Day() + analytics.Day(t.LongestDelayDays)
		latest = &d
	}
	if t.Start == analytics.StartShipped {
		return latest, false
	}
	if u.Commissioned == nil {
		return latest, latest != nil
	}
	d := u.Commissioned.Day()
	if latest != nil && d > *latest {
		return latest, false
	}
	return &d, false
}

// misdated reports dates that contradict each other or the day asked for.
func (c *bench) misdated() bool {
	u := c.e.Unit
	if d := u.Commissioned; d != nil && (*d > c.e.AsOf.Day || u.Shipped != nil && *d < *u.Shipped) {
		return true
	}
	return u.Shipped != nil && *u.Shipped > c.e.AsOf.Day
}

// open counts what waits for a decision: instants in dispute and rows in
// quarantine.
func (c *bench) open() int64 {
	n := max(c.e.Ledger.Conflicts, int64(len(c.e.Ledger.Disputes)))
	for _, q := range c.e.Ledger.Quarantined {
		n += q.Rows
	}
	return n
}

// share gives the remedy of the warranty year, nil where it is not known.
func (c *bench) share() *Share {
	if c.t == nil || c.start == nil || c.e.AsOf.Day.Day() >= anniversary(*c.start, c.t.Years) {
		return nil
	}
	year := yearsPassed(*c.start, c.e.AsOf.Day.Day()) + 1
	for _, s := range c.t.Remedy {
		if year <= s.ThroughYear {
			return &Share{year, s.Pct}
		}
	}
	return nil
}

// coverage gives covered time over the span in parts per million, rounded
// down; nil without a span.
func (c *bench) coverage(covered analytics.Millis) *int64 {
	if c.span == nil {
		return nil
	}
	ppm := int64(1_000_000)
	if length := c.span.Length(); covered < length {
		q := new(big.Int).Mul(big.NewInt(int64(covered)), big.NewInt(ppm))
		ppm = q.Quo(q, big.NewInt(int64(length))).Int64()
	}
	return &ppm
}

// withoutTerms is the result of every rule of a unit that has no terms.
func withoutTerms(id RuleID) Result {
	return Result{
		Rule: id, Outcome: CannotTell,
		Sentence: "This cannot be judged without the terms that the unit was sold with.",
		Settle:   []string{"the terms that the unit was sold with"},
	}
}

// notSet is the result of a rule that the terms say nothing about.
func notSet(id RuleID, what string) Result {
	return Result{Rule: id, Outcome: Met, Sentence: "The terms " + what + "."}
}
