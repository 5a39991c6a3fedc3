package decode

import (
	"math/big"
	"math/bits"

	"fadeledger/ingest/profile"
)

// maxDigits is how many significant digits fit into the fast forms.
const maxDigits = 18

var pow10 = [maxDigits + 1]int64{
	1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
}

// decimal is a number as it was written: mantissa × 10^exp. When it has more
// than maxDigits significant digits, mantissa holds the first of them and
// long all.
type decimal struct {
	negative bool
	mantissa int64
	exp      int
	long     []byte
	longExp  int
}

// numberStyle says how a source writes numbers.
type numberStyle uint8

const (
	// stylePoint is a CSV cell with a decimal point.
	stylePoint numberStyle = iota
	// styleComma is a CSV cell with a decimal comma.
	styleComma
	// styleJSON is the grammar of RFC 8259, section 6.
	styleJSON
)

// parseDecimal reads a number; the reason is "" when it is one.
func parseDecimal(text []byte, style numberStyle) (x decimal, reason string) {
	if len(text) > MaxNumberBytes {
		return x, ReasonNumberTooLong
	}
	i := 0
	if i < len(text) && (text[i] == '-' || text[i] == '+' && style != styleJSON) {
		x.negative = text[i] == '-'
		i++
	}
	point := byte('.')
	if style == styleComma {
		point = ','
	}
	whole := digitsAt(text, i)
	fraction := 0
	end := i + whole
	if end < len(text) && text[end] == point {
		fraction = digitsAt(text, end+1)
		end += 1 + fraction
		if style == styleJSON && fraction == 0 {
			return x, ReasonNumberUnreadable
		}
	}
	exp, ok := exponent(text[end:])
	switch {
	case style == styleJSON && ok && (whole == 0 || whole > 1 && text[i] == '0'):
		return x, ReasonNumberUnreadable
	case !ok || whole+fraction == 0:
		return x, unreadableNumber(text)
	}
	x.setDigits(text[i:i+whole], text[i+whole:end], exp)
	return x, ""
}

// setDigits takes the digits before and after the point; the latter slice
// begins with the point, or is empty.
func (x *decimal) setDigits(whole, fraction []byte, exp int) {
	if len(fraction) > 0 {
		fraction = fraction[1:]
	}
	kept := 0
	x.exp = exp - len(fraction)
	for _, part := range [2][]byte{whole, fraction} {
		for _, c := range part {
			switch {
			case kept == 0 && c == '0':
			case kept < maxDigits:
				x.mantissa = x.mantissa*10 + int64(c-'0')
				kept++
			default:
				kept++
			}
		}
	}
	if kept == 0 {
		x.exp = 0
	}
	if kept > maxDigits {
		x.long = append(append(make([]byte, 0, len(whole)+len(fraction)), whole...), fraction...)
		x.longExp = x.exp
		x.exp += kept - maxDigits
	}
}

func digitsAt(text []byte, i int) int {
	n := 0
	for i+n < len(text) && text[i+n]-'0' <= 9 {
		n++
	}
	return n
}

// exponent reads what follows the digits: nothing, or e and an integer. A
// huge one is cut to ±999, far outside every range.
func exponent(text []byte) (int, bool) {
	if len(text) == 0 {
		return 0, true
	}
	if text[0] != 'e' && text[0] != 'E' {
		return 0, false
	}
	text = text[1:]
	negative := false
	if len(text) > 0 && (text[0] == '-' || text[0] == '+') {
		negative = text[0] == '-'
		text = text[1:]
	}
	if len(text) == 0 || digitsAt(text, 0) != len(text) {
		return 0, false
	}
	exp := 0
	for _, c := range text {
		if exp = exp*10 + int(c-'0'); exp > 999 {
			exp = 999
		}
	}
	if negative {
		exp = -exp
	}
	return exp, true
}

// unreadableNumber says why a text is no number.
func unreadableNumber(text []byte) string {
	body := text
	for len(body) > 0 && (body[0] == '-' || body[0] == '+') {
		body = body[1:]
	}
	switch lower := string(lowerASCII(body)); lower {
	case "nan", "inf", "infinity", "#n/a", "#div/0!", "#num!", "∞":
		return ReasonNumberNotFinite
	}
	points, commas, groups := 0, 0, 0
	for i, c := range body {
		switch {
		case c-'0' <= 9:
		case c == '.':
			points++
		case c == ',':
			commas++
		case (c == '\'' || c == ' ') && i > 0, c == 0xc2 || c == 0xa0 || c == 0xe2 || c == 0x80 || c == 0xaf || c == 0x99:
			// A quote, a blank, a no-break blank or a typographic quote.
			groups++
		default:
			return ReasonNumberUnreadable
		}
	}
	switch {
	case len(body) == points+commas+groups, points+commas+groups == 0:
		return ReasonNumberUnreadable
	case groups > 0, points > 0 && commas > 0, points > 1, commas > 1:
		return ReasonNumberGrouping
	}
	return ReasonNumberAmbiguous
}

