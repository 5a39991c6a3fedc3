package catalog_test

import (
	"errors"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
)

const unitsHead = "unit,model,stack,site,shipped,commissioned,terms,position\n"

func TestABundleKnowsFilesByTheirContent(t *testing.T) {
	for _, tc := range []struct{ name, file, data, want string }{
		{"units", "whatever", unitsHead, catalog.UnitsFile},
		{"units with a path as a name", "../../etc/passwd", "\ufeff" + unitsHead, catalog.UnitsFile},
		{"sites behind an empty line", "a.txt", "\nsite, zone\n", catalog.SitesFile},
		{"quoted names", "a.csv", "\"site\",\"zone\"\r\n", catalog.SitesFile},
		{"models by ending", "x.YML", "", catalog.ModelsFile},
		{"models by content", "x.txt", "# ours\nmodels:\n  - name: A\n", catalog.ModelsFile},
		{"terms by content", "x", "\ufeffterms: []\n", catalog.ModelsFile},
		{"telemetry", "x.csv", "time,soc_pct\n", ""},
		{"nothing", "x.csv", "", ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var b catalog.Bundle
			err := b.Add(tc.file, []byte(tc.data))
			var problem catalog.Problem
			if tc.want == "" {
				if !errors.As(err, &problem) || problem.File != tc.file || problem.Remedy == "" {
					t.Errorf("got %v", err)
				}
				return
			}
			if got, ok := b.Files()[tc.want]; err != nil || !ok || string(got) != tc.data {
				t.Errorf("got %v, %v", b.Files(), err)
			}
		})
	}
}

