package decode_test

import (
	"fmt"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/ingest/decode"
)

func instant(t *testing.T, text string) analytics.Instant {
	t.Helper()
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		t.Fatal(err)
	}
	return analytics.InstantOf(at)
}

func TestTimes(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		profile, text, want string
		note                decode.NoteCode
	}{
		"UTC":                         {"", "2026-01-05T10:20:30Z", "2026-01-05T10:20:30Z", ""},
		"milliseconds":                {"", "2026-01-05T10:20:30.125Z", "2026-01-05T10:20:30.125Z", ""},
		"a comma fraction":            {"", `"2026-01-05T10:20:30,5Z"`, "2026-01-05T10:20:30.5Z", ""},
		"half a millisecond, up":      {"", "2026-01-05T10:20:30.1235Z", "2026-01-05T10:20:30.124Z", ""},
		"under half a millisecond":    {"", "2026-01-05T10:20:30.12349999Z", "2026-01-05T10:20:30.123Z", ""},
		"rounded into the next year":  {"", "2026-12-31T23:59:59.9996Z", "2027-01-01T00:00:00Z", ""},
		"an offset east":              {"", "2026-01-05T10:20:30+05:45", "2026-01-05T04:35:30Z", ""},
		"an offset west":              {"", "2026-01-05T10:20:30-0330", "2026-01-05T13:50:30Z", ""},
		"an offset of hours":          {"", "2026-01-05 10:20:30 +02", "2026-01-05T08:20:30Z", ""},
		"small letters":               {"", "2026-01-05t10:20:30z", "2026-01-05T10:20:30Z", ""},
		"no seconds":                  {"", "2026-01-05T10:20Z", "2026-01-05T10:20:00Z", ""},
		"29 February of a leap year":  {"", "2028-02-29T00:00:00Z", "2028-02-29T00:00:00Z", ""},
		"24:00:00":                    {"", "2026-02-28T24:00:00Z", "2026-03-01T00:00:00Z", decode.NoteTime24},
		"a leap second":               {"", "2016-12-31T23:59:60Z", "2016-12-31T23:59:59.999Z", decode.NoteLeapSecond},
		"a leap second east":          {"", "2017-01-01T08:59:60.5+09:00", "2016-12-31T23:59:59.999Z", decode.NoteLeapSecond},
		"epoch seconds":               {"", "1767571200", "2026-01-05T00:00:00Z", ""},
		"epoch milliseconds":          {"", "1767571200125", "2026-01-05T00:00:00.125Z", ""},
		"epoch with a fraction":       {"", "1767571200.1235", "2026-01-05T00:00:00.124Z", decode.NoteTimeFraction},
		"epoch with an exponent":      {"", "1.7675712e9", "2026-01-05T00:00:00Z", decode.NoteTimeFraction},
		"epoch microseconds by rule":  {"time_is: epoch-us", "1767571200000500", "2026-01-05T00:00:00.001Z", ""},
		"epoch nanoseconds by rule":   {"time_is: epoch-ns", "1767571200000499999", "2026-01-05T00:00:00Z", ""},
		"epoch milliseconds by rule":  {"time_is: epoch-ms", "1767571200125", "2026-01-05T00:00:00.125Z", ""},
		"local, winter":               {"zone: Europe/Helsinki", "2026-01-05 10:20:30", "2026-01-05T08:20:30Z", decode.NoteLocalTime},
		"local, summer":               {"zone: Europe/Helsinki", "2026-07-05T10:20:30", "2026-07-05T07:20:30Z", decode.NoteLocalTime},
		"local, before the gap":       {"zone: Europe/Helsinki", "2026-03-29T02:59:59.999", "2026-03-29T00:59:59.999Z", decode.NoteLocalTime},
		"local, behind the gap":       {"zone: Europe/Helsinki", "2026-03-29T04:00:00", "2026-03-29T01:00:00Z", decode.NoteLocalTime},
		"local, before the fold":      {"zone: Europe/Helsinki", "2026-10-25T02:59:59", "2026-10-24T23:59:59Z", decode.NoteLocalTime},
		"local, behind the fold":      {"zone: Europe/Helsinki", "2026-10-25T04:00:00", "2026-10-25T02:00:00Z", decode.NoteLocalTime},
		"local, half-hour summertime": {"zone: Australia/Lord_Howe", "2026-07-05T10:00:00", "2026-07-04T23:30:00Z", decode.NoteLocalTime},
		"local zone, own offset":      {"zone: Europe/Helsinki", "2026-10-25T03:30:00+02:00", "2026-10-25T01:30:00Z", ""},
		"local 24:00":                 {"zone: Europe/Helsinki", "2026-01-05 24:00:00", "2026-01-05T22:00:00Z", decode.NoteTime24},
		"day first":                   {"{zone: Europe/Helsinki, date_order: dmy}", "5.1.2026 10:20:30", "2026-01-05T08:20:30Z", decode.NoteLocalTime},
		"month first":                 {"date_order: mdy", "01/05/2026 10:20Z", "2026-01-05T10:20:00Z", ""},
		"year first by any order":     {"date_order: dmy", "2026-01-05T10:20:30Z", "2026-01-05T10:20:30Z", ""},
		"relative":                    {"{time_is: relative-s, start: 2026-01-05T00:00:00.5Z}", "60.0025", "2026-01-05T00:01:00.503Z", ""},
		"relative minutes": {"{time_is: relative-s, start: 2026-01-05T00:00:00Z, fields: {time: {scale: 60}}}", "1.5",
			"2026-01-05T00:01:30Z", ""},
	}
	for name, c := range cases {
		opt := decode.Options{Profile: parseProfile(t, c.profile)}
		k, rep := read(t, "unit,time\nHB5-1,"+c.text+"\n", opt)
		if len(k.rows) != 1 {
			t.Errorf("%s: %+v", name, k.problems)
			continue
		}
		if got, want := k.rows[0].Sample.Time, instant(t, c.want); got != want {
			t.Errorf("%s: %s gives %s, want %s", name, c.text, got.Time().Format(time.RFC3339Nano), c.want)
		}
		if c.note != "" && rep.Noted(c.note) != 1 || c.note == "" && len(rep.Notes) > 0 {
			t.Errorf("%s: notes %v, want %q", name, rep.Notes, c.note)
		}
	}
}

