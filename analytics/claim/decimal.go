package claim

import (
	"fmt"
	"math/big"
	"regexp"
	"strconv"
	"strings"

	"fadeledger/analytics"
)

// Decimal is an exact decimal number as text, such as "70", "-0.5" or
// "9000.25": no exponent, no plus sign, no zeros that say nothing. The zero
// value stands for 0.
type Decimal string

var decimalText = regexp.MustCompile(`^(0|-?(0\.[0-9]*[1-9]|[1-9][0-9]*(\.[0-9]*[1-9])?))$`)

// shareDigits is the number of decimals that results are rounded to. What is
// compared is what is written: a share of 1.000000000000 is not above 1.
const shareDigits = 12

// DecimalOf gives the decimal nearest to f with at most twelve decimals, half
// away from zero. It serves to freeze the floats of terms, which come from
// decimal texts of a few digits; f must be finite.
func DecimalOf(f float64) Decimal {
	r := new(big.Rat).SetFloat64(f)
	if r == nil {
		return ""
	}
	return decimalOf(r, shareDigits)
}

// decimalOf rounds r to a number of decimals, half away from zero.
func decimalOf(r *big.Rat, digits int) Decimal {
	text := r.FloatString(digits)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	if text == "-0" {
		return "0"
	}
	return Decimal(text)
}

// Valid reports whether the text is a decimal in its one form.
func (d Decimal) Valid() bool { return decimalText.MatchString(string(d)) }

// rat gives the number; the text must be valid or empty.
func (d Decimal) rat() *big.Rat {
	r, ok := new(big.Rat).SetString(string(d))
	if !ok {
		return new(big.Rat)
	}
	return r
}

// rounded gives r as it is written with twelve decimals.
func rounded(r *big.Rat) *big.Rat { return decimalOf(r, shareDigits).rat() }

func whole(n int64) Decimal { return Decimal(strconv.FormatInt(n, 10)) }

func ratio(a, b int64) *big.Rat { return big.NewRat(a, b) }

// kWh gives an energy in kilowatt-hours, exactly.
func kWh(e analytics.MicrowattHours) *big.Rat { return ratio(int64(e), 1e9) }

// fixed writes r with so many decimals, for sentences.
func fixed(r *big.Rat, digits int) string { return r.FloatString(digits) }

// percent writes a share in percent with one decimal, and with as many more as
// it takes to tell it from 100 % where it is not exactly that.
func percent(share *big.Rat) string {
	p := new(big.Rat).Mul(share, ratio(100, 1))
	hundred := ratio(100, 1)
	for digits := 1; ; digits++ {
		text := p.FloatString(digits)
		shown, _ := new(big.Rat).SetString(text)
		if digits == shareDigits || shown.Cmp(hundred) != 0 || p.Cmp(hundred) == 0 {
			return strings.TrimSuffix(text, ".0") + " %"
		}
	}
}

// Date is a calendar day, written as 2006-01-02. Which zone it is a day of
// depends on where it stands: the days of a warranty are the site's own, the
// days of a ledger are UTC.
type Date analytics.Day

// DateOf gives the date of a day that may not be known.
func DateOf(d *analytics.Day) *Date {
	if d == nil {
		return nil
	}
	date := Date(*d)
	return &date
}

// Day gives the date as a day.
func (d Date) Day() analytics.Day { return analytics.Day(d) }

// String writes the date as 2006-01-02.
func (d Date) String() string { return d.Day().String() }

// MarshalText writes the date as 2006-01-02.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads a date written as 2006-01-02.
func (d *Date) UnmarshalText(text []byte) error {
	day, err := analytics.ParseDay(string(text))
	if err != nil {
		return err
	}
	*d = Date(day)
	return nil
}

// words writes the date as customers read it: 2 January 2006.
func (d Date) words() string { return d.Day().Start().Time().Format("2 January 2006") }

// counted writes a number with its word, in the plural where it is not one.
func counted(n int64, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}
