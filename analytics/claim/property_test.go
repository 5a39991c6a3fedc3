package claim_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fadeledger/analytics"
	"fadeledger/analytics/claim"
)

// workedEvidence gives the evidence of every worked claim.
func workedEvidence(t *testing.T) []claim.Evidence {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(workedFolder, "*.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var out []claim.Evidence
	for _, file := range files {
		if filepath.Base(file) != "defaults.yaml" {
			w := readWorked(t, file)
			out = append(out, w.evidence(t))
		}
	}
	return append(out, fullEvidence(t))
}

// drawn changes a worked claim at random: more use, other coverage, other days.
func drawn(t *rapid.T, all []claim.Evidence) claim.Evidence {
	e := rapid.SampledFrom(all).Draw(t, "claim")
	l := &e.Ledger
	l.HalfCycles = map[int]int64{}
	for range rapid.IntRange(0, 5).Draw(t, "bins") {
		l.HalfCycles[rapid.IntRange(0, 200).Draw(t, "bin")] = rapid.Int64Range(0, 30_000).Draw(t, "n")
	}
	l.Energy.Counter.Discharge += analytics.MicrowattHours(rapid.Int64Range(0, 40_000_000_000_000).Draw(t, "discharge"))
	l.Energy.SoC.Charge += analytics.MicrowattHours(rapid.Int64Range(0, 40_000_000_000_000).Draw(t, "charge"))
	l.EFC, l.Spent = "", nil
	l.Covered = analytics.Millis(rapid.Int64Range(0, int64(l.Elapsed)).Draw(t, "covered"))
	l.Checked = analytics.Millis(rapid.Int64Range(0, int64(l.Covered)).Draw(t, "checked"))
	kinds := []string{"cold-charge", "hot-charge", "deep-discharge"}
	l.Excursions = slices.Clone(l.Excursions)
	for i := range rapid.IntRange(0, 30).Draw(t, "episodes") {
		at := e.AsOf.Instant - analytics.Instant(i*3_600_000)
		l.Excursions = append(l.Excursions, claim.Episode{Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), Start: at, End: at, Samples: 1, Charge: analytics.MicrowattHours(i) * 1e8, Ending: "left"})
	}
	l.Disputes = slices.Clone(l.Disputes)
	for i := range rapid.IntRange(0, 3).Draw(t, "disputes") {
		l.Disputes = append(l.Disputes, e.AsOf.Instant-analytics.Instant(i*60_000))
	}
	e.Gaps = slices.Clone(e.Gaps)
	for i := range rapid.IntRange(0, 4).Draw(t, "gaps") {
		from := e.AsOf.Instant - analytics.Instant((i+2)*100*int(analytics.DayLength))
		e.Gaps = append(e.Gaps, claim.Gap{From: from, To: from + analytics.Instant(rapid.IntRange(1, 99).Draw(t, "gap")*int(analytics.DayLength)+1)})
	}
	for i := range rapid.IntRange(0, 30).Draw(t, "days") {
		e.Days = append(slices.Clone(e.Days), claim.DayHash{Day: e.AsOf.Day - claim.Date(i), SHA256: strings.Repeat("0", 60) + fmt.Sprint(1000+i)})
	}
	return e
}

func judged(t *rapid.T, e claim.Evidence) (claim.Assessment, []byte) {
	a, err := claim.Evaluate(e)
	if err != nil {
		t.Fatal(err)
	}
	b, err := claim.Canonical(a)
	if err != nil {
		t.Fatal(err)
	}
	return a, b
}

func shuffled[E any](t *rapid.T, list []E) []E {
	if len(list) == 0 {
		return nil
	}
	return rapid.Permutation(list).Draw(t, "order")
}

// TestOrderOfListsDoesNotMatter: the whole assessment, the hash of the evidence
// with it, is the same bytes.
func TestOrderOfListsDoesNotMatter(t *testing.T) {
	all := workedEvidence(t)
	rapid.Check(t, func(t *rapid.T) {
		e := drawn(t, all)
		_, want := judged(t, e)
		e.Gaps, e.Tests, e.Days = shuffled(t, e.Gaps), shuffled(t, e.Tests), shuffled(t, e.Days)
		l := &e.Ledger
		l.Excursions, l.Events, l.Disputes = shuffled(t, l.Excursions), shuffled(t, l.Events), shuffled(t, l.Disputes)
		l.Quarantined, l.Corrections, l.Spent = shuffled(t, l.Quarantined), shuffled(t, l.Corrections), shuffled(t, l.Spent)
		if e.Terms != nil {
			terms := *e.Terms
			terms.Life, terms.Retained, terms.Remedy = shuffled(t, terms.Life), shuffled(t, terms.Retained), shuffled(t, terms.Remedy)
			e.Terms = &terms
		}
		if _, got := judged(t, e); !bytes.Equal(got, want) {
			t.Fatalf("got  %s\nwant %s", got, want)
		}
	})
}

