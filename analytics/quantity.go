package analytics

import (
	"fmt"
	"time"
)

// Instant is a point in time in milliseconds since 1970-01-01T00:00:00Z.
type Instant int64

// Day is a UTC day, counted from 1970-01-01 = 0.
type Day int32

// Millis is a span of time in milliseconds.
type Millis int64

// Spans used throughout.
const (
	Second    Millis = 1000
	Minute    Millis = 60 * Second
	Hour      Millis = 60 * Minute
	DayLength Millis = 24 * Hour
)

// InstantOf truncates t to the millisecond.
func InstantOf(t time.Time) Instant { return Instant(t.UnixMilli()) }

// Time gives the instant as a UTC time.
func (i Instant) Time() time.Time { return time.UnixMilli(int64(i)).UTC() }

// Day gives the UTC day that the instant falls in.
func (i Instant) Day() Day {
	d := int64(i) / int64(DayLength)
	if int64(i) < d*int64(DayLength) {
		d--
	}
	return Day(d)
}

// Seconds gives the instant in seconds since the epoch, exact when it is whole.
func (i Instant) Seconds() float64 { return float64(i) / 1000 }

// Start gives the first instant of the day.
func (d Day) Start() Instant { return Instant(int64(d) * int64(DayLength)) }

// String writes the day as 2006-01-02.
func (d Day) String() string { return d.Start().Time().Format(time.DateOnly) }

// ParseDay reads a day written as 2006-01-02.
func ParseDay(text string) (Day, error) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return 0, fmt.Errorf("day %q: want YYYY-MM-DD", text)
	}
	return InstantOf(t).Day(), nil
}

// Seconds gives the span in seconds, exact when it is whole.
func (m Millis) Seconds() float64 { return float64(m) / 1000 }

// Duration gives the span as a time.Duration.
func (m Millis) Duration() time.Duration { return time.Duration(m) * time.Millisecond }

// MilliwattHours is an energy in mWh.
type MilliwattHours int64

// KWh gives the energy in kilowatt-hours, for display.
func (e MilliwattHours) KWh() float64 { return float64(e) / 1e6 }

// MicrowattHours is an energy in µWh: what the counter adds up, so that pairs
// a second apart are not biased by rounding each of them to a whole mWh.
type MicrowattHours int64

// Round gives the energy in whole mWh, half away from zero.
func (e MicrowattHours) Round() MilliwattHours {
	if e < 0 {
		return -(-e).Round()
	}
	return MilliwattHours((e + 500) / 1000)
}

// Milliwatts is a power in mW, positive while charging.
type Milliwatts int64

// Milliamps is a current in mA, positive while charging.
type Milliamps int64

// Millivolts is a voltage in mV.
type Millivolts int64

// MilliampHours is a charge in mAh.
type MilliampHours int64

// CentiCelsius is a temperature in 0.01 °C.
type CentiCelsius int32

// Celsius gives the temperature in °C, for display.
func (c CentiCelsius) Celsius() float64 { return float64(c) / 100 }

// SoC is a state of charge in 0.1 %, 0 to 1000.
type SoC int16

// Percent gives the state of charge in percent.
func (s SoC) Percent() float64 { return float64(s) / 10 }

// MicroC is a C-rate in 1e-6 C (per hour): 500000 is C/2.
type MicroC int64

// C gives the rate in C, for display.
func (r MicroC) C() float64 { return float64(r) / 1e6 }
