package web

import (
	"bytes"
	"encoding/csv"
	"net/http"
	"net/url"
	"strings"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
	"fadeledger/web/api"
)

// editPage is a form for a unit or a site.
type editPage struct {
	Kind, Name string
	IsNew      bool
	Action     string
	Back       string
	Problem    string
	Entries    []entry
}

// row is a thing as it stands in a form: the columns of its file and what is
// typed for each.
type tableRow struct {
	file    string
	columns []string
	cells   map[string]string
}

var (
	unitFormColumns = []string{"unit", "model", "terms", "site", "stack", "position", "shipped", "commissioned"}
	siteFormColumns = []string{"site", "zone", "country", "region", "placement", "installer"}
)

// typed reads the columns of a form.
func typed(r *http.Request, file string, columns []string) tableRow {
	t := tableRow{file, columns, map[string]string{}}
	for _, name := range columns {
		t.cells[name] = strings.TrimSpace(r.PostForm.Get(name))
	}
	return t
}

// csv writes the row as its file.
func (t tableRow) csv() []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	cells := make([]string, len(t.columns))
	for i, name := range t.columns {
		cells[i] = t.cells[name]
	}
	// A bytes.Buffer takes everything.
	_ = w.WriteAll([][]string{t.columns, cells})
	return b.Bytes()
}

// cellsOf are the cells of something registered.
func cellsOf(key, name string, fields []catalog.Field) map[string]string {
	cells := map[string]string{key: name}
	for _, f := range fields {
		cells[f.Name] = f.Value
	}
	return cells
}

// handleUnitForm answers GET /registry/units/new and /registry/units/{serial}/edit.
func (s *site) handleUnitForm(w http.ResponseWriter, r *http.Request) {
	serial := serialOf(r)
	row := tableRow{catalog.UnitsFile, unitFormColumns, map[string]string{"site": r.URL.Query().Get("site"), "stack": r.URL.Query().Get("stack")}}
	if serial != "" {
		u, ok := s.registeredUnit(w, r, serial)
		if !ok {
			return
		}
		row.cells = cellsOf("unit", string(u.Serial), catalog.UnitFields(&u))
	}
	s.showUnitForm(w, r, http.StatusOK, serial, row, nil)
}

func (s *site) registeredUnit(w http.ResponseWriter, r *http.Request, serial analytics.Serial) (analytics.Unit, bool) {
	u, err := s.cfg.Registry.RegisteredUnit(r.Context(), serial)
	if err != nil {
		s.failUnit(w, r, serial, "read the unit", err)
	}
	return u, err == nil
}

// sitesSuggested is how many sites a form offers to choose from.
const sitesSuggested = 200

func (s *site) showUnitForm(w http.ResponseWriter, r *http.Request, status int, serial analytics.Serial, row tableRow, wrong wrongs) {
	models, terms, err := s.catalogue(r)
	if err != nil {
		s.fail(w, r, "list models and terms", err)
		return
	}
	sites, err := s.cfg.Registry.Sites(r.Context(), "", sitesSuggested)
	if err != nil {
		s.fail(w, r, "list sites", err)
		return
	}
	var names []string
	for i := range sites {
		names = append(names, sites[i].Name)
	}
	chosen := func(value string) func(string) option {
		return func(name string) option { return option{name, label(name), name == value} }
	}
	modelOptions, termsOptions := []option{{"", "choose", row.cells["model"] == ""}}, []option{{"", "none", row.cells["terms"] == ""}}
	for i := range models {
		modelOptions = append(modelOptions, chosen(row.cells["model"])(models[i].Name))
	}
	for i := range terms {
		o := chosen(row.cells["terms"])(terms[i].Name)
		o.Title += " (for " + label(terms[i].Model) + ")"
		termsOptions = append(termsOptions, o)
	}
	form := rowForm{row: row, wrong: wrong}
	p := editPage{Kind: "unit", Name: label(serial), Action: unitEditHref(serial), Back: unitHref(serial, "")}
	if serial == "" {
		p = editPage{Kind: "unit", IsNew: true, Action: "/registry/units/new", Back: "/registry"}
		form.add(entry{Name: "unit", Label: "Serial", Required: true, Max: 200, Note: "As on the type plate. It stays."})
	}
	form.add(entry{Name: "model", Label: "Model", Options: modelOptions, Required: true})
	form.add(entry{Name: "terms", Label: "Terms", Options: termsOptions, Note: "Those that the unit was sold with."})
	form.add(entry{Name: "site", Label: "Site", Max: 200, Suggest: names, Note: "One that is registered."})
	form.add(entry{Name: "stack", Label: "Stack", Max: 200})
	form.add(entry{Name: "position", Label: "Place in the stack", Type: "number", Note: "Counted from 1."})
	form.add(entry{Name: "shipped", Label: "Day shipped", Type: "date"})
	form.add(entry{Name: "commissioned", Label: "Day commissioned", Type: "date"})
	p.Problem, p.Entries = wrong.summary(), form.entries
	title := "Change unit " + p.Name
	if p.IsNew {
		title = "Register a unit"
	}
	s.render(w, r, status, "registry_edit", view{Title: title, Section: "registry", Page: p})
}

// rowForm lays a row out as a form.
type rowForm struct {
	row     tableRow
	wrong   wrongs
	entries []entry
}

