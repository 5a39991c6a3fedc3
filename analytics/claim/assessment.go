package claim

import (
	"fadeledger/analytics"
)

// RuleID names a rule.
type RuleID string

// The rules, in the order in which they are judged.
const (
	RuleTerms        RuleID = "terms"
	RuleStart        RuleID = "start"
	RuleRegistration RuleID = "registration"
	RuleInTerm       RuleID = "in-term"
	RuleCycleLife    RuleID = "cycle-life"
	RuleEFC          RuleID = "efc"
	RuleEnergy       RuleID = "energy"
	RuleRetained     RuleID = "retained-capacity"
	RuleColdCharge   RuleID = "cold-charge"
	RuleGap          RuleID = "telemetry-gap"
	RuleLimits       RuleID = "limits"
	RuleRecords      RuleID = "records"
	RuleRemedy       RuleID = "remedy"
)

// RuleIDs lists the rules in their order.
func RuleIDs() []RuleID {
	return []RuleID{
		RuleTerms, RuleStart, RuleRegistration, RuleInTerm, RuleCycleLife, RuleEFC, RuleEnergy,
		RuleRetained, RuleColdCharge, RuleGap, RuleLimits, RuleRecords, RuleRemedy,
	}
}

// Outcome is what a rule says. CannotTell is no breach: something is missing.
type Outcome string

// The outcomes of a rule.
const (
	Met        Outcome = "met"
	NotMet     Outcome = "not met"
	CannotTell Outcome = "cannot tell"
)

// Recommendation is what the tool advises; a person decides.
type Recommendation string

// The recommendations. NoEffect stands in the table only.
const (
	NoEffect      Recommendation = "none"
	Honour        Recommendation = "honour"
	NeedsEvidence Recommendation = "needs evidence"
	Decline       Recommendation = "decline"
	OutOfTerm     Recommendation = "out of term"
)

// Assessment is the answer to a claim.
type Assessment struct {
	// Version is EvidenceVersion, Rules the edition judged by.
	Version int `json:"version"`
	Rules   int `json:"rules"`
	// Evidence is the Hash of the sorted evidence.
	Evidence string           `json:"evidence_sha256"`
	Serial   analytics.Serial `json:"serial"`
	Ground   Ground           `json:"ground"`
	AsOf     AsOf             `json:"as_of"`

	Recommendation Recommendation `json:"recommendation"`
	// Because are the rules that led to it; none where all is met.
	Because []RuleID `json:"because"`
	// Share is the share of the price that the terms make good in the
	// warranty year of the claim; nil where that is not known.
	Share *Share `json:"share"`
	// Sentence is the answer in plain words, Missing what would settle the
	// rules that it hangs on.
	Sentence string   `json:"sentence"`
	Missing  []string `json:"missing"`
	// Outcomes are the rules in the order of RuleIDs, one each.
	Outcomes []Result `json:"outcomes"`
}

// Share is a share of the price by warranty year.
type Share struct {
	Year int     `json:"year"`
	Pct  Decimal `json:"pct"`
}

// Result is what one rule says and what it rests on.
type Result struct {
	Rule    RuleID  `json:"rule"`
	Outcome Outcome `json:"outcome"`
	// Set says whether the terms set anything for the rule to judge. Where
	// they do not, the rule is met, or for information only.
	Set bool `json:"set"`
	// Effect is what the outcome does to the recommendation.
	Effect  Recommendation `json:"effect"`
	Numbers []Number       `json:"numbers"`
	// Span is the time looked at, nil where there is none.
	Span *Gap `json:"span"`
	// Coverage is the covered share of the span in parts per million,
	// rounded down; nil where coverage does not matter.
	Coverage *int64 `json:"coverage_ppm"`
	// References are the first and the last of what the result rests on,
	// ReferenceCount how many there are.
	References     []Reference `json:"references"`
	ReferenceCount int         `json:"reference_count"`
	// Sentence is for the customer. Settle says what would settle a rule
	// that cannot tell, or could change one that is not met.
	Sentence string   `json:"sentence"`
	Settle   []string `json:"settle"`
}

// Number is a value with its unit.
type Number struct {
	Name  string  `json:"name"`
	Value Decimal `json:"value"`
	// Unit is "day", "kWh", "cycle", "%", "year" or "1" for a plain share.
	Unit string `json:"unit"`
}

// Reference points to a piece of the evidence.
type Reference struct {
	// Kind is "episode", "day", "test", "gap", "dispute", "event",
	// "correction" or "quarantine".
	Kind string `json:"kind"`
	Key  string `json:"key"`
}

// MaxReferences is the number of references that a result lists at most: half
// of them the first, half the last.
const MaxReferences = 20

// refer keeps the first and the last references of a list.
func (r *Result) refer(all []Reference) {
	r.ReferenceCount = len(all)
	r.References = append([]Reference{}, all...)
	if len(all) > MaxReferences {
		r.References = append(r.References[:MaxReferences/2:MaxReferences/2], all[len(all)-MaxReferences/2:]...)
	}
}

func (r *Result) number(name string, value Decimal, unit string) {
	r.Numbers = append(r.Numbers, Number{name, value, unit})
}

// Find gives the result of a rule.
func (a *Assessment) Find(id RuleID) *Result {
	for i := range a.Outcomes {
		if a.Outcomes[i].Rule == id {
			return &a.Outcomes[i]
		}
	}
	return nil
}
