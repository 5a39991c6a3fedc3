package decode

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"reflect"
	"strings"
	"testing"

	"fadeledger/ingest/profile"
)

// record keeps what a delivery holds.
type recorder struct {
	rows     []Row
	problems []Problem
}

func (r *recorder) Row(row Row) error       { r.rows = append(r.rows, row); return nil }
func (r *recorder) Problem(p Problem) error { r.problems = append(r.problems, p); return nil }

// dribble gives a text in small pieces of changing size, so that rows, numbers
// and line ends meet the end of the window everywhere.
type dribble struct {
	rest []byte
	n    int
}

func (d *dribble) Read(p []byte) (int, error) {
	if len(d.rest) == 0 {
		return 0, io.EOF
	}
	d.n = d.n%7 + 1
	n := copy(p[:min(d.n, len(p))], d.rest)
	d.rest = d.rest[n:]
	return n, nil
}

// outcome is what one way of reading makes of a delivery.
type outcome struct {
	recorder
	rep Report
	err error
	// line is the last physical line.
	line int
}

// decodeBoth reads a delivery the fast way, the careful way and in small
// pieces, and checks what must hold for every delivery.
func decodeBoth(t *testing.T, body []byte, opt Options) outcome {
	t.Helper()
	run := func(careful bool, r io.Reader) outcome {
		var o outcome
		d := New(opt)
		d.careful = careful
		o.rep, o.err = d.Decode(context.Background(), r, &o.recorder)
		o.line = d.line
		if o.err != nil {
			// How far a source was read when it was given up says nothing.
			o.rep.PackedBytes, o.rep.RawBytes = 0, 0
		}
		return o
	}
	fast := run(false, &sliceReader{body})
	if slow := run(true, &sliceReader{body}); !reflect.DeepEqual(fast, slow) {
		t.Errorf("fast and careful differ:\n%+v\n%+v", fast, slow)
	}
	if small := run(false, &dribble{rest: body}); !reflect.DeepEqual(fast, small) {
		t.Errorf("at once and in small pieces differ:\n%+v\n%+v", fast, small)
	}
	if !fast.rep.Balanced() || fast.rep.Accepted != int64(len(fast.rows)) || fast.rep.Quarantined() != int64(len(fast.problems)) {
		t.Errorf("read %d, accepted %d, problems %v", fast.rep.Read, fast.rep.Accepted, fast.rep.Problems)
	}
	checkWords(t, fast)
	checkAgain(t, fast.problems, opt)
	return fast
}

// checkWords checks that everything is explained, and values are in range.
func checkWords(t *testing.T, o outcome) {
	t.Helper()
	known := map[string]bool{}
	for _, r := range Reasons() {
		known[r.Code] = true
	}
	var refused *Refused
	if o.err != nil && (!errors.As(o.err, &refused) || !known[refused.Reason] || refused.Message == "" || refused.Remedy == "") {
		t.Errorf("an error that is no refusal, or is not explained: %v", o.err)
	}
	for _, p := range o.problems {
		if !known[p.Reason] || p.Remedy == "" || p.Message == "" || len(p.Raw) > MaxRawBytes || p.Line < 1 {
			t.Errorf("problem %+v", p)
		}
	}
	for _, row := range o.rows {
		if s := row.Sample; row.Serial == "" || row.Line < 1 || s.Time < clockDefault || s.SoC < 0 || s.SoC > 1000 {
			t.Errorf("row %+v", row)
		}
	}
	if len(o.rep.Notes) > 2*maxDetails {
		t.Errorf("%d notes", len(o.rep.Notes))
	}
}

// checkAgain reads every kept row alone: it must be one row still, so that it
// can be released.
func checkAgain(t *testing.T, problems []Problem, opt Options) {
	t.Helper()
	for i, p := range problems {
		if i == 20 {
			return
		}
		if p.RawCut {
			continue
		}
		if _, _, err := Again(context.Background(), p.Header, p.Raw, opt); err != nil {
			t.Errorf("line %d (%s) cannot be read alone: %v: %q", p.Line, p.Reason, err, p.Raw)
		}
	}
}

// plainText reports whether a delivery was read as the bytes that it is.
func plainText(rep *Report) bool {
	return rep.Noted(NoteUTF16) == 0 && rep.Noted(NoteWindows1252) == 0 && rep.Noted(NotePackedDetected) == 0
}

// checkCSVLines checks that every line of a CSV delivery is accounted for, as
// header, blank, comment, row or problem.
func checkCSVLines(t *testing.T, body []byte, o outcome) {
	t.Helper()
	if o.err != nil || !plainText(&o.rep) {
		return
	}
	lines := bytes.Count(body, []byte{'\n'})
	if len(body) > 0 && body[len(body)-1] != '\n' && !bytes.Equal(body, []byte("\xef\xbb\xbf")) {
		lines++
	}
	if o.line != lines {
		t.Errorf("%d lines gone through, %d in it", o.line, lines)
	}
	sum := 1 + o.rep.Noted(NoteHeaderRepeated) + o.rep.Blank + o.rep.Comments + o.rep.Read
	if quoted := bytes.IndexByte(body, '"') >= 0; sum > int64(lines) || !quoted && sum != int64(lines) {
		t.Errorf("%d lines, of which %d are accounted for: %+v", lines, sum, o.rep)
	}
	// A line begins one row or problem at most.
	taken := map[int]bool{}
	take := func(line int) {
		if taken[line] || line > lines {
			t.Errorf("line %d twice, or behind the end", line)
		}
		taken[line] = true
	}
	for _, r := range o.rows {
		take(r.Line)
	}
	for _, p := range o.problems {
		take(p.Line)
	}
}

