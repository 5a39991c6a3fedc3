package chart_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"fadeledger/web/chart"
)

func labels(ticks []chart.Tick) string {
	var out []string
	for _, t := range ticks {
		out = append(out, t.Label)
	}
	return strings.Join(out, " ")
}

func TestTicks(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		low, high float64
		n         int
		want      string
	}{
		"percent":                        {0, 100, 4, "0 50 100"},
		"covers what is not round":       {0, 19, 4, "0 5 10 15 20"},
		"below zero, a true minus":       {-7, 13, 4, "−10 −5 0 5 10 15"},
		"small values keep places":       {0, 0.3, 3, "0.0 0.1 0.2 0.3"},
		"no extent covers one step":      {4, 4, 1, "4 5"},
		"no steps asked for":             {0, 10, 0, "0 10"},
		"thousands from ten thousand up": {0, 20000, 2, "0 10\u202fk 20\u202fk"},
		"half millions":                  {0, 15e6, 3, "0 5\u202fM 10\u202fM 15\u202fM"},
		"parts of thousands":             {9000, 11000, 4, "9.0\u202fk 9.5\u202fk 10.0\u202fk 10.5\u202fk 11.0\u202fk"},
		"a hair above a step is not":     {0, 3 * 0.1, 3, "0.0 0.1 0.2 0.3"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := labels(chart.Ticks(c.low, c.high, c.n)); got != c.want {
				t.Errorf("Ticks(%g, %g, %d) = %q, want %q", c.low, c.high, c.n, got, c.want)
			}
		})
	}
}

func TestTimeTicks(t *testing.T) {
	t.Parallel()
	helsinki, err := time.LoadLocation("Europe/Helsinki")
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 3, 28, 22, 0, 0, 0, time.UTC)
	cases := map[string]struct {
		span time.Duration
		zone *time.Location
		n    int
		want string
	}{
		"an hour in minutes":                    {time.Hour, time.UTC, 3, "22:00 22:20 22:40 23:00"},
		"a local day with a missing hour":       {23 * time.Hour, helsinki, 4, "29 Mar 06:00 12:00 18:00 30 Mar"},
		"168 h that end at 1 am in summer time": {7 * 24 * time.Hour, helsinki, 8, "29 Mar 30 Mar 31 Mar 1 Apr 2 Apr 3 Apr 4 Apr 5 Apr"},
		"half a year in months":                 {180 * 24 * time.Hour, time.UTC, 7, "Apr 2026 May Jun Jul Aug Sep"},
		"three years in half years":             {3 * 365 * 24 * time.Hour, time.UTC, 7, "Jul 2026 Jan 2027 Jul Jan 2028 Jul Jan 2029"},
		"nothing where time does not go on":     {0, time.UTC, 5, ""},
		"nothing where no tick is asked for":    {time.Hour, time.UTC, 0, ""},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := labels(chart.TimeTicks(start, start.Add(c.span), c.zone, c.n)); got != c.want {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

func TestScale(t *testing.T) {
	t.Parallel()
	s := chart.Scale{From: 0, To: 10, A: 100, B: 0}
	for v, want := range map[float64]float64{0: 100, 10: 0, 2.5: 75, -5: 150} {
		if got := s.At(v); math.Abs(got-want) > 1e-12 {
			t.Errorf("At(%g) = %g, want %g", v, got, want)
		}
	}
	if got := s.Clamp(-5); got != 100 {
		t.Errorf("Clamp(-5) = %g, want the near edge 100", got)
	}
	if got := s.Clamp(99); got != 0 {
		t.Errorf("Clamp(99) = %g, want the far edge 0", got)
	}
	if got := (chart.Scale{From: 3, To: 3, A: 7, B: 9}).At(3); got != 7 {
		t.Errorf("a scale without extent gives %g, want 7", got)
	}
}
