package claim_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fadeledger/analytics"
	"fadeledger/analytics/claim"
)

func hb5() analytics.Model {
	floor := analytics.SoC(30)
	return analytics.Model{Name: "HB-5", Chemistry: "LFP", Rated: 5_200_000, RatedCharge: 101_600, MaxPower: 2_600_000, Floor: &floor}
}

// script writes the record of a test minute by minute: so many minutes of rest
// while full, then a discharge at 1,040 W (a fifth of 5.2 kWh an hour) that
// reads 3 % from the last of its minutes on.
type script struct {
	rest, minutes int
	power         float64 // 1040 where it is zero
	soc           float64 // at rest; 100 where it is zero
	temp          float64 // 25 where it is zero
	skip          func(minute int) bool
	change        func(minute int, power, soc, temp *float64)
}

func (s script) csv() []byte {
	var b strings.Builder
	b.WriteString("time,power_w,soc_pct,cell_temp_c\n")
	or := func(v, otherwise float64) float64 {
		if v == 0 {
			return otherwise
		}
		return v
	}
	for m := range s.rest + s.minutes + 1 {
		power, soc, temp := 0.0, or(s.soc, 100), or(s.temp, 25)
		if done := m - s.rest; done > 0 {
			power = -or(s.power, 1040)
			soc = 100 - 97*float64(done)/float64(s.minutes)
		}
		if s.change != nil {
			s.change(m, &power, &soc, &temp)
		}
		if s.skip == nil || !s.skip(m) {
			fmt.Fprintf(&b, "%d,%.3f,%.1f,%.2f\n", 1_896_163_200+60*m, power, soc, temp)
		}
	}
	return []byte(b.String())
}

func tested(t *testing.T, s script, change func(p *claim.Procedure)) claim.TestResult {
	t.Helper()
	record, err := claim.ParseTest(s.csv())
	if err != nil {
		t.Fatal(err)
	}
	p := claim.DefaultProcedure(hb5())
	if change != nil {
		change(&p)
	}
	start := claim.Date(20_485) // 1 February 2026
	terms := &claim.Terms{Years: 10, Retained: []claim.RetainedPoint{{Year: 0, Pct: "100"}, {Year: 10, Pct: "70"}}}
	// 1 February 2030 is 1,461 days on: 88 % are promised.
	return claim.EvaluateTest(record, p, claim.Tested{Model: hb5(), Terms: terms, Start: &start, Day: start + 1461})
}

// TestCapacityTestByHand: 60 min of rest, then 1,040 W for 251 samples a minute
// apart. The first pair is a triangle, 1,040 × 60/3,600/2 = 8.667 Wh; each of
// the other 250 is 17.333 Wh: together 4,341.917 Wh.
//
// Standard uncertainties: power 1 % = 43.41917/√3 = 25.06807; offset 2 W over
// 251 min = 8.366667/√3 = 4.83050; start 8.667/√3 = 5.00390; end 17.333/√3 =
// 10.00721; state of charge 1 % of 5,200 = 52/√3 = 30.02221 Wh. The squares are
// 628.408 + 23.334 + 25.039 + 100.144 + 901.333 = 1,678.258, the root 40.9666,
// twice that 81.933 Wh.
//
// A new unit gives 97 % of 5,200 = 5,044 Wh between the limits; 88 % of that are
// 4,438.72. 4,341.917 + 81.933 = 4,423.850 is less: below.
func TestCapacityTestByHand(t *testing.T) {
	got := tested(t, script{rest: 60, minutes: 251}, nil)
	if !got.Valid || len(got.Faults) > 0 {
		t.Fatalf("not valid: %v", got.Faults)
	}
	if got.Energy != 4_341_917_000 || got.Reference != 5_044_000_000 || got.EndedBy != "soc" {
		t.Errorf("energy %d of %d µWh, ended by %q", got.Energy, got.Reference, got.EndedBy)
	}
	want := map[string]analytics.MicrowattHours{"power": 25_068_070, "offset": 4_830_500, "start": 5_003_900, "end": 10_007_210, "state of charge": 30_022_210}
	for _, c := range got.Components {
		if d := c.Standard - want[c.Source]; d < -50 || d > 50 {
			t.Errorf("%s: %d µWh, worked %d", c.Source, c.Standard, want[c.Source])
		}
		delete(want, c.Source)
	}
	if len(want) > 0 {
		t.Errorf("components missing: %v", want)
	}
	if d := got.Expanded - 81_933_000; d < -1000 || d > 1000 {
		t.Errorf("expanded uncertainty %d µWh, worked 81,933 mWh", got.Expanded)
	}
	if got.Promised == nil || *got.Promised != "88" || got.Verdict != claim.Below {
		t.Errorf("promised %v, verdict %q", got.Promised, got.Verdict)
	}
	// 4,341.917 Wh in 251 min are 1,037.9 W: 0.1996 C.
	if got.MeanRate < 199_590 || got.MeanRate > 199_610 {
		t.Errorf("mean rate %d", got.MeanRate)
	}
}

