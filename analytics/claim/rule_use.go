package claim

import (
	"fmt"
	"math/big"

	"fadeledger/analytics"
)

// use is what was counted against a limit, and how far the truth can lie from
// it. Everything is in the unit of the limit.
type use struct {
	rule  RuleID
	unit  string
	words string // what is limited, for the sentence
	// within and beyond say what a use is that keeps to its limit ("covered"),
	// and than what it is more where it does not ("the warranty covers").
	within, beyond string
	used           *big.Rat
	limit          *big.Rat
	// base is used, or what it would be at most before anything unseen is
	// added to it.
	base *big.Rat
	// slack bounds what unsettled samples can change either way, hidden what
	// can have happened unseen.
	slack, hidden *big.Rat
	// covered is the time that was seen, for the coverage.
	covered analytics.Millis
}

// judge compares a use with its limit; what reaches the limit exactly is still
// within it.
//
//	least = used − slack                 above the limit: not met
//	most  = base + slack (+ hidden)      within the limit: met
//
// Hidden use counts only below EnoughCoverage. Neither: cannot tell.
func (c *bench) judge(u use) Result {
	if u.within == "" {
		u.within, u.beyond = "covered", "the warranty covers"
	}
	r := Result{Rule: u.rule, Set: true, Outcome: CannotTell, Span: c.span, Coverage: c.coverage(u.covered)}
	thin := r.Coverage == nil || *r.Coverage < EnoughCoverage
	least := maxRat(new(big.Rat), new(big.Rat).Sub(u.used, u.slack))
	most := new(big.Rat).Add(u.base, u.slack)
	if thin {
		most.Add(most, u.hidden)
	}
	if u.slack.Sign() == 0 && !thin {
		most = u.used
	}
	least, most = rounded(least), rounded(most)
	switch {
	case least.Cmp(u.limit) > 0:
		r.Outcome = NotMet
	case most.Cmp(u.limit) <= 0 && c.span != nil:
		r.Outcome = Met
	}
	r.number("used", decimalOf(u.used, shareDigits), u.unit)
	r.number("limit", decimalOf(u.limit, shareDigits), u.unit)
	if u.limit.Sign() > 0 {
		r.number("share", decimalOf(new(big.Rat).Quo(u.used, u.limit), shareDigits), "1")
	}
	r.number("at least", decimalOf(least, shareDigits), u.unit)
	if c.span != nil {
		r.number("at most", decimalOf(most, shareDigits), u.unit)
	}
	r.Sentence = c.useSentence(u, r.Outcome, thin, most)
	if r.Outcome == CannotTell {
		r.Settle = c.settleUse(thin)
	}
	r.refer(c.dayReferences())
	return r
}

func (c *bench) useSentence(u use, o Outcome, thin bool, most *big.Rat) string {
	used, limit := u.amount(u.used), u.amount(u.limit)
	text := fmt.Sprintf("%s of the %s %s used: %s", c.shareWords(u), u.words, isAre(u), used)
	if u.unit == "1" {
		text = fmt.Sprintf("%s of the %s is used", percent(u.used), u.words)
	} else {
		text += " of " + limit
	}
	switch {
	case o == NotMet:
		return text + "; that is more than " + u.beyond + "."
	case o == Met && thin:
		return text + fmt.Sprintf(" as far as it was seen; with all that can have happened unseen it is at most %s, which is %s.", u.most(most), u.within)
	case o == Met:
		return text + "; that is " + u.within + "."
	case c.span == nil:
		return "Nothing was reported by the unit and it is not known since when it is in use, so its use is not known."
	case thin:
		return text + fmt.Sprintf(" as far as it was seen; too little was reported to tell whether it is more than is %s (it can be up to %s).", u.within, u.most(most))
	}
	return text + fmt.Sprintf("; records that are not settled yet can make it more or less than is %s (up to %s).", u.within, u.most(most))
}

func isAre(u use) string {
	if u.unit == "cycle" {
		return "are"
	}
	return "is"
}

func (c *bench) shareWords(u use) string {
	if u.limit.Sign() == 0 {
		return fixed(u.used, 3) + " kWh"
	}
	return percent(new(big.Rat).Quo(u.used, u.limit))
}

// amount writes a value with its unit, with as many decimals as it takes to
// tell it from the limit.
func (u use) amount(v *big.Rat) string {
	name := u.unit
	if name == "cycle" {
		name = "cycles"
	}
	for digits := 1; ; digits++ {
		text := v.FloatString(digits)
		shown, _ := new(big.Rat).SetString(text)
		if digits == shareDigits || shown.Cmp(u.limit) != 0 || v.Cmp(u.limit) == 0 {
			return string(decimalOf(v, digits)) + " " + name
		}
	}
}

func (u use) most(v *big.Rat) string {
	if u.unit == "1" {
		return percent(v)
	}
	return u.amount(v)
}

// settleUse names what would settle a use that cannot be told.
func (c *bench) settleUse(thin bool) []string {
	var out []string
	if thin {
		out = append(out, c.files()...)
	}
	if n := c.open(); n > 0 {
		out = append(out, fmt.Sprintf("a decision on the %s that %s in dispute or set aside", counted(n, "record"), areIs(n)))
	}
	if len(out) == 0 {
		out = append(out, "a look at the jumps of the unit's energy counters")
	}
	return out
}

func areIs(n int64) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// maxFiles bounds the spans that a settlement names.
const maxFiles = 5

