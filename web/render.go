package web

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"strconv"
	"strings"

	"fadeledger/analytics"
	"fadeledger/web/chart"
)

//go:embed templates/*.html
var templateFiles embed.FS

// templates holds one parsed set per page, by the page's file name without
// its ending.
type templates map[string]*template.Template

// view is what the layout gets: the page's own data beside what every page
// shows.
type view struct {
	Title   string
	Section string
	Banners []string
	Version string
	// Live is the address of the page's changing part, empty where nothing
	// changes.
	Live string
	Page any
	// Who is signed in, Demo whether roles can be switched, SignIn whether
	// there is a page to sign in on; Here is the address of the page.
	Who    who
	Demo   bool
	SignIn bool
	Here   string
	Nav    []navLink
	allows func(analytics.Right) bool
}

// May reports whether whoever asked for the page has a right.
func (v view) May(right analytics.Right) bool { return v.allows(right) }

// navLink leads to a section of the site.
type navLink struct{ Section, Href, Title string }

// nav are the sections that whoever asks may see.
func (s *site) nav(p analytics.Principal) []navLink {
	var list []navLink
	add := func(there bool, right analytics.Right, link navLink) {
		if there && s.allows(p, right) {
			list = append(list, link)
		}
	}
	add(true, analytics.RightSeeUnits, navLink{"fleet", "/", "Fleet"})
	add(s.cfg.Registry != nil, analytics.RightSeeUnits, navLink{"registry", "/registry", "Registry"})
	add(true, analytics.RightSeeIngest, navLink{"ingest", "/ingest", "Ingest"})
	add(s.cfg.Collectors != nil, analytics.RightSeeIngest, navLink{"collectors", "/collectors", "Collectors"})
	add(s.cfg.People != nil, analytics.RightPeople, navLink{"people", "/people", "People"})
	add(s.cfg.People != nil, analytics.RightPeople, navLink{"tokens", "/tokens", "Tokens"})
	add(s.cfg.Trail != nil, analytics.RightTrail, navLink{"trail", "/trail", "Trail"})
	add(true, analytics.RightSeeUnits, navLink{"numbers", "/about/numbers", "Numbers"})
	add(true, analytics.RightSeeUnits, navLink{"api", "/api", "API"})
	return list
}

// who is a principal in words; Name is empty for nobody.
type who struct {
	Name, Role, Organisation string
	// Person: it has an account page and can sign out.
	Person bool
	Roles  []option
}

// whoOf tells of a principal.
func whoOf(p analytics.Principal) who {
	w := who{Name: label(p.Name), Organisation: label(p.Organisation), Person: p.Kind == analytics.KindPerson}
	switch p.Kind {
	case analytics.KindPerson:
		w.Role = roleWords(p.Role)
		w.Roles = roleOptions(p.Role)
	case analytics.KindToken:
		w.Role = "a token"
	case analytics.KindService:
		w.Role = "the service"
	}
	return w
}

// parseTemplates parses every page together with the shared files, whose
// names begin with an underscore.
func parseTemplates(a *assets) (templates, error) {
	base, err := template.New("").Funcs(template.FuncMap{
		"asset": a.url, "count": count, "plural": plural, "label": label[string], "sessionTable": sessionTable,
	}).ParseFS(templateFiles, "templates/_*.html")
	if err != nil {
		return nil, fmt.Errorf("parse shared templates: %w", err)
	}
	names, err := fs.Glob(templateFiles, "templates/[^_]*.html")
	if err != nil {
		return nil, fmt.Errorf("list templates: %w", err)
	}
	set := templates{}
	for _, name := range names {
		t, err := base.Clone()
		if err != nil {
			return nil, fmt.Errorf("clone shared templates: %w", err)
		}
		if _, err := t.ParseFS(templateFiles, name); err != nil {
			return nil, fmt.Errorf("parse %s: %w", name, err)
		}
		set[strings.TrimSuffix(strings.TrimPrefix(name, "templates/"), ".html")] = t
	}
	return set, nil
}

// render writes a page, or only its live part when part=live is asked for. The
// page is drawn to a buffer first: an error must not leave half a page.
func (s *site) render(w http.ResponseWriter, r *http.Request, status int, name string, v view) {
	p := analytics.PrincipalOf(r.Context())
	v.Banners, v.Version, v.Who, v.Nav, v.Here = s.cfg.Banners, s.cfg.Version, whoOf(p), s.nav(p), "/"
	v.allows = func(right analytics.Right) bool { return s.allows(p, right) }
	if s.cfg.Gate != nil {
		v.SignIn, v.Demo = true, s.cfg.Gate.IsDemo() && v.Who.Person
	}
	if r.Method == http.MethodGet {
		v.Here = localPath(r.URL.RequestURI())
	}
	block := "layout"
	if v.Live != "" && r.URL.Query().Get("part") == "live" {
		block = "live"
	}
	var buf bytes.Buffer
	if err := s.templates[name].ExecuteTemplate(&buf, block, v); err != nil {
		s.log.Error("render page", "page", name, "err", err)
		http.Error(w, "The page could not be drawn. The log of the service says more.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Length", strconv.Itoa(buf.Len()))
	w.WriteHeader(status)
	_, _ = buf.WriteTo(w)
}

// drawing is a chart at two widths, of which the style sheet shows the one
// that fits: text in a scaled drawing would be too small on a phone.
type drawing struct{ Wide, Narrow template.HTML }

// The widths of a drawing over the whole page.
const (
	wideWidth   = 1120.0
	narrowWidth = 340.0
)

// draw lays a chart out at both widths.
func draw(layout func(width float64, id string) chart.Scene, id string, wide float64) drawing {
	return drawing{Wide: svg(layout(wide, id+"-w")), Narrow: svg(layout(narrowWidth, id+"-n"))}
}

// svg writes a scene. Package chart escapes all text and names, so the result
// is safe to stand in a page.
func svg(s chart.Scene) template.HTML {
	var b strings.Builder
	// A strings.Builder takes everything: the error is always nil.
	_ = chart.SVG(&b, s)
	return template.HTML(b.String())
}