func TestTimesThatAreNone(t *testing.T) {
	t.Parallel()
	cases := map[string]struct{ profile, text, want string }{
		"no zone":                     {"", "2026-01-05T10:20:30", decode.ReasonTimeWithoutZone},
		"an abbreviation":             {"", "2026-01-05T10:20:30 IST", decode.ReasonTimeZoneAbbreviation},
		"an abbreviation, zone known": {"zone: Asia/Kolkata", "2026-01-05T10:20:30IST", decode.ReasonTimeZoneAbbreviation},
		"two digits of a year":        {"", "26-01-05T10:20:30Z", decode.ReasonTimeTwoDigitYear},
		"two digits by any order":     {"date_order: dmy", "05.01.26 10:20:30Z", decode.ReasonTimeTwoDigitYear},
		"day or month":                {"", "03/04/2026 10:20Z", decode.ReasonTimeAmbiguousDate},
		"29 February":                 {"", "2026-02-29T00:00:00Z", decode.ReasonTimeImpossible},
		"29 February of 2100":         {"", "2100-02-29T00:00:00Z", decode.ReasonTimeImpossible},
		"month 13":                    {"", "2026-13-01T00:00:00Z", decode.ReasonTimeImpossible},
		"31 April":                    {"", "2026-04-31T00:00:00Z", decode.ReasonTimeImpossible},
		"hour 25":                     {"", "2026-01-05T25:00:00Z", decode.ReasonTimeImpossible},
		"24:00:01":                    {"", "2026-01-05T24:00:01Z", decode.ReasonTimeImpossible},
		"minute 60":                   {"", "2026-01-05T23:60:00Z", decode.ReasonTimeImpossible},
		"second 60 at noon":           {"", "2026-01-05T12:00:60Z", decode.ReasonTimeImpossible},
		"second 60 within a month":    {"", "2026-01-05T23:59:60Z", decode.ReasonTimeImpossible},
		"an offset of 99 hours":       {"", "2026-01-05T10:00:00+99:00", decode.ReasonTimeImpossible},
		"the clock's beginning":       {"", "1970-01-01T00:00:00Z", decode.ReasonTimeClockDefault},
		"the year 2000":               {"", "2000-01-01T00:00:00Z", decode.ReasonTimeClockDefault},
		"the satellite's beginning":   {"", "315964800", decode.ReasonTimeClockDefault},
		"the last second of 2009":     {"", "1262303999", decode.ReasonTimeClockDefault},
		"before 1970":                 {"", "-5", decode.ReasonTimeClockDefault},
		"a day number of a sheet":     {"", "46027.5", decode.ReasonTimeSpreadsheet},
		"microseconds":                {"", "1767571200000000", decode.ReasonTimeUnit},
		"milliseconds as seconds":     {"time_is: epoch-s", "1767571200000", decode.ReasonTimeUnit},
		"seconds as milliseconds":     {"time_is: epoch-ms", "1767571200", decode.ReasonTimeClockDefault},
		"between both sizes":          {"", "4102444801", decode.ReasonTimeUnit},
		"text where epochs are":       {"time_is: epoch-s", "2026-01-05T00:00:00Z", decode.ReasonTimeUnreadable},
		"an epoch where text is":      {"time_is: rfc3339", "1767571200", decode.ReasonTimeUnreadable},
		"a date alone":                {"", "2026-01-05", decode.ReasonTimeUnreadable},
		"a time alone":                {"", "10:20:30Z", decode.ReasonTimeUnreadable},
		"an empty fraction":           {"", "2026-01-05T10:20:30.Z", decode.ReasonTimeUnreadable},
		"words":                       {"", "noon", decode.ReasonTimeUnreadable},
		"a bad offset":                {"", "2026-01-05T10:20:30+2:00", decode.ReasonTimeUnreadable},
		"nothing":                     {"", "", decode.ReasonMissingTime},
		"the hour that is skipped":    {"zone: Europe/Helsinki", "2026-03-29T03:30:00", decode.ReasonTimeSkipped},
		"the hour that comes twice":   {"zone: Europe/Helsinki", "2026-10-25T03:30:00", decode.ReasonTimeTwice},
		"the half-hour that is twice": {"zone: Australia/Lord_Howe", "2026-04-05T01:45:00", decode.ReasonTimeTwice},
		"the day that is skipped":     {"zone: Pacific/Apia", "2011-12-30T12:00:00", decode.ReasonTimeSkipped},
		"relative by words":           {"{time_is: relative-s, start: 2026-01-05T00:00:00Z}", "1 min", decode.ReasonTimeUnreadable},
		"relative, absurd":            {"{time_is: relative-s, start: 2026-01-05T00:00:00Z}", "1e30", decode.ReasonTimeUnit},
	}
	for name, c := range cases {
		opt := decode.Options{Profile: parseProfile(t, c.profile)}
		k, _ := read(t, "unit,time\nHB5-1,"+c.text+"\n", opt)
		if len(k.problems) != 1 || k.problems[0].Reason != c.want || k.problems[0].Field != "time" {
			t.Errorf("%s: %q gives %+v %+v, want %s", name, c.text, k.rows, k.problems, c.want)
		}
	}
}

