package claim

// Row is one line of the table: what the outcomes of a rule do to the
// recommendation of a claim on a ground.
type Row struct {
	Rule                    RuleID
	Met, NotMet, CannotTell Recommendation
}

// Table gives the effects of outcomes for claims on a ground, in the order of
// RuleIDs. Of all effects the strongest is the recommendation: out of term,
// then decline, then needs evidence; honour where there is none.
func Table(g Ground) []Row {
	retained := Row{RuleRetained, NoEffect, NoEffect, NoEffect}
	if g == GroundCapacity {
		// The claim is that less is left than was promised: a promise that is
		// kept ends it, one that is broken founds it.
		retained = Row{RuleRetained, Decline, NoEffect, NeedsEvidence}
	}
	return []Row{
		{RuleTerms, NoEffect, NeedsEvidence, NeedsEvidence},
		{RuleStart, NoEffect, NoEffect, NeedsEvidence},
		{RuleRegistration, NoEffect, Decline, NeedsEvidence},
		{RuleInTerm, NoEffect, OutOfTerm, NeedsEvidence},
		{RuleCycleLife, NoEffect, Decline, NeedsEvidence},
		{RuleEFC, NoEffect, Decline, NeedsEvidence},
		{RuleEnergy, NoEffect, Decline, NeedsEvidence},
		retained,
		{RuleColdCharge, NoEffect, Decline, NeedsEvidence},
		{RuleGap, NoEffect, Decline, NeedsEvidence},
		{RuleLimits, NoEffect, NoEffect, NoEffect},
		{RuleRecords, NoEffect, NeedsEvidence, NoEffect},
		{RuleRemedy, NoEffect, NoEffect, NoEffect},
	}
}

// effect looks an outcome up.
func effect(g Ground, id RuleID, o Outcome) Recommendation {
	for _, row := range Table(g) {
		if row.Rule != id {
			continue
		}
		switch o {
		case Met:
			return row.Met
		case NotMet:
			return row.NotMet
		}
		return row.CannotTell
	}
	return NoEffect
}

// strength orders the effects.
func strength(r Recommendation) int {
	switch r {
	case OutOfTerm:
		return 3
	case Decline:
		return 2
	case NeedsEvidence:
		return 1
	}
	return 0
}
