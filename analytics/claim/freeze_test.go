package claim_test

import (
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"fadeledger/analytics"
	"fadeledger/analytics/claim"
)

// TestFreezeLedger: what is frozen is what the ledger says, and agrees with
// itself when it is judged.
func TestFreezeLedger(t *testing.T) {
	m := hb5()
	m.ChargeLimit = analytics.LimitTable{{Temp: 0, Rate: 100_000}, {Temp: 1200, Rate: 500_000}}
	random := rand.New(rand.NewPCG(1, 2))
	start := analytics.Day(20_485).Start()
	var samples []analytics.Sample
	var times []analytics.Instant
	soc := 500
	for i := range 3000 {
		soc = min(1000, max(0, soc+random.IntN(61)-30))
		at := start + analytics.Instant(i)*analytics.Instant(5*analytics.Minute)
		if i >= 2000 {
			at += analytics.Instant(2 * analytics.DayLength)
		}
		times = append(times, at)
		samples = append(samples, analytics.Sample{
			Time: at, Has: analytics.HasSoC | analytics.HasPower | analytics.HasTemp, SoC: analytics.SoC(soc),
			Power: analytics.Milliwatts(random.IntN(4_000_000) - 2_000_000), Temp: analytics.CentiCelsius(random.IntN(1500)),
		})
	}
	account := analytics.Count(&m, samples)
	terms := &analytics.Terms{
		Name: "T", Model: "HB-5", SoldFrom: 20_000, Years: 10, EnergyCap: 31_000_000_000, EFCCap: 6000,
		Life: analytics.CycleLife{Points: []analytics.LifePoint{{Depth: 0.8, Cycles: 9000}, {Depth: 0.95, Cycles: 6200}}},
	}
	counted := claim.Counted{Counter: &account.Counter, Excursions: account.Excursions, Events: account.Events, Versions: analytics.Versions{Duplicates: 4}}
	l := claim.FreezeLedger(&m, terms, counted)
	ledger := analytics.LedgerOf(&m, terms, &account.Counter, account.Excursions, account.Events, counted.Versions)
	if l.Samples != 3000 || l.Duplicates != 4 || l.Energy.Total().Charge.Round() != ledger.Charge || len(l.Excursions) != len(ledger.Excursions) || len(l.Spent) != 3 {
		t.Errorf("frozen %d samples, %d excursions, %v; ledger %+v", l.Samples, len(l.Excursions), l.Spent, ledger)
	}
	for _, x := range ledger.Excursions {
		if !slices.ContainsFunc(l.Excursions, func(f claim.Episode) bool {
			return f.Kind == x.Kind.String() && f.Start == x.Start && f.End == x.End && f.Charge == x.Charge && f.Samples == x.Samples
		}) {
			t.Errorf("not frozen: %+v", x)
		}
	}
	asOf := times[len(times)-1]
	commissioned := claim.Date(20_485)
	longest, gaps := claim.GapsOf(times)
	if longest != 2*analytics.DayLength+5*analytics.Minute || len(gaps) != 1 || gaps[0].Length() != longest {
		t.Errorf("longest gap %v, gaps %v", longest, gaps)
	}
	a, err := claim.Evaluate(claim.Evidence{
		Version: 1, Rules: 1, Counting: 1, Model: m, Terms: claim.FreezeTerms(terms), Ledger: l, LongestGap: longest, Gaps: gaps,
		Unit: claim.Unit{Serial: "K5-0002", Commissioned: &commissioned}, AsOf: claim.AsOf{Instant: asOf, Day: claim.Date(asOf.Day())},
	})
	if err != nil {
		t.Fatal(err)
	}
	if r := a.Find(claim.RuleRecords); r.Outcome != claim.Met {
		t.Errorf("records: %s", r.Sentence)
	}
}

func TestFreezeTerms(t *testing.T) {
	if claim.FreezeTerms(nil) != nil {
		t.Error("terms out of nothing")
	}
	from := 2.5
	got := claim.FreezeTerms(&analytics.Terms{
		Name: "T", Model: "HB-5", SoldFrom: 20_454, Years: 10, EnergyCap: 31_000_000_000, EFCCap: 4000.5, LongestDelayDays: 180,
		Life:     analytics.CycleLife{Points: []analytics.LifePoint{{Depth: 80.0 / 100, Cycles: 9000}, {Depth: 57.3 / 100, Cycles: 12000.5}}, CountedFromPct: &from},
		Retained: []analytics.RetainedPoint{{Year: 10, Pct: 70}, {Year: 0, Pct: 100}}, Remedy: []analytics.RemedyStep{{ThroughYear: 5, Pct: 33.3}},
		HasColdAllowance: true, ColdChargeAllowance: 5_000_000, LongestGapDays: 60, RegistrationDays: 90,
	})
	allowance := analytics.MilliwattHours(5_000_000)
	want := &claim.Terms{
		Name: "T", Model: "HB-5", SoldFrom: 20_454, Years: 10, EnergyCap: 31_000_000_000, EFCCap: "4000.5", EFCBasis: "throughput", LongestDelayDays: 180,
		Life: []claim.LifePoint{{DepthPct: "57.3", Cycles: "12000.5"}, {DepthPct: "80", Cycles: "9000"}}, Shallow: "throughput", CountedFromPct: "2.5",
		Retained: []claim.RetainedPoint{{Year: 0, Pct: "100"}, {Year: 10, Pct: "70"}}, Remedy: []claim.RemedyStep{{ThroughYear: 5, Pct: "33.3"}},
		Start: "commissioned", ColdChargeAllowance: &allowance, LongestGapDays: 60, RegistrationDays: 90,
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// TestTermAgreesWithStanding: the first day and the end of the warranty are those
// that the unit page shows, but for terms that name no longest delay.
func TestTermAgreesWithStanding(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		day := func(label string) *analytics.Day {
			if rapid.Bool().Draw(t, label+" known") {
				d := analytics.Day(rapid.IntRange(20_454, 22_000).Draw(t, label))
				return &d
			}
			return nil
		}
		u := analytics.Unit{Shipped: day("shipped"), Commissioned: day("commissioned")}
		if u.Shipped != nil && u.Commissioned != nil && *u.Commissioned < *u.Shipped {
			u.Shipped, u.Commissioned = u.Commissioned, u.Shipped
		}
		terms := analytics.Terms{
			Years: rapid.IntRange(1, 15).Draw(t, "years"), LongestDelayDays: rapid.IntRange(1, 400).Draw(t, "delay"),
			Start: rapid.SampledFrom([]analytics.StartRule{analytics.StartCommissioned, analytics.StartShipped}).Draw(t, "start"),
		}
		asOf := analytics.Day(rapid.IntRange(22_001, 28_000).Draw(t, "as of"))
		a, err := claim.Evaluate(claim.Evidence{
			Version: 1, Rules: 1, Counting: 1, Model: hb5(), Terms: claim.FreezeTerms(&terms),
			Unit: claim.Unit{Shipped: claim.DateOf(u.Shipped), Commissioned: claim.DateOf(u.Commissioned)},
			AsOf: claim.AsOf{Instant: asOf.Start(), Day: claim.Date(asOf)},
		})
		if err != nil {
			t.Fatal(err)
		}
		start, ok := terms.WarrantyStart(u)
		want := claim.CannotTell
		if ok {
			want = claim.Met
			if asOf >= terms.WarrantyEnd(start) {
				want = claim.NotMet
			}
		}
		if got := a.Find(claim.RuleInTerm).Outcome; got != want {
			t.Fatalf("in term: %s, the unit page: %s", got, want)
		}
	})
}

