package catalog_test

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
)

const folder = "../../testdata/catalogue"

var update = flag.Bool("update", false, "rewrite the expected problems")

func read(t *testing.T, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(folder, name))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func parse(t *testing.T, text string) catalog.Catalogue {
	t.Helper()
	c, err := catalog.ParseModels("models.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func day(t *testing.T, text string) analytics.Day {
	t.Helper()
	d, err := analytics.ParseDay(text)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func equal(t *testing.T, got, want any) {
	t.Helper()
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

func TestParseModelsReadsEveryKey(t *testing.T) {
	c := parse(t, string(read(t, "models.yaml")))
	floor, top, from := analytics.SoC(30), analytics.CentiCelsius(5500), 2.0
	equal(t, c.Models, []analytics.Model{{
		Name: "HB-5", Chemistry: "LFP", Rated: 5_200_000, RatedCharge: 101_600, MaxPower: 2_600_000,
		MaxGap: 15 * analytics.Minute, Floor: &floor, StorageMax: &top,
		ChargeLimit:    analytics.LimitTable{{Temp: -1200, Rate: 50_000}, {Temp: 0, Rate: 200_000}, {Temp: 1200, Rate: 500_000}, {Temp: 4400, Rate: 500_000}, {Temp: 5400, Rate: 50_000}},
		DischargeLimit: analytics.LimitTable{{Temp: -2000, Rate: 500_000}, {Temp: 5000, Rate: 500_000}, {Temp: 5800, Rate: 100_000}},
	}, {
		Name: "HB-10", Chemistry: "LFP", Rated: 10_400_000, MaxPower: 5_000_000,
		ChargeLimit: analytics.LimitTable{{Temp: -1000, Rate: 100_000}, {Temp: 4500, Rate: 500_000}},
	}})
	equal(t, c.Terms, []analytics.Terms{{
		Name: "HB-5 home 2026", Model: "HB-5", SoldFrom: day(t, "2026-01-01"), Years: 10,
		Life: analytics.CycleLife{
			Points:  []analytics.LifePoint{{Depth: float64(80) / 100, Cycles: 9000}, {Depth: float64(95) / 100, Cycles: 6200}},
			Shallow: analytics.ShallowThroughput, CountedFromPct: &from,
		},
		EnergyCap: 31_000_000_000, EFCBasis: analytics.BasisThroughput,
		Retained: []analytics.RetainedPoint{{Year: 0, Pct: 100}, {Year: 10, Pct: 70}}, Start: analytics.StartCommissioned, LongestDelayDays: 180,
		ColdChargeAllowance: 5_000_000, HasColdAllowance: true, LongestGapDays: 60, RegistrationDays: 90,
		Remedy: []analytics.RemedyStep{{ThroughYear: 5, Pct: 100}, {ThroughYear: 10, Pct: 50}},
	}, {
		Name: "HB-10 home 2026", Model: "HB-10", SoldFrom: day(t, "2026-03-01"), Years: 8,
		Life: analytics.CycleLife{Shallow: analytics.ShallowThroughput}, EFCCap: 4000,
		EFCBasis: analytics.BasisDischarge, Start: analytics.StartShipped,
	}})
	if err := c.Check(catalog.Known{}); err != nil {
		t.Errorf("check: %v", err)
	}
	for i := range c.Terms {
		if err := c.Terms[i].Life.Validate(); err != nil {
			t.Errorf("%s: %v", c.Terms[i].Name, err)
		}
	}
}

// TestParseModelsRoundsHalfAway covers the rule that what has more digits than
// the integer holds is rounded half away from zero.
func TestParseModelsRoundsHalfAway(t *testing.T) {
	for _, tc := range []struct {
		name, temp string
		want       analytics.CentiCelsius
	}{
		{"fahrenheit that is whole", "cell_temp_f: 14", -1000},
		{"fahrenheit that is not", "cell_temp_f: 15", -944},
		{"fahrenheit minus forty", "cell_temp_f: -40", -4000},
		{"half up", "cell_temp_c: 0.005", 1},
		{"half down below zero", "cell_temp_c: -0.005", -1},
		{"below a half", "cell_temp_c: -0.0049999999", 0},
		{"a decimal that binary floats miss", "cell_temp_c: 1.005", 101},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := parse(t, "models: [{name: A, rated_kwh: 1, max_power_kw: 1, charge_limit: [{"+tc.temp+", c_rate: 0.5}]}]")
			if got := c.Models[0].ChargeLimit[0].Temp; got != tc.want {
				t.Errorf("got %d, want %d", got, tc.want)
			}
		})
	}
}

func TestDepthIsTheNearestFloatOfItsPercentage(t *testing.T) {
	for tenth := 1; tenth <= 1000; tenth++ {
		depth := float64(tenth) / 10 / 100
		terms := analytics.Terms{Name: "T", Model: "A", SoldFrom: 20000, Years: 1,
			Life: analytics.CycleLife{Points: []analytics.LifePoint{{Depth: depth, Cycles: 1}}}}
		c := parse(t, string(catalog.AppendModels(nil, nil, []analytics.Terms{terms})))
		if got := c.Terms[0].Life.Points[0].Depth; got != depth {
			t.Fatalf("depth %v read back as %v", depth, got)
		}
	}
}

// TestProblems holds each bad file against the problems beside it.
func TestProblems(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(folder, "bad", "*.want"))
	if err != nil || len(files) < 8 {
		t.Fatalf("bad files: %v, %v", files, err)
	}
	for _, wantFile := range files {
		stem := strings.TrimSuffix(filepath.Base(wantFile), ".want")
		t.Run(stem, func(t *testing.T) {
			var err error
			switch kind, _, _ := strings.Cut(stem, "-"); kind {
			case "models":
				_, err = catalog.ParseModels(stem+".yaml", read(t, "bad/"+stem+".yaml"))
			case "units":
				_, err = catalog.ParseUnits(stem+".csv", read(t, "bad/"+stem+".csv"))
			case "sites":
				_, err = catalog.ParseSites(stem+".csv", read(t, "bad/"+stem+".csv"))
			}
			var problems catalog.Problems
			if !errors.As(err, &problems) {
				t.Fatalf("got %v, want Problems", err)
			}
			for _, p := range problems {
				if p.File == "" || p.Message == "" || p.Remedy == "" {
					t.Errorf("incomplete: %+v", p)
				}
			}
			got := err.Error() + "\n"
			if *update {
				if err := os.WriteFile(wantFile, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(wantFile)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("got\n%s\nwant\n%s", got, want)
			}
		})
	}
}

func TestParseUnits(t *testing.T) {
	shipped, commissioned, later := day(t, "2026-01-10"), day(t, "2026-02-01"), day(t, "2026-03-05")
	want := []analytics.Unit{
		{Serial: "K5-0001", Model: "HB-5", Stack: "S-1", Site: "SITE-01", Shipped: &shipped, Commissioned: &commissioned, Terms: "HB-5 home 2026", Position: 1},
		{Serial: "K5-0002", Model: "HB-5", Stack: "S-1", Site: "SITE-01", Shipped: &shipped, Commissioned: &commissioned, Terms: "HB-5 home 2026", Position: 2},
		{Serial: "K10-0001", Model: "HB-10", Site: "SITE-02", Shipped: &later, Terms: "HB-10 home 2026"},
	}
	file := string(read(t, "units.csv"))
	for name, text := range map[string]string{
		"as it stands":       file,
		"BOM and CRLF":       "\xef\xbb\xbf" + strings.ReplaceAll(file, "\n", "\r\n"),
		"no last line end":   strings.TrimSuffix(file, "\n"),
		"spaces about cells": strings.ReplaceAll(file, ",", " , "),
	} {
		t.Run(name, func(t *testing.T) {
			u, err := catalog.ParseUnits("units.csv", []byte(text))
			if err != nil {
				t.Fatal(err)
			}
			equal(t, u.Units, want)
		})
	}
	t.Run("other order, fewer columns", func(t *testing.T) {
		u, err := catalog.ParseUnits("units.csv", []byte("position,model,unit\n2,HB-5,K5-0009\n"))
		if err != nil {
			t.Fatal(err)
		}
		equal(t, u.Units, []analytics.Unit{{Serial: "K5-0009", Model: "HB-5", Position: 2}})
	})
}

func TestCheckFindsWhatIsNotKnown(t *testing.T) {
	c := parse(t, string(read(t, "models.yaml")))
	sites, err := catalog.ParseSites("sites.csv", read(t, "sites.csv"))
	if err != nil {
		t.Fatal(err)
	}
	units, err := catalog.ParseUnits("units.csv", read(t, "units.csv"))
	if err != nil {
		t.Fatal(err)
	}
	var known catalog.Known
	known.AddCatalogue(c)
	known.AddSites(sites)
	if err := units.Check(known); err != nil {
		t.Errorf("all known: %v", err)
	}
	stranger, err := catalog.ParseUnits("units.csv", []byte("unit,model,site,terms\nK5-1,HB-5,SITE-01,HB-5 home 2026\nK5-2,HB-7,SITE-09,HB-5 home 2025\nK5-3,HB-10,,HB-5 home 2026\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := `units.csv:3: model: no model "HB-7"; load the models first, or correct the name
units.csv:3: site: no site "SITE-09"; load the sites first, or correct the name
units.csv:3: terms: no terms "HB-5 home 2025"; load the terms first, or correct the name
units.csv:4: terms: "HB-5 home 2026" are for model "HB-5", the unit is a "HB-10"; name the terms of the unit's own model`
	if err := stranger.Check(known); err == nil || err.Error() != want {
		t.Errorf("got\n%v\nwant\n%s", err, want)
	}
	lone := parse(t, "terms:\n  - {name: T, model: HB-7, sold_from: 2026-01-01, years: 10}\n")
	if err := lone.Check(known); err == nil || err.Error() != `models.yaml:2: terms[T].model: no model "HB-7"; add the model to the file, or correct its name` {
		t.Errorf("got %v", err)
	}
}

func TestCheckZones(t *testing.T) {
	sites, err := catalog.ParseSites("sites.csv", []byte("site,zone\nA,UTC\nB,Atlantis/Capital\nC,\nD,Etc/GMT+3\nE,America/Argentina/Ushuaia\n"))
	if err != nil {
		t.Fatal(err)
	}
	err = sites.CheckZones(func(zone string) error { _, err := time.LoadLocation(zone); return err })
	want := `sites.csv:3: zone: no time zone "Atlantis/Capital"; use a name of the IANA database such as Europe/Oslo, or leave it empty for UTC`
	if err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

func TestDaysAreBounded(t *testing.T) {
	for _, tc := range []struct {
		day string
		ok  bool
	}{{"1989-12-31", false}, {"1990-01-01", true}, {"2199-12-31", true}, {"2200-01-01", false}, {"2026-2-1", false}, {"2026-02-01T00:00:00Z", false}} {
		_, err := catalog.ParseUnits("units.csv", []byte("unit,model,shipped\nK,M,"+tc.day+"\n"))
		if (err == nil) != tc.ok {
			t.Errorf("%s: got %v", tc.day, err)
		}
	}
}
