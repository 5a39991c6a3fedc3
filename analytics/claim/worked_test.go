package claim_test

import (
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"

	"fadeledger/analytics"
	"fadeledger/analytics/claim"
)

const workedFolder = "../../testdata/claims"

// worked is a claim as testdata/claims writes it.
type worked struct {
	Ground       string
	Zone         string
	Shipped      string
	Commissioned string
	Registered   string
	AsOf         string `yaml:"as_of"`
	LocalDay     string `yaml:"local_day"`

	NoTerms          bool       `yaml:"no_terms"`
	TermsName        string     `yaml:"terms_name"`
	TermsModel       string     `yaml:"terms_model"`
	SoldFrom         string     `yaml:"sold_from"`
	Years            int        `yaml:"years"`
	Life             [][]string `yaml:"life"`
	Shallow          string     `yaml:"shallow"`
	CountedFrom      string     `yaml:"counted_from"`
	EnergyCap        string     `yaml:"energy_cap_kwh"`
	EFCCap           string     `yaml:"efc_cap"`
	EFCBasis         string     `yaml:"efc_basis"`
	Retained         [][]string `yaml:"retained"`
	Start            string     `yaml:"start"`
	Delay            int        `yaml:"delay"`
	Cold             string     `yaml:"cold_kwh"`
	GapDays          int        `yaml:"gap_days"`
	RegistrationDays int        `yaml:"registration_days"`
	Remedy           [][]string `yaml:"remedy"`

	HalfCycles  map[int]int64     `yaml:"half_cycles"`
	Charge      string            `yaml:"charge_kwh"`
	Discharge   string            `yaml:"discharge_kwh"`
	First       string            `yaml:"first"`
	Last        string            `yaml:"last"`
	Covered     string            `yaml:"covered_days"`
	Checked     string            `yaml:"checked_days"`
	Bridged     string            `yaml:"bridged_days"`
	Gaps        [][]string        `yaml:"gaps"`
	ColdCharge  [][]string        `yaml:"cold"`
	Episodes    [][]string        `yaml:"episodes"`
	Disputes    []string          `yaml:"disputes"`
	Quarantined int64             `yaml:"quarantined"`
	Events      int               `yaml:"events"`
	States      map[string]string `yaml:"states"`
	Tests       []workedTest      `yaml:"tests"`

	Expect workedAnswer `yaml:"expect"`
}

type workedTest struct {
	Day         string
	KWh         string `yaml:"kwh"`
	Uncertainty string
	Reference   string
	Invalid     bool
}

type workedAnswer struct {
	Recommendation claim.Recommendation
	Because        []claim.RuleID
	Share          string
	Outcomes       map[claim.RuleID]claim.Outcome
	Numbers        map[claim.RuleID]map[string]string
	Missing        []string
}

