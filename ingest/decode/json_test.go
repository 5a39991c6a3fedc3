package decode_test

import (
	"fmt"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/ingest/decode"
)

func TestBadSamplesOfJSON(t *testing.T) {
	t.Parallel()
	const ok = `"unit":"HB5-1","time":1767571200`
	many := make([]string, 2000)
	for i := range many {
		many[i] = fmt.Sprintf(`"k%d":1`, i)
	}
	cases := map[string]struct{ profile, object, field, reason string }{
		"a key twice":               {"", `{` + ok + `,"soc_pct":50,"soc_pct":51}`, "soc_pct", decode.ReasonDuplicateKey},
		"a key twice, with escapes": {"", `{` + ok + `,"soc_pct":50,"soc\u005fpct":51}`, "soc_pct", decode.ReasonDuplicateKey},
		"a key twice, null first":   {"", `{` + ok + `,"soc_pct":null,"soc_pct":51}`, "soc_pct", decode.ReasonDuplicateKey},
		"an unknown key twice":      {"", `{` + ok + `,"x":1,"x":2}`, "x", decode.ReasonDuplicateKey},
		"a field in two units":      {"", `{` + ok + `,"soc_pct":50,"soc_frac":0.5}`, "soc_frac", decode.ReasonDuplicateField},
		"a field by two names":      {"fields: {soc_pct: {from: soc}}", `{` + ok + `,"soc_pct":50,"soc":50}`, "soc", decode.ReasonDuplicateField},
		"another case":              {"", `{` + ok + `,"SoC_pct":50}`, "SoC_pct", decode.ReasonKeyCase},
		"a blank in a key":          {"", `{` + ok + `,"soc_pct ":50}`, "soc_pct ", decode.ReasonKeyCase},
		"milli or mega":             {"", `{` + ok + `,"power_mw":50}`, "power_mw", decode.ReasonAmbiguousUnit},
		"a number as text":          {"", `{` + ok + `,"soc_pct":"50"}`, "soc_pct", decode.ReasonNumberAsText},
		"an empty text":             {"", `{` + ok + `,"soc_pct":""}`, "soc_pct", decode.ReasonNumberAsText},
		"not a number, as text":     {"", `{` + ok + `,"soc_pct":"NaN"}`, "soc_pct", decode.ReasonNumberNotFinite},
		"an epoch as text":          {"", `{"unit":"HB5-1","time":"1767571200"}`, "time", decode.ReasonNumberAsText},
		"grouping in allowed text":  {"numbers_as_text: true", `{` + ok + `,"power_w":"1,250"}`, "power_w", decode.ReasonNumberAmbiguous},
		"a list":                    {"", `{` + ok + `,"soc_pct":[50]}`, "soc_pct", decode.ReasonTypeMismatch},
		"a truth":                   {"", `{` + ok + `,"soc_pct":false}`, "soc_pct", decode.ReasonTypeMismatch},
		"a unit that is a number":   {"", `{"unit":100234,"time":1767571200}`, "unit", decode.ReasonTypeMismatch},
		"a unit that is null":       {"", `{"unit":null,"time":1767571200}`, "unit", decode.ReasonMissingUnit},
		"a time that is null":       {"", `{"unit":"HB5-1","time":null}`, "time", decode.ReasonMissingTime},
		"a time that is a truth":    {"", `{"unit":"HB5-1","time":true}`, "time", decode.ReasonTypeMismatch},
		"no unit":                   {"", `{"time":1767571200}`, "unit", decode.ReasonMissingUnit},
		"no unit, foreign name":     {"fields: {unit: {from: serial}}", `{"time":1767571200}`, "serial", decode.ReasonMissingUnit},
		"nothing":                   {"", `{}`, "unit", decode.ReasonMissingUnit},
		"half a surrogate":          {"", `{"unit":"HB5-\ud800","time":1767571200}`, "unit", decode.ReasonJSONSurrogate},
		"a surrogate turned round":  {"", `{"unit":"\udc00\ud800","time":1767571200}`, "unit", decode.ReasonJSONSurrogate},
		"a look-alike, escaped":     {"", `{"unit":"HB5-\u0410","time":1767571200}`, "unit", decode.ReasonSerialCharacters},
		"a bad escape":              {"", `{"unit":"HB5-\x41","time":1767571200}`, "unit", decode.ReasonJSONSyntax},
		"no UTF-8":                  {"", "{\"unit\":\"HB5-\xff\",\"time\":1767571200}", "unit", decode.ReasonUTF8Invalid},
		"a text without measure":    {"", `{"unit":"` + strings.Repeat("x", 5000) + `","time":1767571200}`, "unit", decode.ReasonFieldTooLong},
		"keys without measure":      {"", `{` + ok + `,` + strings.Join(many, ",") + `}`, "", decode.ReasonTooManyKeys},
		"another unit than fixed":   {"unit: HB5-2", `{` + ok + `}`, "unit", decode.ReasonUnitMismatch},
		"a number for a sample":     {"", `17`, "", decode.ReasonNotAnObject},
		"a list for a sample":       {"", `[1,2]`, "", decode.ReasonNotAnObject},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			opt := decode.Options{Profile: parseProfile(t, c.profile)}
			bodies := map[string]string{
				"array": `[` + c.object + `,{"unit":"HB5-2","time":1767571260,"soc_pct":1}]`,
				"lines": c.object + "\n" + `{"unit":"HB5-2","time":1767571260,"soc_pct":1}` + "\n",
			}
			for form, body := range bodies {
				if opt.ContentType = "application/json"; form == "lines" {
					opt.ContentType = "application/x-ndjson"
				}
				k, rep := read(t, body, opt)
				if len(k.problems) != 1 || k.problems[0].Reason != c.reason || k.problems[0].Field != c.field || k.problems[0].Line != 1 {
					t.Fatalf("%s: got %+v, want %s of %q", form, k.problems, c.reason, c.field)
				}
				if len(k.problems[0].Raw) < decode.MaxRawBytes && string(k.problems[0].Raw) != c.object {
					t.Errorf("%s: kept %q", form, k.problems[0].Raw)
				}
				if rep.Accepted != 1 || k.rows[0].Line != 2 || k.rows[0].Serial != "HB5-2" {
					t.Errorf("%s: the next sample was lost: %+v", form, k.rows)
				}
			}
		})
	}
}

