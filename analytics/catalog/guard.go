package catalog

import "strings"

// formulaStarts are the characters at which spreadsheets begin to read a cell
// as something else than text. Common practice, no source.
const formulaStarts = "=+-@|%"

// LooksLikeFormula reports whether a spreadsheet would take a text for a
// formula. Such a name is not registered anew.
func LooksLikeFormula(text string) bool {
	return text != "" && strings.IndexByte(formulaStarts, text[0]) >= 0
}

// guarded puts an apostrophe before a cell that a spreadsheet would take for a
// formula, and before one that begins with apostrophes and goes on like that,
// so that unguarded gives every text back.
func guarded(cell string) string {
	if LooksLikeFormula(strings.TrimLeft(cell, "'")) {
		return "'" + cell
	}
	return cell
}

// unguarded takes the apostrophe away that guarded put there.
func unguarded(cell string) string {
	if rest, ok := strings.CutPrefix(cell, "'"); ok && LooksLikeFormula(strings.TrimLeft(rest, "'")) {
		return rest
	}
	return cell
}

// quoted makes a cell that is not guarded read back as it is: one that begins
// with an apostrophe would lose it.
func quoted(cell string) string {
	if strings.HasPrefix(cell, "'") {
		return guarded(cell)
	}
	return cell
}
