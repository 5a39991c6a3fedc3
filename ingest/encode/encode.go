// Package encode writes samples as the telemetry contract has them: CSV and
// newline-delimited JSON that decode to the same samples, digit for digit.
package encode

import (
	"strconv"
	"time"

	"fadeledger/analytics"
)

// field is one field of the contract.
type field struct {
	has    analytics.Fields
	name   string
	places int // decimal places of the ledger's integer
	value  func(*analytics.Sample) int64
}

var fields = [...]field{
	{analytics.HasSoC, "soc_pct", 1, func(s *analytics.Sample) int64 { return int64(s.SoC) }},
	{analytics.HasPower, "power_w", 3, func(s *analytics.Sample) int64 { return int64(s.Power) }},
	{analytics.HasCurrent, "current_a", 3, func(s *analytics.Sample) int64 { return int64(s.Current) }},
	{analytics.HasVoltage, "voltage_v", 3, func(s *analytics.Sample) int64 { return int64(s.Voltage) }},
	{analytics.HasTemp, "cell_temp_c", 2, func(s *analytics.Sample) int64 { return int64(s.Temp) }},
	{analytics.HasTempMax, "cell_temp_max_c", 2, func(s *analytics.Sample) int64 { return int64(s.TempMax) }},
	{analytics.HasCharge, "charge_kwh", 6, func(s *analytics.Sample) int64 { return int64(s.Charge) }},
	{analytics.HasDischarge, "discharge_kwh", 6, func(s *analytics.Sample) int64 { return int64(s.Discharge) }},
}

// Present gives the fields that at least one of the samples carries.
func Present(samples []analytics.Sample) analytics.Fields {
	var has analytics.Fields
	for i := range samples {
		has |= samples[i].Has
	}
	return has & analytics.Measured
}

// AppendHeader appends a CSV header with unit, time and the given fields, and
// a line end.
func AppendHeader(dst []byte, has analytics.Fields) []byte {
	dst = append(dst, "unit,time"...)
	for i := range fields {
		if has&fields[i].has != 0 {
			dst = append(append(dst, ','), fields[i].name...)
		}
	}
	return append(dst, '\n')
}

// AppendRows appends the samples of a unit as CSV rows under the header that
// AppendHeader writes for the same fields. A field that a sample does not
// carry is an empty cell; fields outside has are left out. Rank and
// PowerIsMean are no telemetry: they come from the reader's profile.
func AppendRows(dst []byte, serial analytics.Serial, samples []analytics.Sample, has analytics.Fields) []byte {
	for i := range samples {
		s := &samples[i]
		dst = append(append(dst, serial...), ',')
		dst = appendTime(dst, s.Time)
		for k := range fields {
			f := &fields[k]
			if has&f.has == 0 {
				continue
			}
			dst = append(dst, ',')
			if s.Has&f.has != 0 {
				dst = appendDecimal(dst, f.value(s), f.places)
			}
		}
		dst = append(dst, '\n')
	}
	return dst
}

// AppendCSV appends a whole CSV delivery: a header of the fields that are
// present in the samples, and one row a sample.
func AppendCSV(dst []byte, serial analytics.Serial, samples []analytics.Sample) []byte {
	has := Present(samples)
	return AppendRows(AppendHeader(dst, has), serial, samples, has)
}

// AppendNDJSON appends one JSON object and a line end for every sample, with
// the fields that the sample carries. The serial must be one that the decoder
// takes: it is written without escapes.
func AppendNDJSON(dst []byte, serial analytics.Serial, samples []analytics.Sample) []byte {
	for i := range samples {
		s := &samples[i]
		dst = append(append(append(dst, `{"unit":"`...), serial...), `","time":"`...)
		dst = append(appendTime(dst, s.Time), '"')
		for k := range fields {
			f := &fields[k]
			if s.Has&f.has == 0 {
				continue
			}
			dst = append(append(append(dst, `,"`...), f.name...), `":`...)
			dst = appendDecimal(dst, f.value(s), f.places)
		}
		dst = append(dst, "}\n"...)
	}
	return dst
}

// appendTime appends RFC 3339 in UTC, with milliseconds where there are some.
func appendTime(dst []byte, t analytics.Instant) []byte {
	if t%1000 == 0 {
		return t.Time().AppendFormat(dst, time.RFC3339)
	}
	return t.Time().AppendFormat(dst, "2006-01-02T15:04:05.000Z07:00")
}

// appendDecimal appends v × 10^-places without trailing zeros.
func appendDecimal(dst []byte, v int64, places int) []byte {
	magnitude := uint64(v)
	if v < 0 {
		dst = append(dst, '-')
		magnitude = -magnitude
	}
	unit := uint64(1)
	for range places {
		unit *= 10
	}
	dst = strconv.AppendUint(dst, magnitude/unit, 10)
	rest := magnitude % unit
	if rest == 0 {
		return dst
	}
	dst = append(dst, '.')
	for rest > 0 {
		unit /= 10
		dst = append(dst, byte('0'+rest/unit))
		rest %= unit
	}
	return dst
}
