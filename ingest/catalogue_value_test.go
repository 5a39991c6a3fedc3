package ingest_test

import (
	"fmt"
	"slices"
	"testing"

	"fadeledger/analytics"
	"fadeledger/ingest/decode"
)

func badTimes() []badInput {
	bad := func(n int, time, code string) badInput {
		return badInput{n: n, name: "time " + time, body: head + row(time) + good2, want: quarantined, code: code, good: 1}
	}
	by := func(n int, time, profile, code string) badInput {
		return badInput{n: n, name: "time " + time + " by the profile", body: head + row(time), profile: profile, want: quarantined, code: code}
	}
	ok := func(n int, time string) badInput {
		return badInput{n: n, name: "time " + time, body: head + row(time), want: accepted, good: 1}
	}
	told := func(n int, time, profile, code string) badInput {
		return badInput{n: n, name: "time " + time, body: head + row(time), profile: profile, want: noted, code: code, good: 1}
	}
	const helsinki = "zone: Europe/Helsinki"
	at := func(c badInput, want analytics.Instant) badInput {
		c.check = func(t *testing.T, in analytics.Incoming) {
			if len(in.Units) != 1 || in.Units[0].Samples[0].Time != want {
				t.Errorf("units %+v, want %d", in.Units, want)
			}
		}
		return c
	}
	cases := []badInput{
		at(ok(69, "1772323200"), 1_772_323_200_000), at(ok(69, "1772323200123"), 1_772_323_200_123),
		{n: 69, name: "microseconds by the profile", body: head + row("1772323200123456"), profile: "time_is: epoch-us", want: accepted, good: 1},
		bad(69, "1772323200123456", decode.ReasonTimeUnit), by(69, "1772323200123", "time_is: epoch-s", decode.ReasonTimeUnit),
		by(69, "1772323200", "time_is: epoch-ms", decode.ReasonTimeClockDefault),
		at(told(70, "1772323200.123456789", "", "epoch-fraction"), 1_772_323_200_123), at(told(70, "1.7723232e9", "", "epoch-fraction"), 1_772_323_200_000),
		at(ok(71, "2026-03-01T02:00:00+02:00"), 1_772_323_200_000), ok(71, "2026-03-01T00:00:00Z"),
		at(ok(71, `"2026-03-01T00:00:00,5Z"`), 1_772_323_200_500),
		at(told(72, "2026-03-01 02:00:00", helsinki, "local-time"), 1_772_323_200_000),
		bad(73, "2026-03-01 02:00:00", decode.ReasonTimeWithoutZone), by(74, "2026-03-29 03:30:00", helsinki, decode.ReasonTimeSkipped),
		by(75, "2026-10-25 03:30:00", helsinki, decode.ReasonTimeTwice),
		bad(76, "2026-03-01 02:00:00 CST", decode.ReasonTimeZoneAbbreviation), bad(76, "2026-03-01T02:00:00IST", decode.ReasonTimeZoneAbbreviation),
		bad(77, "03/04/2025 10:00", decode.ReasonTimeAmbiguousDate), told(77, "03/04/2025 10:00", "{date_order: dmy, zone: UTC}", "local-time"),
		bad(78, "01.03.26 10:00", decode.ReasonTimeTwoDigitYear), bad(79, "45123.5", decode.ReasonTimeSpreadsheet),
		at(badInput{n: 79, name: "spreadsheet days by the profile", body: head + row("45123.5"), want: accepted, good: 1,
			profile: "{time_is: relative-s, start: 1899-12-30T00:00:00Z, fields: {time: {scale: 86400}}}"}, 1_689_508_800_000),
		bad(80, "1970-01-01T00:00:00Z", decode.ReasonTimeClockDefault), bad(80, "2000-01-01T00:00:12Z", decode.ReasonTimeClockDefault),
		bad(80, "1980-01-06T00:00:00Z", decode.ReasonTimeClockDefault),
		at(told(85, "2016-12-31T23:59:60Z", "", "leap-second"), 1_483_228_799_999), at(told(86, "2026-02-28T24:00:00Z", "", "time-24h"), 1_772_323_200_000),
		bad(90, "2026-02-29T00:00:00Z", decode.ReasonTimeImpossible), bad(90, "2026-13-01T00:00:00Z", decode.ReasonTimeImpossible),
		bad(90, "2026-03-01T25:00:00Z", decode.ReasonTimeImpossible),
	}
	return append(cases, timesInContext()...)
}

