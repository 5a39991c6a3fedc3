package decode

// number reads a number at p of the grammar of JSON without exponent, of at
// most nine digits before the point and 18 in all, as the integer of its
// field, and gives its size. It gives 0 as size for what it leaves to
// parseDecimal: other forms and values that need a second look.
//
// It is a plain loop, because the numbers of a column mostly have as many
// digits as those before: the processor foresees where they end and begins
// with the next cell meanwhile. Taking eight digits at a time makes the place
// of every cell wait for that of the cell before, and was measured to be
// no faster.
func (c *column) number(p *[reach]byte) (v int64, size int) {
	i := 0
	negative := p[0] == '-'
	if negative {
		i = 1
	}
	first := i
	for ; i < reach && p[i]-'0' <= 9; i++ {
		v = v*10 + int64(p[i]-'0')
	}
	digits, places := i-first, c.scale.places
	if digits == 0 || digits > 9 || digits > 1 && p[first] == '0' {
		return 0, 0
	}
	if i < reach && p[i] == '.' {
		point := i
		for i++; i < reach && p[i]-'0' <= 9; i++ {
			v = v*10 + int64(p[i]-'0')
		}
		fraction := i - point - 1
		if fraction == 0 {
			return 0, 0
		}
		digits += fraction
		places -= fraction
	}
	if digits > maxDigits {
		return 0, 0
	}
	if places >= 0 {
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
	return v, i
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
