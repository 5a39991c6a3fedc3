package catalog_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
)

func TestFilesReadBackAsWritten(t *testing.T) {
	c := parse(t, string(read(t, "models.yaml")))
	again := parse(t, string(catalog.AppendModels(nil, c.Models, c.Terms)))
	equal(t, again.Models, c.Models)
	equal(t, again.Terms, c.Terms)

	units, err := catalog.ParseUnits("u", read(t, "units.csv"))
	if err != nil {
		t.Fatal(err)
	}
	if got := string(catalog.AppendUnits(nil, units.Units)); got != string(read(t, "units.csv")) {
		t.Errorf("units.csv written as\n%s", got)
	}
	sites, err := catalog.ParseSites("s", read(t, "sites.csv"))
	if err != nil {
		t.Fatal(err)
	}
	if got := string(catalog.AppendSites(nil, sites.Sites)); got != string(read(t, "sites.csv")) {
		t.Errorf("sites.csv written as\n%s", got)
	}
}

// oddNames are names that a careless writer would break.
var oddNames = []string{
	"HB-5 home 2026", "null", "Yes", "5", "1e3", "-", "- a", "a: b", "a # b", "#a", "\"quoted\"", "'single'", "a,b", "back\\slash",
	"höhe", "電池", "{a}", "[a]", "*a", "&a", "!a", "%a", "@a", "~", "2026-01-01", "a\"b", "=1+1", ".5", "0x10",
}

func TestOddNamesReadBack(t *testing.T) {
	for _, name := range oddNames {
		t.Run(name, func(t *testing.T) {
			model := analytics.Model{Name: name, Chemistry: name, Rated: 1, MaxPower: 1}
			terms := analytics.Terms{Name: name, Model: name, SoldFrom: 20000, Years: 1, EFCBasis: analytics.BasisDischarge,
				Start: analytics.StartShipped, Life: analytics.CycleLife{Shallow: analytics.ShallowSlope}}
			c := parse(t, string(catalog.AppendModels(nil, []analytics.Model{model}, []analytics.Terms{terms})))
			equal(t, c.Models, []analytics.Model{model})
			equal(t, c.Terms, []analytics.Terms{terms})

			unit := analytics.Unit{Serial: analytics.Serial(name), Model: name, Stack: name, Site: name, Terms: name}
			units, err := catalog.ParseUnits("u", catalog.AppendUnits(nil, []analytics.Unit{unit}))
			if err != nil {
				t.Fatal(err)
			}
			equal(t, units.Units, []analytics.Unit{unit})
		})
	}
}

func TestRandomModelsReadBack(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for i := range 300 {
		m, terms := randomModel(r, i), randomTerms(r, i)
		text := catalog.AppendModels(nil, []analytics.Model{m}, []analytics.Terms{terms})
		c, err := catalog.ParseModels("m", text)
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		equal(t, c.Models[0], m)
		equal(t, c.Terms[0], terms)
		if !catalog.SameModel(c.Models[0], m) || !catalog.SameTerms(c.Terms[0], terms) {
			t.Errorf("not the same:\n%s", text)
		}
	}
}

func randomModel(r *rand.Rand, i int) analytics.Model {
	m := analytics.Model{Name: fmt.Sprintf("M-%d", i), Rated: analytics.MilliwattHours(1 + r.Int64N(1e9)),
		RatedCharge: analytics.MilliampHours(r.Int64N(1e6)), MaxPower: analytics.Milliwatts(1 + r.Int64N(1e9)),
		MaxGap: analytics.Millis(1000 + r.Int64N(1e7))}
	floor, top := analytics.SoC(r.IntN(1001)), analytics.CentiCelsius(r.IntN(9000)-3000)
	m.Floor, m.StorageMax = &floor, &top
	for temp := analytics.CentiCelsius(-3000); temp < 6000; temp += analytics.CentiCelsius(1 + r.IntN(2500)) {
		m.ChargeLimit = append(m.ChargeLimit, analytics.LimitRow{Temp: temp, Rate: analytics.MicroC(r.Int64N(2e6))})
	}
	return m
}

