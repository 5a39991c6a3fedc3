package catalog

import (
	"math/big"
	"regexp"
	"strconv"
	"strings"
)

// decimalText is a number as people write it in these files. No exponent, no
// underscore, no base prefix: what looks odd is asked about, not guessed.
var decimalText = regexp.MustCompile(`^[+-]?(0|[1-9][0-9]{0,24})(\.[0-9]{1,24})?$`)

// scale says how the number behind a suffix becomes the integer that is kept:
// (number − minus) × num / den.
type scale struct {
	suffix          string
	minus, num, den int64
}

var (
	energyScales = []scale{{"_kwh", 0, 1e6, 1}, {"_wh", 0, 1e3, 1}}
	energyCaps   = []scale{{"_mwh", 0, 1e9, 1}, {"_kwh", 0, 1e6, 1}} // megawatt-hours
	powerScales  = []scale{{"_kw", 0, 1e6, 1}, {"_w", 0, 1e3, 1}}
	chargeScales = []scale{{"_ah", 0, 1e3, 1}}
	tempScales   = []scale{{"_c", 0, 100, 1}, {"_f", 32, 500, 9}}
	socScales    = []scale{{"_pct", 0, 10, 1}, {"_frac", 0, 1000, 1}}
	rateScales   = []scale{{"", 0, 1e6, 1}}
)

// apply gives the integer for a decimal text, rounded half away from zero; ok
// is false where the text is no decimal or does not fit.
func (s scale) apply(text string) (n int64, ok bool) {
	if !decimalText.MatchString(text) {
		return 0, false
	}
	x, ok := new(big.Rat).SetString(text)
	if !ok {
		return 0, false
	}
	x.Sub(x, big.NewRat(s.minus, 1))
	x.Mul(x, big.NewRat(s.num, s.den))
	return roundHalfAway(x)
}

func roundHalfAway(x *big.Rat) (int64, bool) {
	num := new(big.Int).Abs(x.Num())
	num.Mul(num, big.NewInt(2)).Add(num, x.Denom())
	num.Quo(num, new(big.Int).Mul(x.Denom(), big.NewInt(2)))
	if x.Sign() < 0 {
		num.Neg(num)
	}
	return num.Int64(), num.IsInt64()
}

// decimalFloat gives the float64 nearest to a decimal text.
func decimalFloat(text string) (float64, bool) {
	if !decimalText.MatchString(text) {
		return 0, false
	}
	f, err := strconv.ParseFloat(text, 64)
	return f, err == nil
}

// formatScaled writes n / 10^digits without trailing zeros.
func formatScaled(n int64, digits int) string {
	sign := ""
	u := uint64(n)
	if n < 0 {
		sign, u = "-", -u
	}
	text := strconv.FormatUint(u, 10)
	if len(text) <= digits {
		text = strings.Repeat("0", digits+1-len(text)) + text
	}
	whole, rest := text[:len(text)-digits], strings.TrimRight(text[len(text)-digits:], "0")
	if rest == "" {
		return sign + whole
	}
	return sign + whole + "." + rest
}
