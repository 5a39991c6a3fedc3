package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/web/api"
)

// registerTimeout ends the work on a registration: a fleet of 100,000 units
// takes some seconds, and longer on a machine that is busy.
const registerTimeout = 2 * time.Minute

// registryRoutes are the pages of what is registered.
func (s *site) registryRoutes(r chi.Router) {
	if s.cfg.Registry == nil {
		return
	}
	see := r.With(within(DefaultPageTimeout), s.may(analytics.RightSeeUnits), s.seen)
	see.Get("/registry", s.handleRegistry)
	see.Get("/registry/models", s.handleModels)
	see.Get("/registry/models/{model}", s.handleModel)
	see.Get("/registry/terms/{terms}", s.handleTerms)
	see.Get("/registry/sites", s.handleSites)
	see.Get("/sites/{site}", s.handleSite)
	see.Get("/stacks/{stack}", s.handleStack)
	files := r.With(within(DefaultDownloadTimeout), s.may(analytics.RightSeeUnits))
	for _, name := range api.RegistrationFiles {
		files.Get("/registry/"+name, s.handleRegistryFile(name))
	}
	change := r.With(within(registerTimeout), s.may(analytics.RightRegister), s.seen)
	change.Get("/registry/import", s.handleImportForm)
	// A preview that is loaded again without its form begins anew.
	change.Get("/registry/import/preview", s.handleImportForm)
	change.Post("/registry/import/preview", s.handleImportPreview)
	change.Post("/registry/import", s.handleImport)
	change.Get("/registry/units/new", s.handleUnitForm)
	change.Post("/registry/units/new", s.handleUnitPreview)
	change.Get("/registry/units/{serial}/edit", s.handleUnitForm)
	change.Post("/registry/units/{serial}/edit", s.handleUnitPreview)
	change.Get("/registry/sites/new", s.handleSiteForm)
	change.Post("/registry/sites/new", s.handleSitePreview)
	change.Get("/registry/sites/{site}/edit", s.handleSiteForm)
	change.Post("/registry/sites/{site}/edit", s.handleSitePreview)
}

// nameOf takes a name out of the path, as serialOf does.
func nameOf(r *http.Request, param string) string {
	p := chi.URLParam(r, param)
	if r.URL.RawPath == "" {
		return p
	}
	if plain, err := url.PathUnescape(p); err == nil {
		return plain
	}
	return p
}

// The addresses of what is registered.
func modelHref(name string) string { return "/registry/models/" + url.PathEscape(name) }
func termsHref(name string) string { return "/registry/terms/" + url.PathEscape(name) }
func siteHref(name string) string  { return "/sites/" + url.PathEscape(name) }
func stackHref(name string) string { return "/stacks/" + url.PathEscape(name) }

// named is a name with the page of what it names; Href is empty where there is
// no name.
type named struct{ Name, Href string }

func namedBy(name string, href func(string) string) named {
	if name == "" {
		return named{}
	}
	return named{label(name), href(name)}
}

// registryPage is the overview.
type registryPage struct {
	Figures []figure
	Done    string
	Models  []modelLine
}

// modelLine is a model in a list, with its editions of terms.
type modelLine struct {
	named
	Rated, Power, Charging string
	Terms                  []termsLine
}

// termsLine is an edition in a list.
type termsLine struct {
	named
	SoldFrom, Years string
}

// handleRegistry answers GET /registry.
func (s *site) handleRegistry(w http.ResponseWriter, r *http.Request) {
	models, terms, err := s.catalogue(r)
	if err != nil {
		s.fail(w, r, "list models and terms", err)
		return
	}
	fleet, err := s.cfg.Ledger.Fleet(r.Context())
	if err != nil {
		s.fail(w, r, "count the fleet", err)
		return
	}
	sites, err := s.cfg.Registry.Sites(r.Context(), "", sitesCounted)
	if err != nil {
		s.fail(w, r, "list sites", err)
		return
	}
	n, note := count(int64(len(sites))), ""
	if len(sites) == sitesCounted {
		note = "or more"
	}
	p := registryPage{Models: modelLines(models, terms), Done: registeredWords(r.URL.Query().Get("done")), Figures: []figure{
		{Label: "Units", Value: count(fleet.Units)}, {Label: "Sites", Value: n, Note: note},
		{Label: "Models", Value: count(int64(len(models)))}, {Label: "Editions of terms", Value: count(int64(len(terms)))}}}
	s.render(w, r, http.StatusOK, "registry", view{Title: "Registry", Section: "registry", Page: p})
}

// sitesCounted is how many sites the overview counts.
const sitesCounted = 500

func (s *site) catalogue(r *http.Request) ([]analytics.Model, []analytics.Terms, error) {
	models, err := s.cfg.Registry.Models(r.Context())
	if err != nil {
		return nil, nil, err
	}
	terms, err := s.cfg.Registry.Terms(r.Context())
	return models, terms, err
}

