package web

import (
	"math"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
)

// plain makes the spaces of a formatted text ordinary, so that tables here can
// be read.
func plain(s string) string {
	return strings.NewReplacer(nbsp, " ", thin, "'").Replace(s)
}

func TestEnergy(t *testing.T) {
	t.Parallel()
	for in, want := range map[analytics.MilliwattHours]string{
		0: "0 kWh", 1: "<1 Wh", 999: "<1 Wh", 1000: "1 Wh", 412_000: "412 Wh", 999_499: "999 Wh", 999_500: "1.00 kWh",
		5_200_000: "5.20 kWh", 9_995_000: "10.0 kWh", 310_000_000: "310.0 kWh", 999_949_000: "999.9 kWh", 999_950_000: "1.00 MWh",
		31_000_000_000: "31.0 MWh", 999_950_000_000: "1.00 GWh", 12_400_000_000_000: "12.4 GWh", -5_200_000: "−5.20 kWh",
	} {
		if got := plain(energy(in)); got != want {
			t.Errorf("energy(%d mWh) = %q, want %q", in, got, want)
		}
	}
}

func TestPercent(t *testing.T) {
	t.Parallel()
	for in, want := range map[float64]string{
		0: "0 %", 0.0001: "<0.1 %", 0.0005: "0.1 %", 0.342: "34.2 %", 0.9994: "99.9 %", 0.9996: ">99.9 %", 1: "100 %", 1.284: "128 %",
		-0.02: "−2.0 %", math.NaN(): "unknown", math.Inf(1): "unknown",
	} {
		if got := plain(percent(in)); got != want {
			t.Errorf("percent(%g) = %q, want %q", in, got, want)
		}
	}
	if got := plain(share(0.975)) + plain(share(0.95)); got != "97.5 %95 %" {
		t.Errorf("share gives %q", got)
	}
}

func TestDecimal(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		v      float64
		places int
		want   string
	}{
		"four digits stand together":        {9999, 0, "9999"},
		"five are set apart":                {12345.6, 1, "12'345.6"},
		"seven":                             {1234567, 0, "1'234'567"},
		"a true minus":                      {-3.25, 1, "−3.2"},
		"nothing left has no sign":          {-0.04, 1, "0.0"},
		"no number":                         {math.NaN(), 1, "unknown"},
		"rounding up can add a whole digit": {99999.96, 1, "100'000.0"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := plain(decimal(c.v, c.places)); got != c.want {
				t.Errorf("decimal(%g, %d) = %q, want %q", c.v, c.places, got, c.want)
			}
		})
	}
}

func TestQuantities(t *testing.T) {
	t.Parallel()
	cases := []struct{ got, want string }{
		{celsius(-640), "−6.4 °C"}, {celsius(0), "0.0 °C"},
		{rate(86_000), "0.086 C"}, {rate(310_000), "0.31 C"}, {rate(99_600), "0.10 C"},
		{pace(1.284), "1.28 ×"},
		{cycles(370.66), "370.7"}, {cycles(74870.4), "74'870"},
		{count(-12345), "−12'345"}, {plural(1, "unit", "units"), "1 unit"}, {plural(0, "unit", "units"), "0 units"},
		{bytesSize(812), "812 B"}, {bytesSize(812_000_000), "774.4 MiB"},
		{length(0), "0 s"}, {length(45 * analytics.Second), "45 s"}, {length(12 * analytics.Minute), "12 min"},
		{length(200 * analytics.Minute), "3 h 20 min"}, {length(124 * analytics.Hour), "5 d 4 h"}, {length(59_600), "1 min"},
	}
	for _, c := range cases {
		if plain(c.got) != c.want {
			t.Errorf("got %q, want %q", plain(c.got), c.want)
		}
	}
}

func TestAgo(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 11, 24, 14, 30, 0, 0, time.UTC)
	for before, want := range map[time.Duration]string{
		0: "just now", 59 * time.Second: "just now", -time.Minute: "just now", -2 * time.Minute: "in the future",
		time.Minute: "1 min ago", 59 * time.Minute: "59 min ago", 3 * time.Hour: "3 h ago", 47 * time.Hour: "47 h ago",
		48 * time.Hour: "2 days ago", 400 * 24 * time.Hour: "400 days ago",
	} {
		if got := plain(ago(analytics.InstantOf(now.Add(-before)), now)); got != want {
			t.Errorf("ago(%s) = %q, want %q", before, got, want)
		}
	}
}

func TestDates(t *testing.T) {
	t.Parallel()
	helsinki, err := time.LoadLocation("Europe/Helsinki")
	if err != nil {
		t.Fatal(err)
	}
	at := analytics.InstantOf(time.Date(2026, 7, 1, 22, 5, 0, 0, time.UTC))
	cases := []struct{ got, want string }{
		{date(at.Day()), "1 Jul 2026"}, {moment(at, nil), "1 Jul 2026, 22:05"}, {moment(at, helsinki), "2 Jul 2026, 01:05"},
		{machineTime(at), "2026-07-01T22:05:00Z"},
	}
	for _, c := range cases {
		if plain(c.got) != c.want {
			t.Errorf("got %q, want %q", plain(c.got), c.want)
		}
	}
}