func (f *rowForm) add(e entry) {
	e.ID, e.Value, e.Wrong, e.Autocomplete = "f-"+e.Name, f.row.cells[e.Name], f.wrong[e.Name], "off"
	if e.Type == "" {
		e.Type = "text"
	}
	f.entries = append(f.entries, e)
}

// handleUnitPreview answers POST of the form of a unit: what it would change.
func (s *site) handleUnitPreview(w http.ResponseWriter, r *http.Request) {
	if !s.smallForm(w, r) {
		return
	}
	serial := serialOf(r)
	row := typed(r, catalog.UnitsFile, unitFormColumns)
	back := "/registry/units/new"
	if serial != "" {
		if _, ok := s.registeredUnit(w, r, serial); !ok {
			return
		}
		row.cells["unit"], back = string(serial), unitEditHref(serial)
	}
	wrong, ok := s.planRow(w, r, row, unitHref(analytics.Serial(row.cells["unit"]), ""), back)
	if ok && wrong != nil {
		s.showUnitForm(w, r, http.StatusUnprocessableEntity, serial, row, wrong)
	}
}

// planRow shows what a row would change. Where something is wrong with it,
// that is given instead; where another answer is written, ok is false.
func (s *site) planRow(w http.ResponseWriter, r *http.Request, row tableRow, to, back string) (wrong wrongs, ok bool) {
	data := row.csv()
	plan, problems, err := s.cfg.Registry.Plan(r.Context(), map[string][]byte{row.file: data})
	if err != nil {
		s.fail(w, r, "plan a registration", err)
		return nil, false
	}
	if len(problems) > 0 {
		return row.wrongs(problems), true
	}
	s.showPlan(w, r, http.StatusOK, plan, registrationPage{To: to, Back: back}, []chosenFile{{row.file, data}})
	return nil, true
}

// wrongs puts problems beside the fields that they are about.
func (t tableRow) wrongs(problems []api.Problem) wrongs {
	w := wrongs{}
	for _, p := range problems {
		message := visible(p.Message, 400)
		if p.Remedy != "" {
			message += "; " + visible(p.Remedy, 400)
		}
		field := "form"
		for _, name := range t.columns {
			if p.Field == name {
				field = name
			}
		}
		w.add(field, strings.ToUpper(message[:1])+message[1:]+".")
	}
	return w
}

// handleSiteForm answers GET /registry/sites/new and /registry/sites/{site}/edit.
func (s *site) handleSiteForm(w http.ResponseWriter, r *http.Request) {
	name := nameOf(r, "site")
	row := tableRow{catalog.SitesFile, siteFormColumns, map[string]string{}}
	if name != "" {
		x, _, err := s.cfg.Registry.Site(r.Context(), name)
		if err != nil {
			s.failNamed(w, r, "site", name, "read the site", err)
			return
		}
		row.cells = cellsOf("site", x.Name, catalog.SiteFields(&x))
	}
	s.showSiteForm(w, r, http.StatusOK, name, row, nil)
}

func (s *site) showSiteForm(w http.ResponseWriter, r *http.Request, status int, name string, row tableRow, wrong wrongs) {
	placements := []option{{"", "not known", row.cells["placement"] == ""}}
	for _, p := range []analytics.Placement{analytics.DwellingStorage, analytics.Garage, analytics.ExteriorWall, analytics.Outdoor} {
		placements = append(placements, option{string(p), placementWords(p), string(p) == row.cells["placement"]})
	}
	form := rowForm{row: row, wrong: wrong}
	p := editPage{Kind: "site", Name: label(name), Action: "/registry/sites/" + url.PathEscape(name) + "/edit", Back: siteHref(name)}
	title := "Change site " + p.Name
	if name == "" {
		p, title = editPage{Kind: "site", IsNew: true, Action: "/registry/sites/new", Back: "/registry/sites"}, "Register a site"
		form.add(entry{Name: "site", Label: "Site", Required: true, Max: 200, Note: "An identifier, never the name of a customer. It stays."})
	}
	form.add(entry{Name: "zone", Label: "Time zone", Max: 64, Note: "Such as Europe/Oslo; empty for UTC. It is for showing times alone."})
	form.add(entry{Name: "country", Label: "Country", Max: 200})
	form.add(entry{Name: "region", Label: "Region", Max: 200})
	form.add(entry{Name: "placement", Label: "Where the units stand", Options: placements})
	form.add(entry{Name: "installer", Label: "Installer", Max: 200, Note: "People of that organisation see the site."})
	p.Problem, p.Entries = wrong.summary(), form.entries
	s.render(w, r, status, "registry_edit", view{Title: title, Section: "registry", Page: p})
}

// handleSitePreview answers POST of the form of a site: what it would change.
func (s *site) handleSitePreview(w http.ResponseWriter, r *http.Request) {
	if !s.smallForm(w, r) {
		return
	}
	name := nameOf(r, "site")
	row := typed(r, catalog.SitesFile, siteFormColumns)
	back := "/registry/sites/new"
	if name != "" {
		if _, _, err := s.cfg.Registry.Site(r.Context(), name); err != nil {
			s.failNamed(w, r, "site", name, "read the site", err)
			return
		}
		row.cells["site"], back = name, "/registry/sites/"+url.PathEscape(name)+"/edit"
	}
	wrong, ok := s.planRow(w, r, row, siteHref(row.cells["site"]), back)
	if ok && wrong != nil {
		s.showSiteForm(w, r, http.StatusUnprocessableEntity, name, row, wrong)
	}
}
