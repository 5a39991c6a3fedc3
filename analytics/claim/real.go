package claim

import "math/big"

// precision is the number of bits of real arithmetic. The standard library's
// math.Log and math.Exp may differ in the last bit from one processor to the
// next; these do not, so that a share spent is the same text everywhere.
const precision = 288

func realOf(x *big.Rat) *big.Float { return newReal().SetRat(x) }

func newReal() *big.Float { return new(big.Float).SetPrec(precision) }

// ln gives the natural logarithm of x > 0 to about 70 decimal digits, for x
// from 1e-12 to 1e12.
//
// Eight square roots bring x near 1, and there ln x = 2 (z + z³/3 + z⁵/5 + …)
// with z = (x−1)/(x+1) needs few terms.
func ln(x *big.Float) *big.Float {
	const roots = 8
	near := newReal().Set(x)
	for range roots {
		near.Sqrt(near)
	}
	one := newReal().SetInt64(1)
	z := newReal().Quo(newReal().Sub(near, one), newReal().Add(near, one))
	square := newReal().Mul(z, z)
	sum, power := newReal(), newReal().Set(z)
	for n := int64(1); power.Sign() != 0 && power.MantExp(nil) > -precision-32; n += 2 {
		sum.Add(sum, newReal().Quo(power, newReal().SetInt64(n)))
		power.Mul(power, square)
	}
	return sum.SetMantExp(sum, roots+1)
}

// exp gives e to the power of y to about 70 decimal digits, for |y| below 100.
//
// e^y = (e^(y/2^n))^(2^n), and Taylor's series needs few terms near 0.
func exp(y *big.Float) *big.Float {
	const halvings = 24
	rest := newReal().SetMantExp(y, -halvings)
	sum, term := newReal().SetInt64(1), newReal().SetInt64(1)
	for n := int64(1); n < 18; n++ {
		term.Quo(newReal().Mul(term, rest), newReal().SetInt64(n))
		sum.Add(sum, term)
	}
	for range halvings {
		sum.Mul(sum, sum)
	}
	return sum
}

// exactly turns a real number into a fraction of the same value.
func exactly(x *big.Float) *big.Rat {
	r, _ := x.Rat(nil)
	return r
}
