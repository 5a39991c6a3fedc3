package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fadeledger/analytics"
)

const testdata = "../../testdata"

// readFile gives the text of a file of testdata.
func readFile(t testing.TB, parts ...string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(append([]string{testdata}, parts...)...))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// registerUnits registers units of the model HB-5.
func (ts *testService) registerUnits(t testing.TB, serials ...string) {
	t.Helper()
	var units strings.Builder
	units.WriteString("unit,model,stack,site,shipped,commissioned,terms,position\n")
	for _, s := range serials {
		fmt.Fprintf(&units, "%s,HB-5,,,2025-11-01,2025-12-01,HB-5 home 2026,1\n", s)
	}
	ts.registerText(t, map[string]string{
		"models.yaml": readFile(t, "catalogue", "models.yaml"), "units.csv": units.String(),
	})
}

// quarantined is a row as the API lists it.
type quarantined struct {
	ID                    int64
	Line                  int
	Field, Reason, Remedy string
	Batch                 string
}

func (ts *testService) quarantine(t testing.TB) []quarantined {
	t.Helper()
	var answer struct{ Rows []quarantined }
	decodeJSON(t, ts.get(t, "/api/v1/quarantine?limit=200"), &answer)
	return answer.Rows
}

// TestTwentyBadRows loads a file of good rows and bad ones: the good ones are
// counted, and each bad one is in quarantine with its line, field and reason.
func TestTwentyBadRows(t *testing.T) {
	ts := newService(t)
	ts.startWorker(t)
	ts.registerUnits(t, "HB5-000017")
	file := filepath.Join(testdata, "bad-input", "twenty-bad-rows.csv")
	if err := (loadCmd{server: ts.server(), Files: []string{file}, Collector: "c-1"}).Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	type place struct {
		Line          int
		Field, Reason string
	}
	var want []place
	decodeJSON(t, []byte(readFile(t, "bad-input", "twenty-bad-rows.want.json")), &want)
	kinds := map[string]bool{}
	missing := map[place]bool{}
	for _, w := range want {
		missing[w] = true
		kinds[w.Reason] = true
	}
	if len(kinds) < 20 {
		t.Errorf("the file holds %d kinds of bad rows, want at least 20", len(kinds))
	}
	for _, q := range ts.quarantine(t) {
		p := place{q.Line, q.Field, q.Reason}
		if !missing[p] {
			t.Errorf("not expected in quarantine: %+v", q)
		}
		delete(missing, p)
		if q.Remedy == "" || !strings.HasPrefix(q.Batch, "twenty-bad-rows.csv@") {
			t.Errorf("row of line %d: remedy %q, batch %q", q.Line, q.Remedy, q.Batch)
		}
	}
	for p := range missing {
		t.Errorf("not in quarantine: %+v", p)
	}
	// The good rows give what an offline count of the file gives.
	c := countCmd{Files: []string{file}, Models: filepath.Join(testdata, "catalogue", "models.yaml"), UnitModel: "HB-5", Terms: "HB-5 home 2026"}
	ledgers, bad, err := c.ledgers(t.Context())
	if err != nil || bad != len(want) || len(ledgers) != 1 {
		t.Fatalf("offline: %d ledgers, %d bad rows of %d, %v", len(ledgers), bad, len(want), err)
	}
	l := ledgers[0]
	ts.wantLedger(t, l)
	if l.Samples < 5 {
		t.Errorf("only %d good rows", l.Samples)
	}
}

// wantLedger compares the API's ledger of a unit with one counted offline.
func (ts *testService) wantLedger(t testing.TB, l analytics.Ledger) {
	t.Helper()
	want, err := json.Marshal(l)
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.TrimSpace(string(ts.get(t, ledgerPath(l.Unit)))); got != string(want) {
		t.Errorf("unit %s:\n got %s\nwant %s", l.Unit, got, want)
	}
}

func (ts *testService) samplesOf(t testing.TB, serial analytics.Serial) (samples, duplicates int64) {
	t.Helper()
	var l struct{ Samples, Duplicates int64 }
	decodeJSON(t, ts.get(t, ledgerPath(serial)), &l)
	return l.Samples, l.Duplicates
}

// minutes writes n rows a minute apart, under a header.
func minutes(header, serial string, n int) string {
	var b strings.Builder
	b.WriteString(header + "\n")
	for i := range n {
		fmt.Fprintf(&b, "%s,2026-01-%02dT%02d:%02d:00Z,%d\n", serial, 5+i/1440, i/60%24, i%60, 20+i%60)
	}
	return b.String()
}

