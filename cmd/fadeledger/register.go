package main

import (
	"bytes"
	"context"
	"fmt"
	"mime/multipart"
	"net/http"
	"os"
	"path/filepath"
	"strings"
)

type registerCmd struct {
	server
	Files []string `arg:"" name:"file" help:"Models and terms (YAML), sites (CSV), units (CSV): one or more." type:"existingfile"`
}

// Run sends the files as one registration: all of it is taken or nothing.
func (c registerCmd) Run(ctx context.Context) error {
	var body bytes.Buffer
	form := multipart.NewWriter(&body)
	for _, name := range c.Files {
		b, err := os.ReadFile(name)
		if err != nil {
			return fmt.Errorf("read registration: %w", err)
		}
		as := registrationName(name, b)
		part, err := form.CreateFormFile(as, as)
		if err == nil {
			_, err = part.Write(b)
		}
		if err != nil {
			return fmt.Errorf("pack %s: %w", name, err)
		}
	}
	if err := form.Close(); err != nil {
		return fmt.Errorf("pack registration: %w", err)
	}
	var done struct{ Models, Terms, Sites, Units int }
	err := c.call(ctx, http.MethodPost, "/api/v1/register", map[string]string{"Content-Type": form.FormDataContentType()}, body.Bytes(), &done)
	if err != nil {
		return err
	}
	_, err = fmt.Printf("registered %d models, %d terms, %d sites, %d units\n", done.Models, done.Terms, done.Sites, done.Units)
	return err
}

// registrationName tells what a registration file is by its ending and header:
// the service knows the three kinds by their names.
func registrationName(path string, b []byte) string {
	if ext := strings.ToLower(filepath.Ext(path)); ext == ".yaml" || ext == ".yml" {
		return "models.yaml"
	}
	header, _, _ := bytes.Cut(b, []byte("\n"))
	for _, column := range strings.Split(string(header), ",") {
		if strings.Trim(column, "\ufeff\" \r") == "unit" {
			return "units.csv"
		}
	}
	return "sites.csv"
}
