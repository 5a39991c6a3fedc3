package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"
)

//go:embed static/*
var staticFiles embed.FS

// assets are the embedded static files under names that hold a hash of their
// content, so that a browser may keep them for ever.
type assets struct {
	// byName maps site.css to its address; files maps the last part of the
	// address to the content.
	byName map[string]string
	files  map[string][]byte
}

func loadAssets() (*assets, error) {
	a := &assets{byName: map[string]string{}, files: map[string][]byte{}}
	entries, err := fs.ReadDir(staticFiles, "static")
	if err != nil {
		return nil, fmt.Errorf("list static files: %w", err)
	}
	for _, e := range entries {
		body, err := staticFiles.ReadFile("static/" + e.Name())
		if err != nil {
			return nil, fmt.Errorf("read static file %s: %w", e.Name(), err)
		}
		sum := sha256.Sum256(body)
		ext := path.Ext(e.Name())
		hashed := strings.TrimSuffix(e.Name(), ext) + "." + hex.EncodeToString(sum[:6]) + ext
		a.byName[e.Name()] = "/static/" + hashed
		a.files[hashed] = body
	}
	return a, nil
}

// url gives the address of a static file; an unknown name is an error, which
// stops the start.
func (a *assets) url(name string) (string, error) {
	u, ok := a.byName[name]
	if !ok {
		return "", fmt.Errorf("no static file %s", name)
	}
	return u, nil
}

// handle answers GET /static/{name}.
func (a *assets) handle(w http.ResponseWriter, r *http.Request) {
	name := chi.URLParam(r, "name")
	body, ok := a.files[name]
	if !ok {
		http.Error(w, "no such file", http.StatusNotFound)
		return
	}
	types := map[string]string{".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
	if t, ok := types[path.Ext(name)]; ok {
		w.Header().Set("Content-Type", t+"; charset=utf-8")
	}
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(body))
}
