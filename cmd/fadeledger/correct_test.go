package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestSettleAndCorrect settles a dispute and replaces a span, as a person does
// on the command line, and finds both in the ledger and in the history.
func TestSettleAndCorrect(t *testing.T) {
	ts := newService(t)
	ts.startWorker(t)
	ts.registerUnits(t, "HB5-000017")
	send := func(name, rows string) {
		t.Helper()
		file := filepath.Join(t.TempDir(), name+".csv")
		if err := os.WriteFile(file, []byte("unit,time,soc_pct\n"+rows), 0o600); err != nil {
			t.Fatal(err)
		}
		err := (loadCmd{server: ts.server(), Files: []string{file}, Collector: name}).Run(t.Context())
		var nothing *exitError // where all of it is in dispute
		if err != nil && !errors.As(err, &nothing) {
			t.Fatal(err)
		}
	}
	ledger := func() (l struct{ Samples, Conflicts, Superseded int64 }) {
		decodeJSON(t, ts.get(t, ledgerPath("HB5-000017")), &l)
		return l
	}
	row := func(minute, soc int) string {
		return fmt.Sprintf("HB5-000017,2026-05-01T12:%02d:00Z,%d\n", minute, soc)
	}
	send("c-1", row(0, 40)+row(5, 45)+row(10, 50))
	send("c-2", row(5, 46))
	if l := ledger(); l.Samples != 2 || l.Conflicts != 1 {
		t.Fatalf("ledger %+v", l)
	}
	at := time.Date(2026, 5, 1, 12, 5, 0, 0, time.UTC)
	settle := settleCmd{server: ts.server(), Why: "the gateway's log", Unit: "HB5-000017", Time: at, Version: 3}
	if err := settle.Run(t.Context()); err == nil || !strings.Contains(err.Error(), "versions 1 to 2") {
		t.Errorf("a third version is chosen: %v", err)
	}
	settle.Version = 2
	if err := settle.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if l := ledger(); l.Samples != 3 || l.Conflicts != 0 || l.Superseded != 2 {
		t.Errorf("after settling: %+v", l)
	}
	if err := settle.Run(t.Context()); err == nil || !strings.Contains(err.Error(), "no dispute") {
		t.Errorf("it is settled twice: %v", err)
	}
	file := filepath.Join(t.TempDir(), "right.csv")
	if err := os.WriteFile(file, []byte("unit,time,soc_pct\n"+row(1, 41)+row(2, 42)), 0o600); err != nil {
		t.Fatal(err)
	}
	correct := correctCmd{
		server: ts.server(), Why: settle.Why, Unit: "HB5-000017", File: file, From: at.Add(-5 * time.Minute), To: at.Add(time.Minute),
	}
	if err := correct.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if l := ledger(); l.Samples != 3 || l.Superseded != 3 {
		t.Errorf("after the correction: %+v", l)
	}
	send("c-3", row(3, 90)) // comes late into the span
	if l := ledger(); l.Samples != 3 || l.Superseded != 4 {
		t.Errorf("after a late sample: %+v", l)
	}
	if err := os.WriteFile(file, []byte("unit,time,soc_pct\n"+row(1, 41)+strings.Replace(row(2, 42), ",42", ",4x", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := correct.Run(t.Context()); err == nil || !strings.Contains(err.Error(), "line 3") || !strings.Contains(err.Error(), "soc_pct") {
		t.Errorf("a bad row: %v", err)
	}
	var history struct{ Corrections []struct{ By, Why string } }
	decodeJSON(t, ts.get(t, "/api/v1/units/HB5-000017/corrections"), &history)
	if len(history.Corrections) != 2 || history.Corrections[1].By != "tests" {
		t.Errorf("history %+v", history)
	}
	b, err := ts.db.Balance(t.Context())
	if err != nil || len(b.Differences) > 0 {
		t.Errorf("the books: %+v, %v", b, err)
	}
}

// TestReleaseByCommand mends a profile and brings rows back by reason.
func TestReleaseByCommand(t *testing.T) {
	ts := newService(t)
	ts.startWorker(t)
	file := filepath.Join(t.TempDir(), "early.csv")
	if err := os.WriteFile(file, []byte("unit,time,soc_pct\nHB5-000018,2026-05-01T12:00:00Z,40\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	err := (loadCmd{server: ts.server(), Files: []string{file}, Collector: "c-1"}).Run(t.Context())
	if err == nil {
		t.Fatal("a file of which nothing counts passes")
	}
	rows := ts.quarantine(t)
	if len(rows) != 1 || rows[0].Reason != "unknown-unit" {
		t.Fatalf("quarantine %+v", rows)
	}
	if err := (heldCmd{server: ts.server()}).Run(t.Context()); err != nil {
		t.Error(err)
	}
	release := releaseCmd{server: ts.server(), IDs: []int64{rows[0].ID}}
	if err := release.Run(t.Context()); err != nil || len(ts.quarantine(t)) != 1 {
		t.Errorf("a unit that is still not registered: %v, %+v", err, ts.quarantine(t))
	}
	if err := (releaseCmd{server: ts.server()}).Run(t.Context()); err == nil {
		t.Error("nothing is named, and yet something is released")
	}
	ts.registerUnits(t, "HB5-000018")
	eventually(t, "the row to be counted", func() error {
		if n := len(ts.quarantine(t)); n > 0 {
			return fmt.Errorf("%d rows are held", n)
		}
		return nil
	})
	if err := release.Run(t.Context()); err != nil {
		t.Errorf("released twice: %v", err)
	}
}
