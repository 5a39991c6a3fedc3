package claim_test

import (
	"bytes"
	"errors"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"fadeledger/analytics"
	"fadeledger/analytics/claim"
)

var update = flag.Bool("update", false, "write the golden files anew")

// fullEvidence holds something of everything.
func fullEvidence(t *testing.T) claim.Evidence {
	t.Helper()
	w := readWorked(t, filepath.Join(workedFolder, "all-limits-met.yaml"))
	e := w.evidence(t)
	e.Ground = claim.GroundCapacity
	e.Unit.Stack, e.Unit.Position = "S-1", 2
	low, high := analytics.CentiCelsius(-150), analytics.CentiCelsius(80)
	storage := analytics.CentiCelsius(5500)
	e.Model = hb5()
	e.Model.MaxGap, e.Model.StorageMax = 15*analytics.Minute, &storage
	e.Model.ChargeLimit = analytics.LimitTable{{Temp: -1200, Rate: 50_000}, {Temp: 1200, Rate: 500_000}}
	e.Model.DischargeLimit = analytics.LimitTable{{Temp: -2000, Rate: 500_000}}
	e.Tests = []claim.TestResult{tested(t, script{rest: 60, minutes: 255}, nil), tested(t, script{rest: 59, minutes: 251}, nil)}
	e.Days = []claim.DayHash{
		{Day: 20_486, SHA256: "b5bb9d8014a0f9b1d61e21e796d78dccdf1352f23cd32812f4850b878ae4944c"},
		{Day: 20_485, SHA256: "7d865e959b2466918c9863afca942d0fb89d7c9ac0c99bafc3749504ded97730"},
	}
	at := instant(t, "2028-06-01T10:00:00Z")
	e.Gaps = []claim.Gap{{From: at, To: at + analytics.Instant(3*analytics.DayLength)}}
	e.LongestGap = 3 * analytics.DayLength
	l := &e.Ledger
	l.Duplicates, l.Superseded, l.Conflicts, l.Disputes = 3, 2, 1, []analytics.Instant{at}
	l.Excursions[0].MinTemp, l.Excursions[0].MaxTemp, l.Excursions[0].Peak, l.Excursions[0].Allowed = &low, &high, 300_000, 210_000
	l.Excursions = append(l.Excursions, claim.Episode{Kind: "deep-discharge", Start: at, End: at, Samples: 1, Ending: "unseen"})
	l.Events = []claim.Event{{Kind: analytics.CounterReset, At: at, Field: "charge_mwh"}}
	l.Corrections = []claim.Correction{{From: at, To: at + 60_000, At: at + 86_400_000, By: "clerk-1", Why: "two readings of one minute, the gateway's clock was set <back> & forth", Samples: 1}}
	return e
}

func goldenBytes(t *testing.T) map[string][]byte {
	t.Helper()
	e := fullEvidence(t)
	a, err := claim.Evaluate(e)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{"procedure.txt": []byte(claim.Text(claim.DefaultProcedure(hb5())))}
	for name, v := range map[string]any{"evidence.json": e.Sorted(), "assessment.json": a} {
		if out[name], err = claim.Canonical(v); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// TestGolden compares with the files byte for byte: evidence that was frozen
// with this version must be judged the same for as long as it is known.
func TestGolden(t *testing.T) {
	for name, got := range goldenBytes(t) {
		file := filepath.Join(workedFolder, "golden", name)
		if *update {
			if err := os.WriteFile(file, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s differs:\ngot  %s\nwant %s", name, got, want)
		}
	}
}

// TestGoldenElsewhere runs TestGolden in processes of its own: in other zones,
// on one processor.
func TestGoldenElsewhere(t *testing.T) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	for name, env := range map[string][]string{
		"a zone far ahead":  {"TZ=Pacific/Kiritimati", "GOMAXPROCS=1"},
		"a zone far behind": {"TZ=Pacific/Pago_Pago", "GOMAXPROCS=1"},
		"many processors":   {"TZ=Asia/Kathmandu", "GOMAXPROCS=8"},
	} {
		t.Run(name, func(t *testing.T) {
			cmd := exec.Command(self, "-test.run=^TestGolden$", "-test.count=1")
			cmd.Env = append(os.Environ(), env...)
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Errorf("%v\n%s", err, out)
			}
		})
	}
}

func TestReadEvidence(t *testing.T) {
	golden, err := os.ReadFile(filepath.Join(workedFolder, "golden", "evidence.json"))
	if err != nil {
		t.Fatal(err)
	}
	e, err := claim.ReadEvidence(golden)
	if err != nil {
		t.Fatal(err)
	}
	a, err := claim.Evaluate(e)
	if err != nil {
		t.Fatal(err)
	}
	got, err := claim.Canonical(a)
	if err != nil {
		t.Fatal(err)
	}
	want, err := os.ReadFile(filepath.Join(workedFolder, "golden", "assessment.json"))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("evidence read back is judged differently:\n%s", got)
	}
	for name, change := range map[string]func([]byte) []byte{
		"a blank":          func(b []byte) []byte { return append(b, '\n') },
		"cut":              func(b []byte) []byte { return b[:len(b)-1] },
		"a member more":    func(b []byte) []byte { return append([]byte(`{"a":1,`), b[1:]...) },
		"order of members": func(b []byte) []byte { return append([]byte(`{"version":1,`), b[1:]...) },
		"a float":          func(b []byte) []byte { return bytes.Replace(b, []byte(`"version":1`), []byte(`"version":1.0`), 1) },
	} {
		if _, err := claim.ReadEvidence(change(bytes.Clone(golden))); !errors.Is(err, analytics.ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