// timesInContext are times that are well written.
func timesInContext() []badInput {
	stepped := func(n int, name, choice string, minutes ...int) badInput {
		return badInput{
			n: n, name: name, want: judged, good: len(minutes), choice: choice,
			body: rowsAt(minutes...), check: func(t *testing.T, in analytics.Incoming) {
				r, a := count(in)
				sorted := slices.IsSortedFunc(r.Counting, func(a, b analytics.Sample) int { return int(a.Time - b.Time) })
				if !sorted || r.Conflicts != 0 || a.Counter.Samples() != int64(len(minutes)) {
					t.Errorf("resolved to %+v", r)
				}
			},
		}
	}
	return []badInput{
		{n: 81, name: "from the future", body: head + good1, want: accepted, good: 1, shown: "store/quarantine_test.go:TestFutureSamplesAreHeldAndReleased",
			choice: "known by when the broker stored it: from-the-future, released when its time has come"},
		{n: 82, name: "a little from the future", body: head + good1, want: accepted, good: 1, shown: "store/quarantine_test.go:TestFutureSamplesAreHeldAndReleased",
			choice: "up to ten minutes no note: every clock is off by something"},
		{n: 83, name: "before the unit was commissioned", body: head + row("2012-01-01T00:00:00Z"), want: accepted, good: 1,
			choice: "the ledger is the unit's, its warranty begins with the terms; a test run before is use, too"},
		{n: 84, name: "older than any horizon", body: head + row("2015-01-01T00:00:00Z"), want: accepted, good: 1,
			choice: "a backfill of years must count; late days are recounted however old"},
		stepped(87, "clock stepped back", "no boot number in the contract: the order is that of time, a clash of times a dispute", 10, 11, 12, 5, 6, 7),
		stepped(88, "clock jumped", "the gap is not covered time, as any gap", 10, 11, 200, 201),
		{n: 89, name: "one time, two contents", body: head + good1 + "HB5-1,2026-03-01T00:00:00Z,51\n" + good2, want: judged, good: 3,
			shown:  "store/disputes_test.go:TestVersionsInAnyOrderOfArrival",
			choice: "conflicting-sample: every version is held until a person chooses",
			check: func(t *testing.T, in analytics.Incoming) {
				if r, _ := count(in); r.Conflicts != 1 || len(r.Counting) != 1 || len(r.Others) != 2 {
					t.Errorf("resolved to %+v", r)
				}
			}},
	}
}

// rowsAt makes rows with a state of charge at minutes of a day.
func rowsAt(minutes ...int) string {
	body := head
	for i, m := range minutes {
		body += fmt.Sprintf("HB5-1,%d,%d\n", 1_772_323_200+60*m, 50+i)
	}
	return body
}

func badValues() []badInput {
	bad := func(n int, field, value, code string) badInput {
		return badInput{n: n, name: field + " " + value, body: one(field, value), want: quarantined, code: code}
	}
	absent := func(value string) badInput {
		return badInput{n: 96, name: "sensor " + value, body: one("cell_temp_c,soc_pct", value+",50"), want: noted, code: "sensor-default", good: 1,
			check: func(t *testing.T, in analytics.Incoming) {
				if s := in.Units[0].Samples[0]; s.Has != analytics.HasSoC || s.SoC != 500 {
					t.Errorf("sample %+v, want the state of charge alone", s)
				}
			}}
	}
	looks := func(n int, name, code, header string, samples, step int, cells func(i int) string, choice string) badInput {
		return badInput{n: n, name: name, body: series(header, samples, step, cells), want: noted, code: code, good: samples, choice: choice}
	}
	clamped := func(value string, want analytics.SoC) badInput {
		return badInput{n: 92, name: "soc_pct " + value, body: one("soc_pct", value), want: noted, code: "soc-clamped", good: 1,
			check: func(t *testing.T, in analytics.Incoming) {
				if got := in.Units[0].Samples[0].SoC; got != want {
					t.Errorf("%d, want %d", got, want)
				}
			}}
	}
	const told = "told and counted: the suffix decides, never a guess from the values; a person mends the profile"
	return []badInput{
		looks(91, "fraction as percent", "soc-looks-like-fraction", "soc_pct", 300, 5, func(i int) string { return fmt.Sprintf("0.%d", 1+i/10%9) }, told),
		clamped("100.4", 1000), clamped("-0.3", 0),
		bad(93, "soc_pct", "255", decode.ReasonSentinelValue), bad(93, "soc_pct", "65535", decode.ReasonSentinelValue), bad(93, "soc_pct", "-1", decode.ReasonSentinelValue),
		looks(94, "°F as °C", "temp-looks-like-fahrenheit", "cell_temp_c", 300, 5, func(i int) string { return fmt.Sprint(60 + i%30) }, told),
		bad(95, "cell_temp_c", "298.15", decode.ReasonTempOutOfRange),
		absent("-40"), absent("85"), absent("-32768"), absent("-3276.8"), absent("327.67"),
		looks(97, "Wh as kWh, against the power", "counters-disagree", "power_w,charge_kwh,discharge_kwh", 300, 5,
			func(i int) string { return fmt.Sprintf("1200,%d,0", 5000+i*100) }, "no step of the counters that the unit cannot make is counted either way"),
		looks(98, "kW as W, against voltage and current", "power-disagrees", "power_w,voltage_v,current_a", 40, 5,
			func(int) string { return "2.5,51.2,48.8" }, told),
		looks(98, "mA as A, against the power", "power-disagrees", "power_w,voltage_v,current_a", 40, 5,
			func(int) string { return "250,51.2,4880" }, told),
		bad(98, "power_kw", "2500", decode.ReasonPowerOutOfRange), bad(98, "current_a", "48800", decode.ReasonCurrentOutOfRange),
		bad(98, "voltage_v", "51200", decode.ReasonVoltageOutOfRange),
		{n: 99, name: "K among °C", body: series("cell_temp_c", 4, 5, func(i int) string { return []string{"21", "294.2", "22", "295.1"}[i] }),
			want: quarantined, code: decode.ReasonTempOutOfRange, bad: 2, good: 2, choice: "where no range tells, case 97 and 98 do"},
		looks(100, "sign flipped", "sign-flipped", "soc_pct,power_w", 60, 5, func(i int) string { return fmt.Sprintf("%d,-2000", 20+i) },
			"told and counted: a flip is reported, never silently mended or kept out"),
	}
}

