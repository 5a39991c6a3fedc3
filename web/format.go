package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"fadeledger/analytics"
)

const (
	// nbsp keeps a number and its unit on one line.
	nbsp = "\u00a0"
	// thin stands between thousands.
	thin  = "\u202f"
	minus = "−"
)

// decimal writes v with a fixed number of places, thousands set apart and a
// true minus sign. Not a number and infinities give "unknown".
func decimal(v float64, places int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "unknown"
	}
	s := strconv.FormatFloat(math.Abs(v), 'f', places, 64)
	whole, fraction, _ := strings.Cut(s, ".")
	var b strings.Builder
	if v < 0 && strings.Trim(s, "0.") != "" {
		b.WriteString(minus)
	}
	for i := range len(whole) {
		if i > 0 && (len(whole)-i)%3 == 0 && len(whole) > 4 {
			b.WriteString(thin)
		}
		b.WriteByte(whole[i])
	}
	if fraction != "" {
		b.WriteByte('.')
		b.WriteString(fraction)
	}
	return b.String()
}

// count writes a whole number: 9999, 12 345.
func count(n int64) string { return decimal(float64(n), 0) }

// plural writes a count with its noun: 1 unit, 2 units.
func plural(n int64, one, many string) string {
	if n == 1 {
		return "1" + nbsp + one
	}
	return count(n) + nbsp + many
}

// energy writes an energy in the unit that suits its size: Wh below 1 kWh,
// kWh below 1 MWh, MWh below 1 GWh, GWh beyond.
//   - zero: 0 kWh
//   - above zero but below a watt-hour: <1 Wh
func energy(e analytics.MilliwattHours) string {
	wh := float64(e) / 1000
	switch size := math.Abs(wh); {
	case e == 0:
		return "0" + nbsp + "kWh"
	case size < 1:
		return "<1" + nbsp + "Wh"
	case size < 999.5:
		return decimal(wh, 0) + nbsp + "Wh"
	case size < 999_950:
		return threeDigits(wh/1e3) + nbsp + "kWh"
	case size < 999_950_000:
		return threeDigits(wh/1e6) + nbsp + "MWh"
	default:
		return threeDigits(wh/1e9) + nbsp + "GWh"
	}
}

// flow writes an energy that is kept in µWh.
func flow(e analytics.MicrowattHours) string { return energy(e.Round()) }

// threeDigits writes two places below 10 and one from there on.
func threeDigits(v float64) string {
	if math.Abs(v) < 9.995 {
		return decimal(v, 2)
	}
	return decimal(v, 1)
}

// percent writes a fraction in percent: one place below 99.95 %, none from
// there on; what is above zero never shows as zero, and what is below one
// never as 100 %.
func percent(f float64) string {
	p := f * 100
	switch {
	case math.IsNaN(p) || math.IsInf(p, 0):
		return "unknown"
	case p > 0 && p < 0.05:
		return "<0.1" + nbsp + "%"
	case p < 100 && p >= 99.95:
		return ">99.9" + nbsp + "%"
	case p >= 99.95 || p == 0:
		return decimal(p, 0) + nbsp + "%"
	default:
		return decimal(p, 1) + nbsp + "%"
	}
}

// share writes a fraction that was agreed on, not measured, in percent and
// without places that say nothing: 95 %, 97.5 %.
func share(f float64) string {
	return strings.TrimSuffix(decimal(f*100, 1), ".0") + nbsp + "%"
}

// pace writes how many times as fast as its term a unit spends its life.
func pace(p float64) string { return decimal(p, 2) + nbsp + "×" }

// cycles writes equivalent full cycles: one place below 1000, none beyond.
func cycles(n float64) string {
	if n < 999.95 {
		return decimal(n, 1)
	}
	return decimal(n, 0)
}

// celsius writes a temperature with one place.
func celsius(c analytics.CentiCelsius) string { return decimal(c.Celsius(), 1) + nbsp + "°C" }

