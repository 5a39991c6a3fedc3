package catalog

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// longestName is the longest name in bytes that is taken: enough for people,
// short enough for an index.
const longestName = 200

const nameRemedy = "use up to 200 bytes of printable text without spaces at its ends"

// validName reports whether a text can name a model, terms, a unit, a stack, a
// site or an installer.
func validName(text string) bool {
	if text == "" || len(text) > longestName || !utf8.ValidString(text) || strings.TrimSpace(text) != text {
		return false
	}
	return !strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) })
}