// Every hour of a year with both changes of clocks: what was written in local
// time is found again, but for the hour that is written twice.
func TestLocalTimesOfAYear(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"Europe/Helsinki", "America/St_Johns", "Australia/Lord_Howe", "Africa/Casablanca"} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		opt := decode.Options{Profile: parseProfile(t, "zone: "+name)}
		body := []byte("unit,time\n")
		var want []analytics.Instant
		for at := time.Date(2026, 1, 2, 0, 15, 0, 0, time.UTC); at.Year() == 2026; at = at.Add(30 * time.Minute) {
			body = fmt.Appendf(body, "HB5-1,%s\n", at.In(zone).Format("2006-01-02T15:04:05"))
			want = append(want, analytics.InstantOf(at))
		}
		k, _ := read(t, string(body), opt)
		for _, p := range k.problems {
			if p.Reason != decode.ReasonTimeTwice {
				t.Errorf("%s: %+v", name, p)
			}
		}
		if n := len(k.problems); n == 0 || n > 8 {
			t.Errorf("%s: %d times that come twice", name, n)
		}
		for _, row := range k.rows {
			if w := want[row.Line-2]; row.Sample.Time != w {
				t.Errorf("%s line %d: %d, want %d", name, row.Line, row.Sample.Time, w)
			}
		}
	}
}
