package claim

import (
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"fadeledger/analytics"
)

// Record is what was recorded during a capacity test.
type Record struct {
	// Samples are in strictly ascending order of time; each carries a state
	// of charge, a cell temperature, and power or current and voltage.
	Samples []analytics.Sample
	// SHA256 is that of the bytes read, in hexadecimal.
	SHA256 string
}

// Problem is one thing in a record that cannot be taken as it is.
type Problem struct {
	// Line counts from 1, 0 for the whole record; Field is a column.
	Line  int
	Field string
	// Message says what is wrong, Remedy what to do about it.
	Message, Remedy string
}

// Error writes line 3: soc_pct: message; remedy.
func (p Problem) Error() string {
	text := p.Message + "; " + p.Remedy
	if p.Field != "" {
		text = p.Field + ": " + text
	}
	if p.Line > 0 {
		text = fmt.Sprintf("line %d: %s", p.Line, text)
	}
	return text
}

// Problems are the problems of a record in the order of their lines.
type Problems []Problem

// Error writes one problem a line.
func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i, one := range p {
		lines[i] = one.Error()
	}
	return strings.Join(lines, "\n")
}

// maxProblems is where reading stops: a column in the wrong unit is wrong on
// every line.
const maxProblems = 20

// maxLength bounds a record: no test takes as long.
const maxLength = 31 * analytics.DayLength

// column is a header that a record may have: number × num / den + plus gives
// the integer that is kept.
type column struct {
	header   string
	field    analytics.Fields
	plus     int64 // before scaling
	num, den int64
	min, max int64
	set      func(s *analytics.Sample, v int64)
}

func columns() []column {
	power := func(s *analytics.Sample, v int64) { s.Power = analytics.Milliwatts(v) }
	soc := func(s *analytics.Sample, v int64) { s.SoC = analytics.SoC(v) }
	temp := func(s *analytics.Sample, v int64) { s.Temp = analytics.CentiCelsius(v) }
	hottest := func(s *analytics.Sample, v int64) { s.TempMax = analytics.CentiCelsius(v) }
	const most = 1e9 // a megawatt
	return []column{
		{"power_w", analytics.HasPower, 0, 1000, 1, -most, most, power},
		{"power_kw", analytics.HasPower, 0, 1e6, 1, -most, most, power},
		{"current_a", analytics.HasCurrent, 0, 1000, 1, -1e7, 1e7, func(s *analytics.Sample, v int64) { s.Current = analytics.Milliamps(v) }},
		{"voltage_v", analytics.HasVoltage, 0, 1000, 1, 0, 2e6, func(s *analytics.Sample, v int64) { s.Voltage = analytics.Millivolts(v) }},
		{"soc_pct", analytics.HasSoC, 0, 10, 1, 0, 1000, soc},
		{"soc_frac", analytics.HasSoC, 0, 1000, 1, 0, 1000, soc},
		{"cell_temp_c", analytics.HasTemp, 0, 100, 1, -10000, 20000, temp},
		{"cell_temp_f", analytics.HasTemp, -32, 500, 9, -10000, 20000, temp},
		{"cell_temp_max_c", analytics.HasTempMax, 0, 100, 1, -10000, 20000, hottest},
		{"cell_temp_max_f", analytics.HasTempMax, -32, 500, 9, -10000, 20000, hottest},
	}
}

