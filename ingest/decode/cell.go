package decode

import (
	"bytes"
	"fmt"
	"unicode/utf8"

	"fadeledger/analytics"
	"fadeledger/ingest/profile"
)

// fault is what is wrong with a row. An empty remedy stands for the usual one.
type fault struct {
	reason, field, message, remedy string
}

// fail keeps the first fault of the row.
func (d *Decoder) fail(reason, field, format string, args ...any) {
	if d.faulty {
		return
	}
	d.faulty = true
	d.fault = fault{reason: reason, field: field, message: fmt.Sprintf(format, args...)}
}

// column is a header or key, prepared for decoding.
type column struct {
	name  string
	field profile.Field
	scale scale
	// lo and hi bound the values that number may take without a second look;
	// lo > hi where there are none.
	lo, hi int64
	// has is the bit of the field in a sample.
	has analytics.Fields
	// sensor says that some values stand for a disconnected sensor.
	sensor bool
}

func newColumn(name string, col profile.Column) column {
	c := column{name: name, field: col.Field, scale: newScale(col.Conv)}
	r := ranges[col.Field]
	c.lo, c.hi, c.has = r.lo, r.hi, r.has
	if !c.scale.plain || c.scale.places > 6 {
		// Nine digits times a million fit with room to spare, others may not.
		c.lo, c.hi = 1, 0
	}
	c.sensor = c.field == profile.Temp || c.field == profile.TempMax
	return c
}

// fieldRange is the range of a field, in the integers of the ledger.
type fieldRange struct {
	lo, hi int64
	reason string
	words  string
	has    analytics.Fields
}

var ranges = [profile.FieldCount]fieldRange{
	profile.SoC:       {0, 1000, ReasonSoCOutOfRange, "-1 to 101 %", analytics.HasSoC},
	profile.Power:     {-2_000_000_000, 2_000_000_000, ReasonPowerOutOfRange, "-2,000,000 to 2,000,000 W", analytics.HasPower},
	profile.Current:   {-10_000_000, 10_000_000, ReasonCurrentOutOfRange, "-10,000 to 10,000 A", analytics.HasCurrent},
	profile.Voltage:   {0, 2_000_000, ReasonVoltageOutOfRange, "0 to 2,000 V", analytics.HasVoltage},
	profile.Temp:      {-6000, 12000, ReasonTempOutOfRange, "-60 to 120 °C", analytics.HasTemp},
	profile.TempMax:   {-6000, 12000, ReasonTempOutOfRange, "-60 to 120 °C", analytics.HasTempMax},
	profile.Charge:    {0, 1e15, ReasonCounterOutOfRange, "0 to 1,000,000,000 kWh", analytics.HasCharge},
	profile.Discharge: {0, 1e15, ReasonCounterOutOfRange, "0 to 1,000,000,000 kWh", analytics.HasDischarge},
}

// Exactly these temperatures are what common sensor chips and their buses
// report before the first conversion or without a sensor (common practice, no
// source).
const (
	sensorDefaultLow  = -4000
	sensorDefaultHigh = 8500
)

// noTemperature reports the ends of 16 bits, with no, one or two decimal
// places: a register without a value. No cell has such a temperature.
func noTemperature(v int64) bool {
	switch v {
	case -3_276_800, -327_680, -32_768, 3_276_700, 327_670, 32_767:
		return true
	}
	return false
}

// setText takes the text of a cell, blanks and all.
func (d *Decoder) setText(c *column, text []byte, style numberStyle) {
	if len(text) > d.opt.MaxFieldBytes {
		d.fail(ReasonFieldTooLong, c.name, "%d bytes, at most %d", len(text), d.opt.MaxFieldBytes)
		return
	}
	if c.field == profile.NoField {
		if !utf8.Valid(text) {
			d.rowNotes |= rowUTF8Unused
		}
		return
	}
	if trimmed := trimOdd(text); len(trimmed) != len(text) {
		text = trimmed
		d.rowNotes |= rowTrimmed
	}
	if len(text) == 0 || d.absent(text) {
		return
	}
	if !utf8.Valid(text) {
		d.fail(ReasonUTF8Invalid, c.name, "%s is not UTF-8", excerpt(text))
		return
	}
	switch c.field {
	case profile.Unit:
		d.setUnit(c.name, text)
	case profile.Time:
		d.setTime(c, text, style)
	default:
		x, reason := parseDecimal(text, style)
		if reason != "" {
			d.fail(reason, c.name, "%s is no number", excerpt(text))
			return
		}
		d.setDecimal(c, x, text)
	}
}

