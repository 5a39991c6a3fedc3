package decode

import (
	"bytes"

	"fadeledger/ingest/profile"
)

// csvRow reads the record that begins with a physical line, whatever it is,
// and says what is wrong with it.
func (d *Decoder) csvRow(line []byte, size int) error {
	text := line
	if n := len(text); n > 0 && text[n-1] == '\r' {
		text = text[:n-1]
	}
	switch {
	case len(bytes.Trim(text, " \t,;")) == 0 && bytes.IndexByte(text, '"') < 0:
		// Spreadsheets end a file with lines that hold delimiters only.
		d.rep.Blank++
		d.take(line, size)
		return nil
	case text[0] == '#':
		d.rep.Comments++
		d.take(line, size)
		return nil
	}
	if bytes.IndexByte(text, '"') < 0 {
		d.csv.cells = splitPlain(d.csv.cells[:0], text, d.csv.comma)
		d.take(line, size)
		lastCut := d.win.eof && d.win.pos == d.win.end && size == len(line)
		return d.cells(line, lastCut)
	}
	return d.quotedRow(size)
}

// quotedRow reads a record with quotes, which may run over several lines.
func (d *Decoder) quotedRow(size int) error {
	var rec record
	// A record and its line end are looked for within this, however much is in
	// memory: the answer must not depend on the sizes in which the bytes come.
	most := d.opt.MaxLineBytes + len("\r\n")
	for {
		rest := d.win.rest()
		last := d.win.eof && len(rest) <= most
		rec = splitRecord(d.csv.cells[:0], rest[:min(len(rest), most)], d.csv.comma, last)
		if !rec.more || len(rest) >= most {
			break
		}
		if err := d.win.more(); err != nil {
			return err
		}
	}
	if rec.more {
		rec.fault = ReasonQuoteOpen
	}
	if rec.fault != "" {
		// Only the first line is given up: the rest may be good rows.
		line := bytes.TrimSuffix(d.win.rest()[:min(size, len(d.win.rest()))], []byte{'\n'})
		d.take(line, size)
		d.beginRow(d.line)
		d.fail(rec.fault, "", "%s", timeWords(rec.fault))
		return d.problem(line)
	}
	d.csv.cells = rec.cells
	raw := d.win.rest()[:rec.size]
	first := d.line + 1
	d.line += bytes.Count(raw, []byte{'\n'})
	if raw[len(raw)-1] != '\n' {
		d.line++
	}
	d.ends++
	if bytes.HasSuffix(raw, []byte("\r\n")) {
		d.crlf++
	}
	d.win.pos += rec.size
	last := d.line
	d.line = first
	err := d.cells(raw, false)
	d.line = last
	return err
}

// cells reads the cells of one record, whose first line is d.line.
func (d *Decoder) cells(raw []byte, lastCut bool) error {
	cells, columns := d.csv.cells, d.csv.columns
	d.beginRow(d.line)
	if len(cells) > 0 && bytes.HasPrefix(cells[0], []byte("\ufeff")) {
		cells[0] = cells[0][len("\ufeff"):]
		d.rowNotes |= rowBOMInside
	}
	if bytes.IndexByte(raw, 0) >= 0 {
		d.fail(ReasonNULByte, "", "a NUL byte inside the row")
	}
	if len(cells) != len(columns) {
		if reason := ReasonFieldCount; lastCut && len(cells) < len(columns) {
			d.note(NoteLineCut, "", 1)
			d.fail(ReasonLineCut, "", "the last line ends after %d of %d cells", len(cells), len(columns))
		} else {
			d.fail(reason, "", "%d cells where the header has %d", len(cells), len(columns))
		}
	}
	n := min(len(cells), len(columns))
	for i := range n {
		d.setText(&columns[i], cells[i], d.csv.style)
	}
	// A header names a time where a row has one, so it is a faulty row.
	if d.faulty {
		switch d.headerAgain(cells) {
		case headerSame:
			d.note(NoteHeaderRepeated, "", 1)
			if d.rowNotes&rowBOMInside != 0 {
				d.note(NoteBOMInside, "", 1)
			}
			return nil
		case headerOther:
			return refuse(ReasonHeaderChanged, d.line, "a second table begins with the header %s", excerpt(raw))
		}
	}
	return d.endRow(raw)
}