// Each minute more gives 17.333 Wh. Above needs 4,438.72 + U: with U from 82 to
// 84 Wh, 4,341.917 + 17.333 n ≥ 4,522 from n = 11 on (4,532.6); 4,438.72 - U is
// passed from n = 1 on (4,359.3 + 82.2 = 4,441).
func TestVerdictByLength(t *testing.T) {
	for minutes, want := range map[int]claim.Verdict{251: claim.Below, 252: claim.Inside, 257: claim.Inside, 261: claim.Inside, 262: claim.Above, 280: claim.Above} {
		if got := tested(t, script{rest: 60, minutes: minutes}, nil); got.Verdict != want {
			t.Errorf("%d minutes: %q (%d ± %d µWh), want %q", minutes, got.Verdict, got.Energy, got.Expanded, want)
		}
	}
}

func TestProcedureNotHeld(t *testing.T) {
	at := func(from, to int, f func(power, soc, temp *float64)) func(int, *float64, *float64, *float64) {
		return func(m int, power, soc, temp *float64) {
			if m >= from && m <= to {
				f(power, soc, temp)
			}
		}
	}
	for name, test := range map[string]struct {
		script script
		want   []string
	}{
		"held":                     {script{rest: 60, minutes: 280}, nil},
		"rest a minute short":      {script{rest: 59, minutes: 280}, []string{"rest"}},
		"not full":                 {script{rest: 60, minutes: 280, soc: 98.9}, []string{"full"}},
		"just full":                {script{rest: 60, minutes: 280, soc: 99}, nil},
		"rest disturbed":           {script{rest: 60, minutes: 280, change: at(30, 30, func(p, _, _ *float64) { *p = 200 })}, []string{"rest"}},
		"no discharge":             {script{rest: 60, minutes: 0}, []string{"discharge"}},
		"too slow":                 {script{rest: 60, minutes: 280, power: 980}, []string{"rate"}},
		"slow within tolerance":    {script{rest: 60, minutes: 280, power: 988}, nil},
		"too fast":                 {script{rest: 60, minutes: 280, power: 1093}, []string{"rate"}},
		"off for five minutes":     {script{rest: 60, minutes: 280, change: at(100, 104, func(p, _, _ *float64) { *p = -900 })}, nil},
		"off for six minutes":      {script{rest: 60, minutes: 280, change: at(100, 105, func(p, _, _ *float64) { *p = -900 })}, []string{"rate"}},
		"ramp":                     {script{rest: 60, minutes: 280, change: at(61, 62, func(p, _, _ *float64) { *p = -700 })}, nil},
		"too cold":                 {script{rest: 60, minutes: 280, temp: 19.99}, []string{"temperature"}},
		"coldest allowed":          {script{rest: 60, minutes: 280, temp: 20}, nil},
		"too warm at one sample":   {script{rest: 60, minutes: 280, change: at(200, 200, func(_, _, c *float64) { *c = 30.01 })}, []string{"temperature"}},
		"gap":                      {script{rest: 60, minutes: 280, skip: func(m int) bool { return m == 200 }}, []string{"gap"}},
		"stopped early":            {script{rest: 60, minutes: 280, change: at(200, 400, func(p, soc, _ *float64) { *p, *soc = 0, 50 })}, []string{"end"}},
		"record ends early":        {script{rest: 60, minutes: 280, skip: func(m int) bool { return m > 300 }}, []string{"end"}},
		"several at once":          {script{rest: 10, minutes: 280, temp: 35, power: 900}, []string{"rest", "rate", "temperature"}},
		"gap in the rest":          {script{rest: 90, minutes: 280, skip: func(m int) bool { return m == 60 }}, []string{"rest"}},
		"gap long before the rest": {script{rest: 130, minutes: 280, skip: func(m int) bool { return m == 60 }}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			got := tested(t, test.script, nil)
			var checks []string
			for _, f := range got.Faults {
				checks = append(checks, f.Check)
				if f.Sentence == "" || f.Remedy == "" {
					t.Errorf("%s: says nothing", f.Check)
				}
			}
			if diff := cmp.Diff(test.want, checks); diff != "" {
				t.Errorf("faults (-want +got):\n%s%v", diff, got.Faults)
			}
			if got.Valid != (len(test.want) == 0) || got.Valid == (got.Verdict == "") {
				t.Errorf("valid %v, verdict %q", got.Valid, got.Verdict)
			}
		})
	}
}

