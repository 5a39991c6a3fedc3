package decode_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/ingest/decode"
	"fadeledger/ingest/encode"
)

// newYear is 2026-01-01T00:00:00Z.
const newYear analytics.Instant = 1_767_225_600_000

// homeBattery gives the samples of a unit in a home.
func homeBattery(t *testing.T, days int, change func(*household.Config)) []analytics.Sample {
	t.Helper()
	cfg := household.Config{
		Seed: 3, WeatherSeed: 4, Serial: "HB5-1", Model: household.Models()[0], Start: newYear, Cadence: 5 * analytics.Minute,
		Placement: analytics.Garage, Array: 7_000_000,
	}
	change(&cfg)
	b, err := household.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	samples := make([]analytics.Sample, days*int(analytics.DayLength/cfg.Cadence))
	for i := range samples {
		samples[i] = b.Next()
	}
	return samples
}

// looks gives the notes that a delivery earns.
func looks(t *testing.T, samples []analytics.Sample) []decode.NoteCode {
	t.Helper()
	_, rep := read(t, string(encode.AppendCSV(nil, "HB5-1", samples)), decode.Options{})
	var codes []decode.NoteCode
	for _, n := range rep.Notes {
		codes = append(codes, n.Code)
		if n.Detail != "HB5-1" || !strings.HasPrefix(n.String(), "unit HB5-1: ") {
			t.Errorf("note %+v: %s", n, n)
		}
	}
	return codes
}

// A sound unit looks like nothing, in summer and winter, in the warm and the
// cold, by the minute and by the hour.
func TestSoundUnitsLookLikeNothing(t *testing.T) {
	t.Parallel()
	for _, place := range []analytics.Placement{analytics.DwellingStorage, analytics.Garage, analytics.ExteriorWall, analytics.Outdoor} {
		for _, cadence := range []analytics.Millis{analytics.Minute, 15 * analytics.Minute, analytics.Hour} {
			for _, month := range []analytics.Instant{0, 181} {
				name := fmt.Sprintf("%s, every %v, day %d", place, cadence.Duration(), month)
				samples := homeBattery(t, 30, func(c *household.Config) {
					c.Placement, c.Cadence, c.Seed = place, cadence, uint64(month+7)
					c.Start += month * analytics.Instant(analytics.DayLength)
				})
				if codes := looks(t, samples); len(codes) > 0 {
					t.Errorf("%s: %v", name, codes)
				}
			}
		}
	}
}

func TestFaultsOfAUnitAreTold(t *testing.T) {
	t.Parallel()
	day := analytics.Instant(analytics.DayLength)
	flip := newYear + 5*day
	stuck := func(fields analytics.Fields) func(*household.Config) {
		return func(c *household.Config) {
			c.Habits.TradesPerDay = 2.2
			c.Faults.Stuck = &household.Stuck{Fields: fields, Span: household.Span{From: newYear + 3*day, Length: analytics.DayLength}}
		}
	}
	cases := map[string]struct {
		change func(*household.Config)
		spoil  func(*analytics.Sample)
		want   decode.NoteCode
	}{
		"sign flipped":           {change: func(c *household.Config) { c.Faults.SignFlip = &flip }, want: decode.NoteSignFlipped},
		"temperature stuck":      {change: stuck(analytics.HasTemp | analytics.HasTempMax), want: decode.NoteValueStuck},
		"state of charge stuck":  {change: stuck(analytics.HasSoC), want: decode.NoteValueStuck},
		"counters 1000 times":    {spoil: func(s *analytics.Sample) { s.Charge, s.Discharge = s.Charge*1000, s.Discharge*1000 }, want: decode.NoteCountersDisagree},
		"counters a thousandth":  {spoil: func(s *analytics.Sample) { s.Charge, s.Discharge = s.Charge/1000, s.Discharge/1000 }, want: decode.NoteCountersDisagree},
		"power a thousandth":     {spoil: func(s *analytics.Sample) { s.Power /= 1000 }, want: decode.NotePowerDisagrees},
		"current 1000 times":     {spoil: func(s *analytics.Sample) { s.Current = min(max(s.Current*1000, -1e7), 1e7) }, want: decode.NotePowerDisagrees},
		"fraction as percent":    {spoil: func(s *analytics.Sample) { s.SoC /= 100 }, want: decode.NoteSoCLooksFraction},
		"°F as °C":               {spoil: func(s *analytics.Sample) { s.Temp, s.TempMax = s.Temp*9/5+3200, s.TempMax*9/5+3200 }, want: decode.NoteTempLooksFahrenheit},
		"a counter that is back": {change: func(c *household.Config) { c.Faults.Resets = []analytics.Instant{newYear + 4*day} }},
		"a week without word": {change: func(c *household.Config) {
			c.Faults.Outages = []household.Span{{From: newYear + 2*day, Length: 7 * analytics.DayLength}}
		}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			samples := homeBattery(t, 14, func(cfg *household.Config) {
				if c.change != nil {
					c.change(cfg)
				}
				if c.want == decode.NoteTempLooksFahrenheit {
					// Cells at 10 °C are at 50 °F, which looks like 50 °C.
					cfg.Placement, cfg.Start = analytics.DwellingStorage, cfg.Start+181*day
				}
			})
			if c.spoil != nil {
				for i := range samples {
					c.spoil(&samples[i])
				}
			}
			codes := looks(t, samples)
			if c.want == "" && len(codes) > 0 || c.want != "" && !slices.Contains(codes, c.want) {
				t.Errorf("notes %v, want %q", codes, c.want)
			}
		})
	}
}
