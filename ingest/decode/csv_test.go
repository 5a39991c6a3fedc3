package decode_test

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"testing"
	"testing/iotest"

	"fadeledger/analytics"
	"fadeledger/ingest/decode"
)

// one is the row of most cases below.
var one = decode.Row{
	Serial: "HB5-1",
	Sample: analytics.Sample{Time: 1767571200000, Has: analytics.HasSoC | analytics.HasPower, SoC: 505, Power: -1250000},
}

func TestOneSampleInManyForms(t *testing.T) {
	t.Parallel()
	const head, row = "unit,time,soc_pct,power_w\n", "HB5-1,2026-01-05T00:00:00Z,50.5,-1250\n"
	const line = `{"unit":"HB5-1","time":"2026-01-05T00:00:00Z","soc_pct":50.5,"power_w":-1250}`
	both := string(gzipped(t, head)) + string(gzipped(t, row))
	cases := map[string]struct {
		body, profile string
		opt           decode.Options
		notes         string // codes, in order
	}{
		"plain":                    {body: head + row},
		"CRLF":                     {body: strings.ReplaceAll(head+row, "\n", "\r\n")},
		"no last line end":         {body: head + strings.TrimSpace(row)},
		"any order":                {body: "power_w,time,soc_pct,unit\n-1250,2026-01-05T00:00:00Z,50.5,HB5-1\n"},
		"quoted":                   {body: "\"unit\",\"time\",\"soc_pct\",\"power_w\"\r\n\"HB5-1\",\"2026-01-05T00:00:00Z\",\"50.5\",\"-1250\"\r\n"},
		"quoted, no last line end": {body: head + `HB5-1,2026-01-05T00:00:00Z,50.5,"-1250"`},
		"other units":              {body: "unit,time,soc_frac,power_kw\nHB5-1,1767571200,0.505,-1.25\n"},
		"an empty cell is absent":  {body: "unit,time,soc_pct,power_w,cell_temp_c,charge_kwh\nHB5-1,1767571200,50.5,-1250,,\n"},
		"a byte-order mark":        {body: "\xef\xbb\xbf" + head + row, notes: "bom-stripped"},
		"UTF-16, low byte first":   {body: "\xff\xfe" + utf16Bytes(head+row, false), notes: "utf-16"},
		"UTF-16, high byte first":  {body: "\xfe\xff" + utf16Bytes(head+row, true), notes: "utf-16"},
		"UTF-16 of JSON":           {body: "\xff\xfe" + utf16Bytes(line, false), notes: "utf-16"},
		"gzip":                     {body: string(gzipped(t, head+row)), opt: decode.Options{ContentEncoding: "gzip"}},
		"gzip, not announced":      {body: string(gzipped(t, head+row)), notes: "packed-detected"},
		"gzip in two members":      {body: both, opt: decode.Options{ContentEncoding: "gzip"}},
		"zstd":                     {body: string(zstded(t, head+row)), opt: decode.Options{ContentEncoding: "zstd"}},
		"zstd, not announced":      {body: string(zstded(t, line)), notes: "packed-detected"},
		"mixed line ends":          {body: "unit,time,soc_pct,power_w\r\n" + row, notes: "mixed-line-ends"},
		"an unknown column":        {body: "unit,time,soc_pct,power_w,colour\n" + strings.TrimSpace(row) + ",red\n", notes: "unknown-column"},
		"no UTF-8 where unused":    {body: "unit,time,soc_pct,power_w,colour\n" + strings.TrimSpace(row) + ",\xe9\n", notes: "unknown-column utf8-invalid-unused"},
		"a formula where unused":   {body: "unit,time,soc_pct,power_w,colour\n" + strings.TrimSpace(row) + ",=1+1\n", notes: "unknown-column"},
		"blanks around values":     {body: head + " HB5-1 ,2026-01-05T00:00:00Z,\u00a050.5\u200b,-1250\n", notes: "blanks-trimmed"},
		"comments and blank lines": {body: "# made by hand\nsep=,\n\n" + head + "\n# half time\n" + row + ",,,\n"},
		"the header again":         {body: head + row + head, notes: "header-repeated"},
		"two files joined":         {body: head + row + "\xef\xbb\xbf" + head, notes: "header-repeated bom-inside"},
		"semicolon and comma":      {body: "unit;time;soc_pct;power_w\nHB5-1;1767571200;50,5;-1250,0\n", profile: "{delimiter: ;, decimal_comma: true}"},
		"tabs":                     {body: strings.ReplaceAll(head+row, ",", "\t"), profile: "delimiter: tab"},
		"Windows-1252": {body: "unit,time,SoC [%],Power \xb0,soc_text\nHB5-1,1767571200,50.5,1.25,\x80\n",
			profile: "{charset: windows-1252, fields: {soc_pct: {from: 'SoC [%]'}, power_kw: {from: Power °, sign: flipped}}, ignore: [soc_text]}",
			notes:   "windows-1252"},
		"foreign names and signs": {body: "serial,t,soc,p\nHB5-1,1767571200,505,12500\n",
			profile: "fields: {unit: {from: serial}, time: {from: t}, soc_pct: {from: soc, scale: 0.1}, power_w: {from: p, scale: 0.1, sign: flipped}}"},
		"a fixed unit":            {body: "time,soc_pct,power_w\n1767571200,50.5,-1250\n", profile: "unit: HB5-1"},
		"a fixed unit, carried":   {body: head + row, profile: "unit: HB5-1"},
		"texts for no value":      {body: "unit,time,soc_pct,power_w,voltage_v\nHB5-1,1767571200,50.5,-1250,-999\n", profile: "absent: ['-999']"},
		"JSON object":             {body: line},
		"JSON, announced":         {body: line, opt: decode.Options{ContentType: "application/json; charset=utf-8"}},
		"JSON array":              {body: "[" + line + "]"},
		"JSON lines":              {body: line + "\n", opt: decode.Options{ContentType: "application/x-ndjson"}},
		"JSON lines, CRLF":        {body: "\r\n" + line + "\r\n\r\n", opt: decode.Options{ContentType: "application/x-ndjson"}},
		"JSON over lines":         {body: strings.ReplaceAll("\n "+line, ",", " ,\n\t ")},
		"JSON, other order":       {body: `[{"power_w":-1.25e3,"time":1767571200000,"soc_pct":50.50,"unit":"HB5-1"}]`},
		"JSON, null is absent":    {body: `{"unit":"HB5-1","time":1767571200,"soc_pct":50.5,"power_w":-1250,"cell_temp_c":null,"charge_kwh":null}`},
		"JSON, escapes":           {body: `{"\u0075nit":"HB5\u002d1","time":"2026-01-05T00:00:00Z","soc_pct":50.5,"power_w":-1250}`},
		"JSON, unknown keys":      {body: `{"unit":"HB5-1","x":{"a":[1,{}],"b":"}"},"time":1767571200,"soc_pct":50.5,"power_w":-1250}`, notes: "unknown-column"},
		"JSON, foreign names":     {body: `[{"s":"HB5-1","t":1767571200,"soc_pct":50.5,"power_w":-1250}]`, profile: "fields: {unit: {from: s}, time: {from: t}}"},
		"JSON, numbers as text":   {body: `[{"unit":"HB5-1","time":"1767571200","soc_pct":"50.5","power_w":-1250}]`, profile: "numbers_as_text: true", notes: "number-as-text"},
		"JSON, text for no value": {body: `[{"unit":"HB5-1","time":1767571200,"soc_pct":50.5,"power_w":-1250,"voltage_v":"n/a"}]`, profile: "absent: [n/a]"},
		"JSON, a fixed unit":      {body: `[{"time":1767571200,"soc_pct":50.5,"power_w":-1250}]`, profile: "unit: HB5-1"},
		"envelope":                {body: `{"collector":"c-07","batch":"b\u00e9","samples":[` + line + `]}`},
		"envelope, other order":   {body: ` { "samples" : [ ` + line + ` ] , "x" : {"y": 1} , "batch" : "bé", "collector" : "c-07" } `, notes: "unknown-column"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			opt := c.opt
			if c.profile != "" {
				opt.Profile = parseProfile(t, c.profile)
			}
			k, rep := read(t, c.body, opt)
			if len(k.rows) != 1 || len(k.problems) != 0 {
				t.Fatalf("rows %+v, problems %+v", k.rows, k.problems)
			}
			if got := k.rows[0]; got.Serial != one.Serial || got.Sample != one.Sample {
				t.Errorf("got %+v, want %+v", got, one)
			}
			var notes []string
			for _, n := range rep.Notes {
				notes = append(notes, string(n.Code))
			}
			if got := strings.Join(notes, " "); got != c.notes {
				t.Errorf("notes %q, want %q", got, c.notes)
			}
			if strings.HasPrefix(name, "envelope") && (rep.Collector != "c-07" || rep.Batch != "bé" || rep.Format != "envelope") {
				t.Errorf("envelope of %q, %q, format %s", rep.Collector, rep.Batch, rep.Format)
			}
			// The same bytes in pieces of one give the same row.
			var slow kept
			if _, err := decode.Decode(context.Background(), iotest.OneByteReader(strings.NewReader(c.body)), opt, &slow); err != nil || len(slow.rows) != 1 || slow.rows[0] != k.rows[0] {
				t.Errorf("byte by byte: %+v, %v", slow, err)
			}
		})
	}
}

