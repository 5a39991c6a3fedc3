package decode

import (
	"bytes"
	"fmt"
	"sort"

	"fadeledger/ingest/profile"
)

// jsonState is what the JSON reader keeps.
type jsonState struct {
	keys map[string]*jsonKey
	// order holds the keys of the last object in their order: the next object
	// most likely has the same.
	order []*jsonKey
	stamp int64
	// unknown holds the unknown keys of the row being read.
	unknown []*jsonKey
	// wrong says what the syntax error is.
	wrong string
}

// jsonKey is a key that was met, and what it means.
type jsonKey struct {
	name    string
	column  column
	verdict profile.Verdict
	// stamp is that of the last object that had the key.
	stamp int64
	// count is how often an unknown key was met in this delivery.
	count int64
	// escaped says that the name needs escapes in JSON.
	escaped bool
}

func (j *jsonState) begin() {
	if j.keys == nil || len(j.keys) > maxKeys/2 {
		j.keys = map[string]*jsonKey{}
		j.order = j.order[:0]
	}
	for _, k := range j.keys {
		k.count = 0
	}
}

// state says how the reading of a JSON value ended.
type state uint8

const (
	stateDone state = iota
	// stateMore: the bytes in memory end inside the value.
	stateMore
	// stateSyntax: no JSON; nothing behind it can be trusted.
	stateSyntax
	// stateDepth: nested too deep.
	stateDepth
)

// decodeJSON reads a JSON delivery from the window.
func (d *Decoder) decodeJSON(k kind) error {
	defer d.noteKeys()
	d.csv.columns, d.csv.header = d.csv.columns[:0], nil
	if k == kindLines {
		d.rep.Format = "ndjson"
		return d.jsonLines()
	}
	d.rep.Format = "json"
	c, err := d.peekByte()
	if err != nil {
		return err
	}
	switch c {
	case '[':
		d.win.pos++
		err = d.jsonArray()
	case '{':
		var envelope bool
		if envelope, err = d.isEnvelope(); err != nil {
			return err
		}
		if envelope {
			d.rep.Format = "envelope"
			err = d.envelope()
		} else {
			err = d.jsonElement()
		}
	default:
		return refuse(ReasonJSONSyntax, 0, "begins with %q", []byte{c})
	}
	if err != nil {
		return err
	}
	return d.jsonEnd()
}

// jsonEnd refuses bytes behind the value.
func (d *Decoder) jsonEnd() error {
	c, err := d.peekByte()
	if err != nil {
		return err
	}
	if c != 0 || d.win.pos < d.win.end {
		if err := d.win.need(excerptBytes + 1); err != nil {
			return err
		}
		return refuse(ReasonJSONTrailing, 0, "further bytes after the end of the JSON value, beginning with %s", excerpt(d.win.rest()))
	}
	return nil
}

// peekByte skips blanks and gives the next byte; 0 is the end of input.
func (d *Decoder) peekByte() (byte, error) {
	w := &d.win
	for {
		for ; w.pos < w.end; w.pos++ {
			switch c := w.buf[w.pos]; c {
			case ' ', '\t', '\r':
			case '\n':
				d.line++
			default:
				return c, nil
			}
		}
		if w.eof {
			return 0, nil
		}
		if err := w.more(); err != nil {
			return 0, err
		}
	}
}

// jsonArray reads the elements of an array, whose bracket is taken.
func (d *Decoder) jsonArray() error {
	for first := true; ; first = false {
		c, err := d.peekByte()
		if err != nil {
			return err
		}
		if c == ']' && first {
			d.win.pos++
			return nil
		}
		if err := d.jsonElement(); err != nil {
			return err
		}
		if c, err = d.peekByte(); err != nil {
			return err
		}
		switch c {
		case ',':
			d.win.pos++
		case ']':
			d.win.pos++
			return nil
		default:
			return d.jsonBroken("a sample is followed by neither a comma nor a bracket")
		}
	}
}

func (d *Decoder) jsonBroken(what string) error {
	if d.win.pos >= d.win.end && d.win.eof {
		what = "the JSON ends in the middle"
	}
	return refuse(ReasonJSONSyntax, d.line+1, "after %d samples: %s", d.rep.Read, what)
}

// jsonElement reads one sample of an array; its number is its line.
func (d *Decoder) jsonElement() error {
	size, st, err := d.jsonRow(int(d.rep.Read) + 1)
	switch {
	case err != nil:
		return err
	case st == stateDepth:
		return refuse(ReasonJSONDepth, d.line+1, "sample %d is nested deeper than %d", d.rep.Read+1, MaxDepth)
	case st == stateMore:
		return refuse(ReasonLineTooLong, d.line+1, "sample %d has more than %d bytes", d.rep.Read+1, d.opt.MaxLineBytes)
	case st == stateSyntax:
		return d.jsonBroken(d.json.wrong)
	}
	raw := d.win.rest()[:size]
	d.line += bytes.Count(raw, []byte{'\n'})
	d.win.pos += size
	return d.endJSONRow(raw)
}