// rate writes a C-rate with two places, three below 0.1 C.
func rate(r analytics.MicroC) string {
	if r.C() < 0.0995 {
		return decimal(r.C(), 3) + nbsp + "C"
	}
	return decimal(r.C(), 2) + nbsp + "C"
}

// length writes a span of time in its two largest parts: 45 s, 12 min,
// 3 h 20 min, 5 d 4 h.
func length(m analytics.Millis) string {
	s := int64(math.Round(m.Seconds()))
	part := func(n int64, unit string) string { return strconv.FormatInt(n, 10) + nbsp + unit }
	two := func(a int64, ua string, b int64, ub string) string {
		if b == 0 {
			return part(a, ua)
		}
		return part(a, ua) + nbsp + part(b, ub)
	}
	switch {
	case s < 60:
		return part(s, "s")
	case s < 3600:
		return two(s/60, "min", s%60, "s")
	case s < 86400:
		return two(s/3600, "h", s%3600/60, "min")
	default:
		return two(s/86400, "d", s%86400/3600, "h")
	}
}

// ago says how long before now an instant lies, in its largest unit.
//   - less than a minute before, or at most a minute after: just now
//   - later than that: in the future
func ago(at analytics.Instant, now time.Time) string {
	d := now.Sub(at.Time())
	switch {
	case d < -time.Minute:
		return "in the future"
	case d < time.Minute:
		return "just now"
	case d < time.Hour:
		return fmt.Sprintf("%d%smin ago", int(d.Minutes()), nbsp)
	case d < 48*time.Hour:
		return fmt.Sprintf("%d%sh ago", int(d.Hours()), nbsp)
	default:
		return fmt.Sprintf("%s%sdays ago", count(int64(d.Hours()/24)), nbsp)
	}
}

// date writes a day: 2 Apr 2031.
func date(d analytics.Day) string { return d.Start().Time().Format("2" + nbsp + "Jan" + nbsp + "2006") }

// moment writes an instant in a zone: 2 Apr 2031, 14:05. Nil means UTC.
func moment(i analytics.Instant, zone *time.Location) string {
	t := i.Time()
	if zone != nil {
		t = t.In(zone)
	}
	return t.Format("2" + nbsp + "Jan" + nbsp + "2006, 15:04")
}

// machineTime writes an instant for the datetime attribute.
func machineTime(i analytics.Instant) string { return i.Time().Format(time.RFC3339) }

// bytesSize writes a size: 812 B, 3.4 MiB.
func bytesSize(n uint64) string {
	units := []string{"B", "KiB", "MiB", "GiB", "TiB"}
	v, k := float64(n), 0
	for v >= 1024 && k < len(units)-1 {
		v /= 1024
		k++
	}
	if k == 0 {
		return decimal(v, 0) + nbsp + units[k]
	}
	return decimal(v, 1) + nbsp + units[k]
}

// visible makes bytes readable and harmless on a page: bytes that are no UTF-8
// become \xNN, and characters that show nothing or steer the writing direction
// become \u{N}. The result has at most limit runes, then an ellipsis.
func visible(raw string, limit int) string {
	var b strings.Builder
	for n := 0; len(raw) > 0; n++ {
		if n == limit {
			b.WriteString("…")
			break
		}
		r, size := utf8.DecodeRuneInString(raw)
		switch {
		case r == utf8.RuneError && size <= 1:
			fmt.Fprintf(&b, `\x%02X`, raw[0])
		case r == '\t':
			b.WriteString(`\t`)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\r':
			b.WriteString(`\r`)
		case unicode.IsPrint(r) || r == 0xa0 || r == 0x202f:
			b.WriteRune(r)
		default:
			fmt.Fprintf(&b, `\u{%X}`, r)
		}
		raw = raw[size:]
	}
	return b.String()
}

// label is visible for names: serials, sites, collectors.
func label[S ~string](name S) string { return visible(string(name), 80) }

// splitUnit parts a formatted quantity into its number and its unit.
func splitUnit(text string) (value, unit string) {
	value, unit, _ = strings.Cut(text, nbsp)
	return value, unit
}