func modelLines(models []analytics.Model, terms []analytics.Terms) []modelLine {
	lines := make([]modelLine, 0, len(models))
	for i := range models {
		m := &models[i]
		lines = append(lines, modelLine{named: namedBy(m.Name, modelHref), Rated: energy(m.Rated), Power: kilowatts(m.MaxPower),
			Charging: flatWords(m.ChargeLimit), Terms: termsLines(terms, m.Name)})
	}
	return lines
}

func termsLines(terms []analytics.Terms, model string) []termsLine {
	var lines []termsLine
	for i := range terms {
		if t := &terms[i]; t.Model == model {
			lines = append(lines, termsLine{namedBy(t.Name, termsHref), date(t.SoldFrom), plural(int64(t.Years), "year", "years")})
		}
	}
	return lines
}

// kilowatts writes a power.
func kilowatts(p analytics.Milliwatts) string {
	return strings.TrimSuffix(decimal(float64(p)/1e6, 1), ".0") + nbsp + "kW"
}

// flatWords says between which temperatures a table allows the most.
func flatWords(t analytics.LimitTable) string {
	low, high, ok := t.Flat()
	if !ok {
		return "no limit"
	}
	if low == high {
		return rate(t.At(low)) + " at " + celsius(low)
	}
	return rate(t.At(low)) + " from " + celsius(low) + " to " + celsius(high)
}

// modelsPage lists models.
type modelsPage struct{ Rows []modelLine }

// handleModels answers GET /registry/models.
func (s *site) handleModels(w http.ResponseWriter, r *http.Request) {
	models, terms, err := s.catalogue(r)
	if err != nil {
		s.fail(w, r, "list models and terms", err)
		return
	}
	s.render(w, r, http.StatusOK, "registry_models", view{Title: "Models", Section: "registry", Page: modelsPage{modelLines(models, terms)}})
}

// modelPage shows a model.
type modelPage struct {
	Name   string
	Facts  []term
	Limits []limitTable
	Terms  []termsLine
}

// limitTable is a table of C-rates by cell temperature.
type limitTable struct {
	ID, Title, None string
	Rows            [][2]string
}

func limitOf(id, title string, t analytics.LimitTable) limitTable {
	l := limitTable{ID: id, Title: title, None: "The model sets no limit."}
	for _, row := range t {
		l.Rows = append(l.Rows, [2]string{celsius(row.Temp), rate(row.Rate)})
	}
	return l
}

// handleModel answers GET /registry/models/{model}.
func (s *site) handleModel(w http.ResponseWriter, r *http.Request) {
	models, terms, err := s.catalogue(r)
	if err != nil {
		s.fail(w, r, "read the model", err)
		return
	}
	name := nameOf(r, "model")
	i := slices.IndexFunc(models, func(m analytics.Model) bool { return m.Name == name })
	if i < 0 {
		s.unregistered(w, r, "model", name)
		return
	}
	m := &models[i]
	p := modelPage{Name: label(m.Name), Facts: modelFacts(m), Terms: termsLines(terms, m.Name),
		Limits: []limitTable{limitOf("charge", "Charge limit", m.ChargeLimit), limitOf("discharge", "Discharge limit", m.DischargeLimit)}}
	s.render(w, r, http.StatusOK, "registry_model", view{Title: "Model " + p.Name, Section: "registry", Page: p})
}

func modelFacts(m *analytics.Model) []term {
	facts := []term{{Name: "Chemistry", Value: orUnknown(label(m.Chemistry))}, {Name: "Rated energy", Value: energy(m.Rated)}}
	if m.RatedCharge != 0 {
		facts = append(facts, term{Name: "Rated capacity", Value: decimal(float64(m.RatedCharge)/1000, 1) + nbsp + "Ah"})
	} else {
		facts = append(facts, term{Name: "Rated capacity", Value: "not known, so C-rates are not either"})
	}
	facts = append(facts, term{Name: "Highest power", Value: kilowatts(m.MaxPower)}, term{Name: "Longest gap that counts as covered", Value: length(m.Gap())})
	floor, storage := "none", "no limit"
	if m.Floor != nil {
		floor = share(float64(*m.Floor) / 1000)
	}
	if m.StorageMax != nil {
		storage = "up to " + celsius(*m.StorageMax)
	}
	return append(facts, term{Name: "Lowest state of charge", Value: floor}, term{Name: "At rest", Value: storage})
}

func orUnknown(text string) string {
	if text == "" {
		return "not known"
	}
	return text
}

// termsPage shows an edition of terms.
type termsPage struct {
	Name   string
	Model  named
	Facts  []term
	Tables []termsTable
}

// termsTable is a table of an edition.
type termsTable struct {
	ID, Title, Note, None string
	Heads                 [2]string
	Rows                  [][2]string
}

