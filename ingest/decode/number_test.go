package decode_test

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/ingest/decode"
	"fadeledger/ingest/profile"
)

func TestNumbersAreExact(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("0", 30)
	cases := map[string]struct {
		header, text string
		want         int64 // in the ledger's integers
	}{
		"a whole number":                       {"power_w", "1250", 1_250_000},
		"a fraction":                           {"power_w", "-0.0625", -63},
		"half away from zero":                  {"power_w", "0.0005", 1},
		"half away from zero, below":           {"power_w", "-0.0005", -1},
		"just under a half":                    {"power_w", "0.00049999999999999999999999999999", 0},
		"over a half by the thirtieth digit":   {"power_w", "0.0005" + long + "1", 1},
		"0.1 + 0.2 of a float would differ":    {"charge_kwh", "0.3", 300_000},
		"a float would lose the last mWh":      {"charge_kwh", "999999999.999999", 999_999_999_999_999},
		"a sign":                               {"power_w", "+5", 5000},
		"minus zero":                           {"power_w", "-0", 0},
		"an exponent":                          {"power_w", "1E2", 100_000},
		"a negative exponent":                  {"power_w", "125e-1", 12_500},
		"a huge exponent of zero":              {"power_w", "0e999", 0},
		"a tiny number":                        {"power_w", "1e-999", 0},
		"no digit before the point":            {"power_w", ".5", 500},
		"no digit behind the point":            {"power_w", "5.", 5000},
		"leading zeros":                        {"power_w", "0005", 5000},
		"kilowatts":                            {"power_kw", "-1.2345678", -1_234_568},
		"amperes":                              {"current_a", "-101.6", -101_600},
		"milliamperes":                         {"current_ma", "1500.5", 1501},
		"volts":                                {"voltage_v", "51.234", 51_234},
		"millivolts":                           {"voltage_mv", "51234", 51_234},
		"watt-hours":                           {"discharge_wh", "1234.5678", 1_234_568},
		"percent, half up":                     {"soc_pct", "49.95", 500},
		"a fraction of one":                    {"soc_frac", "0.4995", 500},
		"degrees":                              {"cell_temp_c", "-12.345", -1235},
		"Fahrenheit at the freezing point":     {"cell_temp_f", "32", 0},
		"Fahrenheit, exact":                    {"cell_temp_f", "-13.9", -2550},
		"Fahrenheit, rounded":                  {"cell_temp_f", "71.3", 2183},
		"Fahrenheit, a tie below zero":         {"cell_temp_f", "31.991", -1},
		"Fahrenheit with thirty digits":        {"cell_temp_f", "71.3" + long, 2183},
		"kelvin":                               {"cell_temp_k", "273.15", 0},
		"kelvin below":                         {"cell_temp_k", "250", -2315},
		"the hottest cell, in Fahrenheit":      {"cell_temp_max_f", "212", 10000},
		"state of charge over by little":       {"soc_pct", "100.4", 1000},
		"state of charge under by little":      {"soc_pct", "-0.3", 0},
		"state of charge at the upper allowed": {"soc_pct", "101", 1000},
	}
	for name, c := range cases {
		for _, form := range []string{"csv", "json"} {
			if form == "json" && strings.ContainsAny(c.text[:1], "+.") || strings.HasSuffix(c.text, ".") || strings.HasPrefix(c.text, "000") {
				continue
			}
			body := fmt.Sprintf("unit,time,%s\nHB5-1,1767571200,%s\n", c.header, c.text)
			if form == "json" {
				body = fmt.Sprintf(`{"unit":"HB5-1","time":1767571200,"%s":%s}`, c.header, c.text)
			}
			k, _ := read(t, body, decode.Options{})
			if len(k.rows) != 1 {
				t.Errorf("%s, %s: %+v", name, form, k.problems)
				continue
			}
			if got := only(t, k.rows[0].Sample); got != c.want {
				t.Errorf("%s, %s: %s %s gives %d, want %d", name, form, c.header, c.text, got, c.want)
			}
		}
	}
}

// only gives the one value that a sample carries.
func only(t *testing.T, s analytics.Sample) int64 {
	t.Helper()
	values := map[analytics.Fields]int64{
		analytics.HasSoC: int64(s.SoC), analytics.HasPower: int64(s.Power), analytics.HasCurrent: int64(s.Current),
		analytics.HasVoltage: int64(s.Voltage), analytics.HasTemp: int64(s.Temp), analytics.HasTempMax: int64(s.TempMax),
		analytics.HasCharge: int64(s.Charge), analytics.HasDischarge: int64(s.Discharge),
	}
	v, ok := values[s.Has]
	if !ok {
		t.Errorf("not one field: %b", s.Has)
	}
	return v
}