func TestBadRowsOfCSV(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		profile, row, field, reason string
	}{
		"another unit than fixed":     {"unit: HB5-2", "HB5-1,1767571200,50,", "unit", decode.ReasonUnitMismatch},
		"a serial too short":          {"unit_length: 8", "HB5-1,1767571200,50,", "unit", decode.ReasonSerialLength},
		"a serial of another make":    {"unit_prefix: HB6", "HB5-1,1767571200,50,", "unit", decode.ReasonSerialPrefix},
		"a serial that is a date":     {"", "2-Mar,1767571200,50,", "unit", decode.ReasonSerialMangled},
		"a serial that is a formula":  {"", "=1+1,1767571200,50,", "unit", decode.ReasonSerialCharacters},
		"a serial that is no UTF-8":   {"", "HB5-\xff,1767571200,50,", "unit", decode.ReasonUTF8Invalid},
		"a serial that is empty":      {"", "\"\",1767571200,50,", "unit", decode.ReasonMissingUnit},
		"text behind a quoted cell":   {"", `"HB5-1"x,1767571200,50,`, "", decode.ReasonQuoteBare},
		"the last line is cut":        {"", "HB5-1,17675", "", decode.ReasonLineCut},
		"a decimal point":             {"{delimiter: ;, decimal_comma: true}", "HB5-1;1767571200;50.5;", "soc_pct", decode.ReasonNumberAmbiguous},
		"points as grouping":          {"{delimiter: ;, decimal_comma: true}", "HB5-1;1767571200;50;1.250,5", "power_w", decode.ReasonNumberGrouping},
		"two commas":                  {"{delimiter: ;, decimal_comma: true}", "HB5-1;1767571200;50;1,250,5", "power_w", decode.ReasonNumberGrouping},
		"a Cyrillic letter in 1252":   {"charset: windows-1252", "HB5-\xc0,1767571200,50,", "unit", decode.ReasonSerialCharacters},
		"an unassigned byte of 1252":  {"charset: windows-1252", "HB5-\x81,1767571200,50,", "unit", decode.ReasonSerialCharacters},
		"a byte-order mark in a cell": {"", "HB5-1,1767571200,5\ufeff0,", "soc_pct", decode.ReasonNumberUnreadable},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			head := "unit,time,soc_pct,power_w\n"
			if strings.Contains(c.profile, "delimiter") {
				head = strings.ReplaceAll(head, ",", ";")
			}
			k, _ := read(t, head+c.row, decode.Options{Profile: parseProfile(t, c.profile)})
			if len(k.problems) != 1 || k.problems[0].Reason != c.reason || k.problems[0].Field != c.field || k.problems[0].Line != 2 {
				t.Errorf("got %+v %+v, want %s of %q", k.rows, k.problems, c.reason, c.field)
			}
		})
	}
}

