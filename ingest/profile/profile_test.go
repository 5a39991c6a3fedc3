package profile_test

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/ingest/profile"
)

func load(t *testing.T, name string) *profile.Profile {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	p, err := profile.Parse(name, text)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestParseReadsEveryKey(t *testing.T) {
	t.Parallel()
	p := load(t, "every-key.yaml")
	if p.Zone == nil || p.Zone.String() != "Europe/Helsinki" {
		t.Errorf("zone: %v", p.Zone)
	}
	p.Zone = nil
	want := &profile.Profile{
		Name: "every-key.yaml", Unit: "HB5-00000017", UnitPrefix: "HB5-", UnitLength: 12, Rank: 1,
		Delimiter: ';', DecimalComma: true, Charset: profile.Windows1252, DateOrder: profile.DayMonthYear,
		PowerIsMean: true, NumbersAsText: true, KeepSensorDefaults: true, Absent: []string{"n/a", "-"},
		Ignore: []string{"Status"},
		Fields: []profile.Mapping{
			{From: []string{"Temp"}, Column: profile.Column{Field: profile.Temp, Conv: profile.Linear{Num: 10, Add: -4000, Den: 1}}},
			{From: []string{"joules_in"}, Column: profile.Column{Field: profile.Charge, Conv: profile.Linear{Num: 5, Den: 18}}},
			{From: []string{"Leistung"}, Column: profile.Column{Field: profile.Power, Conv: profile.Linear{Num: -1000, Den: 1}}},
			{From: []string{"SoC", "SoC [%]"}, Column: profile.Column{Field: profile.SoC, Conv: profile.Linear{Num: 10, Den: 1}}},
			{From: []string{"Zeit"}, Column: profile.Column{Field: profile.Time, Conv: profile.Linear{Num: 1, Den: 1}}},
		},
	}
	if !reflect.DeepEqual(p, want) {
		t.Errorf("got  %+v\nwant %+v", p, want)
	}
}

func TestParseReadsRelativeTime(t *testing.T) {
	t.Parallel()
	p := load(t, "lab-cycler.yaml")
	if p.Time != profile.TimeRelativeSeconds || p.Start != 1767571200000 || p.Unit != "CELL-A2" {
		t.Errorf("got %+v", p)
	}
	col, verdict := p.Lookup("time_s")
	if verdict != profile.Known || col.Field != profile.Time || col.Conv != (profile.Linear{Num: 1000, Den: 1}) {
		t.Errorf("time_s: %+v %v", col, verdict)
	}
	if col, verdict = p.Lookup("voltage_v"); verdict != profile.Known || col.Field != profile.Voltage {
		t.Errorf("a header that the profile does not name lost its meaning: %+v %v", col, verdict)
	}
}

func TestEmptyTextIsThePlainContract(t *testing.T) {
	t.Parallel()
	for name, text := range map[string]string{"nothing": "", "comment": "# nothing set\n", "empty map": "{}\n"} {
		p, err := profile.Parse("plain", []byte(text))
		if err != nil || !reflect.DeepEqual(p, &profile.Profile{Name: "plain"}) {
			t.Errorf("%s: %+v, %v", name, p, err)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	t.Parallel()
	cases := map[string]struct{ text, want string }{
		"an unknown key, with its line":      {"rank: 1\nranck: 2\n", "[2:1] unknown field"},
		"an unknown key of a field":          {"fields:\n  soc_pct:\n    form: x\n", "[3:5] unknown field"},
		"a key twice":                        {"rank: 1\nrank: 2\n", "[2:1]"},
		"a second document":                  {"rank: 1\n---\nrank: 2\n", "more than one document"},
		"a rank out of range":                {"rank: 300\n", "rank"},
		"a field that telemetry lacks":       {"fields:\n  volume_l: {from: v}\n", "no field of telemetry"},
		"milli or mega":                      {"fields:\n  power_mw: {from: p}\n", "milli or mega"},
		"one quantity twice":                 {"fields:\n  soc_pct: {from: a}\n  soc_frac: {from: b}\n", "same quantity"},
		"one header for two fields":          {"fields:\n  soc_pct: {from: a}\n  power_w: {from: a}\n", "named by"},
		"a header that is used and ignored":  {"fields:\n  soc_pct: {from: a}\nignore: [a]\n", "named by"},
		"a scale of zero":                    {"fields:\n  soc_pct: {scale: 0}\n", "zero"},
		"a scale that is no number":          {"fields:\n  soc_pct: {scale: ten}\n", "no number"},
		"a scale with a huge exponent":       {"fields:\n  soc_pct: {scale: 1e999999}\n", "out of range"},
		"a scale with too many digits":       {"fields:\n  soc_pct: {scale: 1e60}\n", "too many digits"},
		"a scale for the unit":               {"fields:\n  unit: {scale: 2}\n", "takes no scale"},
		"a sign that is none":                {"fields:\n  power_w: {sign: minus}\n", "same, flipped"},
		"a decimal comma with commas":        {"decimal_comma: true\n", "decimal_comma"},
		"a delimiter of a letter":            {"delimiter: x\n", "delimiter"},
		"a zone that does not exist":         {"zone: Europe/Atlantis\n", "Europe/Atlantis"},
		"the zone of the machine":            {"zone: Local\n", "IANA"},
		"a relative time without a start":    {"time_is: relative-s\n", "start"},
		"a start without relative time":      {"start: 2026-01-05T00:00:00Z\n", "start"},
		"a start without zone":               {"time_is: relative-s\nstart: 2026-01-05 00:00:00\n", "RFC 3339"},
		"a unit against its own rule":        {"unit: XY-1\nunit_prefix: HB5-\n", "serial"},
		"a unit with blanks":                 {"unit: XY 1\n", "serial"},
		"a length out of range":              {"unit_length: -1\n", "unit_length"},
		"a kind of time that does not exist": {"time_is: julian\n", "relative-s"},
		"a charset that is not read":         {"charset: ebcdic\n", "windows-1252"},
		"a list where a map is expected":     {"- unit\n", "list.yaml"},
		"a list with a tag of its own":       {"absent: !x y\n", "YAML"},
		"a thousand lists in a line":         {"absent:\n  " + strings.Repeat("- ", 1000) + "x", "nested deeper"},
		"a thousand brackets":                {"absent: " + strings.Repeat("[", 1000), "nested deeper"},
		"more than the limit":                {"# " + strings.Repeat("x", profile.MaxBytes), "larger"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p, err := profile.Parse("list.yaml", []byte(c.text))
			if err == nil {
				t.Fatalf("accepted: %+v", p)
			}
			if !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "profile list.yaml: ") {
				t.Errorf("got %q, want it to say %q", err, c.want)
			}
		})
	}
}

func TestLookup(t *testing.T) {
	t.Parallel()
	plain := (*profile.Profile)(nil)
	cases := map[string]struct {
		field   profile.Field
		verdict profile.Verdict
	}{
		"unit": {profile.Unit, profile.Known}, "time": {profile.Time, profile.Known},
		"cell_temp_f": {profile.Temp, profile.Known}, "cell_temp_max_k": {profile.TempMax, profile.Known},
		"power_mw": {profile.NoField, profile.Ambiguous}, "charge_mwh": {profile.NoField, profile.Ambiguous},
		"SoC_pct": {profile.SoC, profile.OtherCase}, " time": {profile.Time, profile.OtherCase},
		"humidity_pct": {profile.NoField, profile.Unknown}, "": {profile.NoField, profile.Unknown},
	}
	for name, want := range cases {
		if col, verdict := plain.Lookup(name); col.Field != want.field || verdict != want.verdict {
			t.Errorf("%q: got %v %v, want %v %v", name, col.Field, verdict, want.field, want.verdict)
		}
	}
	if col, verdict := load(t, "lab-cycler.yaml").Lookup("step"); col.Field != profile.NoField || verdict != profile.Known {
		t.Errorf("an ignored header: %v %v", col.Field, verdict)
	}
}

func TestCheckSerial(t *testing.T) {
	t.Parallel()
	plain := (*profile.Profile)(nil)
	strict := &profile.Profile{UnitPrefix: "HB5-", UnitLength: 8}
	cases := map[string]struct {
		p    *profile.Profile
		text string
		want profile.SerialFault
	}{
		"letters, digits, signs": {plain, "HB5-0017/A:2_x.9", profile.SerialOK},
		"digits only":            {plain, "000123456789", profile.SerialOK},
		"digits with an e":       {plain, "12E4", profile.SerialOK},
		"nothing":                {plain, "", profile.SerialEmpty},
		"a scientific number":    {plain, "1.23E+11", profile.SerialMangled},
		"day and month":          {plain, "2-Mar", profile.SerialMangled},
		"month and year":         {plain, "Mar-02", profile.SerialMangled},
		"a part like a month":    {plain, "MAR-02551", profile.SerialOK},
		"a Cyrillic A":           {plain, "HB5-\u0410017", profile.SerialCharacters},
		"a formula":              {plain, "=1+1", profile.SerialCharacters},
		"a blank inside":         {plain, "HB5 0017", profile.SerialCharacters},
		"65 characters":          {plain, strings.Repeat("x", 65), profile.SerialTooLong},
		"the rule kept":          {strict, "HB5-0017", profile.SerialOK},
		"another prefix":         {strict, "HB6-0017", profile.SerialPrefix},
		"a zero lost":            {strict, "HB5-017", profile.SerialLength},
	}
	for name, c := range cases {
		if got := c.p.CheckSerial(c.text); got != c.want {
			t.Errorf("%s: %q gives %v, want %v", name, c.text, got, c.want)
		}
	}
}

func TestPow10(t *testing.T) {
	t.Parallel()
	cases := []struct {
		in       profile.Linear
		places   int
		negative bool
		ok       bool
	}{
		{profile.Linear{Num: 1000, Den: 1}, 3, false, true},
		{profile.Linear{Num: -1, Den: 100}, -2, true, true},
		{profile.Linear{Num: 500, Add: -16000, Den: 9}, 0, false, false},
		{profile.Linear{Num: 5, Den: 1}, 0, false, false},
		{profile.Linear{}, 0, false, false},
	}
	for _, c := range cases {
		places, negative, ok := c.in.Pow10()
		if ok != c.ok || ok && (places != c.places || negative != c.negative) {
			t.Errorf("%+v: got %d %v %v", c.in, places, negative, ok)
		}
	}
}

// A text is what stands in the file, never the number that YAML sees in it.
func TestTextsStayAsWritten(t *testing.T) {
	t.Parallel()
	cases := map[string]analytics.Serial{
		"000123": "000123", "0x10": "0x10", "1e5": "1e5", "0b11": "0b11", "0o17": "0o17", "true": "true",
		"2026-01-05": "2026-01-05", "'0017'": "0017", `"HB5\u002d1"`: "HB5-1", "~": "", "HB5-1 # the first": "HB5-1",
	}
	for text, want := range cases {
		p, err := profile.Parse("texts", []byte("unit: "+text+"\n"))
		if err != nil || p.Unit != want {
			t.Errorf("unit: %s gives %+v, %v; want %q", text, p, err, want)
		}
	}
	p, err := profile.Parse("texts", []byte("absent: [-999, 0x8000, 1.0, 'n/a']\nignore:\n  - 007\nfields:\n  soc_pct: {from: 0123, scale: 010}\n"))
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(append(append(p.Absent, p.Ignore...), p.Fields[0].From...), " "); got != "-999 0x8000 1.0 n/a 007 0123" {
		t.Errorf("texts %q", got)
	}
	if p.Fields[0].Column.Conv.Num != 100 {
		t.Errorf("a scale of 010 gives %+v", p.Fields[0].Column.Conv)
	}
}

func FuzzParse(f *testing.F) {
	for _, name := range []string{"every-key.yaml", "lab-cycler.yaml"} {
		text, err := os.ReadFile(filepath.Join("testdata", name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Add([]byte("fields: {soc_pct: {scale: 1e-9, offset: 1/7}}"))
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := profile.Parse("fuzz", text)
		if err != nil {
			return
		}
		for _, m := range p.Fields {
			if m.Column.Conv.Den <= 0 || m.Column.Conv.Num == 0 || len(m.From) == 0 {
				t.Errorf("a mapping that cannot convert: %+v", m)
			}
		}
		if p.Unit != "" && p.CheckSerial(string(p.Unit)) != profile.SerialOK {
			t.Errorf("a fixed unit %q that is no serial", p.Unit)
		}
	})
}
