package decode

import (
	"bytes"
	"errors"
	"strings"

	"fadeledger/ingest/profile"
)

// csvState is what the CSV reader keeps.
type csvState struct {
	comma   byte
	style   numberStyle
	columns []column
	cells   [][]byte
	// header is the line that columns were made from, nil when they were not or
	// when it was refused; unknown names its columns that mean nothing. The next
	// delivery mostly has the same.
	header  []byte
	unknown []string
	// fast says that the shape of the columns suits fastRow.
	fast bool
}

// errTooLong says that no line end comes within the limit.
var errTooLong = errors.New("line too long")

// decodeCSV reads a CSV delivery (RFC 4180) from the window.
func (d *Decoder) decodeCSV() error {
	d.csv.comma, d.csv.style = d.prof.Comma(), stylePoint
	if d.prof != nil && d.prof.DecimalComma {
		d.csv.style = styleComma
	}
	if err := d.readHeader(); err != nil {
		return err
	}
	for {
		if d.csv.fast {
			if err := d.fastRows(); err != nil {
				return err
			}
		}
		pos, end := d.win.pos, d.win.end
		line, size, err := d.peekLine()
		switch {
		case d.csv.fast && (pos != d.win.pos || end != d.win.end) && err == nil:
			// The row was not whole before, and may be plain.
			continue
		case errors.Is(err, errTooLong):
			err = d.longLine()
		case err != nil:
		case size == 0:
			return nil
		default:
			err = d.csvRow(line, size)
		}
		if err != nil {
			return err
		}
	}
}

// peekLine gives the next physical line without its end, and how many bytes
// it takes; size 0 is the end of input.
func (d *Decoder) peekLine() (line []byte, size int, err error) {
	w := &d.win
	scanned := 0
	for {
		if i := bytes.IndexByte(w.buf[w.pos+scanned:w.end], '\n'); i >= 0 {
			size = scanned + i + 1
			line = w.buf[w.pos : w.pos+size-1]
			break
		}
		scanned = w.end - w.pos
		if w.eof {
			line, size = w.rest(), scanned
			break
		}
		if scanned > d.opt.MaxLineBytes {
			return nil, 0, errTooLong
		}
		if err := w.more(); err != nil {
			return nil, 0, err
		}
	}
	if len(line) > d.opt.MaxLineBytes {
		return nil, 0, errTooLong
	}
	return line, size, nil
}

// take moves behind a physical line.
func (d *Decoder) take(line []byte, size int) {
	d.win.pos += size
	d.line++
	d.ends++
	if len(line) > 0 && line[len(line)-1] == '\r' {
		d.crlf++
	}
}

// longLine makes a problem of a line above the limit and skips to its end.
func (d *Decoder) longLine() error {
	d.line++
	d.beginRow(d.line)
	d.fail(ReasonLineTooLong, "", "more than %d bytes", d.opt.MaxLineBytes)
	line, err := d.lineHead()
	if err != nil {
		return err
	}
	if err := d.problem(line); err != nil {
		return err
	}
	return d.skipLine()
}

// lineHead gives what a problem keeps of the line at the window's position.
func (d *Decoder) lineHead() ([]byte, error) {
	w := &d.win
	for !w.eof && w.end-w.pos <= MaxRawBytes && bytes.IndexByte(w.rest(), '\n') < 0 {
		if err := w.more(); err != nil {
			return nil, err
		}
	}
	line, _, _ := bytes.Cut(w.rest()[:min(w.end-w.pos, MaxRawBytes+1)], []byte{'\n'})
	return line, nil
}

// skipLine drops everything up to and including the next line end.
func (d *Decoder) skipLine() error {
	for {
		if i := bytes.IndexByte(d.win.rest(), '\n'); i >= 0 {
			d.win.pos += i + 1
			return nil
		}
		d.win.pos = d.win.end
		if d.win.eof {
			return nil
		}
		if err := d.win.more(); err != nil {
			return err
		}
	}
}

// readHeader finds the header and prepares the columns.
func (d *Decoder) readHeader() error {
	for {
		line, size, err := d.peekLine()
		if errors.Is(err, errTooLong) {
			return refuse(ReasonHeaderMissing, d.line+1, "the first line has more than %d bytes", d.opt.MaxLineBytes)
		}
		if err != nil {
			return err
		}
		if size == 0 {
			return refuse(ReasonEmpty, d.line, "no header")
		}
		d.take(line, size)
		text := bytes.TrimSuffix(line, []byte{'\r'})
		switch {
		case len(bytes.TrimSpace(text)) == 0:
			d.rep.Blank++
		case text[0] == '#':
			d.rep.Comments++
		case bytes.HasPrefix(text, []byte("sep=")) && len(text) == 5:
			d.rep.Comments++
			if text[4] != d.csv.comma {
				return refuse(ReasonDelimiterMismatch, d.line, "the file says its delimiter is %q, expected %q", text[4:], []byte{d.csv.comma})
			}
		default:
			return d.header(text)
		}
	}
}

