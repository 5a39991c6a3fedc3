package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"mime/multipart"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

type registerCmd struct {
	server
	Files []string `arg:"" name:"file" help:"Models and terms (YAML), sites (CSV), units (CSV): one or more. Several CSV files of a kind need the same header." type:"existingfile"`
}

// Run sends the files as one registration: all of it is taken or nothing.
func (c registerCmd) Run(ctx context.Context) error {
	parts, err := registrationParts(c.Files)
	if err != nil {
		return err
	}
	var body bytes.Buffer
	form := multipart.NewWriter(&body)
	for _, p := range parts {
		w, err := form.CreateFormFile(p.name, p.name)
		if err == nil {
			_, err = w.Write(p.body)
		}
		if err != nil {
			return fmt.Errorf("pack registration: %w", err)
		}
	}
	if err := form.Close(); err != nil {
		return fmt.Errorf("pack registration: %w", err)
	}
	var done struct{ Models, Terms, Sites, Units int }
	err = c.call(ctx, http.MethodPost, "/api/v1/register", map[string]string{"Content-Type": form.FormDataContentType()}, body.Bytes(), &done)
	var problem *problemError
	if errors.As(err, &problem) {
		for i, line := range problem.lines {
			problem.lines[i] = inUsersFiles(parts, line)
		}
	}
	if err != nil {
		return err
	}
	_, err = fmt.Printf("registered %d models, %d terms, %d sites, %d units\n", done.Models, done.Terms, done.Sites, done.Units)
	return err
}

// registrationPart is one of the three files that the service knows by name,
// made of the user's files.
type registrationPart struct {
	name    string
	body    []byte
	header  string
	sources []registrationSource
}

// registrationSource is a user's file: from line first of the part on, it gives
// its lines from line begin on.
type registrationSource struct {
	path         string
	first, begin int
}

// registrationParts reads the files and joins CSV files of one kind.
func registrationParts(paths []string) ([]*registrationPart, error) {
	var parts []*registrationPart
	for _, path := range paths {
		b, err := os.ReadFile(path)
		if err != nil {
			return nil, fmt.Errorf("read registration: %w", err)
		}
		name, err := registrationName(path, b)
		if err != nil {
			return nil, err
		}
		i := slices.IndexFunc(parts, func(p *registrationPart) bool { return p.name == name })
		if i < 0 {
			_, header, _ := cutHeader(b)
			parts = append(parts, &registrationPart{name: name, body: b, header: header, sources: []registrationSource{{path, 1, 1}}})
			continue
		}
		if err := parts[i].join(path, b); err != nil {
			return nil, err
		}
	}
	return parts, nil
}

// join puts the rows of another CSV file behind those that are there.
func (p *registrationPart) join(path string, b []byte) error {
	if p.name == "models.yaml" {
		return fmt.Errorf("%s and %s both hold models; register them one after the other, or write them into one file", p.sources[0].path, path)
	}
	lines, header, rows := cutHeader(b)
	if header != p.header {
		return fmt.Errorf("%s and %s are both taken for %s, but have different headers; register them one after the other, or give them the same header",
			p.sources[0].path, path, p.name)
	}
	if n := len(p.body); n > 0 && p.body[n-1] != '\n' {
		p.body = append(p.body, '\n')
	}
	p.sources = append(p.sources, registrationSource{path, bytes.Count(p.body, []byte{'\n'}) + 1, lines + 1})
	p.body = append(p.body, rows...)
	return nil
}

// cutHeader cuts a CSV file behind its header: how many lines that takes, the
// names in it, and the rest.
func cutHeader(b []byte) (lines int, header string, rows []byte) {
	rows = bytes.TrimPrefix(b, []byte("\xef\xbb\xbf"))
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

// registrationName tells what a registration file is by its ending and header:
// the service knows the three kinds by their names.
func registrationName(path string, b []byte) (string, error) {
	if ext := strings.ToLower(filepath.Ext(path)); ext == ".yaml" || ext == ".yml" {
		return "models.yaml", nil
	}
	_, header, _ := cutHeader(b)
	columns := strings.Split(header, ",")
	switch {
	case slices.Contains(columns, "unit"):
		return "units.csv", nil
	case slices.Contains(columns, "site"):
		return "sites.csv", nil
	}
	return "", fmt.Errorf("%s is no registration: models end in .yaml, the header of units has a column unit, that of sites a column site", path)
}

// inUsersFiles tells a problem, which begins with the part and its line, by the
// user's own file and line.
func inUsersFiles(parts []*registrationPart, problem string) string {
	for _, p := range parts {
		rest, ok := strings.CutPrefix(problem, p.name)
		if !ok {
			continue
		}
		digits, after, found := strings.Cut(strings.TrimPrefix(rest, ":"), ":")
		line, err := strconv.Atoi(digits)
		if !found || err != nil {
			if len(p.sources) > 1 {
				return problem
			}
			return p.sources[0].path + rest
		}
		s, line := p.source(line)
		if len(p.sources) > 1 {
			after = regexp.MustCompile(`\bon line [0-9]+`).ReplaceAllStringFunc(after, func(place string) string {
				n, _ := strconv.Atoi(strings.TrimPrefix(place, "on line ")) // digits, by the pattern
				other, n := p.source(n)
				return fmt.Sprintf("on line %d of %s", n, other.path)
			})
		}
		return fmt.Sprintf("%s:%d:%s", s.path, line, after)
	}
	return problem
}

// source gives the user's file that holds a line of the part, and its line there.
func (p *registrationPart) source(line int) (registrationSource, int) {
	for _, s := range slices.Backward(p.sources) {
		if line >= s.first {
			return s, line - s.first + s.begin
		}
	}
	return p.sources[0], line
}