func TestABundleTellsLinesByTheFilesThatWereAdded(t *testing.T) {
	var b catalog.Bundle
	first := []byte("\ufeff" + unitsHead + "A,HB-5,,,,,,1")
	for file, data := range map[string][]byte{"ua.csv": first} {
		if err := b.Add(file, data); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Add("ub.csv", []byte("\n"+strings.ReplaceAll(unitsHead, ",", " , ")+"B,HB-5,,,,,,1\n")); err != nil {
		t.Fatal(err)
	}
	if got := string(b.Files()[catalog.UnitsFile]); got != string(first)+"\nB,HB-5,,,,,,1\n" {
		t.Fatalf("joined as %q", got)
	}
	if string(first) != "\ufeff"+unitsHead+"A,HB-5,,,,,,1" {
		t.Error("the caller's bytes were changed")
	}
	for _, tc := range []struct {
		file string
		line int
		want string
		at   int
	}{{"units.csv", 2, "ua.csv", 2}, {"units.csv", 3, "ub.csv", 3}, {"units.csv", 0, "units.csv", 0}, {"sites.csv", 3, "sites.csv", 3}} {
		if file, line := b.Place(tc.file, tc.line); file != tc.want || line != tc.at {
			t.Errorf("%s:%d is told as %s:%d, want %s:%d", tc.file, tc.line, file, line, tc.want, tc.at)
		}
	}
	if got := b.Mention("units.csv", "A stands on line 2 too"); got != "A stands on line 2 of ua.csv too" {
		t.Errorf("mentioned as %q", got)
	}
}

func TestABundleRefusesWhatCannotBeJoined(t *testing.T) {
	for name, data := range map[string][2]string{
		"two of models":     {"models: []\n", "terms: []\n"},
		"different headers": {unitsHead, "unit,model\n"},
	} {
		t.Run(name, func(t *testing.T) {
			var b catalog.Bundle
			if err := b.Add("a", []byte(data[0])); err != nil {
				t.Fatal(err)
			}
			err := b.Add("b", []byte(data[1]))
			if err == nil || !strings.HasPrefix(err.Error(), "b: ") || !strings.Contains(err.Error(), "a") {
				t.Errorf("got %v", err)
			}
		})
	}
}

func TestLinesOfThings(t *testing.T) {
	c, err := catalog.ParseModels("m", read(t, "models.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(read(t, "models.yaml")), "\n")
	for _, m := range c.Models {
		if n := c.ModelLine(m.Name); n == 0 || !strings.Contains(lines[n-1], m.Name) {
			t.Errorf("model %s on line %d", m.Name, n)
		}
	}
	for _, e := range c.Terms {
		if n := c.TermsLine(e.Name); n == 0 || !strings.Contains(lines[n-1], e.Name) {
			t.Errorf("terms %s on line %d", e.Name, n)
		}
	}
	units, err := catalog.ParseUnits("u", []byte(unitsHead+"A,HB-5,,,,,,1\nB,HB-5,,,,,,1\n"))
	if err != nil || units.Line("B") != 3 || units.Line("C") != 0 {
		t.Errorf("unit on line %d, %v", units.Line("B"), err)
	}
	sites, err := catalog.ParseSites("s", []byte("site\n\nx\n"))
	if err != nil || sites.Line("x") != 3 || c.ModelLine("none")+c.TermsLine("none")+sites.Line("y") != 0 {
		t.Errorf("site on line %d, %v", sites.Line("x"), err)
	}
}

// TestTablesForPeopleReadBack wants no cell that a spreadsheet takes for a
// formula, and the same names from what it writes.
func TestTablesForPeopleReadBack(t *testing.T) {
	for _, name := range append(oddNames, "=cmd|x", "+1", "-1", "@sum", "|x", "%x", "'=1", "''-1", "'text", "''", "'") {
		units := []analytics.Unit{{Serial: analytics.Serial(name), Model: name, Stack: name, Site: name, Terms: name}}
		sites := []analytics.Site{{Name: name, Country: name, Region: name, Installer: name}}
		for kind, table := range map[string][]byte{"plain": catalog.AppendUnits(nil, units), "for people": catalog.AppendUnitsForPeople(nil, units)} {
			got, err := catalog.ParseUnits("u", table)
			if err != nil {
				t.Fatalf("%q %s: %v", name, kind, err)
			}
			equal(t, got.Units, units)
		}
		for kind, table := range map[string][]byte{"plain": catalog.AppendSites(nil, sites), "for people": catalog.AppendSitesForPeople(nil, sites)} {
			got, err := catalog.ParseSites("s", table)
			if err != nil {
				t.Fatalf("%q %s: %v", name, kind, err)
			}
			equal(t, got.Sites, sites)
		}
		row := strings.Split(string(catalog.AppendSitesForPeople(nil, sites)), "\n")[1]
		if catalog.LooksLikeFormula(strings.TrimPrefix(row, `"`)) {
			t.Errorf("%q is written as %s", name, row)
		}
	}
}

func TestDiffTellsFieldsAsTheFilesWriteThem(t *testing.T) {
	shipped := analytics.Day(20000)
	before := analytics.Unit{Serial: "A", Model: "HB-5", Stack: "s-1", Position: 2}
	after := before
	after.Stack, after.Shipped, after.Position = "", &shipped, 0
	c := analytics.Change{Kind: analytics.ChangeUnit, Name: "A", Fields: catalog.Diff(catalog.UnitFields(&before), catalog.UnitFields(&after))}
	if got, want := catalog.ChangeWords(&c), "unit A: stack s-1 → nothing, shipped nothing → 2024-10-04, position 2 → nothing"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	c = analytics.Change{Kind: analytics.ChangeUnit, Name: "A", New: true, Fields: catalog.Diff(nil, catalog.UnitFields(&before))}
	if got, want := catalog.ChangeWords(&c), "new unit A: model HB-5, stack s-1, position 2"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if got, want := catalog.CountWords(analytics.PlanCount{Kind: analytics.ChangeUnit, New: 1, Unchanged: 1}), "2 units: 1 new, 1 as it was"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// TestFieldsTellModelsApart wants two models or editions to have equal fields
// exactly where they mean the same.
func TestFieldsTellModelsApart(t *testing.T) {
	c, err := catalog.ParseModels("m", read(t, "models.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	m := c.Models[0]
	spelled, other := m, m
	spelled.MaxGap = m.Gap()
	other.ChargeLimit = append(analytics.LimitTable{}, m.ChargeLimit...)
	other.ChargeLimit[0].Rate++
	if d := catalog.Diff(catalog.ModelFields(&m), catalog.ModelFields(&spelled)); len(d) > 0 {
		t.Errorf("a default that is spelled out differs: %v", d)
	}
	d := catalog.Diff(catalog.ModelFields(&m), catalog.ModelFields(&other))
	if len(d) != 1 || d[0].Field != "charge_limit" || !strings.HasPrefix(d[0].After, "at ") {
		t.Errorf("got %v", d)
	}
	e := c.Terms[0]
	bare := analytics.Terms{Name: "T", Model: "M", SoldFrom: 20000, Years: 1}
	from := analytics.DefaultCountedFrom
	full := bare
	full.Life.Shallow, full.Life.CountedFromPct, full.EFCBasis, full.Start = analytics.ShallowThroughput, &from, analytics.BasisThroughput, analytics.StartCommissioned
	if d := catalog.Diff(catalog.TermsFields(&bare), catalog.TermsFields(&full)); len(d) > 0 {
		t.Errorf("defaults that are spelled out differ: %v", d)
	}
	allowed := e
	allowed.HasColdAllowance, allowed.ColdChargeAllowance = true, 0
	if catalog.SameTerms(e, allowed) == (len(catalog.Diff(catalog.TermsFields(&e), catalog.TermsFields(&allowed))) > 0) {
		t.Error("an allowance of zero is told as none")
	}
	if !strings.Contains(catalog.ChangeWords(&analytics.Change{Kind: analytics.ChangeTerms, Name: e.Name, New: true, Fields: catalog.Diff(nil, catalog.TermsFields(&e))}), "80 % ") {
		t.Error("the cycle life is not told")
	}
}