// jsonRow reads the value at the window's position into the row. stateMore
// means that it is longer than a row may be; the end of input inside it is
// stateSyntax.
func (d *Decoder) jsonRow(line int) (size int, st state, err error) {
	for {
		d.beginRow(line)
		// A word ends with the byte behind it, so one more is looked at, and no
		// more: the answer must not depend on the sizes in which the bytes come.
		b := d.win.buf[:min(d.win.end, d.win.pos+d.opt.MaxLineBytes+1)]
		next, st := d.sample(b, d.win.pos)
		size := next - d.win.pos
		switch {
		case st == stateDone && size > d.opt.MaxLineBytes:
			return 0, stateMore, nil
		case st != stateMore:
			return size, st, nil
		case d.win.eof:
			d.json.wrong = "the JSON ends in the middle"
			return 0, stateSyntax, nil
		case len(d.win.rest()) > d.opt.MaxLineBytes:
			return 0, stateMore, nil
		}
		if err := d.win.more(); err != nil {
			return 0, st, err
		}
	}
}

// endJSONRow counts the unknown keys of the row and hands it over.
func (d *Decoder) endJSONRow(raw []byte) error {
	for _, k := range d.json.unknown {
		k.count++
	}
	return d.endRow(raw)
}

// noteKeys notes the unknown keys that were met, by name.
func (d *Decoder) noteKeys() {
	var names []string
	for name, k := range d.json.keys {
		if k.count > 0 {
			names = append(names, name)
		}
	}
	sort.Strings(names)
	for _, name := range names {
		k := d.json.keys[name]
		d.note(NoteUnknownColumn, k.name, k.count)
		k.count = 0
	}
}

// forgetKeys empties a full table of keys, so that one object with too many
// does not spoil the next.
func (d *Decoder) forgetKeys() {
	d.noteKeys()
	clear(d.json.keys)
	d.json.order = d.json.order[:0]
}

// jsonLines reads newline-delimited objects.
func (d *Decoder) jsonLines() error {
	for {
		c, err := d.peekByte()
		if err != nil || c == 0 && d.win.pos >= d.win.end {
			return err
		}
		size, st, err := d.jsonRow(d.line + 1)
		if err != nil {
			return err
		}
		switch st {
		case stateDone:
			err = d.jsonLineEnd(size)
		case stateMore:
			err = d.badJSONLine(ReasonLineTooLong, fmt.Sprintf("more than %d bytes", d.opt.MaxLineBytes))
		case stateDepth:
			err = d.badJSONLine(ReasonJSONDepth, fmt.Sprintf("nested deeper than %d", MaxDepth))
		default:
			err = d.badJSONLine(ReasonJSONSyntax, d.json.wrong)
		}
		if err != nil {
			return err
		}
	}
}

// jsonLineEnd hands a line's row over unless something follows it.
func (d *Decoder) jsonLineEnd(size int) error {
	w := &d.win
	for i := w.pos + size; ; i++ {
		if i-w.pos > d.opt.MaxLineBytes {
			// Blanks without end must not fill the window.
			return d.badJSONLine(ReasonLineTooLong, fmt.Sprintf("more than %d bytes", d.opt.MaxLineBytes))
		}
		if i >= w.end {
			if !w.eof {
				i -= w.pos + 1
				if err := w.more(); err != nil {
					return err
				}
				i += w.pos
				continue
			}
			break
		}
		if c := w.buf[i]; c == '\n' {
			break
		} else if c != ' ' && c != '\t' && c != '\r' {
			return d.badJSONLine(ReasonJSONTrailing, "bytes follow the object")
		}
	}
	raw := w.rest()[:size]
	d.line += bytes.Count(raw, []byte{'\n'})
	w.pos += size
	return d.endJSONRow(raw)
}

// badJSONLine makes a problem of the line at the window's position and skips
// it.
func (d *Decoder) badJSONLine(reason, message string) error {
	serial := d.row.Serial
	d.beginRow(d.line + 1)
	d.row.Serial = serial
	d.fail(reason, "", "%s", message)
	line, err := d.lineHead()
	if err != nil {
		return err
	}
	if err := d.problem(line); err != nil {
		return err
	}
	d.line++
	return d.skipLine()
}
