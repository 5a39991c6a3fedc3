package analytics_test

import (
	"encoding/json"
	"math/big"
	"testing"

	"fadeledger/analytics"
	"pgregory.net/rapid"
)

func TestSampleJSON(t *testing.T) {
	for _, tt := range []struct {
		name   string
		sample analytics.Sample
		serial analytics.Serial
		want   string
	}{
		{"time alone", at(0), "", `{"time":"1970-01-01T00:00:00Z"}`},
		{"milliseconds", at(1_500), "L-1", `{"unit":"L-1","time":"1970-01-01T00:00:01.5Z"}`},
		{"zero is not absent", at(0, soc(0), power(0)), "", `{"time":"1970-01-01T00:00:00Z","soc_pct":0,"power_w":0}`},
		{
			"every field", at(0, soc(505), power(-1_001), current(20), voltage(51_200), coldest(-5), hottest(2510),
				charged(1_000_001), discharged(40)), "",
			`{"time":"1970-01-01T00:00:00Z","soc_pct":50.5,"power_w":-1.001,"current_a":0.02,"voltage_v":51.2,` +
				`"cell_temp_c":-0.05,"cell_temp_max_c":25.1,"charge_kwh":1.000001,"discharge_kwh":0.00004}`,
		},
	} {
		if got := string(tt.sample.AppendJSON(nil, tt.serial)); got != tt.want {
			t.Errorf("%s: %s\nwant %s", tt.name, got, tt.want)
		}
	}
}

// TestSampleMarshal: a sample in another document leaves its unit out.
func TestSampleMarshal(t *testing.T) {
	b, err := json.Marshal([]analytics.Sample{at(60_000, soc(1000), rank(3), mean)})
	if want := `[{"time":"1970-01-01T00:01:00Z","soc_pct":100}]`; err != nil || string(b) != want {
		t.Errorf("%s, %v, want %s", b, err, want)
	}
}

// TestSampleJSONExact: whatever the sample and the serial, it is JSON, and its
// decimals are the integers of the sample.
func TestSampleJSONExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSample(t, analytics.Instant(rapid.Int64Range(0, 4e12).Draw(t, "time")))
		serial := rapid.StringN(1, 10, -1).Draw(t, "serial")
		var got map[string]json.RawMessage
		b := s.AppendJSON(nil, analytics.Serial(serial))
		if err := json.Unmarshal(b, &got); err != nil {
			t.Fatalf("%s: %v", b, err)
		}
		var name string
		if err := json.Unmarshal(got["unit"], &name); err != nil || name != serial {
			t.Fatalf("unit %s, %v, want %q", got["unit"], err, serial)
		}
		for _, f := range []struct {
			key   string
			bit   analytics.Fields
			value int64
			scale int64
		}{
			{"soc_pct", analytics.HasSoC, int64(s.SoC), 10},
			{"power_w", analytics.HasPower, int64(s.Power), 1000},
			{"current_a", analytics.HasCurrent, int64(s.Current), 1000},
			{"voltage_v", analytics.HasVoltage, int64(s.Voltage), 1000},
			{"cell_temp_c", analytics.HasTemp, int64(s.Temp), 100},
			{"cell_temp_max_c", analytics.HasTempMax, int64(s.TempMax), 100},
			{"charge_kwh", analytics.HasCharge, int64(s.Charge), 1_000_000},
			{"discharge_kwh", analytics.HasDischarge, int64(s.Discharge), 1_000_000},
		} {
			text, there := got[f.key]
			if there != (s.Has&f.bit != 0) {
				t.Fatalf("%s: present %v in %s", f.key, there, b)
			}
			if !there {
				continue
			}
			v, ok := new(big.Rat).SetString(string(text))
			if !ok || v.Cmp(big.NewRat(f.value, f.scale)) != 0 {
				t.Fatalf("%s: %s, want %d/%d", f.key, text, f.value, f.scale)
			}
		}
	})
}
