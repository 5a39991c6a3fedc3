package catalog

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// The names under which a registration knows its files.
const (
	ModelsFile = "models.yaml"
	SitesFile  = "sites.csv"
	UnitsFile  = "units.csv"
)

// Bundle makes the files of a registration of files of any name: CSV files of
// a kind with the same header are joined. It remembers which line came from
// where. The zero value is ready to use.
type Bundle struct{ parts []*part }

// part is one file of the registration.
type part struct {
	name    string
	body    []byte
	header  string
	sources []source
}

// source is a file that was added: from line first of the part on, it gives its
// lines from line begin on.
type source struct {
	file         string
	first, begin int
}

// Add takes a file in. Its name serves to tell of it, and an ending .yaml or
// .yml to know that it holds models. The error is a Problem.
func (b *Bundle) Add(file string, data []byte) error {
	name, ok := partName(file, data)
	if !ok {
		return Problem{File: file, Message: "neither models nor terms, neither sites nor units",
			Remedy: "a YAML file has a key models or terms, the header of sites a column site, that of units a column unit"}
	}
	lines, header, rows := cutHeader(data)
	i := slices.IndexFunc(b.parts, func(p *part) bool { return p.name == name })
	if i < 0 {
		b.parts = append(b.parts, &part{name: name, body: data, header: header, sources: []source{{file, 1, 1}}})
		return nil
	}
	p := b.parts[i]
	switch {
	case name == ModelsFile:
		return Problem{File: file, Message: "holds models, and " + p.sources[0].file + " does too",
			Remedy: "register them one after the other, or write them into one file"}
	case header != p.header:
		return Problem{File: file, Message: fmt.Sprintf("is taken for %s as %s is, but has another header", name, p.sources[0].file),
			Remedy: "register them one after the other, or give them the same header"}
	}
	// The first file's bytes are the caller's.
	p.body = slices.Clip(p.body)
	if n := len(p.body); n > 0 && p.body[n-1] != '\n' {
		p.body = append(p.body, '\n')
	}
	p.sources = append(p.sources, source{file, bytes.Count(p.body, []byte{'\n'}) + 1, lines + 1})
	p.body = append(p.body, rows...)
	return nil
}

// Files gives the files of the registration by their names.
func (b *Bundle) Files() map[string][]byte {
	files := make(map[string][]byte, len(b.parts))
	for _, p := range b.parts {
		files[p.name] = p.body
	}
	return files
}

// Place tells a line of a file of the registration by the file that was added,
// and its line there. Line 0 is the file as a whole; where that was joined of
// several it keeps its name.
func (b *Bundle) Place(file string, line int) (string, int) {
	p := b.part(file)
	switch {
	case p == nil:
		return file, line
	case line > 0:
		s, line := p.source(line)
		return s.file, line
	case len(p.sources) > 1:
		return file, 0
	}
	return p.sources[0].file, 0
}

var lineMention = regexp.MustCompile(`\bon line [0-9]+`)

// Mention tells the lines that a problem of a file mentions by the files that
// were added.
func (b *Bundle) Mention(file, message string) string {
	p := b.part(file)
	if p == nil || len(p.sources) < 2 {
		return message
	}
	return lineMention.ReplaceAllStringFunc(message, func(place string) string {
		n, _ := strconv.Atoi(strings.TrimPrefix(place, "on line ")) // digits, by the pattern
		other, n := p.source(n)
		return fmt.Sprintf("on line %d of %s", n, other.file)
	})
}

func (b *Bundle) part(file string) *part {
	for _, p := range b.parts {
		if p.name == file {
			return p
		}
	}
	return nil
}

// source gives the file that a line of the part came from, and its line there.
func (p *part) source(line int) (source, int) {
	for _, s := range slices.Backward(p.sources) {
		if line >= s.first {
			return s, line - s.first + s.begin
		}
	}
	return p.sources[0], line
}

var modelsKey = regexp.MustCompile(`(?m)^["']?(models|terms)["']?[ \t]*:`)

// partName tells which file of a registration some bytes are.
func partName(file string, data []byte) (name string, ok bool) {
	lower := strings.ToLower(file)
	if strings.HasSuffix(lower, ".yaml") || strings.HasSuffix(lower, ".yml") {
		return ModelsFile, true
	}
	_, header, _ := cutHeader(data)
	columns := strings.Split(header, ",")
	switch {
	case slices.Contains(columns, "unit"):
		return UnitsFile, true
	case slices.Contains(columns, "site"):
		return SitesFile, true
	}
	return ModelsFile, modelsKey.Match(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")))
}

// cutHeader cuts a CSV file behind its header: how many lines that takes, the
// names in it, and the rest.
func cutHeader(data []byte) (lines int, header string, rows []byte) {
	rows = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	for len(rows) > 0 {
		line, after, _ := bytes.Cut(rows, []byte{'\n'})
		rows = after
		lines++
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		cells := strings.Split(string(line), ",")
		for i := range cells {
			cells[i] = strings.Trim(cells[i], "\" \t\r")
		}
		return lines, strings.Join(cells, ","), rows
	}
	return lines, "", nil
}

// ModelLine gives the line of a model, 0 where the catalogue was not parsed.
func (c *Catalogue) ModelLine(name string) int {
	for i := range c.modelLines {
		if c.Models[i].Name == name {
			return c.modelLines[i]
		}
	}
	return 0
}

// TermsLine gives the line of an edition of terms, 0 where the catalogue was
// not parsed.
func (c *Catalogue) TermsLine(name string) int {
	for i := range c.termsLines {
		if c.Terms[i].Name == name {
			return c.termsLines[i]
		}
	}
	return 0
}

// Line gives the line of a site, 0 where the sites were not parsed.
func (s *Sites) Line(name string) int {
	for i := range s.Sites {
		if s.Sites[i].Name == name {
			return s.line(i)
		}
	}
	return 0
}

// Line gives the line of a unit, 0 where the units were not parsed.
func (u *Units) Line(serial string) int {
	for i := range u.lines {
		if string(u.Units[i].Serial) == serial {
			return u.lines[i]
		}
	}
	return 0
}