// header understands the header line.
func (d *Decoder) header(text []byte) error {
	if bytes.IndexByte(text, '\r') >= 0 {
		return refuse(ReasonLineEnds, d.line, "lines end with a bare carriage return")
	}
	if d.csv.header != nil && bytes.Equal(text, d.csv.header) {
		d.rep.Header = d.csv.header
		for _, name := range d.csv.unknown {
			d.note(NoteUnknownColumn, name, 1)
		}
		return nil
	}
	d.csv.header, d.csv.unknown = nil, d.csv.unknown[:0]
	d.rep.Header = append([]byte(nil), text...)
	rec := splitRecord(d.csv.cells[:0], d.rep.Header, d.csv.comma, true)
	d.csv.cells = rec.cells
	if rec.fault != "" {
		return d.noHeader(text)
	}
	d.csv.columns = d.csv.columns[:0]
	known := 0
	for _, cell := range rec.cells {
		col, verdict, err := d.headerCell(string(cell))
		if err != nil {
			return err
		}
		if verdict == profile.Known {
			known++
		}
		d.csv.columns = append(d.csv.columns, col)
	}
	if known == 0 {
		return d.noHeader(text)
	}
	for i, col := range d.csv.columns {
		if col.field == profile.NoField && col.name != "" && !d.ignored(col.name) {
			d.csv.unknown = append(d.csv.unknown, col.name)
			d.note(NoteUnknownColumn, col.name, 1)
		}
		for _, other := range d.csv.columns[:i] {
			if other.name == col.name && col.name != "" || other.field == col.field && col.field != profile.NoField {
				return refuse(ReasonColumnTwice, d.line, "columns %q and %q are the same", other.name, col.name)
			}
		}
	}
	if err := d.required(); err != nil {
		return err
	}
	d.csv.header = d.rep.Header
	return nil
}

func (d *Decoder) ignored(name string) bool {
	_, verdict := d.prof.Lookup(name)
	return verdict == profile.Known
}

func (d *Decoder) headerCell(name string) (column, profile.Verdict, error) {
	col, verdict := d.prof.Lookup(name)
	switch verdict {
	case profile.Ambiguous:
		return column{}, verdict, refuse(ReasonColumnAmbiguous, d.line, "column %q can mean milli or mega", name)
	case profile.OtherCase:
		return column{}, verdict, refuse(ReasonColumnCase, d.line, "column %q differs from a known one by case or blanks", name)
	}
	return newColumn(name, col), verdict, nil
}

// noHeader says what a first line without any known name is.
func (d *Decoder) noHeader(text []byte) error {
	for _, other := range []byte(",;\t|") {
		if other == d.csv.comma {
			continue
		}
		for _, cell := range bytes.Split(text, []byte{other}) {
			if _, verdict := d.prof.Lookup(strings.Trim(string(cell), `"`)); verdict == profile.Known {
				return refuse(ReasonDelimiterMismatch, d.line, "the header is delimited by %q, expected %q", []byte{other}, []byte{d.csv.comma})
			}
		}
	}
	return refuse(ReasonHeaderMissing, d.line, "no known name in the first line %s", excerpt(text))
}

// required refuses a header without unit or time.
func (d *Decoder) required() error {
	has := [profile.FieldCount]bool{}
	for _, col := range d.csv.columns {
		has[col.field] = true
	}
	if !has[profile.Unit] && (d.prof == nil || d.prof.Unit == "") {
		return refuse(ReasonColumnMissing, d.line, "no column %q", d.nameOf(profile.Unit))
	}
	if !has[profile.Time] {
		return refuse(ReasonColumnMissing, d.line, "no column %q", d.nameOf(profile.Time))
	}
	d.csv.fast = d.fastFits(has[profile.Unit])
	return nil
}

// nameOf gives the name under which the source carries a field.
func (d *Decoder) nameOf(f profile.Field) string {
	for i := range d.csv.columns {
		if d.csv.columns[i].field == f {
			return d.csv.columns[i].name
		}
	}
	if d.prof != nil {
		for _, m := range d.prof.Fields {
			if m.Column.Field == f {
				return m.From[0]
			}
		}
	}
	return f.String()
}
