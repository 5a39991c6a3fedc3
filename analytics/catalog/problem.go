package catalog

import (
	"fmt"
	"slices"
	"strings"
)

// Problem is one thing in a file that cannot be taken as it is.
type Problem struct {
	// File is the name given to the parser, Line counts from 1; Line is 0
	// where the problem has no place, such as an empty file.
	File string
	Line int
	// Field is the path of the value, such as models[HB-5].rated_kwh, or the
	// name of a column; empty where the whole line or file is meant.
	Field string
	// Message says what is wrong, Remedy what to do about it.
	Message, Remedy string
}

// Error writes file:line: field: message; remedy.
func (p Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
	}
	b.WriteString(": ")
	if p.Field != "" {
		b.WriteString(p.Field + ": ")
	}
	b.WriteString(p.Message)
	if p.Remedy != "" {
		b.WriteString("; " + p.Remedy)
	}
	return b.String()
}

// Problems are all problems of a file in the order of their lines. They come
// back as an error; errors.As finds them.
type Problems []Problem

// Error writes one problem a line.
func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i, one := range p {
		lines[i] = one.Error()
	}
	return strings.Join(lines, "\n")
}

// report collects the problems of one file.
type report struct {
	file     string
	problems Problems
}

func (r *report) add(line int, field, message, remedy string) {
	r.problems = append(r.problems, Problem{File: r.file, Line: line, Field: field, Message: message, Remedy: remedy})
}

// err gives the problems in line order, nil when there are none.
func (r *report) err() error {
	if len(r.problems) == 0 {
		return nil
	}
	slices.SortStableFunc(r.problems, func(a, b Problem) int { return a.Line - b.Line })
	return r.problems
}
