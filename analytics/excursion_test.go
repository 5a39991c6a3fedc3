package analytics_test

import (
	"reflect"
	"testing"

	"fadeledger/analytics"
)

// episodesOf counts the samples and gives all episodes, complete ones first.
func episodesOf(m *analytics.Model, samples ...analytics.Sample) []analytics.Excursion {
	a := analytics.Count(m, samples)
	return append(a.Excursions, a.Counter.OpenExcursions()...)
}

// kindsOf names the kinds of the episodes.
func kindsOf(episodes []analytics.Excursion) []string {
	out := []string{}
	for _, e := range episodes {
		out = append(out, e.Kind.String())
	}
	return out
}

func TestLimitTable(t *testing.T) {
	table := testModel().ChargeLimit
	tests := []struct {
		name string
		temp analytics.CentiCelsius
		want analytics.MicroC
	}{
		{"below the first row", -1, 0},
		{"first row", 0, 100_000},
		{"half way up", 500, 300_000},
		{"one hundredth of a degree up", 1, 100_400},
		{"lower end of the flat part", 1000, 500_000},
		{"inside the flat part", 2500, 500_000},
		{"upper end of the flat part", 4500, 500_000},
		{"half way down", 5000, 300_000},
		{"last row", 5500, 100_000},
		{"above the last row", 5501, 0},
	}
	for _, tt := range tests {
		if got := table.At(tt.temp); got != tt.want {
			t.Errorf("%s: At(%d) = %d, want %d", tt.name, tt.temp, got, tt.want)
		}
	}
	thirds := analytics.LimitTable{{Temp: 0, Rate: 100_000}, {Temp: 3, Rate: 200_000}}
	if got := thirds.At(1); got != 133_333 {
		t.Errorf("a third up: %d, want 133333, rounded down", got)
	}
	for _, tt := range []struct {
		name      string
		table     analytics.LimitTable
		low, high analytics.CentiCelsius
		ok        bool
	}{
		{"plateau", table, 1000, 4500, true},
		{"one peak", thirds, 3, 3, true},
		{"one row", thirds[:1], 0, 0, true},
		{"empty", nil, 0, 0, false},
	} {
		low, high, ok := tt.table.Flat()
		if low != tt.low || high != tt.high || ok != tt.ok {
			t.Errorf("%s: Flat() = %d, %d, %v, want %d, %d, %v", tt.name, low, high, ok, tt.low, tt.high, tt.ok)
		}
	}
}

