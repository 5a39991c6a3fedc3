package household

import (
	"math"
	"testing"
	"time"

	"fadeledger/analytics"
)

func instant(year int, month time.Month, day, hour int) analytics.Instant {
	return analytics.InstantOf(time.Date(year, month, day, hour, 0, 0, 0, time.UTC))
}

// sound is an ordinary home.
func sound() Config {
	return Config{
		Seed: 11, WeatherSeed: 12, Serial: "HB5-T1", Model: Models()[0],
		Start: instant(2025, time.January, 1, 0), Cadence: 5 * analytics.Minute,
		Climate: Plain, Placement: analytics.Garage, Array: 7_000_000,
		Habits: Habits{DailyLoad: 12e6},
	}
}

func mustNew(tb testing.TB, c Config) *Battery {
	tb.Helper()
	b, err := New(c)
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

// draw yields the samples of a number of days.
func draw(b *Battery, days int) []analytics.Sample {
	n := days * int(analytics.DayLength/b.cfg.Cadence)
	samples := make([]analytics.Sample, n)
	for i := range samples {
		samples[i] = b.Next()
	}
	return samples
}

func TestSameSeedSameSamples(t *testing.T) {
	one, two := mustNew(t, sound()), mustNew(t, sound())
	changed := sound()
	changed.Seed++
	other := mustNew(t, changed)
	differ := 0
	for i := range 40 * 288 {
		a, b := one.Next(), two.Next()
		if a != b {
			t.Fatalf("sample %d differs: %+v and %+v", i, a, b)
		}
		if a != other.Next() {
			differ++
		}
	}
	if differ < 30*288 {
		t.Errorf("another seed changed only %d samples", differ)
	}
}

func TestSamplesComeAtTheCadence(t *testing.T) {
	for _, cadence := range []analytics.Millis{analytics.Second, 7 * analytics.Second, analytics.Minute, analytics.Hour} {
		c := sound()
		c.Cadence = cadence
		c.Start += 1234
		b := mustNew(t, c)
		for i := range 3000 {
			want := c.Start + analytics.Instant(i)*analytics.Instant(cadence)
			if got := b.Next().Time; got != want {
				t.Fatalf("cadence %v: sample %d at %d, want %d", cadence.Duration(), i, got, want)
			}
		}
	}
}

func TestHomesThatShareASeedShareTheirWeather(t *testing.T) {
	early, late := newSky(Plain, 5), newSky(Plain, 5)
	for d := analytics.Day(100); d <= 400; d++ {
		early.turn(d)
	}
	late.turn(400)
	if d := math.Abs(early.through - late.through); d > 1e-6 {
		t.Errorf("sunshine differs by %g", d)
	}
	if d := math.Abs(early.air[100] - late.air[100]); d > 1e-3 {
		t.Errorf("air differs by %g °C", d)
	}
}

func TestCountersAgreeWithPower(t *testing.T) {
	for _, cadence := range []analytics.Millis{10 * analytics.Second, 5 * analytics.Minute, analytics.Hour} {
		c := sound()
		c.Cadence = cadence
		samples := draw(mustNew(t, c), 60)
		var in, out float64
		for i := 1; i < len(samples); i++ {
			a, z := float64(samples[i-1].Power), float64(samples[i].Power)
			// A fine sum rather than the closed form under test.
			const parts = 64
			for j := range parts {
				p := a + (z-a)*(float64(j)+0.5)/parts
				in += max(p, 0) / parts * cadence.Seconds() / 3600
				out += max(-p, 0) / parts * cadence.Seconds() / 3600
			}
		}
		first, last := samples[0], samples[len(samples)-1]
		within(t, "charge", float64(last.Charge-first.Charge), in, 0.001)
		within(t, "discharge", float64(last.Discharge-first.Discharge), out, 0.001)
	}
}

func within(tb testing.TB, what string, got, want, share float64) {
	tb.Helper()
	if want == 0 || math.Abs(got/want-1) > share {
		tb.Errorf("%s is %.1f, want %.1f within %g %%", what, got, want, share*100)
	}
}

func TestStateOfChargeFollowsTheCurrent(t *testing.T) {
	b := mustNew(t, sound())
	samples := draw(b, 30)
	health := b.Truth().Health
	runs := 0
	for i := 1; i < len(samples); i++ {
		start, ah := i-1, 0.0
		for ; i < len(samples) && samples[i].Current > 0; i++ {
			ah += float64(samples[i-1].Current+samples[i].Current) / 2 / 1000 / 12
		}
		rise := float64(samples[i-1].SoC-samples[start].SoC) / 1000
		if rise < 0.5 {
			continue
		}
		runs++
		within(t, "capacity in Ah", ah/rise, health*101.6, 0.02)
	}
	if runs < 3 {
		t.Errorf("only %d charges deep enough to tell", runs)
	}
}

func TestRoundTrip(t *testing.T) {
	b := mustNew(t, sound())
	draw(b, 365)
	truth := b.Truth()
	if r := float64(truth.Discharge) / float64(truth.Charge); r < 0.90 || r > 0.98 {
		t.Errorf("round trip %.3f", r)
	}
	if truth.Health < 0.90 || truth.Health > 1.0 {
		t.Errorf("health after a year %.4f", truth.Health)
	}
	within(t, "capacity", float64(truth.Capacity), truth.Health*5.2e6, 1e-6)
	lost := 1 - truth.CalendarLoss - truth.CycleLoss
	if first := truth.Health / lost; first < 1 || first > 1.03 {
		t.Errorf("health %.4f with losses %.4f: first capacity %.4f", truth.Health, 1-lost, first)
	}
}

func TestEverySampleIsPlausible(t *testing.T) {
	for _, place := range []analytics.Placement{analytics.DwellingStorage, analytics.Garage, analytics.ExteriorWall, analytics.Outdoor} {
		for _, climate := range Climates() {
			for _, m := range Models() {
				c := sound()
				c.Placement, c.Climate, c.Model = place, climate, m
				c.Cadence = 10 * analytics.Minute
				c.Habits.CheapTarget = 700
				t.Run(string(place)+" "+climate.Name+" "+m.Name, func(t *testing.T) { checkPlausible(t, c) })
			}
		}
	}
}

// checkPlausible draws a year of a sound unit, and expects nothing that its
// maker does not allow.
func checkPlausible(t *testing.T, c Config) {
	m := c.Model
	b := mustNew(t, c)
	var before analytics.Sample
	for i, s := range draw(b, 365) {
		rate := float64(s.Current) / float64(m.RatedCharge)
		byPower := float64(s.Power) / float64(m.Rated)
		up := float64(m.ChargeLimit.At(s.Temp))/1e6 + 0.01
		down := float64(m.DischargeLimit.At(s.Temp))/1e6 + 0.01
		switch {
		case s.Has != AllFields:
			t.Fatalf("fields %b", s.Has)
		case s.SoC < *m.Floor || s.SoC > 1000:
			t.Fatalf("state of charge %d at %v", s.SoC, s.Time.Time())
		case s.Power > m.MaxPower || s.Power < -m.MaxPower:
			t.Fatalf("power %d at %v", s.Power, s.Time.Time())
		case rate > up || byPower > up || rate < -down || byPower < -down:
			t.Fatalf("rate %.4f or %.4f at %v and %v", rate, byPower, s.Temp.Celsius(), s.Time.Time())
		case (s.Power > 0) != (s.Current > 0) || (s.Power < 0) != (s.Current < 0):
			t.Fatalf("power %d with current %d", s.Power, s.Current)
		case s.Voltage < 42_000 || s.Voltage > 58_000:
			t.Fatalf("voltage %d", s.Voltage)
		case math.Abs(float64(s.Power)-float64(s.Voltage)*float64(s.Current)/1000) > 1000:
			t.Fatalf("power %d, voltage %d, current %d", s.Power, s.Voltage, s.Current)
		case s.Temp < -3500 || s.TempMax > *m.StorageMax || s.TempMax < s.Temp:
			t.Fatalf("cells from %v to %v", s.Temp.Celsius(), s.TempMax.Celsius())
		case i > 0 && (s.Charge < before.Charge || s.Discharge < before.Discharge):
			t.Fatalf("counters fell at %v", s.Time.Time())
		}
		before = s
	}
	if truth := b.Truth(); len(truth.Faults) != 0 {
		t.Errorf("a sound unit shows %v", truth.Faults)
	}
}

func TestSeasonsAndPlacements(t *testing.T) {
	month := func(place analytics.Placement, m time.Month) (temp, charge, swing float64) {
		c := sound()
		c.Placement, c.Start, c.Array = place, instant(2025, m, 1, 0), 2_500_000
		samples := draw(mustNew(t, c), 28)
		low, high := math.Inf(1), math.Inf(-1)
		for _, s := range samples {
			temp += s.Temp.Celsius() / float64(len(samples))
			low, high = min(low, s.Temp.Celsius()), max(high, s.Temp.Celsius())
		}
		return temp, samples[len(samples)-1].Charge.KWh(), high - low
	}
	for _, place := range []analytics.Placement{analytics.DwellingStorage, analytics.Garage, analytics.ExteriorWall, analytics.Outdoor} {
		winter, winterCharge, _ := month(place, time.January)
		summer, summerCharge, _ := month(place, time.July)
		if winter >= summer-2 {
			t.Errorf("%s: %.1f °C in January, %.1f in July", place, winter, summer)
		}
		if winterCharge >= 0.9*summerCharge {
			t.Errorf("%s: %.0f kWh charged in January, %.0f in July", place, winterCharge, summerCharge)
		}
	}
	inside, _, calm := month(analytics.DwellingStorage, time.January)
	outside, _, rough := month(analytics.Outdoor, time.January)
	if inside < outside+8 || calm > rough/2 {
		t.Errorf("inside %.1f ± %.1f °C, outside %.1f ± %.1f", inside, calm, outside, rough)
	}
	south := newSky(Climate{Name: "south", Latitude: -40, MeanAir: 12, YearSwing: 8, Clear: 0.6}, 1)
	south.turn(instant(2025, time.January, 10, 0).Day())
	if south.winter > -0.9 {
		t.Errorf("January in the south: winter %.2f", south.winter)
	}
}

func TestReportedFields(t *testing.T) {
	c := sound()
	c.Report = analytics.HasSoC | analytics.HasCharge | analytics.HasDischarge
	whole, part := mustNew(t, sound()), mustNew(t, c)
	for range 1000 {
		a, z := whole.Next(), part.Next()
		want := analytics.Sample{Time: a.Time, Has: c.Report, SoC: a.SoC, Charge: a.Charge, Discharge: a.Discharge}
		if z != want {
			t.Fatalf("got %+v, want %+v", z, want)
		}
	}
}

func TestNewRefusesNonsense(t *testing.T) {
	tests := map[string]func(*Config){
		"no rated energy":       func(c *Config) { c.Model.Rated = 0 },
		"negative array":        func(c *Config) { c.Array = -1 },
		"no cadence":            func(c *Config) { c.Cadence = 0 },
		"cadence of two hours":  func(c *Config) { c.Cadence = 2 * analytics.Hour },
		"reserve above 90 %":    func(c *Config) { c.Habits.Reserve = 901 },
		"target above 100 %":    func(c *Config) { c.Habits.CheapTarget = 1001 },
		"trades without number": func(c *Config) { c.Habits.TradesPerDay = math.NaN() },
		"mean power reported":   func(c *Config) { c.Report = analytics.PowerIsMean },
		"endless outage":        func(c *Config) { c.Faults.Outages = []Span{{From: c.Start}} },
		"overlapping outages":   func(c *Config) { c.Faults.Outages = []Span{{5, 10}, {14, 2}} },
		"resets out of order":   func(c *Config) { c.Faults.Resets = []analytics.Instant{9, 8} },
		"nothing stuck":         func(c *Config) { c.Faults.Stuck = &Stuck{} },
	}
	for name, spoil := range tests {
		t.Run(name, func(t *testing.T) {
			c := sound()
			spoil(&c)
			if b, err := New(c); err == nil || b != nil {
				t.Errorf("got %v, %v", b, err)
			}
		})
	}
}

func BenchmarkNext(b *testing.B) {
	battery := mustNew(b, sound())
	b.ReportAllocs()
	for b.Loop() {
		battery.Next()
	}
}