func lowerASCII(text []byte) []byte {
	low := make([]byte, len(text))
	for i, c := range text {
		if c >= 'A' && c <= 'Z' {
			c += 'a' - 'A'
		}
		low[i] = c
	}
	return low
}

// scale is a conversion prepared for decoding.
type scale struct {
	lin      profile.Linear
	places   int
	negative bool
	plain    bool
}

func newScale(lin profile.Linear) scale {
	s := scale{lin: lin}
	s.places, s.negative, s.plain = lin.Pow10()
	return s
}

// integer gives the number in whole units, rounded half away from zero. It is
// false when the result does not fit.
func (s *scale) integer(x decimal) (int64, bool) {
	if s.plain && (x.long == nil || x.exp+s.places < 0) {
		// Rounding half away from zero looks at the first dropped digit only, so
		// the digits behind maxDigits cannot matter.
		v, ok := shift(x.mantissa, x.exp+s.places)
		if x.negative != s.negative {
			v = -v
		}
		return v, ok
	}
	if x.long == nil {
		if v, ok := s.small(x); ok {
			return v, true
		}
	}
	return s.large(x)
}

// shift gives m × 10^places for m ≥ 0, rounded half away from zero.
func shift(m int64, places int) (int64, bool) {
	switch {
	case m == 0:
		return 0, true
	case places > maxDigits:
		return 0, false
	case places >= 0:
		return mul(m, pow10[places])
	case places < -maxDigits:
		return 0, true
	}
	p := pow10[-places]
	v, rest := m/p, m%p
	if rest >= p-rest {
		v++
	}
	return v, true
}

// mul multiplies, false on overflow.
func mul(a, b int64) (int64, bool) {
	negative := (a < 0) != (b < 0)
	hi, lo := bits.Mul64(magnitude(a), magnitude(b))
	if hi != 0 || lo > 1<<63-1 {
		return 0, false
	}
	if negative {
		return -int64(lo), true
	}
	return int64(lo), true
}

func magnitude(a int64) uint64 {
	if a < 0 {
		return -uint64(a)
	}
	return uint64(a)
}

// small converts within 64 bits, false when they do not suffice.
func (s *scale) small(x decimal) (int64, bool) {
	m := x.mantissa
	if x.negative {
		m = -m
	}
	if x.exp > maxDigits || x.exp < -maxDigits {
		return 0, false
	}
	num, ok1 := mul(m, s.lin.Num)
	add, den := s.lin.Add, s.lin.Den
	ok2, ok3 := true, true
	if x.exp < 0 {
		add, ok2 = mul(add, pow10[-x.exp])
		den, ok3 = mul(den, pow10[-x.exp])
	} else {
		num, ok2 = mul(num, pow10[x.exp])
	}
	const far = 1 << 61
	if !ok1 || !ok2 || !ok3 || num > far || num < -far || add > far || add < -far || den > far {
		return 0, false
	}
	sum := num + add
	v, rest := sum/den, sum%den
	if 2*int64(magnitude(rest)) >= den {
		if sum < 0 {
			v--
		} else {
			v++
		}
	}
	return v, true
}

// large converts with all digits.
func (s *scale) large(x decimal) (int64, bool) {
	if x.exp > 2*maxDigits {
		return 0, x.mantissa == 0
	}
	m, exp := big.NewInt(x.mantissa), max(x.exp, -2*MaxNumberBytes)
	if x.long != nil {
		m.SetString(string(x.long), 10)
		exp = max(x.longExp, -2*MaxNumberBytes)
	}
	if x.negative {
		m.Neg(m)
	}
	m.Mul(m, big.NewInt(s.lin.Num))
	add, den := big.NewInt(s.lin.Add), big.NewInt(s.lin.Den)
	power := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(exp, -exp))), nil)
	if exp < 0 {
		add.Mul(add, power)
		den.Mul(den, power)
	} else {
		m.Mul(m, power)
	}
	m.Add(m, add)
	negative := m.Sign() < 0
	m.Abs(m)
	// (2m + den) div 2den rounds half up, which is away from zero here.
	m.Add(m.Lsh(m, 1), den).Div(m, den.Lsh(den, 1))
	if negative {
		m.Neg(m)
	}
	return m.Int64(), m.IsInt64()
}