func TestRowsAfterAnOpenQuoteAreKept(t *testing.T) {
	t.Parallel()
	body := "unit,time,soc_pct\nHB5-1,1767571200,\"50\n"
	for i := range 4000 { // far more than a record may hold
		body += fmt.Sprintf("HB5-1,%d,50\n", 1767571260+60*i)
	}
	k, rep := read(t, body, decode.Options{})
	if rep.Accepted != 4000 || len(k.problems) != 1 || k.problems[0].Reason != decode.ReasonQuoteOpen || k.problems[0].Line != 2 {
		t.Errorf("accepted %d, problems %+v", rep.Accepted, k.problems)
	}
	if last := k.rows[3999]; last.Line != 4002 {
		t.Errorf("last row at line %d", last.Line)
	}
}

func TestLongLinesAreKeptInPart(t *testing.T) {
	t.Parallel()
	long := "HB5-1,1767571200," + strings.Repeat("9", 1<<20)
	k, _ := read(t, "unit,time,soc_pct\n"+long+"\nHB5-1,1767571260,50\n"+long, decode.Options{})
	if len(k.problems) != 2 || len(k.rows) != 1 || k.rows[0].Line != 3 {
		t.Fatalf("%d problems, rows %+v", len(k.problems), k.rows)
	}
	for i, line := range []int{2, 4} {
		p := k.problems[i]
		if p.Line != line || p.Reason != decode.ReasonLineTooLong || !p.RawCut || string(p.Raw) != long[:decode.MaxRawBytes] {
			t.Errorf("line %d: %s, %d bytes", p.Line, p.Reason, len(p.Raw))
		}
	}
}