// counting makes a case of one counter, a reading a quarter of an hour; the
// count must have the energy, in Wh, and the events.
func counting(n int, name, choice string, wh int, events []analytics.EventKind, kwh ...string) badInput {
	return badInput{
		n: n, name: name, want: judged, good: len(kwh), choice: choice,
		body: series("charge_kwh,discharge_kwh", len(kwh), 15, func(i int) string { return kwh[i] + ",7" }),
		check: func(t *testing.T, in analytics.Incoming) {
			_, a := count(in)
			var kinds []analytics.EventKind
			for _, e := range a.Events {
				kinds = append(kinds, e.Kind)
			}
			if got := a.Counter.Total().Charge; got != analytics.MicrowattHours(wh)*1_000_000 || !slices.Equal(kinds, events) {
				t.Errorf("%d µWh and the events %v, want %d Wh and %v", got, kinds, wh, events)
			}
		},
	}
}

func badCounters() []badInput {
	const reset, implausible = analytics.CounterReset, analytics.CounterImplausible
	kinds := func(k ...analytics.EventKind) []analytics.EventKind { return k }
	const rule = "an event of the ledger, not quarantine: the reading is true, its step is judged"
	return []badInput{
		counting(101, "counter a little back", rule, 500, kinds(reset), "5000", "5000.5", "5000.4", "5000.4"),
		counting(102, "counter to zero and back", rule, 500, kinds(reset, implausible), "5000", "5000.5", "0", "5000.5"),
		counting(103, "counter to zero and on", rule, 1000, kinds(reset), "5000", "5000.5", "0.1", "0.5"),
		counting(104, "counter rolls over", rule, 700, kinds(reset), "65535.3", "65535.8", "0.2"),
		counting(105, "spike", rule, 500, kinds(implausible, reset), "5000", "9000", "5000.2", "5000.7"),
		counting(106, "more than the unit can", rule, 500, kinds(implausible), "5000", "5000.5", "5100"),
		{n: 107, name: "unit swapped", body: head + good1 + "HB5-2,2026-03-01T00:01:00Z,90\n", want: accepted, good: 2,
			shown: "store/registry_test.go:TestAUnitThatMovesKeepsItsLedger", choice: "another serial is another unit, with a ledger of its own"},
		{n: 108, name: "one serial at two sites", body: head + good1 + good2, want: judged, good: 2,
			choice: "in dispute where the times meet; where they do not, nothing can tell",
			check: func(t *testing.T, in analytics.Incoming) {
				r, _ := count(in, also(t, "c-99", head+"HB5-1,2026-03-01T00:00:00Z,80\nHB5-1,2026-03-01T00:01:00Z,81\n"))
				if r.Conflicts != 2 || len(r.Counting) != 0 {
					t.Errorf("resolved to %+v", r)
				}
			}},
		counting(109, "control board replaced", "an event of the ledger; the serial goes on", 800, kinds(reset), "5000", "5000.5", "0.05", "0.3"),
		{n: 110, name: "stuck state of charge", body: series("soc_pct,power_w", 100, 5, func(int) string { return "63,1500" }),
			want: noted, code: "value-stuck", good: 100},
		{n: 110, name: "stuck temperature", body: series("cell_temp_c,power_w", 200, 5, func(int) string { return "21.3,1500" }),
			want: noted, code: "value-stuck", good: 200, choice: "twelve hours for a temperature: cells in a heated room do stay for six"},
		{n: 111, name: "gap", body: series("charge_kwh,discharge_kwh,power_w", 2, 300, func(i int) string { return fmt.Sprintf("%d,7,1000", 5000+i*5) }), want: judged, good: 2,
			choice: "the counters bridge it, time does not", check: func(t *testing.T, in analytics.Incoming) {
				_, a := count(in)
				if a.Counter.Covered() != 0 || a.Counter.Energy()[analytics.ByCounter].Charge != 5_000_000_000 {
					t.Errorf("covered %d, energy %+v", a.Counter.Covered(), a.Counter.Energy())
				}
			}},
		{n: 112, name: "one file twice, and overlapping ones", body: head + good1 + good2, want: judged, good: 2,
			shown: "store/redelivery_test.go:TestRedelivery", check: func(t *testing.T, in analytics.Incoming) {
				r, a := count(in, in, also(t, "files", head+good2+"HB5-1,2026-03-01T00:02:00Z,52\n"))
				if r.Duplicates != 3 || a.Counter.Samples() != 3 || r.Conflicts != 0 {
					t.Errorf("resolved to %+v", r)
				}
			}},
	}
}
