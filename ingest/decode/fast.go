package decode

import (
	"fadeledger/analytics"
	"fadeledger/ingest/profile"
)

// The fast ways read what telemetry mostly looks like, and leave everything
// else to the careful ones: what they accept, those accept with the same
// values. They look at bytes behind the end of a row and of the window, and
// check where they came out.

// fastFits reports whether the options and the header suit fastRow.
func (d *Decoder) fastFits(hasUnit bool) bool {
	// Times have colons, which fastRow does not take for delimiters.
	if d.careful || d.csv.style != stylePoint || d.csv.comma == ':' || d.opt.MaxFieldBytes < profile.MaxSerialLength {
		return false
	}
	p := d.prof
	return p == nil || len(p.Absent) == 0 && p.Time == profile.TimeAuto && (p.Unit == "" || !hasUnit)
}

// fastRows reads rows from the window until one needs care or further bytes.
func (d *Decoder) fastRows() error {
	w := &d.win
	d.serialIdx = -1
	var rank int8
	if d.prof != nil {
		rank = d.prof.Rank
		if d.prof.Unit != "" {
			d.serialIdx = d.fixedUnit()
		}
	}
	for {
		row := Row{Line: d.line + 1}
		next := d.fastRow(&row.Sample, w.buf, w.pos, w.end)
		if next < 0 {
			return nil
		}
		if w.buf[next-2] == '\r' {
			d.crlf++
		}
		w.pos = next
		d.line++
		d.ends++
		row.Serial = d.serials.units[d.serialIdx].serial
		row.Sample.Rank = rank
		if err := d.accept(&row, d.serialIdx); err != nil {
			return err
		}
	}
}

// fastRow reads the row that begins at i: no blanks, notes or problems in it,
// and quotes around unit and time only. It sets the sample and serialIdx and
// gives the index behind the line end, or -1. Buf goes on for reach bytes
// behind end.
func (d *Decoder) fastRow(s *analytics.Sample, buf []byte, i, end int) int {
	var values [profile.FieldCount]int64
	var has analytics.Fields
	start, comma, columns := i, d.csv.comma, d.csv.columns
	if buf[i] == '#' {
		return -1
	}
	for k := range columns {
		c := &columns[k]
		if i >= end {
			return -1
		}
		p := (*[reach]byte)(buf[i : i+reach])
		switch {
		case c.field > profile.Time:
			if v, size := c.number(p); size > 0 {
				values[c.field] = v
				has |= c.has
				i += size
			} else if p[0] != comma && p[0] != '\n' && p[0] != '\r' {
				return -1
			}
		case c.field == profile.Time:
			t, size := d.fastTimeCell(p)
			if size == 0 {
				return -1
			}
			values[profile.Time] = int64(t)
			i += size
		case c.field == profile.Unit:
			if i = d.fastUnitCell(buf[:end], i, comma); i < 0 {
				return -1
			}
		default:
			if i = d.unusedCell(buf[:end], i, comma); i < 0 {
				return -1
			}
		}
		if k < len(columns)-1 {
			if buf[i] != comma {
				return -1
			}
			i++
		}
	}
	size := i - start
	if buf[i] == '\r' {
		i++
		size++
	}
	if i >= end || buf[i] != '\n' || size > d.opt.MaxLineBytes {
		return -1
	}
	s.Time, s.Has = analytics.Instant(values[profile.Time]), has
	s.SoC = analytics.SoC(values[profile.SoC])
	s.Power = analytics.Milliwatts(values[profile.Power])
	s.Current = analytics.Milliamps(values[profile.Current])
	s.Voltage = analytics.Millivolts(values[profile.Voltage])
	s.Temp = analytics.CentiCelsius(values[profile.Temp])
	s.TempMax = analytics.CentiCelsius(values[profile.TempMax])
	s.Charge = analytics.MilliwattHours(values[profile.Charge])
	s.Discharge = analytics.MilliwattHours(values[profile.Discharge])
	return i + 1
}

// unusedCell gives the end of the cell at i, or -1 when it holds anything but
// printable ASCII without quotes.
func (d *Decoder) unusedCell(b []byte, i int, comma byte) int {
	for from := i; i < len(b); i++ {
		switch c := b[i]; {
		case c == comma, c == '\n', c == '\r':
			if i-from > d.opt.MaxFieldBytes {
				return -1
			}
			return i
		case c == '"' || c < ' ' || c >= 0x7f:
			return -1
		}
	}
	return -1
}

// fastUnitCell takes the unit from the cell at i, in quotes or not, sets
// serialIdx and gives the index behind the cell, or -1. The unit of the row
// before is tried first.
func (d *Decoder) fastUnitCell(b []byte, i int, comma byte) int {
	quote := 0
	ends := func(c byte) bool { return c == comma || quote == 0 && (c == '\n' || c == '\r') }
	if i < len(b) && b[i] == '"' {
		// Many exports quote texts and leave numbers alone.
		i, quote, comma = i+1, 1, '"'
	}
	if last := d.serials.last; int(last) < len(d.serials.units) {
		serial := d.serials.units[last].serial
		if end := i + len(serial); end < len(b) && ends(b[end]) && string(b[i:end]) == string(serial) {
			d.serialIdx = last
			return end + quote
		}
	}
	for end := i; end < len(b) && end-i <= profile.MaxSerialLength; end++ {
		if ends(b[end]) {
			if d.serialIdx = d.serials.lookup(b[i:end]); d.serialIdx < 0 {
				return -1
			}
			return end + quote
		}
	}
	return -1
}

// fastUnit takes the serial of a unit that was seen before.
func (d *Decoder) fastUnit(text []byte) bool {
	i := d.serials.lookup(text)
	if i < 0 {
		return false
	}
	d.serialIdx = i
	d.row.Serial = d.serials.units[i].serial
	d.seen |= seenUnit
	return true
}
