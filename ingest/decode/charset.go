package decode

import (
	"io"
	"unicode/utf16"
	"unicode/utf8"
)

// utf16Reader gives UTF-8 for UTF-16. Half surrogate pairs and an odd last
// byte become U+FFFD, which no serial, time or number holds.
type utf16Reader struct {
	r         io.Reader
	bigEndian bool
	in        [4096]byte
	held      int // bytes of in that wait for more
	out       []byte
	high      rune
	err       error
}

// Read gives UTF-8.
func (u *utf16Reader) Read(p []byte) (int, error) {
	for len(u.out) == 0 {
		if u.err != nil {
			return 0, u.err
		}
		u.fill()
	}
	n := copy(p, u.out)
	u.out = u.out[n:]
	return n, nil
}

func (u *utf16Reader) fill() {
	n, err := u.r.Read(u.in[u.held:])
	n += u.held
	u.out = u.out[:0]
	i := 0
	for ; i+1 < n; i += 2 {
		unit := rune(u.in[i]) | rune(u.in[i+1])<<8
		if u.bigEndian {
			unit = rune(u.in[i])<<8 | rune(u.in[i+1])
		}
		u.unit(unit)
	}
	u.held = copy(u.in[:], u.in[i:n])
	if err != nil {
		u.err = err
		if u.held > 0 || u.high != 0 {
			u.out = utf8.AppendRune(u.out, utf8.RuneError)
		}
	}
}

// unit takes one 16-bit unit.
func (u *utf16Reader) unit(unit rune) {
	high := u.high
	u.high = 0
	switch {
	case high != 0 && unit >= 0xdc00 && unit < 0xe000:
		u.out = utf8.AppendRune(u.out, utf16.DecodeRune(high, unit))
		return
	case high != 0:
		u.out = utf8.AppendRune(u.out, utf8.RuneError)
	}
	switch {
	case unit >= 0xd800 && unit < 0xdc00:
		u.high = unit
	default:
		u.out = utf8.AppendRune(u.out, unit)
	}
}

// windows1252Reader gives UTF-8 for Windows-1252.
type windows1252Reader struct {
	r   io.Reader
	in  [4096]byte
	out []byte
	err error
}

// Read gives UTF-8.
func (w *windows1252Reader) Read(p []byte) (int, error) {
	for len(w.out) == 0 {
		if w.err != nil {
			return 0, w.err
		}
		n, err := w.r.Read(w.in[:])
		w.out = w.out[:0]
		for _, c := range w.in[:n] {
			w.out = utf8.AppendRune(w.out, windows1252Rune(c))
		}
		w.err = err
	}
	n := copy(p, w.out)
	w.out = w.out[n:]
	return n, nil
}

// windows1252High holds the characters of 0x80 to 0x9f; five are not assigned.
var windows1252High = [32]rune{
	'€', 0xfffd, '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', 0xfffd, 'Ž', 0xfffd,
	0xfffd, '‘', '’', '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', 0xfffd, 'ž', 'Ÿ',
}

func windows1252Rune(c byte) rune {
	if c >= 0x80 && c < 0xa0 {
		return windows1252High[c-0x80]
	}
	return rune(c)
}