// TestOverTheLimit judges single samples: with 10 kWh rated, 10 W are 0.001 C.
func TestOverTheLimit(t *testing.T) {
	thirds := testModel()
	thirds.ChargeLimit = analytics.LimitTable{{Temp: 0, Rate: 100_000}, {Temp: 300, Rate: 200_000}}
	unlimited := testModel()
	unlimited.ChargeLimit, unlimited.Floor, unlimited.StorageMax = nil, nil, nil
	m := testModel()
	tests := []struct {
		name   string
		m      *analytics.Model
		sample analytics.Sample
		want   []string
	}{
		{"cold at 0.02 C", m, at(0, coldest(-1), power(200_000)), nil},
		{"cold just above 0.02 C", m, at(0, coldest(-1), power(200_001)), []string{"cold-charge"}},
		{"cold discharge at 0.02 C", m, at(0, coldest(-2001), power(-200_000)), nil},
		{"cold discharge just above", m, at(0, coldest(-2001), power(-200_001)), []string{"cold-discharge"}},
		{"cold within the limit and margin", m, at(0, coldest(500), power(3_100_000)), nil},
		{"cold above the margin", m, at(0, coldest(500), power(3_100_001)), []string{"cold-charge"}},
		{"first row and margin", m, at(0, coldest(0), power(1_100_000)), nil},
		{"first row above the margin", m, at(0, coldest(0), power(1_100_001)), []string{"cold-charge"}},
		{"flat part and margin", m, at(0, coldest(1000), power(5_100_000)), nil},
		{"flat part above the margin", m, at(0, coldest(1000), power(5_100_001)), []string{"charge-rate"}},
		{"upper end of the flat part above the margin", m, at(0, coldest(4500), power(5_100_001)), []string{"charge-rate"}},
		{"hottest cell at that end", m, at(0, coldest(2000), hottest(4500), power(5_100_001)), []string{"charge-rate"}},
		{"discharge in the flat part and margin", m, at(0, coldest(0), power(-8_100_000)), nil},
		{"discharge in the flat part above it", m, at(0, coldest(0), power(-8_100_001)), []string{"discharge-rate"}},
		{"hot and margin", m, at(0, coldest(5000), power(3_100_000)), nil},
		{"hot above the margin", m, at(0, coldest(5000), power(3_100_001)), []string{"hot-charge"}},
		{"hot discharge above the margin", m, at(0, coldest(5000), power(-5_100_001)), []string{"hot-discharge"}},
		{"last row, no rate left beyond", m, at(0, coldest(5501), power(200_001)), []string{"hot-charge"}},
		// 0.1 + 0.1/3 + 0.01 C is 1,433,333.33… mW.
		{"limit in thirds, below", thirds, at(0, coldest(100), power(1_433_333)), nil},
		{"limit in thirds, above", thirds, at(0, coldest(100), power(1_433_334)), []string{"cold-charge"}},
		{"hottest cell decides hot", m, at(0, coldest(2000), hottest(5000), power(3_100_001)), []string{"hot-charge"}},
		{"coldest cell decides cold", m, at(0, coldest(-1), hottest(4000), power(900_000)), []string{"cold-charge"}},
		{"cold before hot", m, at(0, coldest(-1), hottest(5400), power(900_000)), []string{"cold-charge"}},
		{"no temperature", m, at(0, power(9_000_000)), nil},
		{"no rate", m, at(0, coldest(-1)), nil},
		{"no table", unlimited, at(0, coldest(-3000), power(9_000_000), soc(0)), nil},
		{"soc at the floor", m, at(0, soc(50)), nil},
		{"soc below the floor", m, at(0, soc(49)), []string{"deep-discharge"}},
		{"storage limit", m, at(0, coldest(6000)), nil},
		{"above the storage limit", m, at(0, coldest(6001)), []string{"hot-rest"}},
		{"hottest cell above the storage limit", m, at(0, hottest(6001)), []string{"hot-rest"}},
		{"hot at any rate, three kinds at once", m, at(0, coldest(6001), soc(0), power(1_000_000)),
			[]string{"hot-charge", "deep-discharge", "hot-rest"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			want := append([]string{}, tt.want...)
			if got := kindsOf(episodesOf(tt.m, tt.sample)); !reflect.DeepEqual(got, want) {
				t.Errorf("got %v, want %v", got, want)
			}
		})
	}
}

// TestFourteenFahrenheit: LFP packs commonly allow no charging below 14 °F
// (common practice, no source), which is exactly −10 °C.
func TestFourteenFahrenheit(t *testing.T) {
	limit := analytics.CentiCelsius((14 - 32) * 500 / 9)
	if limit != -1000 {
		t.Fatalf("14 °F is %d hundredths of a degree, want -1000", limit)
	}
	m := testModel()
	m.ChargeLimit = analytics.LimitTable{{Temp: limit, Rate: 100_000}, {Temp: 500, Rate: 500_000}}
	if got := episodesOf(m, at(0, coldest(limit), power(1_000_000))); len(got) != 0 {
		t.Errorf("0.1 C at 14 °F: got %v, want nothing", got)
	}
	got := episodesOf(m, at(0, coldest(limit-1), power(1_000_000)))
	if len(got) != 1 || got[0].Kind != analytics.ColdCharge || got[0].AllowedAtPeak != 0 {
		t.Errorf("0.1 C just below 14 °F: got %v, want a cold-charge with nothing allowed", got)
	}
}

// TestRateBasis takes away one basis after the other. Every one tells another
// rate, so that the peak says which one was used.
func TestRateBasis(t *testing.T) {
	before := []field{charged(0), discharged(0), soc(500)}
	cur, pow := current(240_000), power(11_000_000) // 1.2 C, 1.1 C
	vi := []field{voltage(50_000), current(260_000)}
	counters := []field{charged(166_700), discharged(0)} // in 1 min: 1.0002 C
	warm := coldest(2000)
	noAh := testModel()
	noAh.RatedCharge = 0
	m := testModel()
	join := func(fs ...[]field) (out []field) {
		for _, f := range fs {
			out = append(out, f...)
		}
		return out
	}
	tests := []struct {
		name   string
		m      *analytics.Model
		before []field
		fields []field
		want   analytics.MicroC // 0: not over
	}{
		{"current first", m, before, join([]field{cur, pow}, counters), 1_200_000},
		{"then power", m, before, join([]field{pow}, counters), 1_100_000},
		{"current without rated Ah", noAh, before, join([]field{cur, pow}, counters), 1_100_000},
		{"voltage and current without rated Ah", noAh, before, join(vi, counters), 1_300_000},
		{"current alone without rated Ah", noAh, before, join([]field{cur}, counters), 1_000_200},
		{"then counters", m, before, counters, 1_000_200},
		{"counters with an implausible step", m, before, []field{charged(900_000), discharged(0)}, 0},
		{"current decides even when it is small", m, before, join([]field{current(1), pow}, counters), 0},
		{"power decides even when it is small", m, before, join([]field{power(1)}, counters), 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := episodesOf(tt.m, at(0, tt.before...), at(minute, append([]field{warm}, tt.fields...)...))
			var peak analytics.MicroC
			if len(got) == 1 {
				peak = got[0].Peak
			}
			if peak != tt.want {
				t.Errorf("peak %d from %v, want %d", peak, got, tt.want)
			}
		})
	}
}

