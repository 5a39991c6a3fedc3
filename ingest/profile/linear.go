package profile

import (
	"fmt"
	"math/big"
	"strings"
)

// Linear turns a number as it was written into the integer that the ledger
// keeps: (number × Num + Add) / Den. Den is positive.
type Linear struct {
	Num, Add, Den int64
}

// Pow10 reports whether the conversion only moves the decimal point, by how
// many places, and whether it turns the sign.
func (l Linear) Pow10() (places int, negative, ok bool) {
	num, den := l.Num, l.Den
	if num < 0 {
		num, negative = -num, true
	}
	if l.Add != 0 || num == 0 || den <= 0 {
		return 0, false, false
	}
	for num%10 == 0 {
		num, places = num/10, places+1
	}
	for den%10 == 0 {
		den, places = den/10, places-1
	}
	return places, negative, num == 1 && den == 1
}

// after gives the conversion of a number to which scale and offset are
// applied first: l(number × scale + offset).
func (l Linear) after(scale, offset *big.Rat) (Linear, error) {
	num := new(big.Rat).Mul(big.NewRat(l.Num, l.Den), scale)
	add := new(big.Rat).Mul(big.NewRat(l.Num, l.Den), offset)
	add.Add(add, big.NewRat(l.Add, l.Den))
	// Common denominator: den = lcm(num.den, add.den).
	gcd := new(big.Int).GCD(nil, nil, num.Denom(), add.Denom())
	den := new(big.Int).Div(new(big.Int).Mul(num.Denom(), add.Denom()), gcd)
	n := new(big.Int).Div(new(big.Int).Mul(num.Num(), den), num.Denom())
	a := new(big.Int).Div(new(big.Int).Mul(add.Num(), den), add.Denom())
	if !n.IsInt64() || !a.IsInt64() || !den.IsInt64() {
		return Linear{}, fmt.Errorf("scale and offset have too many digits")
	}
	if n.Sign() == 0 {
		return Linear{}, fmt.Errorf("scale is zero")
	}
	return Linear{Num: n.Int64(), Add: a.Int64(), Den: den.Int64()}, nil
}

// parseRatio reads "0.001", "-3.6", "1e-3" or "1/3600" exactly.
func parseRatio(text string) (*big.Rat, error) {
	text = strings.TrimSpace(text)
	if len(text) == 0 || len(text) > 24 {
		return nil, fmt.Errorf("%q is no number", text)
	}
	if i := strings.IndexAny(text, "eE"); i >= 0 && len(text)-i > 4 {
		// An exponent of three digits or more would only build a huge integer.
		return nil, fmt.Errorf("%q is out of range", text)
	}
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		return nil, fmt.Errorf("%q is no number", text)
	}
	return r, nil
}