func TestEvidenceThatCannotBeJudged(t *testing.T) {
	w := readWorked(t, workedFolder+"/all-limits-met.yaml")
	for want, change := range map[string]func(e *claim.Evidence){
		"version 2 is not known":             func(e *claim.Evidence) { e.Version = 2 },
		"edition 0 of the rules":             func(e *claim.Evidence) { e.Rules = 0 },
		"edition 9 of the counting rules":    func(e *claim.Evidence) { e.Counting = 9 },
		`ground "theft"`:                     func(e *claim.Evidence) { e.Ground = "theft" },
		"no rated energy":                    func(e *claim.Evidence) { e.Model.Rated = 0 },
		"no highest power":                   func(e *claim.Evidence) { e.Model.MaxPower = 0 },
		"cannot be the site's day at":        func(e *claim.Evidence) { e.AsOf.Day += 2 },
		"half cycles in bin 201":             func(e *claim.Evidence) { e.Ledger.HalfCycles = map[int]int64{201: 1} },
		"-1 half cycles in bin 5":            func(e *claim.Evidence) { e.Ledger.HalfCycles = map[int]int64{5: -1} },
		"a negative energy":                  func(e *claim.Evidence) { e.Ledger.Energy.Power.Charge = -1 },
		"without a first and a last":         func(e *claim.Evidence) { e.Ledger.First = nil },
		"times that cannot be":               func(e *claim.Evidence) { e.Ledger.Checked = e.Ledger.Covered + 1 },
		`efc "1.50" is not a decimal`:        func(e *claim.Evidence) { e.Ledger.EFC = "1.50" },
		`spent "x" is not a decimal`:         func(e *claim.Evidence) { e.Ledger.Spent = []claim.Spent{{Measure: "efc", Spent: "x"}} },
		"a term of 0 years":                  func(e *claim.Evidence) { e.Terms.Years = 0 },
		"two cycle lives at 80 %":            func(e *claim.Evidence) { e.Terms.Life = append(e.Terms.Life, e.Terms.Life[0]) },
		"makes no sense":                     func(e *claim.Evidence) { e.Terms.Life[0].Cycles = "-9" },
		"two retained capacities for year 0": func(e *claim.Evidence) { e.Terms.Retained = append(e.Terms.Retained, e.Terms.Retained[0]) },
		`remedy "" is not a decimal`:         func(e *claim.Evidence) { e.Terms.Remedy[0].Pct = "" },
		"has no usable result":               func(e *claim.Evidence) { e.Tests[0].Reference = 0 },
		"of a capacity test that ended":      func(e *claim.Evidence) { e.Tests[0].Day -= 3 },
	} {
		e := w.evidence(t)
		change(&e)
		_, err := claim.Evaluate(e)
		if !errors.Is(err, analytics.ErrInvalid) || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
}

// TestEvaluateLeavesEvidenceAlone: judging sorts a copy.
func TestEvaluateLeavesEvidenceAlone(t *testing.T) {
	e := fullEvidence(t)
	if _, err := claim.Evaluate(e); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(fullEvidence(t), e); diff != "" {
		t.Errorf("(-before +after):\n%s", diff)
	}
}

func BenchmarkEvaluateAllDepths(b *testing.B) {
	l := claim.Ledger{HalfCycles: map[int]int64{}}
	for bin := range analytics.Bins {
		l.HalfCycles[bin] = 10
	}
	terms := &claim.Terms{Years: 10, Shallow: analytics.ShallowSlope, Life: []claim.LifePoint{{DepthPct: "80", Cycles: "9000"}, {DepthPct: "95", Cycles: "6200"}}}
	for b.Loop() {
		if _, err := claim.Evaluate(claim.Evidence{Version: 1, Rules: 1, Counting: 1, Model: hb5(), Terms: terms, Ledger: l}); err != nil {
			b.Fatal(err)
		}
	}
}