// TestRateByCounter: the larger of both steps gives rate and direction, within
// the gap only.
func TestRateByCounter(t *testing.T) {
	m := testModel()
	pair := func(span analytics.Instant, charge, discharge analytics.MilliwattHours) []analytics.Excursion {
		return episodesOf(m, at(0, coldest(-2500), charged(0), discharged(0)),
			at(span, coldest(-2500), charged(charge), discharged(discharge)))
	}
	if got := kindsOf(pair(6*minute, 30_000, 10_000)); !reflect.DeepEqual(got, []string{"cold-charge"}) {
		t.Errorf("charging more than discharging: got %v", got)
	}
	if got := kindsOf(pair(6*minute, 10_000, 30_000)); !reflect.DeepEqual(got, []string{"cold-discharge"}) {
		t.Errorf("discharging more than charging: got %v", got)
	}
	if got := pair(6*minute, 20_000, 0); len(got) != 0 { // 0.02 C exactly
		t.Errorf("0.02 C by counter: got %v, want nothing", got)
	}
	if got := pair(15*minute, 100_000, 0); len(got) != 1 || got[0].Peak != 40_000 {
		t.Errorf("at the longest gap: got %v, want 0.04 C", got)
	}
	if got := pair(15*minute+1, 100_000, 0); len(got) != 0 {
		t.Errorf("past the longest gap: got %v, want nothing", got)
	}
}

// TestRateBySoC: the rate is taken against the newest sample that is at least
// ten minutes older, and only when no gap lies in between.
func TestRateBySoC(t *testing.T) {
	warm := coldest(2000)
	tests := []struct {
		name    string
		samples []analytics.Sample
		want    analytics.MicroC // peak of the last sample, 0: not over
		checked analytics.Millis
	}{
		{"ten minutes", []analytics.Sample{
			at(0, warm, soc(500)), at(10*minute, warm, soc(600))}, 600_000, 10 * analytics.Minute},
		{"a millisecond short", []analytics.Sample{
			at(1, warm, soc(500)), at(10*minute, warm, soc(600))}, 0, 0},
		{"newest of the old ones", []analytics.Sample{
			at(0, warm, soc(100)), at(5*minute, warm, soc(500)), at(9*minute, warm, soc(500)),
			at(15*minute, warm, soc(600))}, 600_000, 6 * analytics.Minute},
		{"samples without soc between", []analytics.Sample{
			at(0, warm, soc(500)), at(5*minute, warm), at(10*minute, warm, soc(400))}, 0, 5 * analytics.Minute},
		{"a gap between", []analytics.Sample{
			at(0, warm, soc(500)), at(15*minute+1, warm, soc(500)), at(20*minute, warm, soc(600))}, 0, 0},
		{"a gap without soc between", []analytics.Sample{
			at(0, warm, soc(500)), at(15*minute+1, warm), at(20*minute, warm, soc(900))}, 0, 0},
		{"at the longest gap", []analytics.Sample{
			at(0, warm, soc(500)), at(15*minute, warm, soc(640))}, 560_000, 15 * analytics.Minute},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			a := analytics.Count(testModel(), tt.samples)
			var peak analytics.MicroC
			last := tt.samples[len(tt.samples)-1].Time
			for _, e := range a.Counter.OpenExcursions() {
				if e.End == last {
					peak = e.Peak
				}
			}
			if peak != tt.want {
				t.Errorf("peak %d, want %d", peak, tt.want)
			}
			if got := a.Counter.Checked(); got != tt.checked {
				t.Errorf("checked %v, want %v", got.Duration(), tt.checked.Duration())
			}
		})
	}
}
