package main

import (
	"bytes"
	"errors"
	"io"
)

// csv sends the header, with what stands before it, in front of every piece.
func (c *cutter) csv() error {
	c.contentType = "text/csv"
	if err := c.findHeader(); err != nil {
		return err
	}
	c.first = c.line + 1
	for sent := false; ; {
		record, lines, err := c.record()
		if errors.Is(err, io.EOF) {
			if len(c.body) == 0 && sent {
				return nil
			}
			return c.flush() // a header alone is sent too, and told by the service
		}
		if err != nil {
			return err
		}
		if len(c.body) > 0 && len(c.header)+len(c.body)+len(record) > pieceBytes {
			if err := c.flush(); err != nil {
				return err
			}
			sent = true
		}
		c.body = append(c.body, record...)
		c.line += lines
	}
}

// findHeader takes lines up to the header. What counts as one is decided line
// by line as the service does: a quote in a comment means nothing.
func (c *cutter) findHeader() error {
	for {
		line, err := c.next()
		if errors.Is(err, io.EOF) {
			return errors.New("the file holds no header, only blank lines and comments; nothing was sent")
		}
		if err != nil {
			return err
		}
		c.line++
		text := trimEnd(line)
		aside := len(bytes.TrimSpace(text)) == 0 || text[0] == '#'
		if aside && len(c.header)+len(line) > preambleKeep {
			continue
		}
		c.header = append(c.header, line...)
		c.headerLines++
		if !aside && !(bytes.HasPrefix(text, []byte("sep=")) && len(text) == 5) {
			if c.comma == 0 {
				c.comma = commaOf(text)
			}
			if line[len(line)-1] != '\n' {
				c.header = append(c.header, '\n')
			}
			return nil
		}
	}
}

// commaOf gives the delimiter that a header holds most of. A wrong guess does
// no harm: the service refuses a file whose delimiter is not the profile's.
func commaOf(header []byte) byte {
	best := byte(',')
	for _, c := range []byte(";\t|") {
		if bytes.Count(header, []byte{c}) > bytes.Count(header, []byte{best}) {
			best = c
		}
	}
	return best
}

// trimEnd takes a line's end off.
func trimEnd(line []byte) []byte {
	return bytes.TrimSuffix(bytes.TrimSuffix(line, []byte{'\n'}), []byte{'\r'})
}

// record takes one record: a line, or several where a quoted cell holds line
// ends. Where the quotes are wrong only the first line is the record, since
// the service gives up no more than that.
func (c *cutter) record() (record []byte, lines int, err error) {
	first, err := c.next()
	if err != nil {
		return nil, 0, err
	}
	if len(trimEnd(first)) > maxLine || first[0] == '#' || bytes.IndexByte(first, '"') < 0 {
		return first, 1, nil
	}
	record = bytes.Clone(first)
	var more [][]byte
	for {
		switch quotesOf(record, c.comma) {
		case quotesClosed:
			return record, 1 + len(more), nil
		case quotesWrong:
			c.ahead = append(more, c.ahead...)
			return first, 1, nil
		}
		line, err := c.next()
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, 0, err
		}
		if err == nil {
			more = append(more, line)
			record = append(record, line...)
		}
		if err != nil || len(record) > lineKeep {
			c.ahead = append(more, c.ahead...)
			return first, 1, nil
		}
	}
}

// quotes says how the quotes of a record stand.
type quotes uint8

const (
	quotesClosed quotes = iota
	// quotesOpen: a quoted cell goes on behind the bytes given.
	quotesOpen
	// quotesWrong: a quote stands where none may.
	quotesWrong
)

// quotesOf walks over the cells of b, which ends with a line end or the file.
func quotesOf(b []byte, comma byte) quotes {
	for i := 0; ; {
		next, state := cellEnd(b, i, comma)
		if state != quotesClosed || next >= len(b) || b[next] != comma {
			return state
		}
		i = next + 1
	}
}

// cellEnd finds the delimiter or line end behind the cell at i.
func cellEnd(b []byte, i int, comma byte) (int, quotes) {
	if i >= len(b) || b[i] != '"' {
		for ; i < len(b) && b[i] != comma && b[i] != '\n'; i++ {
			if b[i] == '"' {
				return i, quotesWrong
			}
		}
		return i, quotesClosed
	}
	for i++; ; i++ {
		k := bytes.IndexByte(b[i:], '"')
		if k < 0 {
			return len(b), quotesOpen
		}
		if i += k + 1; i >= len(b) || b[i] != '"' {
			break
		}
	}
	rest := b[i:]
	if len(rest) == 0 || rest[0] == comma || rest[0] == '\n' || rest[0] == '\r' && (len(rest) == 1 || rest[1] == '\n') {
		return i, quotesClosed
	}
	return i, quotesWrong
}
