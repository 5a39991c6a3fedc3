package claim

import "math/big"

// precision is the number of bits of real arithmetic. The standard library's
// math.Log and math.Exp may differ in the last bit from one processor to the
// next; these do not, so that a share spent is the same text everywhere.
const precision = 256

func realOf(x *big.Rat) *big.Float { return newReal().SetRat(x) }

func newReal() *big.Float { return new(big.Float).SetPrec(precision) }

// ln gives the natural logarithm of x > 0, to about 70 decimal digits.
func ln(x *big.Float) *big.Float {
	m := newReal()
	e := x.MantExp(m)
	sum := atanhSeries(m)
	return sum.Add(sum, newReal().Mul(ln2(), newReal().SetInt64(int64(e))))
}

func ln2() *big.Float { return atanhSeries(newReal().SetInt64(2)) }

// atanhSeries gives ln m = 2 (z + z³/3 + z⁵/5 + …) with z = (m−1)/(m+1), for m
// from 1/2 to 2.
func atanhSeries(m *big.Float) *big.Float {
	one := newReal().SetInt64(1)
	z := newReal().Quo(newReal().Sub(m, one), newReal().Add(m, one))
	square := newReal().Mul(z, z)
	sum, power := newReal(), newReal().Set(z)
	// |z| ≤ 1/3, so each term is at most a ninth of the one before.
	for n := int64(1); n < 170; n += 2 {
		sum.Add(sum, newReal().Quo(power, newReal().SetInt64(n)))
		power.Mul(power, square)
	}
	return sum.Mul(sum, newReal().SetInt64(2))
}

// exp gives e to the power of y, for |y| well below 2^30.
func exp(y *big.Float) *big.Float {
	k, _ := newReal().Quo(y, ln2()).Int64()
	rest := newReal().Sub(y, newReal().Mul(ln2(), newReal().SetInt64(k)))
	// e^r = (e^(r/2^16))^(2^16), and Taylor's series needs few terms there.
	const halvings = 16
	rest.SetMantExp(rest, -halvings)
	sum, term := newReal().SetInt64(1), newReal().SetInt64(1)
	for n := int64(1); n < 20; n++ {
		term.Quo(newReal().Mul(term, rest), newReal().SetInt64(n))
		sum.Add(sum, term)
	}
	for range halvings {
		sum.Mul(sum, sum)
	}
	return sum.SetMantExp(sum, int(k))
}

// exactly turns a real number into a fraction of the same value.
func exactly(x *big.Float) *big.Rat {
	r, _ := x.Rat(nil)
	return r
}
