package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
)

// linesOfJSON tells lines of objects from one JSON value as the service does:
// the first line ends an object and another object follows.
func linesOfJSON(text []byte) bool {
	line, after, found := bytes.Cut(text, []byte{'\n'})
	after = bytes.TrimLeft(after, " \t\r\n")
	return found && bytes.HasSuffix(bytes.TrimRight(line, " \t\r"), []byte{'}'}) && len(after) > 0 && after[0] == '{'
}

// objects sends lines of JSON. An object may run over several lines: inside
// it, a line that begins with a brace follows a colon, a comma or a bracket, and
// there the file is not cut.
func (c *cutter) objects() error {
	c.contentType = "application/x-ndjson"
	var last byte // the last byte taken that is no blank
	for {
		line, err := c.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		text := bytes.TrimSpace(line)
		begins := len(text) > 0 && text[0] == '{' && bytes.IndexByte([]byte(":,["), last) < 0
		size := len(c.body) + len(line)
		if len(c.body) > 0 && (begins && size > pieceBytes || size > pieceMost) {
			if err := c.flush(); err != nil {
				return err
			}
		}
		c.body = append(c.body, line...)
		c.line++
		if len(text) > 0 {
			last = text[len(text)-1]
		}
	}
	if len(bytes.TrimSpace(c.body)) == 0 {
		return nil
	}
	return c.flush()
}

// elements sends the samples of a JSON array as lines, byte by byte as they are
// but for the blanks between tokens: numbers keep their digits and a key that
// comes twice comes twice. The service counts an array's samples like lines.
func (c *cutter) elements() error {
	c.contentType = "application/x-ndjson"
	in := &rationed{r: c.r, left: elementMost}
	dec := json.NewDecoder(in)
	if _, err := dec.Token(); err != nil {
		return fmt.Errorf("read the array: %w", err)
	}
	var line bytes.Buffer
	for dec.More() {
		in.left = elementMost
		var raw json.RawMessage
		err := dec.Decode(&raw)
		if err == nil {
			line.Reset()
			err = json.Compact(&line, raw)
		}
		if err != nil {
			return c.broken(err)
		}
		line.Truncate(min(line.Len(), lineKeep))
		line.WriteByte('\n')
		if len(c.body) > 0 && len(c.body)+line.Len() > pieceBytes {
			if err := c.flush(); err != nil {
				return err
			}
		}
		c.body = append(c.body, line.Bytes()...)
		c.line++
	}
	in.left = elementMost
	if _, err := dec.Token(); err != nil {
		return c.broken(err)
	}
	if len(c.body) > 0 {
		if err := c.flush(); err != nil {
			return err
		}
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return c.broken(errors.New("further bytes follow its end"))
	}
	return nil
}

// rationed gives no more than what is left of a ration.
type rationed struct {
	r    io.Reader
	left int
}

func (r *rationed) Read(b []byte) (int, error) {
	if r.left <= 0 {
		return 0, fmt.Errorf("the next sample has more than %d KiB", elementMost>>10)
	}
	n, err := r.r.Read(b[:min(len(b), r.left)])
	r.left -= n
	return n, err
}

// broken says where an array breaks off.
func (c *cutter) broken(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = errors.New("the JSON ends in the middle")
	}
	return fmt.Errorf("the array cannot be read on after sample %d: %w; samples before that may be sent: mend the file and load it again, nothing is counted twice", c.line, err)
}