// TestEndByVoltage: the voltage falls to the end while the unit still reads
// 20 %. The reference is the whole rated energy then, and the state of charge
// adds no uncertainty; voltage and current do.
func TestEndByVoltage(t *testing.T) {
	var b strings.Builder
	b.WriteString("\ufefftime,current_a,voltage_v,soc_frac,cell_temp_f,note\r\n")
	for m := range 331 {
		current, voltage, soc := 0.0, 54.0, 1.0
		if m > 60 {
			current, voltage, soc = -20, 52, 1-0.8*float64(m-60)/270
		}
		if m == 330 {
			voltage = 44
		}
		fmt.Fprintf(&b, "%d,%.1f,%.1f,%.3f,77,\"a, b\"\r\n", 1_896_163_200_000+int64(m)*60_000, current, voltage, soc)
	}
	record, err := claim.ParseTest([]byte(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	p := claim.DefaultProcedure(hb5())
	p.EndVoltage = 44_000
	p.MostOutside = 20_000
	got := claim.EvaluateTest(record, p, claim.Tested{Model: hb5(), Day: 20_500})
	// 20 A × 52 V = 1,040 W. First pair 8.667, 268 pairs of 17.333, and the last
	// one from 1,040 to 880 W: 960 × 60/3,600 = 16 Wh: 4,669.911 Wh.
	if !got.Valid || got.EndedBy != "voltage" || got.Energy != 4_669_911_000 || got.Reference != 5_200_000_000 {
		t.Errorf("valid %v %v, ended by %q, %d of %d µWh", got.Valid, got.Faults, got.EndedBy, got.Energy, got.Reference)
	}
	var sources []string
	for _, c := range got.Components {
		sources = append(sources, c.Source)
	}
	if diff := cmp.Diff([]string{"voltage", "current", "offset", "start", "end"}, sources); diff != "" {
		t.Errorf("components (-want +got):\n%s", diff)
	}
	if got.Verdict != "" || got.Promised != nil {
		t.Errorf("a verdict %q without terms", got.Verdict)
	}
}

func TestParseTestProblems(t *testing.T) {
	const head = "time,power_w,soc_pct,cell_temp_c\n"
	const good = "2026-03-01T12:00:00Z,0,100,25\n2026-03-01T12:01:00Z,0,100,25\n"
	for name, test := range map[string]struct{ data, want string }{
		"empty":               {"", "no header; begin the file with a line that names its columns"},
		"header alone":        {head, "fewer than two rows; hand in the whole record of the test"},
		"no time":             {"power_w,soc_pct,cell_temp_c\n", "line 1: time: missing; add the column time"},
		"no charge level":     {"time,power_w,cell_temp_c\n", "line 1: soc_pct: missing; add the charge level in percent"},
		"no temperature":      {"time,power_w,soc_pct\n", "line 1: cell_temp_c: missing; add the cell temperature in °C"},
		"current alone":       {"time,current_a,soc_pct,cell_temp_c\n", "line 1: power_w: missing; add the power in W, or current_a and voltage_v"},
		"two powers":          {"time,power_w,power_kw,soc_pct,cell_temp_c\n", "line 1: power_kw: gives a quantity for the second time; keep one of both columns"},
		"local time":          {head + good + "2026-03-01 12:02,0,100,25\n", `line 4: time: "2026-03-01 12:02" is not a time; write 2026-03-01T12:00:00Z, or epoch seconds`},
		"decimal comma":       {head + good + "2026-03-01T12:02:00Z,0,99,5,25\n", "line 4: 5 fields, the header has 4; give every row a field for every column; a decimal comma must be a point"},
		"quoted comma":        {head + good + "2026-03-01T12:02:00Z,0,\"99,5\",25\n", `line 4: soc_pct: "99,5" is not usable; give a number in the unit of the column, with a decimal point`},
		"empty cell":          {head + good + "2026-03-01T12:02:00Z,,100,25\n", `line 4: power_w: "" is not usable; give a number in the unit of the column, with a decimal point`},
		"over 100 %":          {head + good + "2026-03-01T12:02:00Z,0,100.1,25\n", `line 4: soc_pct: "100.1" is not usable; give a number in the unit of the column, with a decimal point`},
		"not a number":        {head + good + "2026-03-01T12:02:00Z,NaN,100,25\n", `line 4: power_w: "NaN" is not usable; give a number in the unit of the column, with a decimal point`},
		"exponent":            {head + good + "2026-03-01T12:02:00Z,1e3,100,25\n", `line 4: power_w: "1e3" is not usable; give a number in the unit of the column, with a decimal point`},
		"same time twice":     {head + good + "2026-03-01T12:01:00Z,0,100,25\n", "line 4: time: not after the row before; sort the rows by time and leave out repeated ones"},
		"backwards":           {head + good + "2026-03-01T11:00:00Z,0,100,25\n", "line 4: time: not after the row before; sort the rows by time and leave out repeated ones"},
		"quote left open":     {head + good + "\"2026-03-01T12:02:00Z,0,100,25\n", "line 4: not readable as CSV: extraneous or missing \" in quoted-field; write a quote inside a quoted field twice, and close every quote"},
		"longer than a month": {head + good + "2026-04-02T12:02:00Z,0,100,25\n", "line 4: time: more than 31 days after the first row; hand in the record of the test alone"},
		"two wrong at once":   {head + good + "2026-03-01T12:02:00Z,x,y,25\n", "line 4: power_w: \"x\" is not usable; give a number in the unit of the column, with a decimal point\nline 4: soc_pct: \"y\" is not usable; give a number in the unit of the column, with a decimal point"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := claim.ParseTest([]byte(test.data))
			if err == nil || err.Error() != test.want {
				t.Errorf("got  %v\nwant %s", err, test.want)
			}
		})
	}
}

func TestParseTestStopsAfterMany(t *testing.T) {
	data := "time,power_w,soc_pct,cell_temp_c\n" + strings.Repeat("x,0,100,25\n", 1000)
	_, err := claim.ParseTest([]byte(data))
	if problems, ok := err.(claim.Problems); !ok || len(problems) != 20 {
		t.Errorf("%T with %v", err, len(problems))
	}
}

func FuzzParseTest(f *testing.F) {
	f.Add(script{rest: 1, minutes: 2}.csv())
	f.Add([]byte("time,current_a,voltage_v,soc_frac,cell_temp_f\n1900000000,1,2,0.5,77\n1900000060,1,2,0.5,77\n"))
	f.Add([]byte("\ufefftime\r\n\"\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := claim.ParseTest(data)
		if err != nil {
			return
		}
		for i, s := range r.Samples {
			if i > 0 && s.Time <= r.Samples[i-1].Time || s.SoC < 0 || s.SoC > 1000 {
				t.Fatalf("sample %d: %+v", i, s)
			}
		}
		got := claim.EvaluateTest(r, claim.DefaultProcedure(hb5()), claim.Tested{Model: hb5(), Day: 20_500})
		if _, err := claim.Canonical(got); err != nil {
			t.Fatal(err)
		}
	})
}
