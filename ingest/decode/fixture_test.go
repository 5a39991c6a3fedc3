package decode_test

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/ingest/decode"
	"fadeledger/ingest/profile"
)

const badInput = "../../testdata/bad-input"

func TestTwentyBadRows(t *testing.T) {
	t.Parallel()
	body, err := os.ReadFile(filepath.Join(badInput, "twenty-bad-rows.csv"))
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(badInput, "twenty-bad-rows.want.json"))
	if err != nil {
		t.Fatal(err)
	}
	var want []struct {
		Line          int
		Field, Reason string
	}
	if err := json.Unmarshal(text, &want); err != nil {
		t.Fatal(err)
	}
	k, rep := read(t, string(body), decode.Options{})
	for i := range max(len(want), len(k.problems)) {
		if i >= len(want) || i >= len(k.problems) {
			t.Fatalf("%d problems, want %d", len(k.problems), len(want))
		}
		p, w := k.problems[i], want[i]
		if p.Line != w.Line || p.Field != w.Field || p.Reason != w.Reason {
			t.Errorf("got line %d %q %s (%s), want line %d %q %s", p.Line, p.Field, p.Reason, p.Message, w.Line, w.Field, w.Reason)
		}
		if p.Message == "" || p.Remedy == "" || len(p.Raw) == 0 {
			t.Errorf("line %d: no message, remedy or bytes: %+v", p.Line, p)
		}
	}
	kinds := map[string]bool{}
	for _, w := range want {
		kinds[w.Reason] = true
	}
	if len(kinds) < 20 {
		t.Errorf("%d kinds of bad rows, want at least 20", len(kinds))
	}
	if rep.Accepted != 6 || rep.Blank != 1 || rep.Comments != 1 {
		t.Errorf("accepted %d, blank %d, comments %d", rep.Accepted, rep.Blank, rep.Comments)
	}
	for code, n := range map[decode.NoteCode]int64{
		decode.NoteHeaderRepeated: 1, decode.NoteSoCClamped: 1, decode.NoteUnknownColumn: 1,
	} {
		if rep.Noted(code) != n {
			t.Errorf("note %s ×%d, want %d", code, rep.Noted(code), n)
		}
	}
}

// Every problem of the fixture that keeps its whole row has the same problem
// when the row is read alone.
func TestAgainFindsTheSameProblem(t *testing.T) {
	t.Parallel()
	body, err := os.ReadFile(filepath.Join(badInput, "twenty-bad-rows.csv"))
	if err != nil {
		t.Fatal(err)
	}
	k, _ := read(t, string(body), decode.Options{})
	for _, p := range k.problems {
		if p.RawCut {
			continue
		}
		_, again, err := decode.Again(context.Background(), p.Header, p.Raw, decode.Options{})
		if err != nil || again == nil || again.Reason != p.Reason || again.Field != p.Field {
			t.Errorf("line %d %s: again %+v, %v", p.Line, p.Reason, again, err)
		}
	}
}

func TestAgainWithAMendedProfile(t *testing.T) {
	t.Parallel()
	bodies := map[string]string{
		"csv":    "unit,time,soc_pct\nHB5-1,2026-07-01 12:00:00,50\n",
		"ndjson": `{"unit":"HB5-1","time":"2026-07-01 12:00:00","soc_pct":50}` + "\n",
		"array":  "[{\"unit\":\"HB5-1\",\n\"time\":\"2026-07-01 12:00:00\",\"soc_pct\":50}]",
	}
	for name, body := range bodies {
		k, _ := read(t, body, decode.Options{})
		if len(k.problems) != 1 || k.problems[0].Reason != decode.ReasonTimeWithoutZone {
			t.Fatalf("%s: %+v", name, k.problems)
		}
		opt := decode.Options{Profile: parseProfile(t, "zone: Europe/Helsinki")}
		row, problem, err := decode.Again(context.Background(), k.problems[0].Header, k.problems[0].Raw, opt)
		want := analytics.Sample{Time: 1782896400000, Has: analytics.HasSoC, SoC: 500}
		if err != nil || problem != nil || row.Sample != want || row.Serial != "HB5-1" {
			t.Errorf("%s: %+v, %+v, %v", name, row, problem, err)
		}
	}
}

// The open measurements of a cell (see the file's licence beside it) are read
// through the laboratory profile. Reference: its number of rows and its last
// row.
func TestLaboratoryFile(t *testing.T) {
	t.Parallel()
	folder := os.Getenv("FADELEDGER_OPEN_DATA")
	if folder == "" {
		folder = "../../../shared/data"
	}
	text, err := os.ReadFile("../profile/testdata/lab-cycler.yaml")
	if err != nil {
		t.Fatal(err)
	}
	lab, err := profile.Parse("lab-cycler.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	wantRows, last := 21595, "25235.474,8,0,3.29538,15.0139,16.2437,25.8015,25.783"
	body, err := os.ReadFile(filepath.Join(folder, "lfp_26650_pulses_25c.csv"))
	if err != nil {
		t.Logf("the open data are absent (set FADELEDGER_OPEN_DATA): reading the last row alone: %v", err)
		body = []byte("time_s,step,current_a_pos_charge,voltage_v,chg_ah,dis_ah,t_surface_c,t_ambient_c\n" + last + "\n")
		wantRows = 1
	}
	k, rep := read(t, string(body), decode.Options{Profile: lab})
	if len(k.rows) != wantRows || len(k.problems) != 0 || len(rep.Notes) != 0 {
		t.Fatalf("%d rows, %d problems, notes %v", len(k.rows), len(k.problems), rep.Notes)
	}
	want := analytics.Sample{
		Time: 1767571200000 + 25_235_474, Voltage: 3295, Temp: 2580,
		Has: analytics.HasCurrent | analytics.HasVoltage | analytics.HasTemp | analytics.PowerIsMean,
	}
	if got := k.rows[wantRows-1]; got.Sample != want || got.Serial != "CELL-A2" {
		t.Errorf("last row %+v, want %+v", got, want)
	}
}

func TestEveryReasonIsExplained(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, r := range decode.Reasons() {
		if seen[r.Code] || r.Meaning == "" || r.Remedy == "" || r.Code != strings.ToLower(r.Code) {
			t.Errorf("reason %+v: twice, not explained, or not in lower case", r)
		}
		seen[r.Code] = true
	}
	source, err := os.ReadFile("reasons.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(string(source), "\n") {
		if _, code, ok := strings.Cut(line, `= "`); ok && !seen[strings.TrimSuffix(code, `"`)] {
			t.Errorf("%s is not in the table", line)
		}
	}
}