// headerKind says whether a record is a header.
type headerKind uint8

const (
	headerNot headerKind = iota
	headerSame
	headerOther
)

// headerAgain compares a record with the header. Another header has at least
// two known names, a unit or time among them.
func (d *Decoder) headerAgain(cells [][]byte) headerKind {
	same := len(cells) == len(d.csv.columns)
	known, required := 0, false
	for i, cell := range cells {
		same = same && string(cell) == d.csv.columns[i].name
		if len(cell) == 0 || cell[0]-'0' <= 9 {
			continue
		}
		if col, verdict := d.prof.Lookup(string(cell)); verdict == profile.Known {
			known++
			required = required || col.Field == profile.Unit || col.Field == profile.Time
		}
	}
	switch {
	case same:
		return headerSame
	case known >= 2 && required:
		return headerOther
	}
	return headerNot
}

// splitPlain splits a line without quotes.
func splitPlain(cells [][]byte, text []byte, comma byte) [][]byte {
	for {
		i := bytes.IndexByte(text, comma)
		if i < 0 {
			return append(cells, text)
		}
		cells = append(cells, text[:i])
		text = text[i+1:]
	}
}

// record is what splitRecord finds.
type record struct {
	cells [][]byte
	// size is how many bytes the record takes, its line end included.
	size int
	// more says that the record does not end within the bytes given.
	more bool
	// fault is ReasonQuoteOpen or ReasonQuoteBare.
	fault string
}

// splitRecord splits the record at the beginning of b, quotes and all. At the
// end of input (last) the record may lack its line end.
func splitRecord(cells [][]byte, b []byte, comma byte, last bool) record {
	i := 0
	for {
		cell, next, fault := nextCell(b, i, comma)
		ends := next >= len(b) || b[next] == '\r' && next+1 >= len(b)
		if !last && (fault == ReasonQuoteOpen || fault == "" && ends) {
			return record{more: true}
		}
		if fault != "" {
			return record{fault: fault}
		}
		cells = append(cells, cell)
		switch {
		case ends:
			return record{cells: cells, size: len(b)}
		case b[next] == comma:
			i = next + 1
		case b[next] == '\r':
			return record{cells: cells, size: next + 2}
		default:
			return record{cells: cells, size: next + 1}
		}
	}
}

// nextCell reads the cell at i; next is the delimiter or line end after it.
func nextCell(b []byte, i int, comma byte) (cell []byte, next int, fault string) {
	if i >= len(b) || b[i] != '"' {
		for next = i; next < len(b) && b[next] != comma && b[next] != '\n'; next++ {
			if b[next] == '"' {
				return nil, next, ReasonQuoteBare
			}
		}
		if next < len(b) && b[next] == '\n' && next > i && b[next-1] == '\r' {
			next--
		}
		return b[i:next], next, ""
	}
	doubled := false
	for next = i + 1; ; next++ {
		k := bytes.IndexByte(b[min(next, len(b)):], '"')
		if k < 0 {
			return nil, len(b), ReasonQuoteOpen
		}
		if next += k; next+1 < len(b) && b[next+1] == '"' {
			doubled = true
			next++
			continue
		}
		break
	}
	cell = b[i+1 : next]
	if doubled {
		cell = bytes.ReplaceAll(cell, []byte(`""`), []byte(`"`))
	}
	next++
	switch {
	case next >= len(b), b[next] == comma, b[next] == '\n':
		return cell, next, ""
	case b[next] == '\r' && (next+1 >= len(b) || b[next+1] == '\n'):
		return cell, next, ""
	}
	return nil, next, ReasonQuoteBare
}