func randomTerms(r *rand.Rand, i int) analytics.Terms {
	from := r.Float64() * 10
	t := analytics.Terms{Name: fmt.Sprintf("T-%d", i), Model: "M", SoldFrom: analytics.Day(15000 + r.IntN(10000)), Years: 1 + r.IntN(30),
		Life:      analytics.CycleLife{Shallow: analytics.ShallowSlope, CountedFromPct: &from},
		EnergyCap: analytics.MilliwattHours(1 + r.Int64N(1e12)), EFCCap: 1 + r.Float64()*1e4, EFCBasis: analytics.BasisThroughput,
		Start: analytics.StartShipped, LongestDelayDays: r.IntN(400), HasColdAllowance: true,
		ColdChargeAllowance: analytics.MilliwattHours(r.Int64N(1e9)), LongestGapDays: r.IntN(90)}
	for depth := r.Float64() / 10; depth < 1; depth += 0.05 + r.Float64()/2 {
		t.Life.Points = append(t.Life.Points, analytics.LifePoint{Depth: depth, Cycles: 1 + r.Float64()*1e4})
	}
	for year := r.IntN(3); year < 20; year += 1 + r.IntN(9) {
		t.Retained = append(t.Retained, analytics.RetainedPoint{Year: year, Pct: r.Float64() * 100})
		t.Remedy = append(t.Remedy, analytics.RemedyStep{ThroughYear: year + 1, Pct: r.Float64() * 100})
	}
	return t
}

func TestSameTermsSeesMeaning(t *testing.T) {
	base := parse(t, string(read(t, "models.yaml"))).Terms[0]
	from := analytics.DefaultCountedFrom
	spelled := analytics.Terms{Name: "T", Life: analytics.CycleLife{Points: []analytics.LifePoint{}, Shallow: analytics.ShallowThroughput, CountedFromPct: &from},
		EFCBasis: analytics.BasisThroughput, Start: analytics.StartCommissioned, Retained: []analytics.RetainedPoint{}}
	for _, tc := range []struct {
		name string
		a, b analytics.Terms
		want bool
	}{
		{"itself", base, base, true},
		{"defaults spelled out", analytics.Terms{Name: "T"}, spelled, true},
		{"another price share", base, func() analytics.Terms {
			b := base
			b.Remedy = []analytics.RemedyStep{{ThroughYear: 5, Pct: 100}, {ThroughYear: 10, Pct: 49.9}}
			return b
		}(), false},
		{"an allowance of zero is not none", analytics.Terms{}, analytics.Terms{HasColdAllowance: true}, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := catalog.SameTerms(tc.a, tc.b); got != tc.want {
				t.Errorf("got %v\n%s\n%s", got, catalog.CanonicalTerms(tc.a), catalog.CanonicalTerms(tc.b))
			}
		})
	}
}

func TestHostileYAMLIsAProblem(t *testing.T) {
	deeper := func(entry string) string {
		var b strings.Builder
		for i := range 2000 {
			fmt.Fprintf(&b, "%s%s\n", strings.Repeat(" ", i), entry)
		}
		return b.String()
	}
	for name, text := range map[string]string{
		"brackets":         strings.Repeat("[", 1e6),
		"braces with keys": strings.Repeat("{a: ", 1e6),
		"dashes":           strings.Repeat("- ", 1e6),
		"question marks":   strings.Repeat("? ", 1e6),
		"indented keys":    deeper("a:"),
		"indented dashes":  deeper("-"),
		"too long":         "models: []\n" + strings.Repeat("# x\n", 2e6),
		"tagged list":      "models: !x [!y a]",
		"tag alone":        "!",
		"no YAML":          "\x00\x01",
	} {
		t.Run(name, func(t *testing.T) {
			_, err := catalog.ParseModels("m", []byte(text))
			var problems catalog.Problems
			if !errors.As(err, &problems) {
				t.Errorf("got %v", err)
			}
		})
	}
}

func FuzzParseModels(f *testing.F) {
	for _, seed := range []string{"models: []", "models: [{name: A, rated_kwh: 1, max_power_kw: 1}]", "terms:\n  - name: &x a\n    years: *x\n", "a: {b: [", "- - -", "!!map {}", "? [a]\n: b", "- !x\n- !y [", "a: !!set {}"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := catalog.ParseModels("f", data)
		if err != nil {
			return
		}
		again, err := catalog.ParseModels("f", catalog.AppendModels(nil, c.Models, c.Terms))
		if err != nil {
			t.Fatalf("read back: %v", err)
		}
		for i := range c.Terms {
			if !catalog.SameTerms(c.Terms[i], again.Terms[i]) {
				t.Fatalf("terms %d changed", i)
			}
		}
		for i := range c.Models {
			if !catalog.SameModel(c.Models[i], again.Models[i]) {
				t.Fatalf("model %d changed", i)
			}
		}
	})
}