func writeFile(t testing.TB, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// wantNothingTaken wants the exit code that says so.
func wantNothingTaken(t testing.TB, err error) {
	t.Helper()
	var exit *exitError
	if !errors.As(err, &exit) || exit.code != exitNothing {
		t.Fatalf("got %v, want exit code %d", err, exitNothing)
	}
}

// TestHeaderAlone loads a file without a row.
func TestHeaderAlone(t *testing.T) {
	ts := newService(t)
	ts.startWorker(t)
	load := loadCmd{server: ts.server(), Collector: "c-1", Files: []string{writeFile(t, "none.csv", "unit,time,soc_pct\n")}}
	wantNothingTaken(t, load.Run(t.Context()))
}

// TestLargeArray loads a JSON array that is larger than a delivery may be, in
// the name of a collector as long as names may be.
func TestLargeArray(t *testing.T) {
	ts := newService(t)
	ts.startWorker(t)
	ts.registerUnits(t, "HB5-1")
	const rows = 15_000
	var text strings.Builder
	for i := range rows {
		fmt.Fprintf(&text, ",\n{\"unit\":\"HB5-1\",\"time\":%d,\"soc_pct\":%d}", 1767600000+60*i, 20+i%60)
	}
	path := writeFile(t, "array.json", "["+text.String()[1:]+"]")
	load := loadCmd{server: ts.server(), Collector: "c-" + strings.Repeat("1", 60), Files: []string{path}}
	if err := load.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n, twice := ts.samplesOf(t, "HB5-1"); n != rows || twice != 0 {
		t.Errorf("%d samples and %d duplicates, want %d and none", n, twice, rows)
	}
}

// TestLoadedAgainNothingIsSentTwice loads a file of several pieces twice.
func TestLoadedAgainNothingIsSentTwice(t *testing.T) {
	ts := newService(t)
	ts.startWorker(t)
	ts.registerUnits(t, "HB5-1")
	const rows = 20_000
	load := loadCmd{server: ts.server(), Collector: "c-1",
		Files: []string{writeFile(t, "long.csv", minutes("unit,time,soc_pct", "HB5-1", rows))}}
	for i := range 2 {
		if err := load.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		if n, twice := ts.samplesOf(t, "HB5-1"); n != rows || twice != 0 {
			t.Errorf("load %d: %d samples and %d duplicates, want %d and none", i+1, n, twice, rows)
		}
	}
	var sum struct{ Deliveries int }
	decodeJSON(t, ts.get(t, "/api/v1/ingest"), &sum)
	if sum.Deliveries < 2 {
		t.Errorf("the file was sent in %d pieces; the test needs several", sum.Deliveries)
	}
}

// TestUnregisteredUnitWaits sends telemetry first and registers the unit then.
func TestUnregisteredUnitWaits(t *testing.T) {
	ts := newService(t)
	ts.startWorker(t)
	ts.registerUnits(t, "HB5-1")
	load := loadCmd{server: ts.server(), Collector: "c-1", Files: []string{writeFile(t, "new.csv", minutes("unit,time,soc_pct", "HB5-2", 500))}}
	wantNothingTaken(t, load.Run(t.Context()))
	held := ts.quarantine(t)
	if len(held) == 0 || held[0].Reason != analytics.ReasonUnknownUnit {
		t.Fatalf("in quarantine: %+v", held)
	}
	ts.registerUnits(t, "HB5-2")
	eventually(t, "the samples to be counted", func() error {
		if n, _ := ts.samplesOf(t, "HB5-2"); n != 500 {
			return fmt.Errorf("%d of 500", n)
		}
		return nil
	})
	if held := ts.quarantine(t); len(held) != 0 {
		t.Errorf("still in quarantine: %+v", held)
	}
}

// TestMendedByProfile sends a file with foreign headers, sets a profile, and
// releases what was quarantined.
func TestMendedByProfile(t *testing.T) {
	ts := newService(t)
	ts.startWorker(t)
	ts.registerUnits(t, "HB5-1")
	load := loadCmd{server: ts.server(), Collector: "c-9", Files: []string{writeFile(t, "foreign.csv", minutes("serial_no,when,charge_state", "HB5-1", 300))}}
	wantNothingTaken(t, load.Run(t.Context()))
	held := ts.quarantine(t)
	if len(held) != 1 || held[0].Line != 0 || held[0].Reason != "header-missing" {
		t.Fatalf("in quarantine: %+v", held)
	}
	profile := "fields:\n  unit: {from: serial_no}\n  time: {from: when}\n  soc_pct: {from: charge_state}\n"
	if err := load.call(t.Context(), http.MethodPut, "/api/v1/collectors/c-9/profile", map[string]string{"Content-Type": "application/yaml"}, []byte(profile), nil); err != nil {
		t.Fatal(err)
	}
	var done struct{ Rows, Samples, Kept int }
	for _, want := range []int{300, 0} { // once more changes nothing
		err := load.call(t.Context(), http.MethodPost, "/api/v1/quarantine/release",
			map[string]string{"Content-Type": "application/json"}, fmt.Appendf(nil, `{"ids":[%d]}`, held[0].ID), &done)
		if err != nil || done.Samples != want {
			t.Fatalf("released %+v, want %d samples; %v", done, want, err)
		}
	}
	if n, _ := ts.samplesOf(t, "HB5-1"); n != 300 {
		t.Errorf("%d samples counted, want 300", n)
	}
	if held := ts.quarantine(t); len(held) != 0 {
		t.Errorf("still in quarantine: %+v", held)
	}
}
