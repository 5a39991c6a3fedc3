package chart

import (
	"math"
	"strconv"
	"time"
)

// Scale maps values linearly to places: From to A, To to B.
type Scale struct{ From, To, A, B float64 }

// At gives the place of a value. A scale without extent gives A.
func (s Scale) At(v float64) float64 {
	if s.To == s.From {
		return s.A
	}
	return s.A + (v-s.From)/(s.To-s.From)*(s.B-s.A)
}

// Clamp gives the place of a value, held between A and B.
func (s Scale) Clamp(v float64) float64 {
	p := s.At(v)
	return math.Max(math.Min(s.A, s.B), math.Min(math.Max(s.A, s.B), p))
}

// Tick is a labelled value on an axis.
type Tick struct {
	Value float64
	Label string
}

// Ticks gives round values (1, 2 or 5 times a power of ten) that cover low to
// high in about n steps. The first tick is at or below low, the last at or
// above high.
//   - high at or below low: one step above low is covered
//   - n below 1 counts as 1
func Ticks(low, high float64, n int) []Tick {
	if n < 1 {
		n = 1
	}
	if !(high > low) {
		high = low + 1
	}
	step := niceStep((high - low) / float64(n))
	first, last := math.Floor(low/step), math.Ceil(high/step-1e-9)
	unit, suffix := largeUnit(math.Max(math.Abs(first), math.Abs(last)) * step)
	places := 0
	if step < unit {
		places = int(math.Ceil(-math.Log10(step/unit) - 1e-9))
	}
	var ticks []Tick
	for k := first; k <= last; k++ {
		v := k * step
		label := strconv.FormatFloat(v/unit, 'f', places, 64)
		if v < 0 && label[0] == '-' {
			label = "−" + label[1:]
		}
		if v != 0 {
			label += suffix
		}
		ticks = append(ticks, Tick{Value: v, Label: label})
	}
	return ticks
}

// largeUnit keeps labels short where values are large: thousands from 10 000
// up, millions from 10 000 000 up.
func largeUnit(largest float64) (unit float64, suffix string) {
	switch {
	case largest >= 1e7:
		return 1e6, "\u202fM"
	case largest >= 1e4:
		return 1e3, "\u202fk"
	}
	return 1, ""
}

// niceStep rounds a raw step up to 1, 2 or 5 times a power of ten.
func niceStep(raw float64) float64 {
	base := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, f := range []float64{1, 2, 5} {
		if raw <= f*base*(1+1e-9) {
			return f * base
		}
	}
	return 10 * base
}

// TimeTicks gives round local times between from and to, about n at most,
// with a label that holds what changes: the time within days, the day within
// months, the month beyond. Value is in Unix seconds.
//   - to not after from, or n below 1: none
func TimeTicks(from, to time.Time, zone *time.Location, n int) []Tick {
	if !to.After(from) || n < 1 {
		return nil
	}
	from, to = from.In(zone), to.In(zone)
	span := to.Sub(from)
	for _, minutes := range []int{5, 10, 20, 30} {
		if span/time.Duration(minutes)/time.Minute <= time.Duration(n) && span <= 4*time.Hour {
			return minuteTicks(from, to, minutes)
		}
	}
	for _, hours := range []int{1, 2, 3, 6, 12} {
		if span/time.Duration(hours)/time.Hour <= time.Duration(n) && span <= 72*time.Hour {
			return hourTicks(from, to, hours)
		}
	}
	for _, days := range []int{1, 2, 5, 7, 14} {
		if span/time.Duration(days)/(24*time.Hour) < time.Duration(n) {
			return dayTicks(from, to, days)
		}
	}
	for _, months := range []int{1, 2, 3, 6, 12, 24, 60} {
		if span/time.Duration(months)/(30*24*time.Hour) < time.Duration(n) {
			return monthTicks(from, to, months)
		}
	}
	return nil
}

func minuteTicks(from, to time.Time, minutes int) []Tick {
	var ticks []Tick
	y, m, d := from.Date()
	for k := 0; ; k += minutes {
		t := time.Date(y, m, d, from.Hour(), k, 0, 0, from.Location())
		if t.After(to) {
			return ticks
		}
		if !t.Before(from) {
			ticks = append(ticks, Tick{Value: float64(t.Unix()), Label: t.Format("15:04")})
		}
	}
}

func hourTicks(from, to time.Time, hours int) []Tick {
	var ticks []Tick
	y, m, d := from.Date()
	for h := 0; ; h += hours {
		t := time.Date(y, m, d, h, 0, 0, 0, from.Location())
		if t.After(to) {
			return ticks
		}
		if t.Before(from) {
			continue
		}
		label := t.Format("15:04")
		if t.Hour() == 0 {
			label = t.Format("2 Jan")
		}
		ticks = append(ticks, Tick{Value: float64(t.Unix()), Label: label})
	}
}

func dayTicks(from, to time.Time, days int) []Tick {
	var ticks []Tick
	y, m, d := from.Date()
	for k := 0; ; k += days {
		t := time.Date(y, m, d+k, 0, 0, 0, 0, from.Location())
		if t.After(to) {
			return ticks
		}
		if !t.Before(from) {
			ticks = append(ticks, Tick{Value: float64(t.Unix()), Label: t.Format("2 Jan")})
		}
	}
}

func monthTicks(from, to time.Time, months int) []Tick {
	var ticks []Tick
	y := from.Year()
	for k := 0; ; k += months {
		t := time.Date(y, time.January+time.Month(k), 1, 0, 0, 0, 0, from.Location())
		if t.After(to) {
			return ticks
		}
		if t.Before(from) {
			continue
		}
		label := t.Format("Jan")
		if t.Month() == time.January || len(ticks) == 0 {
			label = t.Format("Jan 2006")
		}
		ticks = append(ticks, Tick{Value: float64(t.Unix()), Label: label})
	}
}
