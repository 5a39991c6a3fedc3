package decode

import (
	"encoding/binary"
	"math/bits"

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
			if i = d.fastUnitCell(b, i, comma); i < 0 {
				return false
			}
		case profile.Time:
			quoted := i < len(b) && b[i] == '"'
			if quoted {
				i++
			}
			t, next := d.fastTime(b, i)
			if next < 0 {
				return false
			}
			if quoted {
				if next >= len(b) || b[next] != '"' {
					return false
				}
				next++
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
				v, next := fastNumber(c, b, i)
				if next < 0 {
					return false
				}
				d.store(c.field, v)
				i = next
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

// fastUnitCell takes the unit from the cell at i, in quotes or not, and gives
// the index behind it, or -1. The unit of the row before is tried first.
func (d *Decoder) fastUnitCell(b []byte, i int, comma byte) int {
	from, quote := i, 0
	if i < len(b) && b[i] == '"' {
		// Many exports quote texts and leave numbers alone.
		from, quote = i+1, 1
		comma = '"'
	}
	if u := d.serials.units; int(d.serials.last) < len(u) {
		last := &u[d.serials.last]
		if end := from + len(last.serial); end < len(b) && b[end] == comma && string(b[from:end]) == string(last.serial) {
			d.serialIdx = d.serials.last
			d.row.Serial = last.serial
			d.seen |= seenUnit
			return end + quote
		}
	}
	end := from
	for end < len(b) && b[end] != comma {
		end++
	}
	if end+quote > len(b) || !d.fastUnit(b[from:end]) {
		return -1
	}
	return end + quote
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

// fastNumber reads a number of the grammar of JSON without exponent, of at
// most seven digits on each side of the point, as the integer of its field.
// It gives -1 as index for what it leaves to parseDecimal: other forms, values
// that need a second look, and numbers near the end of the window.
//
// It takes eight bytes at a time, because the branches of a loop over digits
// are what a decoder waits for most. It may look behind the end of b, within
// its capacity, and compares at the end. Everything is in one function: calls
// would cost as much as the work.
func fastNumber(c *column, b []byte, i int) (v int64, next int) {
	negative := b[i] == '-'
	if negative {
		i++
	}
	if !c.quick || i+17 > cap(b) {
		return 0, -1
	}
	x := binary.LittleEndian.Uint64(b[i:i+8]) ^ digitZeros
	// A byte above 9 gets a bit in its upper half; carries only reach bytes
	// behind it.
	other := (x + digitCarry | x) & digitOther
	shift := uint(bits.TrailingZeros64(other)) &^ 7
	whole := int(shift >> 3)
	if whole-1 > 6 || whole == 0 || whole > 1 && byte(x) == 0 {
		return 0, -1
	}
	next = i + whole
	m, fraction := x&(1<<shift-1), 0
	if byte(x>>shift) == '.'^'0' {
		rest := other >> shift >> 8
		if rest != 0 {
			// The number ends within the eight bytes: close the gap of the point.
			fraction = bits.TrailingZeros64(rest) >> 3
			m |= x >> shift >> 8 & (1<<(8*uint(fraction)) - 1) << shift
			m = eightDigits(m << (64 - shift - 8*uint(fraction)))
		} else {
			x = binary.LittleEndian.Uint64(b[next+1:next+9]) ^ digitZeros
			other = (x + digitCarry | x) & digitOther
			fraction = bits.TrailingZeros64(other) >> 3
			if fraction > 7 {
				return 0, -1
			}
			m = eightDigits(m<<(64-shift))*uint64(pow10[fraction]) + eightDigits(x<<(64-8*uint(fraction)))
		}
		if fraction == 0 {
			return 0, -1
		}
		next += 1 + fraction
	} else {
		m = eightDigits(m << (64 - shift))
	}
	if v = int64(m); fraction <= c.scale.places {
		v *= pow10[c.scale.places-fraction]
	} else if v = roundOff(v, fraction-c.scale.places); v < 0 {
		return 0, -1
	}
	if negative != c.scale.negative {
		v = -v
	}
	if next > len(b) || v < c.lo || v > c.hi || c.sensor && (v == sensorDefaultLow || v == sensorDefaultHigh) {
		return 0, -1
	}
	return v, next
}

const (
	digitZeros = 0x3030303030303030
	digitCarry = 0x0606060606060606
	digitOther = 0xf0f0f0f0f0f0f0f0
)

// eightDigits gives the number of eight digits, the first in the lowest byte.
func eightDigits(x uint64) uint64 {
	x = x * 2561 >> 8 & 0x00ff00ff00ff00ff
	x = x * 6553601 >> 16 & 0x0000ffff0000ffff
	return x * 42949672960001 >> 32
}

// roundOff drops decimal places, half away from zero; -1 when there are too
// many.
func roundOff(v int64, places int) int64 {
	if places > maxDigits {
		return -1
	}
	p := pow10[places]
	q := v / p
	if rest := v - q*p; rest >= p-rest {
		q++
	}
	return q
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
