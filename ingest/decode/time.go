package decode

import (
	"time"

	"fadeledger/analytics"
	"fadeledger/ingest/profile"
)

// clockDefault is 2010-01-01T00:00:00Z. No unit of this kind reported before;
// clocks that were never set show 1970, 1980, 2000 or a build date.
const clockDefault analytics.Instant = 1_262_304_000_000

// setTime takes the text of a time.
func (d *Decoder) setTime(c *column, text []byte, style numberStyle) {
	kind := profile.TimeAuto
	if d.prof != nil {
		kind = d.prof.Time
	}
	var t analytics.Instant
	var reason string
	switch {
	case kind == profile.TimeRelativeSeconds:
		x, bad := parseDecimal(text, style)
		if bad != "" {
			d.fail(ReasonTimeUnreadable, c.name, "%s is no number of seconds", excerpt(text))
			return
		}
		span, ok := c.scale.integer(x)
		if t = d.prof.Start + analytics.Instant(span); !ok || span > 1e13 || span < -1e13 {
			reason = ReasonTimeUnit
		}
	case kind != profile.TimeRFC3339 && (kind != profile.TimeAuto || epochLike(text)):
		t, reason = d.epoch(kind, text, style)
	default:
		t, reason = d.written(text)
	}
	if reason == "" && t < clockDefault {
		reason = ReasonTimeClockDefault
	}
	if reason != "" {
		d.fail(reason, c.name, "%s: %s", excerpt(text), timeWords(reason))
		return
	}
	d.row.Sample.Time = t
	d.seen |= seenTime
}

func timeWords(reason string) string {
	for i := range reasonTable {
		if reasonTable[i].Code == reason {
			return reasonTable[i].Meaning
		}
	}
	return reason
}

// epochLike reports whether a text can only be a number.
func epochLike(text []byte) bool {
	for i, c := range text {
		if c-'0' > 9 && c != '.' && c != ',' && (c != '-' && c != '+' || i > 0 && text[i-1] != 'e' && text[i-1] != 'E') && c != 'e' && c != 'E' {
			return false
		}
	}
	return len(text) > 0 && digitsAt(text, len(text)-1) == 1 && !dotted(text)
}

// dotted recognises dd.mm.yy and longer, which are dates.
func dotted(text []byte) bool {
	n := 0
	for _, c := range text {
		if c == '.' {
			n++
		}
	}
	return n > 1
}

// The sizes that tell seconds from milliseconds: both end at 2100-01-01.
const (
	maxEpochMillis  = 4_102_444_800_000
	maxEpochSeconds = 4_102_444_800
)

// epoch reads an epoch time in the profile's unit, or tells seconds from
// milliseconds by size.
func (d *Decoder) epoch(kind profile.TimeKind, text []byte, style numberStyle) (analytics.Instant, string) {
	x, reason := parseDecimal(text, style)
	if reason != "" {
		return 0, ReasonTimeUnreadable
	}
	if digitsAt(text, 0) != len(text) {
		d.rowNotes |= rowTimeFraction
	}
	places := 0
	switch kind {
	case profile.TimeEpochSeconds:
		places = 3
	case profile.TimeEpochMicros:
		places = -3
	case profile.TimeEpochNanos:
		places = -6
	case profile.TimeAuto:
		seconds, ok := shift(x.mantissa, x.exp)
		switch {
		case !ok || seconds >= maxEpochMillis:
			return 0, ReasonTimeUnit
		case !x.negative && seconds >= 20_000 && seconds < 80_000:
			return 0, ReasonTimeSpreadsheet
		case seconds < maxEpochSeconds:
			places = 3
		case seconds < int64(clockDefault):
			// Between both sizes: seconds after 2100, or milliseconds before 2010.
			return 0, ReasonTimeUnit
		}
	}
	t, ok := shift(x.mantissa, x.exp+places)
	if x.negative {
		t = -t
	}
	if !ok || t >= maxEpochMillis {
		return 0, ReasonTimeUnit
	}
	return analytics.Instant(t), ""
}

// civil is a date and a time of day as written.
type civil struct {
	year, month, day, hour, minute, second int
	milli                                  int64
}

