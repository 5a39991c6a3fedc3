package web

import (
	"testing"
	"time"

	"fadeledger/analytics"
)

func TestExactTimes(t *testing.T) {
	t.Parallel()
	at := analytics.InstantOf(time.Date(2031, 4, 2, 14, 5, 7, 0, time.UTC))
	for _, c := range []struct{ name, got, want string }{
		{"a whole second", exact(at), "2 Apr 2031, 14:05:07 UTC"},
		{"a millisecond", exact(at + 40), "2 Apr 2031, 14:05:07.040 UTC"},
		{"when something was done", when(at + 40), "2 Apr 2031, 14:05:07 UTC"},
		{"for machines", exactTime(at + 40), "2031-04-02T14:05:07.04Z"},
		{"for a form", formTime(at), "2031-04-02T14:05:07"},
	} {
		if plain(c.got) != c.want {
			t.Errorf("%s: %q, want %q", c.name, plain(c.got), c.want)
		}
	}
	for text, want := range map[string]analytics.Instant{
		"2031-04-02T14:05:07": at, "2031-04-02T14:05:07.04": at + 40, "2031-04-02T14:05": at - 7000, "2031-04-02 14:05:07": at,
		"2031-04-02T14:05:07Z": at, "2031-04-02T16:05:07+02:00": at, exactTime(at + 1): at + 1, formTime(at + 250): at + 250,
	} {
		if got, ok := parseExact(text); !ok || got != want {
			t.Errorf("%q gives %d, %v, want %d", text, got, ok, want)
		}
	}
	for _, text := range []string{"", "yesterday", "2031-04-02", "2031-13-02T00:00:00", "2031-04-02T14:05:07 UTC"} {
		if _, ok := parseExact(text); ok {
			t.Errorf("%q is taken for a time", text)
		}
	}
}

func TestThousandths(t *testing.T) {
	t.Parallel()
	for in, want := range map[int64]string{0: "0", 412_000: "412", -412_000: minus + "412", 1: "0.001", -1: minus + "0.001", 1250: "1.25", 1_000_001: "1000.001", 12_345_600: "12'345.6"} {
		if got := plain(thousandths(in)); got != want {
			t.Errorf("%d is written %q, want %q", in, got, want)
		}
	}
}

func TestCompared(t *testing.T) {
	t.Parallel()
	a := analytics.Sample{Has: analytics.HasSoC | analytics.HasPower, SoC: 500, Power: 1000}
	b := analytics.Sample{Has: analytics.HasSoC | analytics.HasPower | analytics.PowerIsMean, SoC: 500, Power: 1001}
	c := analytics.Sample{Has: analytics.HasSoC | analytics.HasTemp, SoC: 500}
	rows := compared([]analytics.Sample{a, b, c})
	want := []versionField{
		{"state of charge", false, []string{"50.0 %", "50.0 %", "50.0 %"}},
		{"power", true, []string{"1 W", "1.001 W", "not reported"}},
		{"coldest cell", true, []string{"not reported", "not reported", "0.00 °C"}},
		{"power is", true, []string{"of the moment", "the mean since the sample before", "of the moment"}},
	}
	if len(rows) != len(want) {
		t.Fatalf("got %v", rows)
	}
	for i, w := range want {
		got := rows[i]
		if got.Name != w.Name || got.Differs != w.Differs {
			t.Errorf("row %d is %v, want %v", i, got, w)
		}
		for k := range w.Values {
			if plain(got.Values[k]) != w.Values[k] {
				t.Errorf("%s of version %d is %q, want %q", w.Name, k, got.Values[k], w.Values[k])
			}
		}
	}
	same := a
	if versionKey(a) == versionKey(b) || versionKey(a) != versionKey(same) {
		t.Error("the key of a version does not tell it from another")
	}
	mean := a
	mean.Has |= analytics.PowerIsMean
	if versionKey(a) == versionKey(mean) {
		t.Error("the key leaves out that power is a mean")
	}
}

func TestCounterEvents(t *testing.T) {
	t.Parallel()
	event := func(kind analytics.EventKind, at analytics.Instant, field string) analytics.Event {
		return analytics.Event{Kind: kind, At: at, Field: field}
	}
	const charge, discharge = "charge_mwh", "discharge_mwh"
	both := "Both lifetime counters began again from a lower value, as those of a new control board do. What they had counted before is kept."
	cases := map[string]struct {
		events []analytics.Event
		want   []string
	}{
		"a new control board is one event": {[]analytics.Event{event(analytics.CounterReset, 1000, charge), event(analytics.CounterReset, 1000, discharge)}, []string{both}},
		"one counter alone": {[]analytics.Event{event(analytics.CounterReset, 1000, charge)}, []string{
			"The counter of energy charged went back to a lower value. What it had counted before is kept."}},
		"at two times": {[]analytics.Event{event(analytics.CounterReset, 1000, charge), event(analytics.CounterReset, 2000, discharge)}, []string{
			"The counter of energy discharged went back to a lower value. What it had counted before is kept.",
			"The counter of energy charged went back to a lower value. What it had counted before is kept."}},
		"of two kinds": {[]analytics.Event{event(analytics.CounterReset, 1000, charge), event(analytics.CounterImplausible, 1000, discharge)}, []string{
			"The counter of energy discharged rose by more than the unit can do. That rise is not counted.",
			"The counter of energy charged went back to a lower value. What it had counted before is kept."}},
		"three boards": {[]analytics.Event{event(analytics.CounterReset, 1, charge), event(analytics.CounterReset, 1, discharge), event(analytics.CounterReset, 2, charge),
			event(analytics.CounterReset, 2, discharge)}, []string{both, both}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			u := unitView{UnitReport: analytics.UnitReport{Ledger: analytics.Ledger{Events: c.events}}}
			got := u.counters()
			if len(got) != len(c.want) {
				t.Fatalf("%d lines, want %d: %v", len(got), len(c.want), got)
			}
			for i := range got {
				if got[i].Text != c.want[i] {
					t.Errorf("line %d is %q, want %q", i, got[i].Text, c.want[i])
				}
			}
		})
	}
}

func TestSeriesWords(t *testing.T) {
	t.Parallel()
	now := time.UnixMilli(100_000).UTC()
	cases := map[string]struct {
		holes [][2]int64
		want  string
	}{
		"a span":     {[][2]int64{{14, 17}}, "Deliveries 14 to 17 of series run 7 have not arrived."},
		"one":        {[][2]int64{{3, 3}}, "Delivery 3 of series run 7 has not arrived."},
		"two spans":  {[][2]int64{{1, 1}, {3, 4}}, "Deliveries 1 and 3 to 4 of series run 7 have not arrived."},
		"many spans": {[][2]int64{{1, 1}, {3, 3}, {5, 5}, {7, 7}, {9, 9}, {11, 11}, {13, 13}, {15, 15}}, "Deliveries 1, 3, 5, 7, 9, 11 and 2 more spans of series run 7 have not arrived."},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := plain(seriesRowOf(analytics.Receipt{Series: "run 7", Holes: c.holes}, now).Text); got != c.want {
				t.Errorf("%q, want %q", got, c.want)
			}
		})
	}
}