// ParseTest reads the record of a capacity test: CSV with a header, columns in
// any order, times as RFC 3339 with a zone or as Unix epoch in seconds or
// milliseconds, power and current positive while charging.
//
// Needed are time, soc_pct (or soc_frac), cell_temp_c (or cell_temp_f), and
// power_w (or power_kw) or current_a with voltage_v; cell_temp_max_c may come
// with them. Other columns are not read. The error is Problems.
func ParseTest(data []byte) (Record, error) {
	sum := sha256.Sum256(data)
	r := reading{csv: csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\ufeff"))))}
	r.csv.FieldsPerRecord = -1
	r.csv.ReuseRecord = true
	if r.header() {
		for len(r.problems) < maxProblems && r.row() {
		}
	}
	if len(r.problems) == 0 && len(r.samples) < 2 {
		r.add(0, "", "fewer than two rows", "hand in the whole record of the test")
	}
	if len(r.problems) > 0 {
		return Record{}, r.problems
	}
	return Record{Samples: r.samples, SHA256: hex.EncodeToString(sum[:])}, nil
}

// reading is a record while it is read.
type reading struct {
	csv      *csv.Reader
	columns  map[int]column
	timeAt   int
	width    int
	samples  []analytics.Sample
	problems Problems
}

func (r *reading) add(line int, field, message, remedy string) {
	r.problems = append(r.problems, Problem{line, field, message, remedy})
}

// header finds the columns; it reports whether rows can be read.
func (r *reading) header() bool {
	names, err := r.csv.Read()
	if errors.Is(err, io.EOF) {
		r.add(0, "", "no header", "begin the file with a line that names its columns")
		return false
	}
	if err != nil {
		r.refuse(err)
		return false
	}
	r.columns, r.timeAt, r.width = map[int]column{}, -1, len(names)
	var has analytics.Fields
	for i, name := range names {
		name = strings.ToLower(strings.TrimSpace(name))
		if name == "time" {
			if r.timeAt >= 0 {
				r.add(1, "time", "stands twice", "keep one of both columns")
			}
			r.timeAt = i
			continue
		}
		known := columns()
		at := slices.IndexFunc(known, func(c column) bool { return c.header == name })
		if at < 0 {
			continue
		}
		if has&known[at].field != 0 {
			r.add(1, name, "gives a quantity for the second time", "keep one of both columns")
		}
		has |= known[at].field
		r.columns[i] = known[at]
	}
	r.need(has)
	return len(r.problems) == 0
}

// need reports the columns that are missing.
func (r *reading) need(has analytics.Fields) {
	if r.timeAt < 0 {
		r.add(1, "time", "missing", "add the column time")
	}
	if has&analytics.HasSoC == 0 {
		r.add(1, "soc_pct", "missing", "add the charge level in percent")
	}
	if has&analytics.HasTemp == 0 {
		r.add(1, "cell_temp_c", "missing", "add the cell temperature in °C")
	}
	const both = analytics.HasCurrent | analytics.HasVoltage
	if has&analytics.HasPower == 0 && has&both != both {
		r.add(1, "power_w", "missing", "add the power in W, or current_a and voltage_v")
	}
}

// refuse notes what the CSV reader says of a line.
func (r *reading) refuse(err error) {
	line, message := 0, err.Error()
	var p *csv.ParseError
	if errors.As(err, &p) {
		line, message = p.StartLine, p.Err.Error()
	}
	r.add(line, "", "not readable as CSV: "+message, "write a quote inside a quoted field twice, and close every quote")
}

// row reads a row; it reports whether there may be more.
func (r *reading) row() bool {
	cells, err := r.csv.Read()
	if errors.Is(err, io.EOF) {
		return false
	}
	if err != nil {
		r.refuse(err)
		return false
	}
	line, _ := r.csv.FieldPos(0)
	if len(cells) != r.width {
		r.add(line, "", fmt.Sprintf("%d fields, the header has %d", len(cells), r.width), "give every row a field for every column; a decimal comma must be a point")
		return true
	}
	before := len(r.problems)
	var s analytics.Sample
	at, ok := instant(strings.TrimSpace(cells[r.timeAt]))
	if !ok {
		r.add(line, "time", fmt.Sprintf("%q is not a time", cells[r.timeAt]), "write 2026-03-01T12:00:00Z, or epoch seconds")
	}
	s.Time = at
	for i, cell := range cells {
		c, ok := r.columns[i]
		if !ok {
			continue
		}
		v, ok := c.value(strings.TrimSpace(cell))
		if !ok {
			r.add(line, c.header, fmt.Sprintf("%q is not usable", cell), "give a number in the unit of the column, with a decimal point")
			continue
		}
		s.Has |= c.field
		c.set(&s, v)
	}
	if len(r.problems) > before {
		return true
	}
	r.take(line, s)
	return true
}

// take keeps a sample that is in its place.
func (r *reading) take(line int, s analytics.Sample) {
	n := len(r.samples)
	switch {
	case n > 0 && s.Time <= r.samples[n-1].Time:
		r.add(line, "time", "not after the row before", "sort the rows by time and leave out repeated ones")
	case n > 0 && analytics.Millis(s.Time-r.samples[0].Time) > maxLength:
		r.add(line, "time", "more than 31 days after the first row", "hand in the record of the test alone")
	default:
		r.samples = append(r.samples, s)
	}
}

var numberText = regexp.MustCompile(`^[+-]?[0-9]{1,15}(\.[0-9]{1,15})?$`)

// value gives the integer of a cell, rounded half away from zero.
func (c column) value(cell string) (int64, bool) {
	if !numberText.MatchString(cell) {
		return 0, false
	}
	x, ok := new(big.Rat).SetString(cell)
	if !ok {
		return 0, false
	}
	x.Add(x, ratio(c.plus, 1)).Mul(x, ratio(c.num, c.den))
	n, err := strconv.ParseInt(x.FloatString(0), 10, 64)
	return n, err == nil && n >= c.min && n <= c.max
}

// instant reads a time: RFC 3339 with a zone, or epoch seconds or milliseconds
// told apart by size.
func instant(text string) (analytics.Instant, bool) {
	if n, err := strconv.ParseInt(text, 10, 64); err == nil {
		switch {
		case n >= 1e8 && n < 1e11:
			return analytics.Instant(n * 1000), true
		case n >= 1e11 && n < 1e14:
			return analytics.Instant(n), true
		}
		return 0, false
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	return analytics.InstantOf(t), err == nil
}
