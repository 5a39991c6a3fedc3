package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"os"
	"strconv"
	"strings"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
	"fadeledger/web/api"
)

type registerCmd struct {
	server
	DryRun bool     `help:"Say what would change, and change nothing."`
	Files  []string `arg:"" name:"file" help:"Models and terms (YAML), sites (CSV), units (CSV): one or more. Several CSV files of a kind need the same header." type:"existingfile"`
}

// Run sends the files as one registration: all of it is taken or nothing.
func (c registerCmd) Run(ctx context.Context) error { return c.run(ctx, os.Stdout) }

func (c registerCmd) run(ctx context.Context, out io.Writer) error {
	bundle, err := bundleOf(c.Files)
	if err != nil {
		return err
	}
	var body bytes.Buffer
	// Compressed, so that a large fleet goes in at once.
	packed := gzip.NewWriter(&body)
	form := multipart.NewWriter(packed)
	for name, data := range bundle.Files() {
		w, err := form.CreateFormFile(name, name)
		if err == nil {
			_, err = w.Write(data)
		}
		if err != nil {
			return fmt.Errorf("pack registration: %w", err)
		}
	}
	if err := errors.Join(form.Close(), packed.Close()); err != nil {
		return fmt.Errorf("pack registration: %w", err)
	}
	path := "/api/v1/register"
	if c.DryRun {
		path += "?dry_run=true"
	}
	var done api.RegistrationBody
	err = c.call(ctx, http.MethodPost, path, map[string]string{"Content-Type": form.FormDataContentType(), "Content-Encoding": "gzip"}, body.Bytes(), &done)
	var problem *problemError
	if errors.As(err, &problem) {
		for i, line := range problem.lines {
			problem.lines[i] = inUsersFiles(bundle, line)
		}
	}
	if err != nil {
		return err
	}
	_, err = io.WriteString(out, registrationWords(&done))
	return err
}

// registrationWords say line by line what was registered, or would be.
func registrationWords(b *api.RegistrationBody) string {
	var text strings.Builder
	for _, c := range b.Changes {
		change := analytics.Change{Kind: analytics.ChangeKind(c.Kind), Name: c.Name, New: c.New}
		for _, f := range c.Fields {
			change.Fields = append(change.Fields, analytics.FieldChange(f))
		}
		text.WriteString(catalog.ChangeWords(&change) + "\n")
	}
	if b.More > 0 {
		fmt.Fprintf(&text, "and %d more\n", b.More)
	}
	for _, c := range b.Counts {
		text.WriteString(catalog.CountWords(analytics.PlanCount{Kind: analytics.ChangeKind(c.Kind), New: c.New, Changed: c.Changed, Unchanged: c.Unchanged}) + "\n")
	}
	switch changes := len(b.Changes) + b.More; {
	case changes == 0:
		text.WriteString("nothing changes: all of it is registered already\n")
	case b.DryRun:
		text.WriteString("nothing was changed: this was a dry run\n")
	default:
		fmt.Fprintf(&text, "registered %d models, %d terms, %d sites, %d units\n", b.Models, b.Terms, b.Sites, b.Units)
	}
	return text.String()
}

// bundleOf reads the files of a registration.
func bundleOf(paths []string) (*catalog.Bundle, error) {
	bundle := &catalog.Bundle{}
	for _, path := range paths {
		b, err := os.ReadFile(path)
		if err != nil {
			return nil, fmt.Errorf("read registration: %w", err)
		}
		if err := bundle.Add(path, b); err != nil {
			return nil, err
		}
	}
	return bundle, nil
}

// inUsersFiles tells a problem, which begins with the name of a file and its
// line, by the user's own file and line.
func inUsersFiles(bundle *catalog.Bundle, problem string) string {
	for name := range bundle.Files() {
		rest, ok := strings.CutPrefix(problem, name+":")
		if !ok {
			continue
		}
		digits, after, found := strings.Cut(rest, ":")
		line, err := strconv.Atoi(digits)
		if !found || err != nil {
			file, _ := bundle.Place(name, 0)
			return file + ":" + rest
		}
		file, line := bundle.Place(name, line)
		return fmt.Sprintf("%s:%d:%s", file, line, bundle.Mention(name, after))
	}
	return problem
}
