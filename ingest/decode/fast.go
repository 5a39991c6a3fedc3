package decode

import (
	"fadeledger/analytics"
	"fadeledger/ingest/profile"
)

// fastRow reads a row without quotes, blanks, notes or problems, into d.row.
// It is false for everything else, and then the row is read again with care:
// what it accepts, the careful way accepts with the same values.
func (d *Decoder) fastRow(b []byte) bool {
	comma := d.csv.comma
	columns := d.csv.columns
	if len(b) == 0 || b[0] == '#' {
		return false
	}
	i := 0
	for k := range columns {
		c := &columns[k]
		switch c.field {
		case profile.Unit:
			end := cellEnd(b, i, comma)
			if end < 0 || !d.fastUnit(b[i:end]) {
				return false
			}
			i = end
		case profile.Time:
			t, next := d.fastTime(b, i)
			if next < 0 {
				return false
			}
			d.row.Sample.Time = t
			d.seen |= seenTime
			i = next
		case profile.NoField:
			end := cellEnd(b, i, comma)
			if end < 0 || end-i > d.opt.MaxFieldBytes {
				return false
			}
			i = end
		default:
			if i < len(b) && b[i] != comma {
				if i = d.fastNumber(c, b, i); i < 0 {
					return false
				}
			}
		}
		if i >= len(b) {
			return k == len(columns)-1 && d.seen == seenUnit|seenTime
		}
		if b[i] != comma {
			return false
		}
		i++
	}
	return false
}

// cellEnd gives the end of the cell at i, or -1 when it holds anything but
// printable ASCII without quotes.
func cellEnd(b []byte, i int, comma byte) int {
	for ; i < len(b); i++ {
		c := b[i]
		if c == comma {
			return i
		}
		if c == '"' || c < ' ' || c >= 0x7f {
			return -1
		}
	}
	return i
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

// fastNumber reads a plain number into its field and gives the index behind
// it, or -1.
func (d *Decoder) fastNumber(c *column, b []byte, i int) int {
	v, next := fastInteger(&c.scale, b, i)
	if next < 0 || v < c.lo || v > c.hi {
		return -1
	}
	if c.field == profile.Temp || c.field == profile.TempMax {
		if v == sensorDefaultLow || v == sensorDefaultHigh {
			return -1
		}
	}
	d.store(c.field, v)
	return next
}

// fastInteger reads a number of the grammar of JSON without exponent, as an
// integer in the scale's unit. It gives -1 as index for what it leaves to
// parseDecimal.
func fastInteger(s *scale, b []byte, i int) (v int64, next int) {
	negative := s.negative
	if b[i] == '-' {
		negative = !negative
		i++
	}
	start := i
	var m uint64
	for i < len(b) && b[i]-'0' <= 9 {
		m = m*10 + uint64(b[i]-'0')
		i++
	}
	whole, fraction := i-start, 0
	if whole == 0 || whole > 1 && b[start] == '0' {
		return 0, -1
	}
	if i < len(b) && b[i] == '.' {
		i++
		from := i
		for i < len(b) && b[i]-'0' <= 9 {
			m = m*10 + uint64(b[i]-'0')
			i++
		}
		if fraction = i - from; fraction == 0 {
			return 0, -1
		}
	}
	// Twelve digits times a million still fit 63 bits.
	if whole+fraction > 12 || !s.plain || s.places > 6 {
		return 0, -1
	}
	if places := s.places - fraction; places >= 0 {
		v = int64(m) * pow10[places]
	} else if places < -maxDigits {
		return 0, -1
	} else {
		p := uint64(pow10[-places])
		q := m / p
		if rest := m - q*p; rest >= p-rest {
			q++
		}
		v = int64(q)
	}
	if negative {
		v = -v
	}
	return v, i
}

// fastTime reads YYYY-MM-DDThh:mm:ssZ, the same with milliseconds, or an
// integer epoch time in seconds or milliseconds; it gives -1 as index for the
// rest.
func (d *Decoder) fastTime(b []byte, i int) (analytics.Instant, int) {
	if len(b) < i+10 {
		return 0, -1
	}
	if b[i+4] != '-' {
		return fastEpoch(b, i)
	}
	if len(b) < i+20 || b[i+10] != 'T' || b[i+13] != ':' || b[i+16] != ':' {
		return 0, -1
	}
	if !d.date.known || string(d.date.text[:]) != string(b[i:i+10]) {
		if !d.cacheDate(b[i : i+10]) {
			return 0, -1
		}
	}
	hour, minute, second := two(b, i+11), two(b, i+14), two(b, i+17)
	if hour > 23 || minute > 59 || second > 59 {
		return 0, -1
	}
	t := d.date.start + analytics.Instant(hour*3_600_000+minute*60_000+second*1000)
	if b[i+19] == 'Z' {
		return t, i + 20
	}
	if len(b) < i+24 || b[i+19] != '.' || b[i+23] != 'Z' || digitsAt(b[i:i+23], 20) != 3 {
		return 0, -1
	}
	return t + analytics.Instant(int(b[i+20]-'0')*100+two(b, i+21)), i + 24
}

// two gives the value of two digits, over 99 when they are none.
func two(b []byte, i int) int {
	tens, ones := b[i]-'0', b[i+1]-'0'
	if tens > 9 || ones > 9 {
		return 100
	}
	return int(tens)*10 + int(ones)
}

// cacheDate reads YYYY-MM-DD; it is false for dates that need a second look.
func (d *Decoder) cacheDate(text []byte) bool {
	if d.prof != nil && d.prof.DateOrder != profile.YearMonthDay {
		return false
	}
	if text[7] != '-' || digitsAt(text, 0) != 4 || digitsAt(text, 5) != 2 || digitsAt(text, 8) != 2 {
		return false
	}
	c := civil{year: two(text, 0)*100 + two(text, 2), month: two(text, 5), day: two(text, 8)}
	if c.year == 0 || c.month < 1 || c.month > 12 || c.day < 1 || c.day > daysIn(c.year, c.month) {
		return false
	}
	start := c.utc()
	if start < clockDefault {
		return false
	}
	d.date.start, d.date.known = start, true
	copy(d.date.text[:], text)
	return true
}

// fastEpoch reads ten digits of seconds or thirteen of milliseconds.
func fastEpoch(b []byte, i int) (analytics.Instant, int) {
	var v int64
	start := i
	for i < len(b) && b[i]-'0' <= 9 && i-start < 14 {
		v = v*10 + int64(b[i]-'0')
		i++
	}
	switch i - start {
	case 10:
		v *= 1000
	case 13:
	default:
		return 0, -1
	}
	if v < int64(clockDefault) || v >= maxEpochMillis {
		return 0, -1
	}
	return analytics.Instant(v), i
}