// TestMoreUseMendsNothing: what is not met stays so when more use becomes known,
// in time that was seen before or not.
func TestMoreUseMendsNothing(t *testing.T) {
	all := workedEvidence(t)
	rapid.Check(t, func(t *rapid.T) {
		e := drawn(t, all)
		before, _ := judged(t, e)
		l := &e.Ledger
		half := map[int]int64{}
		for bin, n := range l.HalfCycles {
			half[bin] = n
		}
		half[rapid.IntRange(0, 200).Draw(t, "more bin")] += rapid.Int64Range(0, 10_000).Draw(t, "more cycles")
		l.HalfCycles = half
		l.Energy.Power.Discharge += analytics.MicrowattHours(rapid.Int64Range(0, 10_000_000_000_000).Draw(t, "more discharge"))
		l.Energy.Power.Charge += analytics.MicrowattHours(rapid.Int64Range(0, 10_000_000_000_000).Draw(t, "more charge"))
		l.Excursions = append(slices.Clone(l.Excursions), claim.Episode{Kind: "cold-charge", Start: e.AsOf.Instant, End: e.AsOf.Instant, Samples: 1, Charge: 1e9, Ending: "open"})
		l.Covered = analytics.Millis(rapid.Int64Range(int64(l.Covered), int64(max(l.Covered, l.Elapsed))).Draw(t, "more covered"))
		l.Checked = analytics.Millis(rapid.Int64Range(int64(l.Checked), int64(l.Covered)).Draw(t, "more checked"))
		after, _ := judged(t, e)
		for i, r := range before.Outcomes {
			if r.Outcome == claim.NotMet && after.Outcomes[i].Outcome != claim.NotMet {
				t.Fatalf("%s was not met and is %s with more use", r.Rule, after.Outcomes[i].Outcome)
			}
		}
	})
}

// TestCanonicalRoundTrip: evidence and assessments read back are written with
// the same bytes, and evidence read back is judged the same.
func TestCanonicalRoundTrip(t *testing.T) {
	all := workedEvidence(t)
	rapid.Check(t, func(t *rapid.T) {
		e := drawn(t, all)
		frozen, err := claim.Canonical(e.Sorted())
		if err != nil {
			t.Fatal(err)
		}
		back, err := claim.ReadEvidence(frozen)
		if err != nil {
			t.Fatal(err)
		}
		_, want := judged(t, e)
		if _, got := judged(t, back); !bytes.Equal(got, want) {
			t.Fatalf("got  %s\nwant %s", got, want)
		}
		var a claim.Assessment
		if err := json.Unmarshal(want, &a); err != nil {
			t.Fatal(err)
		}
		if again, err := claim.Canonical(a); err != nil || !bytes.Equal(again, want) {
			t.Fatalf("got  %s, %v\nwant %s", again, err, want)
		}
	})
}

// TestEffectsMakeTheRecommendation: the recommendation is the strongest effect of
// the table, and the rules named are those that have it.
func TestEffectsMakeTheRecommendation(t *testing.T) {
	all := workedEvidence(t)
	order := []claim.Recommendation{claim.OutOfTerm, claim.Decline, claim.NeedsEvidence}
	rapid.Check(t, func(t *rapid.T) {
		a, _ := judged(t, drawn(t, all))
		by := map[claim.Recommendation][]claim.RuleID{}
		for i, row := range claim.Table(a.Ground) {
			r := a.Outcomes[i]
			effect := map[claim.Outcome]claim.Recommendation{claim.Met: row.Met, claim.NotMet: row.NotMet, claim.CannotTell: row.CannotTell}[r.Outcome]
			if effect != r.Effect {
				t.Fatalf("%s %s has the effect %s, table %s", r.Rule, r.Outcome, r.Effect, effect)
			}
			by[effect] = append(by[effect], r.Rule)
			if len(r.References) > claim.MaxReferences || r.ReferenceCount < len(r.References) {
				t.Fatalf("%s lists %d of %d references", r.Rule, len(r.References), r.ReferenceCount)
			}
		}
		for _, effect := range order {
			if len(by[effect]) > 0 {
				if a.Recommendation != effect || !slices.Equal(a.Because, by[effect]) {
					t.Fatalf("%s because of %v, want %s because of %v", a.Recommendation, a.Because, effect, by[effect])
				}
				return
			}
		}
		if a.Recommendation != claim.Honour {
			t.Fatalf("%s without an effect", a.Recommendation)
		}
	})
}
