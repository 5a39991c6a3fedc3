package decode

import (
	"encoding/binary"
	"math/bits"

	"fadeledger/analytics"
	"fadeledger/ingest/profile"
)

// dateCache keeps the day of the last date, written YYYY-MM-DDT, because
// samples of one day follow each other.
type dateCache struct {
	// head holds YYYY-MM- and tail DDT, the first character in the lowest byte.
	head  uint64
	tail  uint32
	start analytics.Instant
}

const dateTail = 0xffffff

// fastTimeCell reads a time as fastTime does, in quotes or not.
func (d *Decoder) fastTimeCell(p *[reach]byte) (analytics.Instant, int) {
	if p[0] != '"' {
		return d.fastTime(p)
	}
	var inner [reach]byte
	copy(inner[:], p[1:])
	t, size := d.fastTime(&inner)
	if size == 0 || p[1+size] != '"' {
		return 0, 0
	}
	return t, size + 2
}

// fastTime reads YYYY-MM-DDThh:mm:ssZ, the same with milliseconds, or an
// integer epoch time in seconds or milliseconds, and gives its size; 0 for the
// rest.
func (d *Decoder) fastTime(p *[reach]byte) (analytics.Instant, int) {
	if p[4] != '-' {
		return fastEpoch(p)
	}
	head, tail := binary.LittleEndian.Uint64(p[0:8]), binary.LittleEndian.Uint32(p[8:12])&dateTail
	if (head != d.date.head || tail != d.date.tail) && !d.cacheDate(p[:11]) {
		return 0, 0
	}
	// hh:mm:ss in one word; then each pair of digits has its number in the byte
	// of its first digit.
	x := binary.LittleEndian.Uint64(p[11:19]) ^ 0x30303a30303a3030
	if (x+digitCarry|x)&digitOther != 0 || x&0x0000ff0000ff0000 != 0 {
		return 0, 0
	}
	x = x*10 + x>>8
	hour, minute, second := x&0xff, x>>24&0xff, x>>48&0xff
	if hour > 23 || minute > 59 || second > 59 {
		return 0, 0
	}
	t := d.date.start + analytics.Instant(hour*3_600_000+minute*60_000+second*1000)
	if p[19] == 'Z' {
		return t, 20
	}
	if p[19] != '.' || p[23] != 'Z' || digitsAt(p[:23], 20) != 3 {
		return 0, 0
	}
	return t + analytics.Instant(int(p[20]-'0')*100+two(p[:], 21)), 24
}

// two gives the value of two digits, over 99 when they are none.
func two(b []byte, i int) int {
	tens, ones := b[i]-'0', b[i+1]-'0'
	if tens > 9 || ones > 9 {
		return 100
	}
	return int(tens)*10 + int(ones)
}

// cacheDate reads YYYY-MM-DDT; it is false for dates that need a second look.
func (d *Decoder) cacheDate(text []byte) bool {
	if d.prof != nil && d.prof.DateOrder != profile.YearMonthDay {
		return false
	}
	if text[4] != '-' || text[7] != '-' || text[10] != 'T' ||
		digitsAt(text, 0) != 4 || digitsAt(text, 5) != 2 || digitsAt(text, 8) != 2 {
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
	d.date.start = start
	d.date.head = binary.LittleEndian.Uint64(text)
	d.date.tail = uint32(text[8]) | uint32(text[9])<<8 | uint32(text[10])<<16
	return true
}

// fastEpoch reads ten digits of seconds or thirteen of milliseconds.
func fastEpoch(p *[reach]byte) (analytics.Instant, int) {
	x := binary.LittleEndian.Uint64(p[0:8]) ^ digitZeros
	y := binary.LittleEndian.Uint64(p[8:16]) ^ digitZeros
	if (x+digitCarry|x)&digitOther != 0 {
		return 0, 0
	}
	n := bits.TrailingZeros64((y+digitCarry|y)&digitOther) >> 3
	v := int64(eightDigits(x))
	switch n {
	case 2:
		v = (v*100 + int64(eightDigits(y<<48))) * 1000
	case 5:
		v = v*100_000 + int64(eightDigits(y<<24))
	default:
		return 0, 0
	}
	if v < int64(clockDefault) || v >= maxEpochMillis {
		return 0, 0
	}
	return analytics.Instant(v), 8 + n
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
