package claim

import (
	"fmt"
	"math/big"
	"slices"

	"fadeledger/analytics"
)

// anniversary gives the day n years after start by the calendar. A 29 February
// has its anniversary on 1 March of a common year, not on 28 February: that is
// the day in the customer's favour, since cover ends on the day before.
func anniversary(start analytics.Day, n int) analytics.Day {
	return analytics.InstantOf(start.Start().Time().AddDate(n, 0, 0)).Day()
}

// yearsPassed gives the anniversaries of start up to and including day; 0
// before the first one and before start.
func yearsPassed(start, day analytics.Day) int {
	n := max(0, day.Start().Time().Year()-start.Start().Time().Year())
	for n > 0 && anniversary(start, n) > day {
		n--
	}
	return n
}

// ageAt gives the warranty's age at a day in years: whole years by the
// calendar and the rest as a share of that warranty year's days.
func ageAt(start, day analytics.Day) *big.Rat {
	if day <= start {
		return new(big.Rat)
	}
	n := yearsPassed(start, day)
	from, to := anniversary(start, n), anniversary(start, n+1)
	return new(big.Rat).Add(ratio(int64(n), 1), ratio(int64(day-from), int64(to-from)))
}

// promisedAt gives the share of the rated energy in percent promised at an age:
// linear between the points of the terms. Before the first point and after the
// last it stays what that point says. Points must not be empty.
func promisedAt(points []RetainedPoint, age *big.Rat) *big.Rat {
	year := func(i int) *big.Rat { return ratio(int64(points[i].Year), 1) }
	i := slices.IndexFunc(points, func(p RetainedPoint) bool { return ratio(int64(p.Year), 1).Cmp(age) >= 0 })
	switch i {
	case -1:
		return points[len(points)-1].Pct.rat()
	case 0:
		return points[0].Pct.rat()
	}
	low, high := points[i-1].Pct.rat(), points[i].Pct.rat()
	part := new(big.Rat).Quo(new(big.Rat).Sub(age, year(i-1)), new(big.Rat).Sub(year(i), year(i-1)))
	return part.Add(low, part.Mul(part, high.Sub(high, low)))
}

// spanWords writes the UTC days from one instant to another: 3 to 9 March 2026.
func spanWords(from, to analytics.Instant) string {
	a, b := from.Time(), to.Time()
	switch {
	case from.Day() == to.Day():
		return a.Format("2 January 2006")
	case a.Year() != b.Year():
		return a.Format("2 January 2006") + " to " + b.Format("2 January 2006")
	case a.Month() != b.Month():
		return a.Format("2 January") + " to " + b.Format("2 January 2006")
	}
	return fmt.Sprintf("%d to %s", a.Day(), b.Format("2 January 2006"))
}

// stamp writes an instant as a reference key.
func stamp(i analytics.Instant) string { return i.Time().Format("2006-01-02T15:04:05.000Z07:00") }

// days gives a span in days, to well below a millisecond.
func days(m analytics.Millis) Decimal {
	return decimalOf(ratio(int64(m), int64(analytics.DayLength)), 9)
}

// daysWords writes a span in days, rounded down to a tenth.
func daysWords(m analytics.Millis) string {
	tenth := int64(m) * 10 / int64(analytics.DayLength)
	text := scaled(tenth, 10) + " days"
	if tenth == 10 {
		text = "1 day"
	}
	if analytics.Millis(tenth)*analytics.DayLength/10 < m && tenth > 0 {
		return "more than " + text
	}
	return text
}
