package decode

import (
	"encoding/binary"
	"math/bits"
)

// number reads a number at p of the grammar of JSON without exponent, of at
// most seven digits on each side of the point, as the integer of its field,
// and gives its size. It gives 0 as size for what it leaves to parseDecimal:
// other forms and values that need a second look.
//
// It takes eight bytes at a time, because the branches of a loop over digits
// are what a decoder waits for most. Everything is in one function: calls
// would cost as much as the work.
func (c *column) number(p *[reach]byte) (v int64, size int) {
	x := binary.LittleEndian.Uint64(p[0:8])
	negative := p[0] == '-'
	if negative {
		x = binary.LittleEndian.Uint64(p[1:9])
		size = 1
	}
	x ^= digitZeros
	// A byte above 9 gets a bit in its upper half; carries only reach bytes
	// behind it.
	other := (x + digitCarry | x) & digitOther
	// From here on lengths are in bits, eight to a digit.
	whole := uint(bits.TrailingZeros64(other)) &^ 7
	if whole-8 > 48 || whole > 8 && byte(x) == 0 || !c.quick {
		return 0, 0
	}
	whole &= 63
	m, fraction := x&(1<<whole-1), uint(0)
	if byte(x>>whole) == '.'^'0' {
		if rest := other >> whole >> 8; rest != 0 {
			// The number ends within the eight bytes: close the gap of the point.
			fraction = uint(bits.TrailingZeros64(rest)) & 56
			m |= x >> whole >> 8 & (1<<fraction - 1) << whole
			m = eightDigits(m << ((64 - whole - fraction) & 63))
		} else {
			from := size + int(whole>>3) + 1
			x = binary.LittleEndian.Uint64(p[from&15:]) ^ digitZeros
			other = (x + digitCarry | x) & digitOther
			if other == 0 {
				return 0, 0
			}
			fraction = uint(bits.TrailingZeros64(other)) & 56
			m = eightDigits(m<<(64-whole))*uint64(pow10[fraction>>3]) + eightDigits(x<<((64-fraction)&63))
		}
		if fraction == 0 {
			return 0, 0
		}
		size += 1 + int(fraction>>3)
	} else {
		m = eightDigits(m << ((64 - whole) & 63))
	}
	size += int(whole >> 3)
	v = int64(m)
	if places := c.scale.places - int(fraction>>3); places >= 0 {
		v *= pow10[places&15]
	} else if v = roundOff(v, -places); v < 0 {
		return 0, 0
	}
	if negative != c.scale.negative {
		v = -v
	}
	if v < c.lo || v > c.hi || c.sensor && (v == sensorDefaultLow || v == sensorDefaultHigh) {
		return 0, 0
	}
	return v, size
}

// numberAt reads the number at i and gives the index behind it, or -1.
func (c *column) numberAt(b []byte, i int) (v int64, next int) {
	if i+reach > cap(b) {
		return 0, -1
	}
	v, size := c.number((*[reach]byte)(b[i : i+reach]))
	if size == 0 || i+size > len(b) {
		return 0, -1
	}
	return v, i + size
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

// aheadOf gives b and what follows it as far as the fast ways look; bytes
// that are not there are zeros.
func aheadOf(b []byte) *[reach]byte {
	if cap(b) >= reach {
		return (*[reach]byte)(b[:reach])
	}
	var p [reach]byte
	copy(p[:], b)
	return &p
}