// written reads a date and time in words of RFC 3339, section 5.6, and the
// looser forms that a profile allows.
func (d *Decoder) written(text []byte) (analytics.Instant, string) {
	var c civil
	rest, reason := d.datePart(text, &c)
	if reason != "" {
		return 0, reason
	}
	if rest, reason = clockPart(rest, &c); reason != "" {
		return 0, reason
	}
	for len(rest) > 0 && rest[0] == ' ' {
		rest = rest[1:]
	}
	offset, local, reason := zonePart(rest)
	if reason != "" {
		return 0, reason
	}
	if reason := d.check(&c); reason != "" {
		return 0, reason
	}
	if local {
		return d.localTime(&c)
	}
	t := c.utc() - analytics.Instant(offset)*analytics.Instant(analytics.Minute)
	return d.leap(&c, t)
}

// datePart reads the date and the separator after it.
func (d *Decoder) datePart(text []byte, c *civil) (rest []byte, reason string) {
	order := profile.YearMonthDay
	if d.prof != nil {
		order = d.prof.DateOrder
	}
	var part, width [3]int
	i := 0
	var sep byte
	for k := range part {
		if width[k] = digitsAt(text, i); width[k] == 0 || width[k] > 4 {
			return nil, ReasonTimeUnreadable
		}
		for end := i + width[k]; i < end; i++ {
			part[k] = part[k]*10 + int(text[i]-'0')
		}
		if k == 2 {
			break
		}
		if i >= len(text) || text[i] != '-' && text[i] != '/' && text[i] != '.' || k == 1 && text[i] != sep {
			return nil, ReasonTimeUnreadable
		}
		sep = text[i]
		i++
	}
	if width == [3]int{4, 2, 2} && sep == '-' {
		// Whatever the order of the source, a date that begins with the year
		// means one thing.
		order = profile.YearMonthDay
	}
	switch {
	case width[0] <= 2 && width[1] <= 2 && width[2] <= 2:
		return nil, ReasonTimeTwoDigitYear
	case order == profile.YearMonthDay && width[2] == 4:
		return nil, ReasonTimeAmbiguousDate
	case order == profile.YearMonthDay && (width != [3]int{4, 2, 2} || sep != '-'),
		order != profile.YearMonthDay && (width[0] > 2 || width[1] > 2 || width[2] != 4):
		return nil, ReasonTimeUnreadable
	}
	switch order {
	case profile.YearMonthDay:
		c.year, c.month, c.day = part[0], part[1], part[2]
	case profile.DayMonthYear:
		c.year, c.month, c.day = part[2], part[1], part[0]
	case profile.MonthDayYear:
		c.year, c.month, c.day = part[2], part[0], part[1]
	}
	if i >= len(text) || text[i] != 'T' && text[i] != 't' && text[i] != ' ' {
		return nil, ReasonTimeUnreadable
	}
	return text[i+1:], ""
}

// clockPart reads hh:mm, hh:mm:ss or hh:mm:ss.fff.
func clockPart(text []byte, c *civil) (rest []byte, reason string) {
	for k, to := range [3]*int{&c.hour, &c.minute, &c.second} {
		if k > 0 {
			if len(text) == 0 || text[0] != ':' {
				if k == 2 {
					return text, ""
				}
				return nil, ReasonTimeUnreadable
			}
			text = text[1:]
		}
		if digitsAt(text, 0) != 2 {
			return nil, ReasonTimeUnreadable
		}
		*to = int(text[0]-'0')*10 + int(text[1]-'0')
		text = text[2:]
	}
	if len(text) == 0 || text[0] != '.' && text[0] != ',' {
		return text, ""
	}
	n := digitsAt(text, 1)
	if n == 0 {
		return nil, ReasonTimeUnreadable
	}
	for k := range 4 {
		digit := int64(0)
		if k < n {
			digit = int64(text[1+k] - '0')
		}
		switch {
		case k < 3:
			c.milli = c.milli*10 + digit
		case digit >= 5:
			c.milli++
		}
	}
	return text[1+n:], ""
}