func TestBrokenLinesOfJSON(t *testing.T) {
	t.Parallel()
	const good = `{"unit":"HB5-1","time":1767571200,"soc_pct":50}`
	cases := map[string]struct{ line, reason string }{
		"cut":                      {`{"unit":"HB5-1","time":17675`, decode.ReasonJSONSyntax},
		"two objects":              {good + good, decode.ReasonJSONTrailing},
		"a word behind":            {good + " x", decode.ReasonJSONTrailing},
		"single quotes":            {`{'unit':'HB5-1'}`, decode.ReasonJSONSyntax},
		"no colon":                 {`{"unit" "HB5-1"}`, decode.ReasonJSONSyntax},
		"a comma more":             {`{"unit":"HB5-1",}`, decode.ReasonJSONSyntax},
		"a control character":      {"{\"unit\":\"HB5\t1\"}", decode.ReasonJSONSyntax},
		"a comment":                {`{/* */"unit":"HB5-1"}`, decode.ReasonJSONSyntax},
		"no value":                 {`{"unit":,"time":1}`, decode.ReasonJSONSyntax},
		"nested too deep":          {`{"x":` + strings.Repeat(`{"x":`, 9) + "1" + strings.Repeat("}", 10), decode.ReasonJSONDepth},
		"longer than a row may be": {`{"x":"` + strings.Repeat("y", 1<<20) + `"}`, decode.ReasonLineTooLong},
		"a bracket closed wrong":   {`{"unit":"HB5-1","x":[1}]`, decode.ReasonJSONSyntax},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			body := good + "\n" + c.line + "\n\n" + good + "\n"
			k, _ := read(t, body, decode.Options{ContentType: "application/x-ndjson"})
			if len(k.rows) != 2 || len(k.problems) != 1 {
				t.Fatalf("rows %+v, problems %+v", k.rows, k.problems)
			}
			p := k.problems[0]
			if p.Reason != c.reason || p.Line != 2 || k.rows[1].Line != 4 || len(p.Raw) == 0 || !strings.HasPrefix(c.line, string(p.Raw)) {
				t.Errorf("got %s at line %d (%s), last row at line %d", p.Reason, p.Line, p.Message, k.rows[1].Line)
			}
		})
	}
}

