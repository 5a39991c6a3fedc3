package decode

import (
	"unicode/utf16"
	"unicode/utf8"
)

// skipBlank gives the index of the next byte that is no blank.
func skipBlank(b []byte, i int) int {
	for i < len(b) && (b[i] == ' ' || b[i] == '\t' || b[i] == '\n' || b[i] == '\r') {
		i++
	}
	return i
}

// text is a JSON text within the window: b[from:to] between the quotes.
type text struct {
	from, to int
	escaped  bool
}

// textAt reads the JSON text whose quote is at i; next is behind its end.
func (d *Decoder) textAt(b []byte, i int) (t text, next int, st state) {
	t.from = i + 1
	for i++; i < len(b); i++ {
		switch c := b[i]; {
		case c == '"':
			t.to = i
			return t, i + 1, stateDone
		case c == '\\':
			t.escaped = true
			i++
		case c < ' ':
			d.json.wrong = "a control character inside a text"
			return t, i, stateSyntax
		}
	}
	return t, i, stateMore
}

// unescape gives the bytes of a JSON text; the reason is "" when it is valid.
func unescape(raw []byte) (out []byte, reason string) {
	out = make([]byte, 0, len(raw))
	for i := 0; i < len(raw); i++ {
		if raw[i] != '\\' {
			out = append(out, raw[i])
			continue
		}
		i++
		if i >= len(raw) {
			return nil, ReasonJSONSyntax
		}
		switch c := raw[i]; c {
		case '"', '\\', '/':
			out = append(out, c)
		case 'b':
			out = append(out, '\b')
		case 'f':
			out = append(out, '\f')
		case 'n':
			out = append(out, '\n')
		case 'r':
			out = append(out, '\r')
		case 't':
			out = append(out, '\t')
		case 'u':
			r, size, reason := unicodeEscape(raw[i+1:])
			if reason != "" {
				return nil, reason
			}
			out = utf8.AppendRune(out, r)
			i += size
		default:
			return nil, ReasonJSONSyntax
		}
	}
	return out, ""
}

// unicodeEscape reads the four digits behind \u, and the second half of a
// surrogate pair.
func unicodeEscape(raw []byte) (r rune, size int, reason string) {
	r, ok := hexRune(raw)
	if !ok {
		return 0, 0, ReasonJSONSyntax
	}
	if !utf16.IsSurrogate(r) {
		return r, 4, ""
	}
	if len(raw) >= 10 && raw[4] == '\\' && raw[5] == 'u' {
		if low, ok := hexRune(raw[6:]); ok {
			if r = utf16.DecodeRune(r, low); r != utf8.RuneError {
				return r, 10, ""
			}
		}
	}
	return 0, 0, ReasonJSONSurrogate
}

func hexRune(raw []byte) (rune, bool) {
	if len(raw) < 4 {
		return 0, false
	}
	var r rune
	for _, c := range raw[:4] {
		switch {
		case c >= '0' && c <= '9':
			c -= '0'
		case c >= 'a' && c <= 'f':
			c -= 'a' - 10
		case c >= 'A' && c <= 'F':
			c -= 'A' - 10
		default:
			return 0, false
		}
		r = r<<4 | rune(c)
	}
	return r, true
}

// skipValue gives the index behind the value at i. Words such as NaN pass as
// values, so that the rest of an object can be read; the caller judges them.
func (d *Decoder) skipValue(b []byte, i, depth int) (next int, st state) {
	if i >= len(b) {
		return i, stateMore
	}
	switch c := b[i]; {
	case c == '"':
		_, next, st = d.textAt(b, i)
		return next, st
	case c == '{', c == '[':
		if depth >= MaxDepth {
			return i, stateDepth
		}
		return d.skipNested(b, i, depth)
	case wordByte(c):
		for next = i; next < len(b) && wordByte(b[next]); {
			next++
		}
		if next == len(b) {
			return next, stateMore
		}
		return next, stateDone
	}
	d.json.wrong = "no value where one is expected"
	return i, stateSyntax
}

// wordByte is a byte of a number or word.
func wordByte(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '-' || c == '+' || c == '.'
}

// skipNested skips the object or array at i.
func (d *Decoder) skipNested(b []byte, i, depth int) (next int, st state) {
	object := b[i] == '{'
	end := byte(']')
	if object {
		end = '}'
	}
	i = skipBlank(b, i+1)
	if i < len(b) && b[i] == end {
		return i + 1, stateDone
	}
	for {
		if object {
			if i, st = d.skipKey(b, i); st != stateDone {
				return i, st
			}
		}
		if i, st = d.skipValue(b, skipBlank(b, i), depth+1); st != stateDone {
			return i, st
		}
		i = skipBlank(b, i)
		switch {
		case i >= len(b):
			return i, stateMore
		case b[i] == end:
			return i + 1, stateDone
		case b[i] != ',':
			d.json.wrong = "neither a comma nor an end after a value"
			return i, stateSyntax
		}
		i = skipBlank(b, i+1)
	}
}

// skipKey skips a key and its colon.
func (d *Decoder) skipKey(b []byte, i int) (next int, st state) {
	if i >= len(b) {
		return i, stateMore
	}
	if b[i] != '"' {
		d.json.wrong = "no key where one is expected"
		return i, stateSyntax
	}
	if _, i, st = d.textAt(b, i); st != stateDone {
		return i, st
	}
	return d.colon(b, i)
}

// colon skips a colon and the blanks before it.
func (d *Decoder) colon(b []byte, i int) (next int, st state) {
	if i = skipBlank(b, i); i >= len(b) {
		return i, stateMore
	}
	if b[i] != ':' {
		d.json.wrong = "no colon after a key"
		return i, stateSyntax
	}
	return i + 1, stateDone
}
