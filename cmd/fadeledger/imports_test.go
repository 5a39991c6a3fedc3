package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// TestDependenciesPointOneWay reads the imports of every file: store, ingest
// and web may use analytics and never each other, analytics uses the standard
// library alone and nothing that does I/O, and SQL drivers stay in store.
func TestDependenciesPointOneWay(t *testing.T) {
	const root = "../.."
	files := 0
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == "node_modules" || d.Name() == "testdata" || d.Name() == ".git" || d.Name() == "tools") {
			return filepath.SkipDir
		}
		if !strings.HasSuffix(path, ".go") {
			return nil
		}
		files++
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		for _, imported := range f.Imports {
			name, err := strconv.Unquote(imported.Path.Value)
			if err != nil {
				return err
			}
			if why := forbidden(filepath.ToSlash(rel), name); why != "" {
				t.Errorf("%s imports %s: %s", rel, name, why)
			}
		}
		return nil
	})
	if err != nil || files < 100 {
		t.Fatalf("read %d files, %v", files, err)
	}
}

// forbidden says why a file may not import a package.
func forbidden(file, name string) string {
	test := strings.HasSuffix(file, "_test.go") || strings.Contains(file, "test/")
	top, _, _ := strings.Cut(file, "/")
	for _, other := range []string{"store", "ingest", "web", "cmd", "migrations"} {
		inside := name == "fadeledger/"+other || strings.HasPrefix(name, "fadeledger/"+other+"/")
		switch {
		case !inside || top == other || top == "cmd":
		case top == "store" && other == "migrations" && test:
		case (top == "migrations" || top == "deploy") && other == "store" && test:
		case top == "deploy" && other == "ingest" && test:
		default:
			return "packages of " + top + " do not know those of " + other
		}
	}
	if strings.HasPrefix(name, "github.com/jackc/pgx") && top != "store" && top != "migrations" && top != "cmd" && !test {
		return "SQL lives in store"
	}
	if top == "analytics" && !test {
		// A context carries who asks (access.go); nothing waits on it.
		for _, doing := range []string{"os", "net", "log", "log/slog", "net/http", "database/sql"} {
			if name == doing {
				return "analytics does no I/O and writes no log"
			}
		}
		// Formats that others define are read and written by libraries.
		formats := strings.HasPrefix(file, "analytics/catalog/") || strings.HasPrefix(file, "analytics/claim/")
		if strings.Contains(name, ".") && !formats {
			return "analytics uses the standard library alone"
		}
	}
	return ""
}
