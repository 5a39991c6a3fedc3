package profile

import "strings"

// MaxSerialLength is the longest unit serial, in bytes.
const MaxSerialLength = 64

// SerialFault says what is wrong with a unit serial.
type SerialFault uint8

// Faults of a serial.
const (
	SerialOK SerialFault = iota
	// SerialEmpty is no serial at all.
	SerialEmpty
	// SerialTooLong is longer than MaxSerialLength.
	SerialTooLong
	// SerialCharacters holds a byte outside A–Z a–z 0–9 . _ : / -, or does not
	// begin with a letter or digit. Look-alike letters of other scripts and
	// spreadsheet formulas end here.
	SerialCharacters
	// SerialMangled looks like a serial that a spreadsheet turned into a number
	// ("1.23E+11") or a date ("2-Mar").
	SerialMangled
	// SerialPrefix and SerialLength break the rule of the profile.
	SerialPrefix
	SerialLength
)

// CheckSerial says whether text can be a unit serial for the profile, which
// may be nil.
func (p *Profile) CheckSerial(text string) SerialFault {
	switch {
	case text == "":
		return SerialEmpty
	case looksMangled(text):
		return SerialMangled
	case len(text) > MaxSerialLength:
		return SerialTooLong
	}
	for i := 0; i < len(text); i++ {
		if c := text[i]; !isAlnum(c) && (i == 0 || strings.IndexByte("._:/-", c) < 0) {
			return SerialCharacters
		}
	}
	if p == nil {
		return SerialOK
	}
	if !strings.HasPrefix(text, p.UnitPrefix) {
		return SerialPrefix
	}
	if p.UnitLength > 0 && len(text) != p.UnitLength {
		return SerialLength
	}
	return SerialOK
}

func isAlnum(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z'
}

// looksMangled recognises d.ddE+dd and d-Mon / Mon-dd.
func looksMangled(text string) bool {
	if i := strings.IndexAny(text, "eE"); i > 0 && i+1 < len(text) && text[i+1] == '+' {
		return digitsOnly(strings.Replace(text[:i], ".", "", 1)) && digitsOnly(text[i+2:])
	}
	day, month, ok := strings.Cut(text, "-")
	if !ok {
		return false
	}
	return len(day) <= 2 && digitsOnly(day) && isMonth(month) ||
		isMonth(day) && len(month) <= 4 && digitsOnly(month)
}

func digitsOnly(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

func isMonth(s string) bool {
	const months = "jan feb mar apr may jun jul aug sep oct nov dec"
	return len(s) == 3 && strings.Contains(months, strings.ToLower(s)) && !strings.Contains(s, " ")
}