func TestNumbersThatAreNone(t *testing.T) {
	t.Parallel()
	cases := map[string]struct{ header, text, csv, json string }{
		"words":                {"power_w", "12 W", decode.ReasonNumberUnreadable, ""},
		"a hyphen":             {"power_w", "-", decode.ReasonNumberUnreadable, decode.ReasonNumberUnreadable},
		"hexadecimal":          {"power_w", "0x8000", decode.ReasonNumberUnreadable, decode.ReasonNumberUnreadable},
		"null as text":         {"power_w", "N/A", decode.ReasonNumberUnreadable, ""},
		"not a number":         {"power_w", "NaN", decode.ReasonNumberNotFinite, decode.ReasonNumberNotFinite},
		"infinity":             {"power_w", "-Infinity", decode.ReasonNumberNotFinite, decode.ReasonNumberNotFinite},
		"an error of a sheet":  {"power_w", "#N/A", decode.ReasonNumberNotFinite, ""},
		"a comma":              {"power_w", `"1,234"`, decode.ReasonNumberAmbiguous, decode.ReasonNumberAsText},
		"points and a comma":   {"power_w", `"1.234,56"`, decode.ReasonNumberGrouping, decode.ReasonNumberAsText},
		"quotes as grouping":   {"power_w", "1'234.56", decode.ReasonNumberGrouping, ""},
		"blanks as grouping":   {"power_w", "1 234.5", decode.ReasonNumberGrouping, ""},
		"no-break grouping":    {"power_w", "1\u202f234.5", decode.ReasonNumberGrouping, ""},
		"two points":           {"power_w", "1.2.3", decode.ReasonNumberGrouping, decode.ReasonNumberGrouping},
		"an exponent alone":    {"power_w", "1e", decode.ReasonNumberUnreadable, decode.ReasonNumberUnreadable},
		"a leading zero":       {"power_w", "01", "", decode.ReasonNumberUnreadable},
		"a bare point":         {"power_w", "1.", "", decode.ReasonNumberUnreadable},
		"four hundred digits":  {"power_w", strings.Repeat("7", 400), decode.ReasonNumberTooLong, decode.ReasonNumberTooLong},
		"a huge exponent":      {"power_w", "1e999", decode.ReasonPowerOutOfRange, decode.ReasonPowerOutOfRange},
		"huge in Fahrenheit":   {"cell_temp_f", "1e300", decode.ReasonTempOutOfRange, decode.ReasonTempOutOfRange},
		"huge, unscaled":       {"current_ma", "9223372036854775808", decode.ReasonCurrentOutOfRange, decode.ReasonCurrentOutOfRange},
		"a word":               {"power_w", "true", decode.ReasonNumberUnreadable, decode.ReasonTypeMismatch},
		"an object":            {"power_w", `{"v":1}`, "", decode.ReasonTypeMismatch},
		"no value as 255":      {"soc_pct", "255", decode.ReasonSentinelValue, decode.ReasonSentinelValue},
		"no value as 65535":    {"soc_pct", "65535", decode.ReasonSentinelValue, decode.ReasonSentinelValue},
		"no value as -1":       {"soc_pct", "-1", decode.ReasonSentinelValue, decode.ReasonSentinelValue},
		"charge over":          {"soc_pct", "101.06", decode.ReasonSoCOutOfRange, decode.ReasonSoCOutOfRange},
		"percent as fraction":  {"soc_frac", "55", decode.ReasonSoCOutOfRange, decode.ReasonSoCOutOfRange},
		"power over":           {"power_w", "2000000.001", decode.ReasonPowerOutOfRange, decode.ReasonPowerOutOfRange},
		"current over":         {"current_a", "-10000.5", decode.ReasonCurrentOutOfRange, decode.ReasonCurrentOutOfRange},
		"voltage below zero":   {"voltage_v", "-1", decode.ReasonVoltageOutOfRange, decode.ReasonVoltageOutOfRange},
		"kelvin as Celsius":    {"cell_temp_c", "295", decode.ReasonTempOutOfRange, decode.ReasonTempOutOfRange},
		"a counter below zero": {"charge_kwh", "-0.001", decode.ReasonCounterOutOfRange, decode.ReasonCounterOutOfRange},
		"a counter too high":   {"charge_kwh", "1000000001", decode.ReasonCounterOutOfRange, decode.ReasonCounterOutOfRange},
	}
	for name, c := range cases {
		bodies := map[string]string{
			fmt.Sprintf("unit,time,%s\nHB5-1,1767571200,%s\n", c.header, c.text):          c.csv,
			fmt.Sprintf(`[{"%s":%s,"unit":"HB5-1","time":1767571200}]`, c.header, c.text): c.json,
		}
		for body, want := range bodies {
			if want == "" {
				continue
			}
			k, _ := read(t, body, decode.Options{})
			if len(k.problems) != 1 || k.problems[0].Reason != want || k.problems[0].Field != c.header || k.problems[0].Serial != "HB5-1" {
				t.Errorf("%s: %q gives %+v %+v, want %s", name, body, k.rows, k.problems, want)
			}
		}
	}
}