// zonePart reads Z, an offset or nothing; the offset is in minutes east.
func zonePart(text []byte) (offset int, local bool, reason string) {
	if len(text) == 0 {
		return 0, true, ""
	}
	if len(text) == 1 && (text[0] == 'Z' || text[0] == 'z') {
		return 0, false, ""
	}
	if text[0] != '+' && text[0] != '-' {
		for _, c := range text {
			if (c < 'A' || c > 'Z') && (c < 'a' || c > 'z') {
				return 0, false, ReasonTimeUnreadable
			}
		}
		return 0, false, ReasonTimeZoneAbbreviation
	}
	digits := text[1:]
	if len(digits) == 5 && digits[2] == ':' {
		digits = append(append(make([]byte, 0, 4), digits[:2]...), digits[3:]...)
	}
	if len(digits) != 2 && len(digits) != 4 || digitsAt(digits, 0) != len(digits) {
		return 0, false, ReasonTimeUnreadable
	}
	hours, minutes := int(digits[0]-'0')*10+int(digits[1]-'0'), 0
	if len(digits) == 4 {
		minutes = int(digits[2]-'0')*10 + int(digits[3]-'0')
	}
	if hours > 23 || minutes > 59 {
		return 0, false, ReasonTimeImpossible
	}
	if offset = hours*60 + minutes; text[0] == '-' {
		offset = -offset
	}
	return offset, false, ""
}

// check refuses dates and times of day that do not exist.
func (d *Decoder) check(c *civil) string {
	switch {
	case c.year == 0, c.month < 1 || c.month > 12, c.day < 1 || c.day > daysIn(c.year, c.month):
		return ReasonTimeImpossible
	case c.hour == 24 && c.minute == 0 && c.second == 0 && c.milli == 0:
		d.rowNotes |= rowTime24
		return ""
	case c.hour > 23 || c.minute > 59 || c.second > 60:
		return ReasonTimeImpossible
	}
	return ""
}

func daysIn(year, month int) int {
	return time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

// utc gives the instant when the written time is taken as UTC. A leap second
// counts as the first second of the next minute here; see leap.
func (c *civil) utc() analytics.Instant {
	t := time.Date(c.year, time.Month(c.month), c.day, c.hour, c.minute, c.second, 0, time.UTC)
	return analytics.Instant(t.UnixMilli() + c.milli)
}

// leap maps second 60 to the last millisecond before it. It exists only at
// the end of a month in UTC.
func (d *Decoder) leap(c *civil, t analytics.Instant) (analytics.Instant, string) {
	if c.second != 60 {
		return t, ""
	}
	minute := t - analytics.Instant(c.milli)
	if next := minute.Time(); next.Day() != 1 || next.Hour() != 0 || next.Minute() != 0 {
		return 0, ReasonTimeImpossible
	}
	d.rowNotes |= rowLeapSecond
	return minute - 1, ""
}

// localTime places a local time in the profile's zone.
func (d *Decoder) localTime(c *civil) (analytics.Instant, string) {
	if d.prof == nil || d.prof.Zone == nil {
		return 0, ReasonTimeWithoutZone
	}
	d.rowNotes |= rowLocalTime
	wall := c.utc()
	var found [3]analytics.Instant
	n := 0
	// The offsets in force a day and more before and after cover both sides of
	// any change of clocks near wall.
	for _, probe := range [3]analytics.Instant{-26, 0, 26} {
		t := wall - zoneOffset(d.prof.Zone, wall+probe*analytics.Instant(analytics.Hour))
		if t+zoneOffset(d.prof.Zone, t) != wall {
			continue
		}
		known := false
		for _, other := range found[:n] {
			known = known || other == t
		}
		if !known {
			found[n] = t
			n++
		}
	}
	switch n {
	case 0:
		return 0, ReasonTimeSkipped
	case 1:
		return d.leap(c, found[0])
	}
	return 0, ReasonTimeTwice
}

func zoneOffset(zone *time.Location, t analytics.Instant) analytics.Instant {
	_, seconds := time.UnixMilli(int64(t)).In(zone).Zone()
	return analytics.Instant(seconds) * analytics.Instant(analytics.Second)
}