func readWorked(t *testing.T, file string) worked {
	t.Helper()
	var w worked
	for _, name := range []string{filepath.Join(workedFolder, "defaults.yaml"), file} {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := yaml.UnmarshalWithOptions(data, &w, yaml.Strict()); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
	return w
}

// TestWorkedClaims judges every claim that was worked by hand.
func TestWorkedClaims(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(workedFolder, "*.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	cases := 0
	for _, file := range files {
		if filepath.Base(file) == "defaults.yaml" {
			continue
		}
		cases++
		t.Run(strings.TrimSuffix(filepath.Base(file), ".yaml"), func(t *testing.T) {
			w := readWorked(t, file)
			a, err := claim.Evaluate(w.evidence(t))
			if err != nil {
				t.Fatal(err)
			}
			w.compare(t, a)
		})
	}
	if cases < 30 {
		t.Errorf("%d claims worked by hand, want at least 30", cases)
	}
}

func (w *worked) compare(t *testing.T, a claim.Assessment) {
	t.Helper()
	got := map[claim.RuleID]claim.Outcome{}
	for _, r := range a.Outcomes {
		got[r.Rule] = r.Outcome
		if r.Sentence == "" {
			t.Errorf("%s: no sentence", r.Rule)
		}
		if r.Outcome == claim.CannotTell && len(r.Settle) == 0 && r.Rule != claim.RuleLimits {
			t.Errorf("%s: nothing would settle it", r.Rule)
		}
	}
	if diff := cmp.Diff(w.Expect.Outcomes, got); diff != "" {
		t.Errorf("outcomes (-worked +got):\n%s", diff)
	}
	if a.Recommendation != w.Expect.Recommendation {
		t.Errorf("recommendation %q, worked %q", a.Recommendation, w.Expect.Recommendation)
	}
	if diff := cmp.Diff(append([]claim.RuleID{}, w.Expect.Because...), a.Because); diff != "" {
		t.Errorf("because (-worked +got):\n%s", diff)
	}
	share := "none"
	if a.Share != nil {
		share = fmt.Sprintf("%d %s", a.Share.Year, a.Share.Pct)
	}
	if share != w.Expect.Share {
		t.Errorf("share %q, worked %q", share, w.Expect.Share)
	}
	if w.Expect.Missing != nil {
		if diff := cmp.Diff(w.Expect.Missing, a.Missing); diff != "" {
			t.Errorf("missing (-worked +got):\n%s", diff)
		}
	}
	for rule, numbers := range w.Expect.Numbers {
		for name, want := range numbers {
			compareNumber(t, a.Find(rule), name, want)
		}
	}
}

// compareNumber compares to as many digits as are worked out.
func compareNumber(t *testing.T, r *claim.Result, name, want string) {
	t.Helper()
	for _, n := range r.Numbers {
		if n.Name != name {
			continue
		}
		digits := 0
		if at := strings.IndexByte(want, '.'); at >= 0 {
			digits = len(want) - at - 1
		}
		if got := rat(t, string(n.Value)).FloatString(digits); got != rat(t, want).FloatString(digits) {
			t.Errorf("%s: %s is %s, worked %s", r.Rule, name, n.Value, want)
		}
		return
	}
	t.Errorf("%s: no number %q in %v", r.Rule, name, r.Numbers)
}

func (w *worked) evidence(t *testing.T) claim.Evidence {
	t.Helper()
	asOf := instant(t, w.AsOf)
	e := claim.Evidence{
		Version: claim.EvidenceVersion, Rules: claim.RulesVersion, Counting: claim.CountingVersion,
		Ground: claim.Ground(w.Ground),
		Unit: claim.Unit{
			Serial: "K5-0001", Site: "SITE-01", Zone: w.Zone,
			Shipped: day(t, w.Shipped), Commissioned: day(t, w.Commissioned), Registered: day(t, w.Registered),
		},
		Model: analytics.Model{Name: "HB-5", Chemistry: "LFP", Rated: 5_200_000, RatedCharge: 101_600, MaxPower: 2_600_000},
		Terms: w.terms(t),
		AsOf:  claim.AsOf{Instant: asOf, Day: claim.Date(asOf.Day())},
	}
	if w.LocalDay != "" {
		e.AsOf.Day = *day(t, w.LocalDay)
	}
	e.Ledger = w.ledger(t, &e)
	for _, g := range w.Gaps {
		gap := claim.Gap{From: instant(t, g[0]), To: instant(t, g[1])}
		e.Gaps = append(e.Gaps, gap)
		e.LongestGap = max(e.LongestGap, gap.Length())
	}
	for i, x := range w.Tests {
		e.Tests = append(e.Tests, x.result(t, i))
	}
	return e
}

func (x *workedTest) result(t *testing.T, i int) claim.TestResult {
	t.Helper()
	reference := x.Reference
	if reference == "" {
		reference = "5.2"
	}
	d := *day(t, x.Day)
	start := d.Day().Start() + analytics.Instant(8*analytics.Hour)
	return claim.TestResult{
		RecordSHA256: fmt.Sprintf("%064d", i), Day: d, Start: start, End: start + analytics.Instant(5*analytics.Hour), Valid: !x.Invalid,
		Energy: microwattHours(t, x.KWh), Expanded: microwattHours(t, x.Uncertainty), Reference: microwattHours(t, reference),
	}
}

func (w *worked) terms(t *testing.T) *claim.Terms {
	t.Helper()
	if w.NoTerms {
		return nil
	}
	terms := &claim.Terms{
		Name: w.TermsName, Model: w.TermsModel, SoldFrom: *day(t, w.SoldFrom), Years: w.Years,
		Shallow: analytics.Shallow(w.Shallow), CountedFromPct: claim.Decimal(w.CountedFrom),
		EnergyCap: analytics.MilliwattHours(microwattHours(t, w.EnergyCap) / 1000), EFCCap: claim.Decimal(w.EFCCap), EFCBasis: analytics.EFCBasis(w.EFCBasis),
		Start: analytics.StartRule(w.Start), LongestDelayDays: w.Delay, LongestGapDays: w.GapDays, RegistrationDays: w.RegistrationDays,
	}
	for _, p := range w.Life {
		terms.Life = append(terms.Life, claim.LifePoint{DepthPct: claim.Decimal(p[0]), Cycles: claim.Decimal(p[1])})
	}
	for _, p := range w.Retained {
		terms.Retained = append(terms.Retained, claim.RetainedPoint{Year: number(t, p[0]), Pct: claim.Decimal(p[1])})
	}
	for _, p := range w.Remedy {
		terms.Remedy = append(terms.Remedy, claim.RemedyStep{ThroughYear: number(t, p[0]), Pct: claim.Decimal(p[1])})
	}
	if w.Cold != "none" {
		allowance := analytics.MilliwattHours(microwattHours(t, w.Cold) / 1000)
		terms.ColdChargeAllowance = &allowance
	}
	return terms
}

func (w *worked) ledger(t *testing.T, e *claim.Evidence) claim.Ledger {
	t.Helper()
	l := claim.Ledger{
		HalfCycles: w.HalfCycles,
		Energy:     claim.Energy{Power: claim.Flow{Charge: microwattHours(t, w.Charge), Discharge: microwattHours(t, w.Discharge)}},
		Bridged:    span(t, w.Bridged, 0), Quarantined: []claim.ReasonCount{{Reason: "unreadable", Rows: w.Quarantined}},
	}
	if w.First != "none" {
		first, last := w.firstAndLast(t, e)
		l.First, l.Last, l.Elapsed, l.Samples = &first, &last, analytics.Millis(last-first), 1000
		l.Covered = span(t, w.Covered, l.Elapsed)
		l.Checked = span(t, w.Checked, l.Covered)
	}
	for _, x := range w.ColdCharge {
		at := instant(t, x[0])
		l.Excursions = append(l.Excursions, claim.Episode{Kind: "cold-charge", Start: at, End: at + 1_800_000, Samples: 7, Charge: microwattHours(t, x[1]), Ending: "left"})
	}
	for _, x := range w.Episodes {
		l.Excursions = append(l.Excursions, claim.Episode{Kind: x[0], Start: instant(t, x[1]), End: instant(t, x[1]), Samples: 1, Ending: "left"})
	}
	for _, at := range w.Disputes {
		l.Disputes = append(l.Disputes, instant(t, at))
		l.Conflicts++
	}
	for i := range w.Events {
		l.Events = append(l.Events, claim.Event{Kind: analytics.CounterReset, At: analytics.Instant(i) + 1_800_000_000_000, Field: "discharge_mwh"})
	}
	l.EFC = claim.Decimal(w.States["efc"])
	if l.EFC == "" {
		per := new(big.Rat).Quo(big.NewRat(int64(l.Energy.Power.Charge+l.Energy.Power.Discharge), 1e9), big.NewRat(104, 10))
		if w.EFCBasis == "discharge" {
			per.Quo(big.NewRat(int64(l.Energy.Power.Discharge), 1e9), big.NewRat(52, 10))
		}
		f, _ := per.Float64()
		l.EFC = claim.DecimalOf(f)
	}
	for _, m := range []analytics.Measure{analytics.MeasureCycleLife, analytics.MeasureEnergy} {
		if stated, ok := w.States[string(m)]; ok {
			l.Spent = append(l.Spent, claim.Spent{Measure: m, Spent: claim.Decimal(stated)})
		}
	}
	return l
}

// firstAndLast gives the first and last sample: from the first day of the
// warranty, as far as the file knows it, to the moment asked for.
func (w *worked) firstAndLast(t *testing.T, e *claim.Evidence) (first, last analytics.Instant) {
	t.Helper()
	last = e.AsOf.Instant
	switch {
	case w.First != "":
		first = instant(t, w.First)
	case e.Unit.Commissioned != nil:
		first = e.Unit.Commissioned.Day().Start()
	case e.Unit.Shipped != nil:
		first = e.Unit.Shipped.Day().Start()
	}
	if w.Last != "" {
		last = instant(t, w.Last)
	}
	return first, last
}

func rat(t *testing.T, text string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		t.Fatalf("%q is not a number", text)
	}
	return r
}

// scaledInt reads a decimal times a factor, which must give a whole number.
func scaledInt(t *testing.T, text string, by int64) int64 {
	t.Helper()
	r := new(big.Rat).Mul(rat(t, text), big.NewRat(by, 1))
	if !r.IsInt() {
		t.Fatalf("%q × %d is not whole", text, by)
	}
	return r.Num().Int64()
}

func microwattHours(t *testing.T, kwh string) analytics.MicrowattHours {
	t.Helper()
	if kwh == "" {
		return 0
	}
	return analytics.MicrowattHours(scaledInt(t, kwh, 1e9))
}

func span(t *testing.T, days string, otherwise analytics.Millis) analytics.Millis {
	t.Helper()
	if days == "" {
		return otherwise
	}
	return analytics.Millis(scaledInt(t, days, int64(analytics.DayLength)))
}

func number(t *testing.T, text string) int {
	t.Helper()
	n, err := strconv.Atoi(text)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func instant(t *testing.T, text string) analytics.Instant {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return analytics.InstantOf(at)
}

func day(t *testing.T, text string) *claim.Date {
	t.Helper()
	if text == "unknown" {
		return nil
	}
	d, err := analytics.ParseDay(text)
	if err != nil {
		t.Fatal(err)
	}
	return claim.DateOf(&d)
}