// files names the files that would fill the gaps above a day.
func (c *bench) files() []string {
	var spans []Gap
	for _, g := range c.silences() {
		if g.Length() > analytics.DayLength {
			spans = append(spans, g)
		}
	}
	if len(spans) == 0 {
		return []string{"the files from the gateway for the times without telemetry"}
	}
	var out []string
	for i, g := range spans {
		if i == maxFiles {
			out = append(out, fmt.Sprintf("the files from the gateway for %s more", counted(int64(len(spans)-i), "gap")))
			break
		}
		out = append(out, "the file from the gateway for "+spanWords(g.From, g.To))
	}
	return out
}

// silences gives the time before the first sample, the gaps, and the time after
// the last sample, in their order.
func (c *bench) silences() []Gap {
	if c.span == nil {
		return nil
	}
	l := &c.e.Ledger
	if l.First == nil {
		return []Gap{*c.span}
	}
	out := []Gap{{c.span.From, *l.First}}
	out = append(out, c.e.Gaps...)
	return append(out, Gap{*l.Last, max(*l.Last, c.span.To)})
}

func (c *bench) dayReferences() []Reference {
	out := make([]Reference, 0, len(c.e.Days))
	for _, d := range c.e.Days {
		out = append(out, Reference{"day", d.Day.String()})
	}
	return out
}

// canDo gives the energy in kWh that the unit can take or give in a time.
func (c *bench) canDo(t analytics.Millis) *big.Rat {
	e := new(big.Int).Mul(big.NewInt(int64(c.e.Model.MaxPower)), big.NewInt(int64(t)))
	// mW × ms = 1/3600 µWh
	return new(big.Rat).SetFrac(e, big.NewInt(3600*1e9))
}

// ratedKWh gives the rated energy.
func (c *bench) ratedKWh() *big.Rat { return ratio(int64(c.e.Model.Rated), 1e6) }

// cycleLife judges the share of the warranted cycle life that is spent: at
// most 1.
//
// What hidden use can spend: every 2δ of energy through the battery, as a share
// of its rated energy, can make a cycle deeper by δ, and a cycle that is deeper
// by δ spends at most the steepest slope of 1/N × δ more. So the bound is half
// the energy over the rated energy times that slope, on top of what was counted
// with the ranges too shallow to spend taken in.
func (c *bench) cycleLife() Result {
	switch {
	case c.t == nil:
		return withoutTerms(RuleCycleLife)
	case len(c.t.Life) == 0:
		return notSet(RuleCycleLife, "do not limit the cycles by their depth")
	}
	w := wearOf(c.t)
	l := &c.e.Ledger
	used := w.spent(l.HalfCycles, w.spends)
	slope := new(big.Rat).Quo(w.steepest(), new(big.Rat).Mul(ratio(2, 1), c.ratedKWh()))
	return c.judge(use{
		rule: RuleCycleLife, unit: "1", words: "warranted cycle life", limit: ratio(1, 1),
		used: used, base: new(big.Rat).Add(used, w.spent(l.HalfCycles, w.tooShallow)), covered: l.Covered,
		slack:  new(big.Rat).Mul(slope, c.canDo(c.unsettled)),
		hidden: new(big.Rat).Mul(slope, c.canDo(c.hidden)),
	})
}

// efcOf gives the equivalent full cycles of an energy by the basis of the terms.
func (c *bench) efcOf(f Flow) *big.Rat {
	if c.t != nil && c.t.EFCBasis == analytics.BasisDischarge {
		return new(big.Rat).Quo(kWh(f.Discharge), c.ratedKWh())
	}
	return new(big.Rat).Quo(kWh(f.Charge+f.Discharge), new(big.Rat).Mul(ratio(2, 1), c.ratedKWh()))
}

// efc judges the equivalent full cycles against their cap.
func (c *bench) efc() Result {
	switch {
	case c.t == nil:
		return withoutTerms(RuleEFC)
	case c.t.EFCCap.rat().Sign() == 0:
		return notSet(RuleEFC, "do not limit the number of full cycles")
	}
	per := c.ratedKWh()
	if c.t.EFCBasis != analytics.BasisDischarge {
		per.Mul(per, ratio(2, 1))
	}
	used := c.efcOf(c.e.Ledger.Energy.Total())
	return c.judge(c.byEnergy(use{
		rule: RuleEFC, unit: "cycle", words: "warranted full cycles", limit: c.t.EFCCap.rat(), used: used,
	}, per))
}

// energy judges the discharged energy against its cap.
func (c *bench) energy() Result {
	switch {
	case c.t == nil:
		return withoutTerms(RuleEnergy)
	case c.t.EnergyCap == 0:
		return notSet(RuleEnergy, "do not limit the energy")
	}
	return c.judge(c.byEnergy(use{
		rule: RuleEnergy, unit: "kWh", words: "warranted energy", limit: ratio(int64(c.t.EnergyCap), 1e6),
		used: kWh(c.e.Ledger.Energy.Total().Discharge),
	}, ratio(1, 1)))
}

// byEnergy bounds a use that is an energy divided by per. What lifetime
// counters bridge is not hidden from it.
func (c *bench) byEnergy(u use, per *big.Rat) use {
	l := &c.e.Ledger
	u.base = u.used
	u.covered = l.Covered + l.Bridged
	u.slack = new(big.Rat).Quo(c.canDo(c.unsettled), per)
	u.hidden = new(big.Rat).Quo(c.canDo(max(0, c.hidden-l.Bridged)), per)
	return u
}