// handleTerms answers GET /registry/terms/{terms}.
func (s *site) handleTerms(w http.ResponseWriter, r *http.Request) {
	list, err := s.cfg.Registry.Terms(r.Context())
	if err != nil {
		s.fail(w, r, "read the terms", err)
		return
	}
	name := nameOf(r, "terms")
	i := slices.IndexFunc(list, func(t analytics.Terms) bool { return t.Name == name })
	if i < 0 {
		s.unregistered(w, r, "edition of terms", name)
		return
	}
	t := &list[i]
	p := termsPage{Name: label(t.Name), Model: namedBy(t.Model, modelHref), Facts: termsFacts(t), Tables: termsTables(t)}
	s.render(w, r, http.StatusOK, "registry_terms", view{Title: "Terms " + p.Name, Section: "registry", Page: p})
}

func termsTables(t *analytics.Terms) []termsTable {
	life := termsTable{ID: "life", Title: "Cycle life", Heads: [2]string{"Depth of discharge", "Cycles"}, None: "The terms promise no number of cycles by depth."}
	for _, p := range t.Life.Points {
		life.Rows = append(life.Rows, [2]string{share(p.Depth), cycles(p.Cycles)})
	}
	if len(life.Rows) > 0 {
		from := analytics.DefaultCountedFrom
		if t.Life.CountedFromPct != nil {
			from = *t.Life.CountedFromPct
		}
		life.Note = "Ranges shallower than " + share(from/100) + " spend nothing. "
		if t.Life.Shallow == analytics.ShallowSlope {
			life.Note += "Below the shallowest depth the line through the first two points goes on."
		} else {
			life.Note += "Below the shallowest depth the same energy spends the same life."
		}
	}
	kept := termsTable{ID: "kept", Title: "Retained capacity", Heads: [2]string{"After", "At least"}, None: "The terms promise no capacity."}
	for _, p := range t.Retained {
		kept.Rows = append(kept.Rows, [2]string{plural(int64(p.Year), "year", "years"), share(p.Pct / 100)})
	}
	remedy := termsTable{ID: "remedy", Title: "Remedy", Heads: [2]string{"Through warranty year", "Share of the price"}, None: "The terms name no share of the price."}
	for _, step := range t.Remedy {
		remedy.Rows = append(remedy.Rows, [2]string{count(int64(step.ThroughYear)), share(step.Pct / 100)})
	}
	return []termsTable{life, kept, remedy}
}

func termsFacts(t *analytics.Terms) []term {
	start := "the day commissioned"
	if t.Start == analytics.StartShipped {
		start = "the day shipped"
	}
	if t.LongestDelayDays > 0 {
		if t.Start == analytics.StartShipped {
			start += ", " + plural(int64(t.LongestDelayDays), "day", "days") + " later"
		} else {
			start += ", at the latest " + plural(int64(t.LongestDelayDays), "day", "days") + " after the day shipped"
		}
	}
	facts := []term{{Name: "Model", Value: label(t.Model), Href: modelHref(t.Model)}, {Name: "Sold from", Value: date(t.SoldFrom)},
		{Name: "Term", Value: plural(int64(t.Years), "year", "years")}, {Name: "Begins with", Value: start}}
	add := func(there bool, name, value string) {
		if there {
			facts = append(facts, term{Name: name, Value: value})
		}
	}
	basis := "charge and discharge"
	if t.EFCBasis == analytics.BasisDischarge {
		basis = "discharge alone"
	}
	add(t.EnergyCap != 0, "Energy discharged, at most", energy(t.EnergyCap))
	add(t.EFCCap != 0, "Equivalent full cycles, at most", cycles(t.EFCCap)+", by "+basis)
	add(t.HasColdAllowance, "Charged below the cold limit, at most", energy(t.ColdChargeAllowance))
	add(t.LongestGapDays != 0, "Longest time without telemetry", plural(int64(t.LongestGapDays), "day", "days"))
	add(t.RegistrationDays != 0, "To be registered within", plural(int64(t.RegistrationDays), "day", "days"))
	return facts
}

// unregistered answers for a name that is not registered, or not to be seen.
func (s *site) unregistered(w http.ResponseWriter, r *http.Request, kind, name string) {
	s.writeError(w, r, errorPage{Status: http.StatusNotFound, Title: "There is no " + kind + " " + label(name),
		Text:   "Nothing of that name is registered.",
		Checks: []string{"Was the name typed or copied in full? Upper and lower case differ.", "The registry lists what there is."}})
}

// failNamed is fail for something that has a name.
func (s *site) failNamed(w http.ResponseWriter, r *http.Request, kind, name, doing string, err error) {
	if errors.Is(err, analytics.ErrNotFound) {
		s.unregistered(w, r, kind, name)
		return
	}
	s.fail(w, r, doing, err)
}