func TestRankAndIntervalMeanComeFromTheProfile(t *testing.T) {
	t.Parallel()
	opt := decode.Options{Profile: parseProfile(t, "{rank: -3, power_is: interval-mean}")}
	k, _ := read(t, "unit,time,soc_pct,power_w,current_a,voltage_v\na,1767571200,50,1,,\na,1767571260,50,,2,\na,1767571320,50,,2,50\na,1767571380,50,,,\n", opt)
	for i, mean := range []bool{true, false, true, false} {
		if s := k.rows[i].Sample; s.Rank != -3 || (s.Has&analytics.PowerIsMean != 0) != mean {
			t.Errorf("row %d: rank %d, fields %b", i, s.Rank, s.Has)
		}
	}
}

func TestHeaderAloneIsNoted(t *testing.T) {
	t.Parallel()
	_, rep := read(t, "unit,time,soc_pct\n", decode.Options{})
	if rep.Read != 0 || rep.Noted(decode.NoteNoRows) != 1 || string(rep.Header) != "unit,time,soc_pct" {
		t.Errorf("%+v", rep)
	}
}

func TestSignFlipIsReportedNotMended(t *testing.T) {
	t.Parallel()
	var body bytes.Buffer
	body.WriteString("unit,time,soc_pct,power_w,current_a\n")
	for i := range 121 {
		// Unit a charges with positive power, b with negative, c has current only
		// and turns after a few samples, d rests.
		at := 1767571200 + 60*i
		fmt.Fprintf(&body, "a,%d,%d.%d,2000,\n", at, 20+i/10, i%10)
		fmt.Fprintf(&body, "b,%d,%d.%d,-2000,\n", at, 20+i/10, i%10)
		fmt.Fprintf(&body, "c,%d,%d.%d,,-40\n", at, 20+i/10, i%10)
		fmt.Fprintf(&body, "d,%d,%d.%d,0,\n", at, 20+i/10, i%10)
	}
	k, rep := read(t, body.String(), decode.Options{})
	want := []decode.SignFlip{{Serial: "b", Against: 120}, {Serial: "c", Against: 120}}
	if fmt.Sprint(rep.SignFlips) != fmt.Sprint(want) || rep.Noted(decode.NoteSignFlipped) != 2 {
		t.Errorf("got %v, want %v", rep.SignFlips, want)
	}
	if k.rows[1].Sample.Power != -2_000_000 {
		t.Errorf("the sign was changed: %+v", k.rows[1])
	}
	// With the sign mended by the profile nothing is left to report, except for a.
	opt := decode.Options{Profile: parseProfile(t, "fields: {power_w: {sign: flipped}, current_a: {sign: flipped}}")}
	if _, rep = read(t, body.String(), opt); len(rep.SignFlips) != 1 || rep.SignFlips[0].Serial != "a" {
		t.Errorf("got %v", rep.SignFlips)
	}
}

func TestADecoderServesManyDeliveries(t *testing.T) {
	t.Parallel()
	d := decode.New(decode.Options{})
	const csvBody = "unit,time,soc_pct\nHB5-1,1767571200,50\nHB5-1,x,50\n"
	const jsonBody = `[{"unit":"HB5-1","time":1767571200,"soc_pct":50,"y":1},{"unit":"HB5-2","time":"x"}]`
	for _, body := range []string{csvBody, jsonBody, csvBody, "", jsonBody, "\xef\xbb\xbf" + csvBody} {
		var k kept
		rep, err := d.Decode(context.Background(), strings.NewReader(body), &k)
		if body == "" {
			if err == nil {
				t.Error("an empty delivery was accepted")
			}
			continue
		}
		if err != nil || rep.Read != 2 || rep.Accepted != 1 || rep.Problems[decode.ReasonTimeUnreadable] != 1 || !rep.Balanced() {
			t.Errorf("%q: %+v, %v", body, rep, err)
		}
		if (body == jsonBody) != (rep.Noted(decode.NoteUnknownColumn) == 1) {
			t.Errorf("%q: notes %v", body, rep.Notes)
		}
	}
}

// A time in RFC 3339 holds the delimiter here, so that its row has too many
// cells, quotes or not being the difference.
func TestColonAsDelimiter(t *testing.T) {
	t.Parallel()
	opt := decode.Options{Profile: parseProfile(t, `delimiter: ":"`)}
	k, _ := read(t, "unit:time:soc_pct\nHB5-1:1767571200:50\nHB5-1:2026-01-05T00:01:00Z:50\nHB5-1:\"2026-01-05T00:02:00Z\":50\n", opt)
	if len(k.rows) != 2 || len(k.problems) != 1 || k.problems[0].Line != 3 || k.problems[0].Reason != decode.ReasonFieldCount {
		t.Errorf("%+v, %+v", k.rows, k.problems)
	}
}
