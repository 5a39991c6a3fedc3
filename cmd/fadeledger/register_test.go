package main

import (
	"errors"
	"slices"
	"strings"
	"testing"
)

const unitsHeader = "unit,model,stack,site,shipped,commissioned,terms,position\n"

func TestFilesOfOneKindAreJoined(t *testing.T) {
	a := writeFile(t, "ua.csv", "\ufeff"+unitsHeader+"HB5-1,HB-5,,,2025-11-01,,,1")
	b := writeFile(t, "ub.csv", "\n"+strings.ReplaceAll(unitsHeader, ",", " , ")+"HB5-2,HB-5,,,2025-11-01,,,1\n")
	parts, err := registrationParts([]string{a, b})
	if err != nil {
		t.Fatal(err)
	}
	want := "\ufeff" + unitsHeader + "HB5-1,HB-5,,,2025-11-01,,,1\nHB5-2,HB-5,,,2025-11-01,,,1\n"
	if len(parts) != 1 || string(parts[0].body) != want {
		t.Fatalf("got %q", parts[0].body)
	}
	for told, want := range map[string]string{
		"units.csv:2:model: no model":                        a + ":2:model: no model",
		"units.csv:3:unit: HB5-1 stands on line 2 too; mend": b + ":3:unit: HB5-1 stands on line 2 of " + a + " too; mend",
		"sites.csv:3: x":                                     "sites.csv:3: x",
		"no place":                                           "no place",
	} {
		if got := inUsersFiles(parts, told); got != want {
			t.Errorf("%q is told as %q, want %q", told, got, want)
		}
	}
}

func TestRegistrationsThatAreNotSent(t *testing.T) {
	yaml := "models: []\n"
	for name, files := range map[string][]string{
		"two of models":     {writeFile(t, "a.yaml", yaml), writeFile(t, "b.yml", yaml)},
		"different headers": {writeFile(t, "a.csv", unitsHeader), writeFile(t, "b.csv", "unit,model\n")},
		"neither":           {writeFile(t, "x.csv", "a,b\n1,2\n")},
		"empty":             {writeFile(t, "y.csv", "")},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := registrationParts(files)
			if err == nil {
				t.Fatal("taken")
			}
			for _, f := range files {
				if !strings.Contains(err.Error(), f) {
					t.Errorf("%q does not name %s", err, f)
				}
			}
		})
	}
}

// TestTwoFilesOfUnitsAreRegistered registers units from two files, and two files
// of which one is wrong.
func TestTwoFilesOfUnitsAreRegistered(t *testing.T) {
	ts := newService(t)
	models := writeFile(t, "m.yaml", readFile(t, "catalogue", "models.yaml"))
	unit := func(serial, model string) string {
		return serial + "," + model + ",,,2025-11-01,2025-12-01,HB-5 home 2026,1\n"
	}
	a, b := writeFile(t, "ua.csv", unitsHeader+unit("HB5-1", "HB-5")), writeFile(t, "ub.csv", unitsHeader+unit("HB5-2", "HB-5"))
	if err := (registerCmd{server: server{ts.URL}, Files: []string{models, a, b}}).Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, serial := range []string{"HB5-1", "HB5-2"} {
		ts.get(t, "/api/v1/units/"+serial+"/ledger")
	}
	bad := writeFile(t, "bad.csv", unitsHeader+unit("HB5-4", "HB-5")+unit("HB5-3", "HB-nothing"))
	err := (registerCmd{server: server{ts.URL}, Files: []string{a, bad}}).Run(t.Context())
	var problem *problemError
	if !errors.As(err, &problem) || !slices.ContainsFunc(problem.lines, func(l string) bool { return strings.HasPrefix(l, bad+":3:") }) {
		t.Errorf("got %v, want a problem of %s:3", err, bad)
	}
}
