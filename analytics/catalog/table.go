package catalog

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"fadeledger/analytics"
)

// mostProblems ends the reading of a table that is beyond mending line by
// line, such as one of another kind.
const mostProblems = 200

// row is one line of a table by the names of its columns.
type row struct {
	*report
	line  int
	cells map[string]string
}

// readTable gives the rows of a CSV with a header (RFC 4180; LF or CRLF, with
// or without BOM, columns in any order). Cells are trimmed of spaces at their
// ends, and of the apostrophe that keeps a spreadsheet from reading a formula. Of the known columns the first required ones must be there; others may
// be left out.
func readTable(r *report, data []byte, known []string, required int) []row {
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if line, ok := firstInvalid(data); !ok {
		r.add(line, "", "not UTF-8", "save the file as CSV UTF-8")
		return nil
	}
	in := csv.NewReader(bytes.NewReader(data))
	in.FieldsPerRecord = -1
	header, err := in.Read()
	if err != nil {
		r.add(1, "", "no header", "begin with a line "+strings.Join(known, ","))
		return nil
	}
	for i := range header {
		header[i] = strings.TrimSpace(header[i])
	}
	if !checkHeader(r, header, known, required) {
		return nil
	}
	var rows []row
	for len(r.problems) < mostProblems {
		record, err := in.Read()
		if errors.Is(err, io.EOF) {
			return rows
		}
		var parse *csv.ParseError
		if errors.As(err, &parse) {
			r.add(parse.StartLine, "", "broken quotes: "+parse.Err.Error(), `put a cell with quotes, commas or line ends into "…" and double the quotes inside`)
			continue
		}
		line, _ := in.FieldPos(0)
		if len(record) != len(header) {
			r.add(line, "", fmt.Sprintf("%d cells, the header has %d", len(record), len(header)), "give each column a cell, empty where not known")
			continue
		}
		cells := make(map[string]string, len(header))
		for i, cell := range record {
			cells[header[i]] = unguarded(strings.TrimSpace(cell))
		}
		rows = append(rows, row{r, line, cells})
	}
	r.add(0, "", "more problems than are listed here", "mend these first")
	return rows
}

func checkHeader(r *report, header, known []string, required int) bool {
	before := len(r.problems)
	for i, column := range header {
		switch {
		case !slices.Contains(known, column):
			r.add(1, column, fmt.Sprintf("unknown column %q", column), "known are "+strings.Join(known, ","))
		case slices.Contains(header[:i], column):
			r.add(1, column, "the column stands twice", "keep one of both")
		}
	}
	for _, column := range known[:required] {
		if !slices.Contains(header, column) {
			r.add(1, column, "the column is missing", "begin with a line "+strings.Join(known, ","))
		}
	}
	return len(r.problems) == before
}

func firstInvalid(data []byte) (line int, ok bool) {
	line = 1
	for len(data) > 0 {
		c, size := utf8.DecodeRune(data)
		if c == utf8.RuneError && size == 1 {
			return line, false
		}
		if c == '\n' {
			line++
		}
		data = data[size:]
	}
	return 0, true
}

// name reads a cell that names something; empty is a problem where required.
func (r row) name(column string, required bool) string {
	text := r.cells[column]
	switch {
	case text == "" && required:
		r.add(r.line, column, "empty", "give the "+column)
	case text != "" && !validName(text):
		r.add(r.line, column, fmt.Sprintf("%q is not a name", text), nameRemedy)
	}
	return text
}

// day reads a day; empty is nil.
func (r row) day(column string) *analytics.Day {
	text := r.cells[column]
	if text == "" {
		return nil
	}
	day, err := parseDay(text)
	if err != nil {
		r.add(r.line, column, err.Error(), dayRemedy)
		return nil
	}
	return &day
}

const dayRemedy = "write it like 2026-03-31, from 1990 to 2199"

// The days that can be meant: 1990-01-01 to 2199-12-31.
const (
	firstDay analytics.Day = 7305
	lastDay  analytics.Day = 84005
)

func parseDay(text string) (analytics.Day, error) {
	day, err := analytics.ParseDay(text)
	if err != nil {
		return 0, fmt.Errorf("%q is not a day", text)
	}
	if day < firstDay || day > lastDay {
		return 0, fmt.Errorf("%s is not plausible", text)
	}
	return day, nil
}