// Random decimals in every unit agree with exact rationals.
func TestNumbersAgreeWithRationals(t *testing.T) {
	t.Parallel()
	scales := map[string][2]*big.Rat{ // number × first + second
		"power_w": {big.NewRat(1000, 1), new(big.Rat)}, "power_kw": {big.NewRat(1_000_000, 1), new(big.Rat)},
		"cell_temp_c": {big.NewRat(100, 1), new(big.Rat)}, "cell_temp_f": {big.NewRat(500, 9), big.NewRat(-16000, 9)},
		"cell_temp_k": {big.NewRat(100, 1), big.NewRat(-27315, 1)},
	}
	rng := rand.New(rand.NewPCG(8, 15))
	for header, scale := range scales {
		for range 400 {
			text := strconv.Itoa(rng.IntN(130)) + "." + fmt.Sprintf("%019d", rng.Uint64()>>1)[:1+rng.IntN(19)]
			switch {
			case header == "cell_temp_k":
				text = "2" + text
			case rng.IntN(3) == 0:
				text = "-" + text
			}
			exact, ok := new(big.Rat).SetString(text)
			if !ok {
				t.Fatal(text)
			}
			exact.Add(exact.Mul(exact, scale[0]), scale[1])
			want := roundAway(exact)
			body := fmt.Sprintf("unit,time,%s\nHB5-1,1767571200,%s\n", header, text)
			k, _ := read(t, body, decode.Options{Profile: &profile.Profile{KeepSensorDefaults: true}})
			if len(k.rows) == 0 {
				if k.problems[0].Reason != decode.ReasonTempOutOfRange {
					t.Errorf("%s %s: %+v", header, text, k.problems)
				}
				continue
			}
			if got := only(t, k.rows[0].Sample); got != want {
				t.Errorf("%s %s gives %d, want %d", header, text, got, want)
			}
		}
	}
}

func roundAway(x *big.Rat) int64 {
	half := big.NewRat(1, 2)
	sign := int64(1)
	if x.Sign() < 0 {
		x, sign = new(big.Rat).Neg(x), -1
	}
	sum := new(big.Rat).Add(x, half)
	return sign * new(big.Int).Div(sum.Num(), sum.Denom()).Int64()
}

// Scales beyond a million go the careful way.
func TestLargeScales(t *testing.T) {
	t.Parallel()
	opt := decode.Options{Profile: parseProfile(t, "fields: {charge_kwh: {from: gwh, scale: 1000000}, power_w: {from: kilo, scale: 1e6}}")}
	k, _ := read(t, "unit,time,gwh,kilo\na,1767571200,0.25,-0.5\na,1767571260,0.75,1.25\n", opt)
	if len(k.rows) != 2 || k.rows[1].Sample.Charge != 750_000_000_000 || k.rows[1].Sample.Power != 1_250_000_000 {
		t.Errorf("%+v %+v", k.rows, k.problems)
	}
}

func TestSensorDefaultsAreAbsent(t *testing.T) {
	t.Parallel()
	const body = "unit,time,cell_temp_c,power_w\nHB5-1,1767571200,-40,5\nHB5-1,1767571260,85.00,5\nHB5-1,1767571320,85.01,5\n"
	k, rep := read(t, body, decode.Options{})
	if len(k.rows) != 3 || rep.Noted(decode.NoteSensorDefault) != 2 {
		t.Fatalf("%d rows, notes %v", len(k.rows), rep.Notes)
	}
	for i, want := range []analytics.Fields{analytics.HasPower, analytics.HasPower, analytics.HasPower | analytics.HasTemp} {
		if k.rows[i].Sample.Has != want {
			t.Errorf("row %d has %b, want %b", i, k.rows[i].Sample.Has, want)
		}
	}
	k, _ = read(t, body, decode.Options{Profile: parseProfile(t, "keep_sensor_defaults: true")})
	if k.rows[0].Sample.Temp != -4000 || k.rows[1].Sample.Temp != 8500 {
		t.Errorf("not kept: %+v", k.rows)
	}
}
