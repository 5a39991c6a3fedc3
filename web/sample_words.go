package web

import (
	"time"

	"fadeledger/analytics"
)

// exact writes an instant in UTC to the second, and to the millisecond where it
// is not whole: 2 Apr 2031, 14:05:07 UTC.
func exact(i analytics.Instant) string {
	layout := "2" + nbsp + "Jan" + nbsp + "2006, 15:04:05"
	if i%1000 != 0 {
		layout += ".000"
	}
	return i.Time().Format(layout) + nbsp + "UTC"
}

// when writes the time at which something was done or stored, in UTC to the
// second.
func when(i analytics.Instant) string { return exact(i - i%1000) }

// exactTime writes an instant for the datetime attribute and for addresses, to
// the millisecond.
func exactTime(i analytics.Instant) string { return i.Time().Format("2006-01-02T15:04:05.999Z") }

// formTime writes an instant for a field of a form.
func formTime(i analytics.Instant) string { return i.Time().Format("2006-01-02T15:04:05.999") }

// parseExact reads an instant as exactTime and formTime write it, and without
// seconds too, as a form may send it. It is in UTC unless it says otherwise.
func parseExact(text string) (analytics.Instant, bool) {
	for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04:05.999999999", "2006-01-02T15:04", "2006-01-02 15:04:05.999999999", "2006-01-02 15:04"} {
		if t, err := time.Parse(layout, text); err == nil {
			return analytics.InstantOf(t), true
		}
	}
	return 0, false
}

// measurement is a field of a sample: how it is named and how its value is
// written.
type measurement struct {
	name  string
	field analytics.Fields
	write func(analytics.Sample) string
}

// written gives the value in words, empty where the sample does not have it.
func (m measurement) written(s analytics.Sample) string {
	if s.Has&m.field == 0 {
		return ""
	}
	return m.write(s)
}

// measurements lists the fields of a sample in the order of the contract.
var measurements = []measurement{
	{"state of charge", analytics.HasSoC, func(s analytics.Sample) string { return decimal(s.SoC.Percent(), 1) + nbsp + "%" }},
	{"power", analytics.HasPower, func(s analytics.Sample) string { return thousandths(int64(s.Power)) + nbsp + "W" }},
	{"current", analytics.HasCurrent, func(s analytics.Sample) string { return thousandths(int64(s.Current)) + nbsp + "A" }},
	{"voltage", analytics.HasVoltage, func(s analytics.Sample) string { return thousandths(int64(s.Voltage)) + nbsp + "V" }},
	{"coldest cell", analytics.HasTemp, func(s analytics.Sample) string { return decimal(s.Temp.Celsius(), 2) + nbsp + "°C" }},
	{"hottest cell", analytics.HasTempMax, func(s analytics.Sample) string { return decimal(s.TempMax.Celsius(), 2) + nbsp + "°C" }},
	{"charge counter", analytics.HasCharge, func(s analytics.Sample) string { return decimal(s.Charge.KWh(), 6) + nbsp + "kWh" }},
	{"discharge counter", analytics.HasDischarge, func(s analytics.Sample) string { return decimal(s.Discharge.KWh(), 6) + nbsp + "kWh" }},
	{"power is", analytics.PowerIsMean, func(analytics.Sample) string { return "the mean since the sample before" }},
}

// thousandths writes a value that is kept in thousandths, with as many places
// as it needs: two versions that differ must not look alike.
func thousandths(v int64) string {
	places := 3
	for places > 0 && v%10 == 0 {
		v /= 10
		places--
	}
	scale := 1.0
	for range places {
		scale *= 10
	}
	return decimal(float64(v)/scale, places)
}
