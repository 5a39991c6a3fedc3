package web

import (
	"net/http"
	"net/url"
	"strconv"

	"fadeledger/analytics"
)

// sitesPage is a page of sites.
type sitesPage struct {
	Rows        []siteLine
	Next, First string
}

// siteLine is a site in a list.
type siteLine struct {
	named
	Where, Placement, Installer string
	Units, Stacks               string
}

// sitesAPage is how many sites a page lists.
const sitesAPage = 100

// handleSites answers GET /registry/sites.
func (s *site) handleSites(w http.ResponseWriter, r *http.Request) {
	after := r.URL.Query().Get("after")
	list, err := s.cfg.Registry.Sites(r.Context(), after, sitesAPage+1)
	if err != nil {
		s.fail(w, r, "list sites", err)
		return
	}
	var p sitesPage
	if after != "" {
		p.First = "/registry/sites"
	}
	if len(list) > sitesAPage {
		list = list[:sitesAPage]
		p.Next = "/registry/sites?after=" + url.QueryEscape(list[len(list)-1].Name)
	}
	for i := range list {
		x := &list[i]
		p.Rows = append(p.Rows, siteLine{named: namedBy(x.Name, siteHref), Where: whereWords(&x.Site), Placement: placementWords(x.Placement),
			Installer: label(x.Installer), Units: count(x.Units), Stacks: count(x.Stacks)})
	}
	s.render(w, r, http.StatusOK, "registry_sites", view{Title: "Sites", Section: "registry", Page: p})
}

func whereWords(x *analytics.Site) string {
	switch {
	case x.Region == "":
		return label(x.Country)
	case x.Country == "":
		return label(x.Region)
	}
	return label(x.Region) + ", " + label(x.Country)
}

// groundsPage shows a site or a stack with its units.
type groundsPage struct {
	Name    string
	Summary string
	Facts   []term
	Units   []registeredLine
	More    string
	OfStack bool
	// CanEdit: whoever asks may change what is registered. Edit and Add are
	// the forms for that, Fleet the units in the fleet.
	CanEdit          bool
	Edit, Add, Fleet string
}

// registeredLine is a unit as it is registered.
type registeredLine struct {
	named
	Position              string
	Stack, Site           named
	Model, Terms          named
	Shipped, Commissioned string
	Edit                  string
}

// groundsShown is how many units a page shows.
const groundsShown = 500

func registeredLines(list []analytics.Unit) (lines []registeredLine, more string) {
	for i := range list[:min(len(list), groundsShown)] {
		u := &list[i]
		line := registeredLine{named: named{label(u.Serial), unitHref(u.Serial, "")}, Stack: namedBy(u.Stack, stackHref), Site: namedBy(u.Site, siteHref),
			Model: namedBy(u.Model, modelHref), Terms: namedBy(u.Terms, termsHref), Edit: unitEditHref(u.Serial)}
		if u.Position > 0 {
			line.Position = strconv.Itoa(u.Position)
		}
		if u.Shipped != nil {
			line.Shipped = date(*u.Shipped)
		}
		if u.Commissioned != nil {
			line.Commissioned = date(*u.Commissioned)
		}
		lines = append(lines, line)
	}
	if n := int64(len(list) - len(lines)); n > 0 {
		more = plural(n, "more unit is", "more units are") + " registered there; units.csv holds all."
	}
	return lines, more
}

func unitEditHref(serial analytics.Serial) string {
	return "/registry/units/" + url.PathEscape(string(serial)) + "/edit"
}

// handleSite answers GET /sites/{site}.
func (s *site) handleSite(w http.ResponseWriter, r *http.Request) {
	name := nameOf(r, "site")
	x, units, err := s.cfg.Registry.Site(r.Context(), name)
	if err != nil {
		s.failNamed(w, r, "site", name, "read the site", err)
		return
	}
	p := groundsPage{Name: label(x.Name), CanEdit: s.asked(r, analytics.RightRegister), Add: "/registry/units/new?site=" + url.QueryEscape(x.Name), Edit: "/registry/sites/" + url.PathEscape(x.Name) + "/edit", Fleet: "/?site=" + url.QueryEscape(x.Name) + "#units",
		Facts: []term{{Name: "Where", Value: orUnknown(whereWords(&x))}, {Name: "Time zone", Value: orDefault(label(x.Zone), "UTC")},
			{Name: "Units stand", Value: orUnknown(placementWords(x.Placement))}, {Name: "Installer", Value: orUnknown(label(x.Installer))}}}
	p.Units, p.More = registeredLines(units)
	stacks := map[string]bool{}
	for i := range units {
		if units[i].Stack != "" {
			stacks[units[i].Stack] = true
		}
	}
	p.Summary = plural(int64(len(units)), "unit", "units")
	if len(stacks) > 0 {
		p.Summary += " in " + plural(int64(len(stacks)), "stack", "stacks")
	}
	s.render(w, r, http.StatusOK, "registry_site", view{Title: "Site " + p.Name, Section: "registry", Page: p})
}

func orDefault(text, unless string) string {
	if text == "" {
		return unless
	}
	return text
}

// handleStack answers GET /stacks/{stack}.
func (s *site) handleStack(w http.ResponseWriter, r *http.Request) {
	name := nameOf(r, "stack")
	units, err := s.cfg.Registry.Stack(r.Context(), name)
	if err != nil {
		s.failNamed(w, r, "stack", name, "read the stack", err)
		return
	}
	p := groundsPage{Name: label(name), OfStack: true, CanEdit: s.asked(r, analytics.RightRegister), Summary: plural(int64(len(units)), "unit", "units")}
	p.Units, p.More = registeredLines(units)
	s.render(w, r, http.StatusOK, "registry_stack", view{Title: "Stack " + p.Name, Section: "registry", Page: p})
}

// handleRegistryFile answers GET /registry/models.yaml, sites.csv, units.csv.
func (s *site) handleRegistryFile(name string) http.HandlerFunc {
	kind := "text/csv; charset=utf-8"
	if name == "models.yaml" {
		kind = "application/yaml; charset=utf-8"
	}
	return func(w http.ResponseWriter, r *http.Request) {
		data, err := s.cfg.Registry.File(r.Context(), name)
		if err != nil {
			s.fail(w, r, "write "+name, err)
			return
		}
		// Models and terms are what the maker says of its products.
		if s.cfg.Trail != nil && name != "models.yaml" {
			if err := s.record(r, analytics.DeedExported, "registry "+name); err != nil {
				s.unrecorded(w, r, err)
				return
			}
		}
		w.Header().Set("Content-Type", kind)
		w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
		w.Header().Set("Content-Length", strconv.Itoa(len(data)))
		if _, err := w.Write(data); err != nil {
			s.log.Debug("write "+name, "err", err)
		}
	}
}