// absent reports whether the profile takes a text as no value.
func (d *Decoder) absent(text []byte) bool {
	if d.prof == nil {
		return false
	}
	for _, a := range d.prof.Absent {
		if a == string(text) {
			return true
		}
	}
	return false
}

func (d *Decoder) setDecimal(c *column, x decimal, text []byte) {
	v, ok := c.scale.integer(x)
	if !ok {
		r := &ranges[c.field]
		d.fail(r.reason, c.name, "%s is outside %s", excerpt(text), r.words)
		return
	}
	d.setInteger(c, v, text)
}

// setInteger takes a value in the ledger's integers; text serves messages.
func (d *Decoder) setInteger(c *column, v int64, text []byte) {
	if d.plausible(c, &v, text) {
		d.store(c.field, v)
	}
}

// plausible checks the range; it may clamp the value, or take it as absent.
func (d *Decoder) plausible(c *column, v *int64, text []byte) bool {
	r := &ranges[c.field]
	switch c.field {
	case profile.SoC:
		switch {
		case *v == -10 || *v == 2550 || *v == 655350:
			d.fail(ReasonSentinelValue, c.name, "%s stands for no value", excerpt(text))
			return false
		case *v < -10 || *v > 1010:
			d.fail(r.reason, c.name, "%s is outside %s", excerpt(text), r.words)
			return false
		case *v < 0 || *v > 1000:
			*v = max(0, min(*v, 1000))
			d.rowNotes |= rowSoCClamped
		}
		return true
	case profile.Temp, profile.TempMax:
		if (*v == sensorDefaultLow || *v == sensorDefaultHigh) && (d.prof == nil || !d.prof.KeepSensorDefaults) || noTemperature(*v) {
			d.rowNotes |= rowSensorDefault
			return false
		}
	}
	if *v < r.lo || *v > r.hi {
		d.fail(r.reason, c.name, "%s is outside %s", excerpt(text), r.words)
		return false
	}
	return true
}

// store puts a checked value into the row.
func (d *Decoder) store(f profile.Field, v int64) {
	s := &d.row.Sample
	switch f {
	case profile.SoC:
		s.SoC, s.Has = analytics.SoC(v), s.Has|analytics.HasSoC
	case profile.Power:
		s.Power, s.Has = analytics.Milliwatts(v), s.Has|analytics.HasPower
	case profile.Current:
		s.Current, s.Has = analytics.Milliamps(v), s.Has|analytics.HasCurrent
	case profile.Voltage:
		s.Voltage, s.Has = analytics.Millivolts(v), s.Has|analytics.HasVoltage
	case profile.Temp:
		s.Temp, s.Has = analytics.CentiCelsius(v), s.Has|analytics.HasTemp
	case profile.TempMax:
		s.TempMax, s.Has = analytics.CentiCelsius(v), s.Has|analytics.HasTempMax
	case profile.Charge:
		s.Charge, s.Has = analytics.MilliwattHours(v), s.Has|analytics.HasCharge
	case profile.Discharge:
		s.Discharge, s.Has = analytics.MilliwattHours(v), s.Has|analytics.HasDischarge
	}
}

// Bits of Decoder.seen for what Sample.Has does not tell.
const (
	seenUnit = 1 << iota
	seenTime
)

func (d *Decoder) setUnit(name string, text []byte) {
	if d.serials.full() {
		d.takeTrends()
		d.serials.empty()
	}
	i, problem := d.serials.intern(text)
	switch problem {
	case profile.SerialOK:
		if d.prof != nil && d.prof.Unit != "" && string(text) != string(d.prof.Unit) {
			d.fail(ReasonUnitMismatch, name, "%s, and the profile fixes %s", excerpt(text), d.prof.Unit)
		}
		d.serialIdx = i
		d.row.Serial = d.serials.units[i].serial
		d.seen |= seenUnit
	case profile.SerialMangled:
		d.fail(ReasonSerialMangled, name, "%s looks like a number or date of a spreadsheet", excerpt(text))
	case profile.SerialTooLong:
		d.fail(ReasonSerialLength, name, "%d characters, at most %d", len(text), profile.MaxSerialLength)
	case profile.SerialLength:
		d.fail(ReasonSerialLength, name, "%s has %d characters, the profile says %d", excerpt(text), len(text), d.prof.UnitLength)
	case profile.SerialPrefix:
		d.fail(ReasonSerialPrefix, name, "%s does not begin with %q", excerpt(text), d.prof.UnitPrefix)
	default:
		d.fail(ReasonSerialCharacters, name, "%s holds characters that serials do not have", excerpt(text))
	}
}