// The form of JSON is told by the first bytes when nobody says it.
func TestFormOfJSONIsTold(t *testing.T) {
	t.Parallel()
	const good = `{"unit":"HB5-1","time":1767571200,"soc_pct":50}`
	cases := map[string]struct {
		body, format string
		rows         int
	}{
		"lines":                     {good + "\n" + good, "ndjson", 2},
		"lines, the first is wrong": {`{"unit" 1}` + "\n" + good, "ndjson", 1},
		"one object":                {good + "\n\n", "json", 1},
		"one object over lines":     {"{\n" + good[1:], "json", 1},
		"an array":                  {"[" + good + ",\n" + good + "]", "json", 2},
		"an empty array":            {"[ ]", "json", 0},
		"an envelope":               {"{\"version\":{\"a\":[1]},\"samples\":[" + good + "]}", "envelope", 1},
		"an empty envelope":         {`{"samples":[]}`, "envelope", 0},
	}
	for name, c := range cases {
		k, rep := read(t, c.body, decode.Options{})
		if rep.Format != c.format || len(k.rows) != c.rows {
			t.Errorf("%s: %s with %d rows, want %s with %d", name, rep.Format, len(k.rows), c.format, c.rows)
		}
	}
}

// Zero is a value, null and a missing key are none.
func TestZeroIsNotAbsent(t *testing.T) {
	t.Parallel()
	k, _ := read(t, `[{"unit":"a","time":1767571200,"soc_pct":0,"power_w":null},{"unit":"a","time":1767571260,"power_w":-0.0}]`, decode.Options{})
	if k.rows[0].Sample.Has != analytics.HasSoC || k.rows[1].Sample.Has != analytics.HasPower {
		t.Errorf("%+v", k.rows)
	}
}

// An array larger than the window is read in pieces.
func TestLargeArray(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	b.WriteString(`{"collector":"c-07","samples":[`)
	for i := range 20_000 {
		if i > 0 {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, `{"unit":"HB5-%d","time":%d,"soc_pct":%d.5,"note":"%s"}`, i%7, 1767571200+i, i%100, strings.Repeat("z", i%90))
	}
	b.WriteString(`],"batch":"b-1"}`)
	k, rep := read(t, b.String(), decode.Options{})
	if rep.Accepted != 20_000 || rep.Batch != "b-1" || rep.Noted(decode.NoteUnknownColumn) != 20_000 {
		t.Fatalf("%+v", rep)
	}
	for i, row := range k.rows {
		if row.Line != i+1 || row.Sample.Time != analytics.Instant(1767571200+i)*1000 || row.Sample.SoC != analytics.SoC(i%100*10+5) {
			t.Fatalf("row %d: %+v", i, row)
		}
	}
}

// A line may have blanks behind its object, but not without end: such a
// delivery would fail whenever it is read.
func TestBlanksBehindALine(t *testing.T) {
	t.Parallel()
	const object = `{"unit":"HB5-1","time":1767571200}`
	for name, c := range map[string]struct {
		behind string
		reason string
	}{
		"some":                     {strings.Repeat(" ", 60_000), ""},
		"a lot":                    {strings.Repeat(" ", 300_000), decode.ReasonLineTooLong},
		"a lot and something more": {strings.Repeat(" ", 300_000) + "x", decode.ReasonLineTooLong},
	} {
		k, _ := read(t, object+c.behind+"\n"+object+"\n", decode.Options{ContentType: "application/x-ndjson"})
		switch {
		case c.reason == "" && (len(k.rows) != 2 || len(k.problems) != 0),
			c.reason != "" && (len(k.rows) != 1 || k.rows[0].Line != 2 || len(k.problems) != 1 || k.problems[0].Reason != c.reason):
			t.Errorf("%s: rows %+v, problems %+v", name, k.rows, k.problems)
		}
	}
}