func TestVisible(t *testing.T) {
	t.Parallel()
	cases := map[string]struct{ in, want string }{
		"plain text stays":                  {"HB5-20417, 3 °C", "HB5-20417, 3 °C"},
		"line ends and tabs are spelled":    {"a\tb\r\n", `a\tb\r\n`},
		"bytes that are no text":            {"a\xff\xfe", `a\xFF\xFE`},
		"a replacement character is a text": {"\ufffd", "\ufffd"},
		"characters that turn the writing":  {"abc\u202ecba", `abc\u{202E}cba`},
		"characters without width":          {"a\u200bb\x00", `a\u{200B}b\u{0}`},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := visible(c.in, 40); got != c.want {
				t.Errorf("visible(%q) = %q, want %q", c.in, got, c.want)
			}
		})
	}
	if got := visible("abcdef", 4); got != "abcd…" {
		t.Errorf("a long text gives %q", got)
	}
}

func TestCell(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		"": "", "HB5-1": "HB5-1", "=1+1": "'=1+1", "+1": "'+1", "-1": "'-1", "@SUM(A1)": "'@SUM(A1)", "\t=1": "'\t=1", "\r=1": "'\r=1", "a=1": "a=1",
	} {
		if got := cell(in); got != want {
			t.Errorf("cell(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestEndingWords(t *testing.T) {
	t.Parallel()
	cases := []struct {
		kind   analytics.ExcursionKind
		ending analytics.Ending
		want   string
	}{
		{analytics.ColdCharge, analytics.EndWithinLimit, "went on within the limit while still cold (curtailed, or short of power)"},
		{analytics.HotDischarge, analytics.EndWithinLimit, "went on within the limit while still hot (curtailed, or short of power)"},
		{analytics.ChargeRate, analytics.EndWithinLimit, "went on within the limit (curtailed, or short of power)"},
		{analytics.ColdCharge, analytics.EndLeft, "cells warmed up to where the limit no longer binds"},
		{analytics.DeepDischarge, analytics.EndLeft, "state of charge came back above the floor"},
		{analytics.HotRest, analytics.EndOpen, "still open: no later sample has come"},
		{analytics.ColdCharge, analytics.EndUnseen, "not known: a gap followed, or samples without a rate"},
	}
	for _, c := range cases {
		if got := endingWords(analytics.Excursion{Kind: c.kind, Ending: c.ending}); got != c.want {
			t.Errorf("%s, %s: %q, want %q", c.kind, c.ending, got, c.want)
		}
	}
	for k := range analytics.ExcursionKinds {
		kind := analytics.ExcursionKind(k)
		if kindName(kind) == kind.String() || kindMeaning(kind) == "" {
			t.Errorf("kind %s has no words", kind)
		}
	}
}

func TestReadWindow(t *testing.T) {
	t.Parallel()
	newest := analytics.InstantOf(time.Date(2026, 11, 24, 14, 30, 0, 0, time.UTC))
	cases := map[string]struct {
		span, until string
		from, to    string
		last        bool
	}{
		"a week up to the newest sample":        {"", "", "2026-11-17T14:30:00Z", "2026-11-24T14:30:00Z", true},
		"days are whole":                        {"90d", "", "2026-08-27T00:00:00Z", "2026-11-25T00:00:00Z", true},
		"an earlier day is included":            {"1d", "2026-11-20", "2026-11-20T00:00:00Z", "2026-11-21T00:00:00Z", false},
		"a day after the newest sample is none": {"1d", "2027-01-01", "2026-11-23T14:30:00Z", "2026-11-24T14:30:00Z", true},
		"nonsense falls back":                   {"100y", "soon", "2026-11-17T14:30:00Z", "2026-11-24T14:30:00Z", true},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := readWindow(c.span, c.until, newest)
			if machineTime(w.from) != c.from || machineTime(w.to) != c.to || w.last != c.last {
				t.Errorf("got %s to %s, last %t", machineTime(w.from), machineTime(w.to), w.last)
			}
		})
	}
}

func TestZoneWords(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 11, 24, 14, 30, 0, 0, time.UTC)
	for name, want := range map[string]string{"Europe/Helsinki": "Europe/Helsinki", "Etc/GMT-1": "fixed offset UTC+01:00", "Etc/GMT+7": "fixed offset UTC-07:00"} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		if got := zoneWords(name, zone, at); got != want {
			t.Errorf("zoneWords(%q) = %q, want %q", name, got, want)
		}
	}
}