// begin empties the row.
func (d *Decoder) beginRow(line int) {
	d.row = Row{Line: line}
	d.rowNotes, d.seen, d.faulty, d.serialIdx = 0, 0, false, -1
	if d.prof == nil {
		return
	}
	d.row.Sample.Rank = d.prof.Rank
	if d.prof.Unit != "" {
		d.serialIdx = d.fixedUnit()
		d.row.Serial = d.serials.units[d.serialIdx].serial
		d.seen |= seenUnit
	}
}

// fixedUnit gives the index of the serial that the profile fixes.
func (d *Decoder) fixedUnit() int32 {
	text := string(d.prof.Unit)
	if i := d.serials.lookup([]byte(text)); i >= 0 {
		return i
	}
	return d.serials.add(text)
}

// endRow checks that unit and time are there, and hands the row over: as a
// Row, or as a Problem with raw.
func (d *Decoder) endRow(raw []byte) error {
	if d.seen&seenUnit == 0 {
		d.fail(ReasonMissingUnit, d.nameOf(profile.Unit), "no unit")
	}
	if d.seen&seenTime == 0 {
		d.fail(ReasonMissingTime, d.nameOf(profile.Time), "no time")
	}
	if d.faulty {
		return d.problem(raw)
	}
	if d.rowNotes != 0 {
		d.noteRow()
	}
	return d.accept(&d.row, d.serialIdx)
}

// accept hands a good row over, of the unit at an index of the serials.
func (d *Decoder) accept(row *Row, unit int32) error {
	s := &row.Sample
	if d.prof != nil && d.prof.PowerIsMean && (s.Has&analytics.HasPower != 0 ||
		s.Has&(analytics.HasCurrent|analytics.HasVoltage) == analytics.HasCurrent|analytics.HasVoltage) {
		s.Has |= analytics.PowerIsMean
	}
	d.rep.Read++
	d.rep.Accepted++
	d.serials.follow(unit, s)
	if err := d.sink.Row(*row); err != nil {
		return fmt.Errorf("hand over line %d: %w", row.Line, err)
	}
	return d.countRow(row.Line)
}

// countRow refuses the delivery once it has too many rows.
func (d *Decoder) countRow(line int) error {
	if d.rep.Read > d.opt.MaxRows {
		return refuse(ReasonTooManyRows, line, "more than %d rows", d.opt.MaxRows)
	}
	return nil
}

// problem hands the fault of the row over.
func (d *Decoder) problem(raw []byte) error {
	d.rep.Read++
	d.rep.Problems[d.fault.reason]++
	raw = bytes.TrimRight(raw, "\r\n")
	// Of as many bytes as are kept at most, the beginning is kept: whoever has
	// nothing but the bytes can tell so, too.
	cut := len(raw) >= MaxRawBytes
	if cut {
		raw = raw[:MaxRawBytes]
	}
	p := Problem{
		Line: d.row.Line, Field: d.fault.field, Reason: d.fault.reason, Message: d.fault.message,
		Remedy: d.fault.remedy, Serial: d.row.Serial, Raw: append([]byte(nil), raw...), RawCut: cut, Header: d.rep.Header,
	}
	if p.Remedy == "" {
		p.Remedy = remedyFor(p.Reason)
	}
	if err := d.sink.Problem(p); err != nil {
		return fmt.Errorf("hand over problem of line %d: %w", d.row.Line, err)
	}
	return d.countRow(d.row.Line)
}

// excerptBytes is how much of a text a message quotes.
const excerptBytes = 40

// excerpt quotes the beginning of a text for a message.
func excerpt(text []byte) string {
	if len(text) > excerptBytes {
		return fmt.Sprintf("%q…", text[:excerptBytes])
	}
	return fmt.Sprintf("%q", text)
}

// oddBlanks are invisible characters that field exports leave around values:
// no-break and narrow blanks, zero-width characters, the byte-order mark.
const oddBlanks = " \t\r\n\u00a0\u2007\u202f\u200b\u200c\u200d\u2060\ufeff"

// trimOdd takes blanks and invisible characters off both ends.
func trimOdd(text []byte) []byte {
	if len(text) == 0 || plainByte(text[0]) && plainByte(text[len(text)-1]) {
		return text
	}
	return bytes.Trim(text, oddBlanks)
}

func plainByte(c byte) bool { return c > ' ' && c < 0x7f }