func FuzzCSV(f *testing.F) {
	bad, err := os.ReadFile("../../testdata/bad-input/twenty-bad-rows.csv")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(bad[:3000], false)
	f.Add([]byte("unit,time,soc_pct,x\r\n\"a\",2026-01-05T00:00:00.5Z,50,\"q\"\"\nq\"\r\na,1767571200,1e1,\n"), false)
	f.Add([]byte("unit;time;soc_frac;cell_temp_f\na;2026-01-05 10:00;0,5;-40\n"), true)
	f.Add([]byte("# a\nunit,time\n\"a\","+strings.Repeat(" ", 5000)+"\na,\"x\n"+strings.Repeat("\n", 5000)), false)
	f.Add([]byte("# a\nunit,time,power_w,voltage_v\na,2026-01-05T00:00:00Z,1,2\nunit,time,power_w,voltage_v\n,,,\na,\"x\ny\",\n\"open\n1\n"), false)
	f.Fuzz(func(t *testing.T, body []byte, foreign bool) {
		opt := Options{ContentType: "text/csv", MaxUnpackedBytes: 1 << 20, MaxLineBytes: 5000}
		if foreign {
			p, err := profile.Parse("fuzz", []byte("{delimiter: ;, decimal_comma: true, zone: Europe/Helsinki, date_order: dmy, rank: 2}"))
			if err != nil {
				t.Fatal(err)
			}
			opt.Profile = p
		}
		if bytes.HasPrefix(body, []byte("#")) {
			opt.MaxLineBytes = smallLine
		}
		checkCSVLines(t, body, decodeBoth(t, body, opt))
	})
}

// smallLine is a limit at which inputs of a few kilobytes fill the window.
const smallLine = 200

// checkJSONCount compares the number of samples with that of the standard
// library's reading.
func checkJSONCount(t *testing.T, body []byte, o outcome) {
	t.Helper()
	if o.err != nil || !plainText(&o.rep) || o.rep.Noted(NoteBOM) > 0 {
		return
	}
	switch o.rep.Format {
	case "json":
		var list []json.RawMessage
		if json.Unmarshal(body, &list) == nil && int64(len(list)) != o.rep.Read {
			t.Errorf("%d samples, %d read", len(list), o.rep.Read)
		}
	case "envelope":
		var e map[string]json.RawMessage
		var list []json.RawMessage
		if json.Unmarshal(body, &e) == nil && (json.Unmarshal(e["samples"], &list) != nil || int64(len(list)) != o.rep.Read) {
			t.Errorf("%d samples, %d read", len(list), o.rep.Read)
		}
	case "ndjson":
		n := int64(0)
		for _, line := range bytes.Split(body, []byte{'\n'}) {
			if len(bytes.Trim(line, " \t\r")) == 0 {
				continue
			}
			if n++; !json.Valid(line) {
				return
			}
		}
		if n != o.rep.Read {
			t.Errorf("%d lines, %d read", n, o.rep.Read)
		}
	}
}

func FuzzJSON(f *testing.F) {
	f.Add([]byte(`[{"unit":"a","time":1767571200,"soc_pct":50.5},{"unit":"a","time":"2026-01-05T00:00:00Z","x":[{}]}]`), uint8(0))
	f.Add([]byte("{\"unit\":\"a\",\"time\":1767571200,\"power_w\":-1e2}\n{\"unit\":\"\\u0061\",\"time\":null}\n{]\n"), uint8(1))
	f.Add([]byte(`{"collector":"c","batch":"b","samples":[{"unit":"a","time":1767571200,"soc_pct":NaN}]}`), uint8(2))
	f.Add([]byte(`{"unit":"\ud83d\ude00","time":"1767571200","soc_pct":"5","x":{"y":[[[1,2,"]"]]]}}`), uint8(3))
	blanks := strings.Repeat(" ", 6000)
	f.Add([]byte("{\"unit\":\"a\",\"time\":1767571200}"+blanks+"\n{\"unit\":\"a\",\"time\":1767571200}\n"), uint8(64))
	f.Add([]byte("[{\"unit\":\"a\","+blanks+"\"time\":1767571200}"+blanks+",{}]"), uint8(64+2))
	f.Add([]byte("{\"batch\":"+blanks+"\"b\",\"samples\":["+blanks+"{}]}"+blanks), uint8(64+2))
	f.Fuzz(func(t *testing.T, body []byte, form uint8) {
		types := []string{"application/json", "application/x-ndjson", ""}
		opt := Options{ContentType: types[int(form)%3], MaxUnpackedBytes: 1 << 20, MaxLineBytes: 5000}
		if form >= 128 {
			opt.Profile = &profile.Profile{NumbersAsText: true, Absent: []string{"-"}}
		}
		if form&64 != 0 {
			opt.MaxLineBytes = smallLine
		}
		got := decodeBoth(t, body, opt)
		if got.rep.Format == "csv" {
			checkCSVLines(t, body, got)
			return
		}
		checkJSONCount(t, body, got)
		// One value without problems is JSON for the standard library, too.
		if got.err == nil && got.rep.Format != "ndjson" && len(got.problems) == 0 && plainText(&got.rep) &&
			got.rep.Noted(NoteBOM) == 0 && got.rep.Noted(NoteUnknownColumn) == 0 && !json.Valid(body) {
			t.Errorf("accepted what is no JSON: %q", body)
		}
	})
}
