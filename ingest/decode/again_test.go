package decode_test

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"fadeledger/ingest/decode"
)

// A kept row is in UTF-8 already, whatever the file was.
func TestAgainDoesNotConvertTwice(t *testing.T) {
	t.Parallel()
	strict := decode.Options{Profile: parseProfile(t, "{charset: windows-1252, fields: {cell_temp_c: {from: cell °C}}}")}
	k, _ := read(t, "unit,time,cell \xb0C\nHB5-1,2026-07-01 12:00,21\n", strict)
	if len(k.problems) != 1 || k.problems[0].Reason != decode.ReasonTimeWithoutZone {
		t.Fatalf("%+v", k.problems)
	}
	p := k.problems[0]
	mended := decode.Options{Profile: parseProfile(t, "{charset: windows-1252, zone: UTC, fields: {cell_temp_c: {from: cell °C}}}")}
	row, problem, err := decode.Again(context.Background(), p.Header, p.Raw, mended)
	if err != nil || problem != nil || row.Sample.Temp != 2100 {
		t.Errorf("%+v, %+v, %v", row, problem, err)
	}
}

// A row that was cut must not come back: its last value may be cut too, and
// then it is another value.
func TestAgainRefusesARowThatWasCut(t *testing.T) {
	t.Parallel()
	const head = "unit,time,remark,soc_pct\n"
	for size := decode.MaxRawBytes - 40; size < decode.MaxRawBytes+40; size++ {
		row := "HB5-1,2026-07-01 12:00:00,,55.5"
		row = strings.Replace(row, ",,", ","+strings.Repeat("x", size-len(row))+",", 1)
		k, _ := read(t, head+row+"\n", decode.Options{})
		if len(k.problems) != 1 || k.problems[0].RawCut != (size >= decode.MaxRawBytes) {
			t.Fatalf("%d bytes: %d problems, cut %v", size, len(k.problems), k.problems[0].RawCut)
		}
		p := k.problems[0]
		got, problem, err := decode.Again(context.Background(), p.Header, p.Raw, decode.Options{Profile: parseProfile(t, "zone: UTC")})
		switch {
		case err != nil:
			t.Errorf("%d bytes: %v", size, err)
		case p.RawCut && (problem == nil || problem.Reason != decode.ReasonLineTooLong || problem.Remedy == ""):
			t.Errorf("%d bytes: came back as %+v, %+v", size, got, problem)
		case !p.RawCut && (problem != nil || got.Sample.SoC != 555):
			t.Errorf("%d bytes: %+v, %+v", size, got, problem)
		}
	}
}

// Bytes for which a file would be refused are a problem of a row alone.
func TestAgainTakesARowAsARow(t *testing.T) {
	t.Parallel()
	for raw, reason := range map[string]string{
		"\x00\x00\x00": decode.ReasonNULByte, "<html>": decode.ReasonFieldCount, "PK\x03\x04": decode.ReasonFieldCount, "[1]": decode.ReasonFieldCount,
	} {
		_, problem, err := decode.Again(context.Background(), []byte("unit,time"), []byte(raw), decode.Options{})
		if err != nil || problem == nil || problem.Reason != reason {
			t.Errorf("%q: %+v, %v", raw, problem, err)
		}
	}
}

// A bad line is kept whole wherever the reading had come to when it was found
// bad.
func TestABadLineIsKeptWhole(t *testing.T) {
	t.Parallel()
	const bad = `{"unit":"HB5-1" "time":1767571200,"remark":"the rest of the line, which is in memory later"}`
	var body strings.Builder
	n := 0
	for body.Len() < 200_000 {
		fmt.Fprintf(&body, "{\"unit\":\"HB5-%d\",\"time\":1767571200}\n%s\n", n, bad)
		n++
	}
	k, _ := read(t, body.String(), decode.Options{})
	if len(k.rows) != n || len(k.problems) != n {
		t.Fatalf("%d rows and %d problems, want %d", len(k.rows), len(k.problems), n)
	}
	for _, p := range k.problems {
		if string(p.Raw) != bad || p.RawCut {
			t.Fatalf("line %d is kept as %q", p.Line, p.Raw)
		}
	}
}

// However many columns are unknown, the other notes are told.
func TestManyUnknownColumnsHideNoNote(t *testing.T) {
	t.Parallel()
	var head strings.Builder
	head.WriteString("\ufeffunit,time")
	for i := range 150 {
		fmt.Fprintf(&head, ",x%d", i)
	}
	row := "HB5-1,1767571200.5" + strings.Repeat(",", 150) + "\n"
	_, rep := read(t, head.String()+"\n"+row+strings.TrimPrefix(head.String(), "\ufeff")+"\n", decode.Options{})
	for _, code := range []decode.NoteCode{decode.NoteBOM, decode.NoteHeaderRepeated, decode.NoteTimeFraction} {
		if rep.Noted(code) != 1 {
			t.Errorf("note %s ×%d, want 1", code, rep.Noted(code))
		}
	}
	if len(rep.Notes) > 110 {
		t.Errorf("%d notes", len(rep.Notes))
	}
}
