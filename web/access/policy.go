package access

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"fadeledger/analytics"
)

// Bounds of passwords: the least in characters, the most in bytes.
const (
	shortestPassword = 12
	longestPassword  = 256
	// leastDifferent is how many different characters there must be.
	leastDifferent = 5
)

// PasswordError says what is wrong with a new password. It matches
// analytics.ErrInvalid.
type PasswordError struct {
	// Help is a sentence that says what to do.
	Help string
}

// Error gives the help.
func (e *PasswordError) Error() string { return e.Help }

// Unwrap gives analytics.ErrInvalid.
func (e *PasswordError) Unwrap() error { return analytics.ErrInvalid }

// wornOut are words that a password must not be made of alone.
var wornOut = []string{
	"password", "passwort", "passphrase", "passw0rd", "p@ssw0rd", "letmein", "welcome", "changeme", "secret", "administrator",
	"admin", "qwertyuiop", "qwertzuiop", "qwerty", "qwertz", "asdfghjkl", "zxcvbnm", "iloveyou", "monkey", "dragon", "football",
	"fadeledger", "battery", "warranty",
}

// CheckPassword reports, as a *PasswordError, why a password cannot be taken for
// a login: it needs 12 characters or more and at most 256 bytes, and must not be
// one of those that are tried first. Nothing is asked of the kinds of
// characters, as NIST SP 800-63B advises (from memory).
func CheckPassword(login, password string) error {
	help := func(format string, a ...any) error { return &PasswordError{Help: fmt.Sprintf(format, a...)} }
	folded := strings.ToLower(password)
	name := strings.ToLower(strings.TrimSpace(login))
	switch {
	case !utf8.ValidString(password) || strings.ContainsFunc(password, unicode.IsControl):
		return help("The password holds characters that cannot be typed. Type it in by hand.")
	case utf8.RuneCountInString(password) < shortestPassword:
		return help("The password is too short. Take %d characters or more; several words in a row do well.", shortestPassword)
	case len(password) > longestPassword:
		return help("The password is too long. Take at most %d bytes.", longestPassword)
	case strings.TrimSpace(password) == "":
		return help("The password is blank. Take several words in a row.")
	case different(folded) < leastDifferent:
		return help("The password repeats few characters. Take several words in a row.")
	case inOrder(folded):
		return help("The password is a row of characters in their order. Take words that do not belong together.")
	case utf8.RuneCountInString(name) >= 3 && littleBut(folded, name):
		return help("The password is little more than the login. Take words that have nothing to do with it.")
	case littleBut(folded, wornOut...):
		return help("That password is among the first that are tried. Take several words that do not belong together.")
	}
	return nil
}

// different counts the different characters.
func different(s string) int {
	runes := []rune(s)
	slices.Sort(runes)
	return len(slices.Compact(runes))
}

// inOrder reports whether nearly each character follows the one before, up or
// down, as in 1234567890ab.
func inOrder(s string) bool {
	runes := []rune(s)
	up, down := 0, 0
	for i := 1; i < len(runes); i++ {
		switch runes[i] - runes[i-1] {
		case 1:
			up++
		case -1:
			down++
		}
	}
	return max(up, down) >= len(runes)-3
}

// lettersOf leaves the letters of s.
func lettersOf(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) {
			return r
		}
		return -1
	}, s)
}

// littleBut reports whether hardly a letter of s is left without the words.
func littleBut(s string, words ...string) bool {
	rest := s
	for _, word := range words {
		rest = strings.ReplaceAll(rest, word, "")
	}
	return rest != s && len(lettersOf(rest)) < 4
}
