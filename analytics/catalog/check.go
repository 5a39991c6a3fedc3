package catalog

import "fmt"

// Known are the names that exist, in files or in a database. The zero value
// knows nothing and is ready to use.
type Known struct {
	models map[string]bool
	terms  map[string]string
	sites  map[string]bool
}

// AddModel makes a model known.
func (k *Known) AddModel(name string) {
	if k.models == nil {
		k.models = map[string]bool{}
	}
	k.models[name] = true
}

// AddTerms makes terms known, and which model they are for.
func (k *Known) AddTerms(name, model string) {
	if k.terms == nil {
		k.terms = map[string]string{}
	}
	k.terms[name] = model
}

// AddSite makes a site known.
func (k *Known) AddSite(name string) {
	if k.sites == nil {
		k.sites = map[string]bool{}
	}
	k.sites[name] = true
}

// AddCatalogue makes a catalogue's models and terms known.
func (k *Known) AddCatalogue(c Catalogue) {
	for _, m := range c.Models {
		k.AddModel(m.Name)
	}
	for _, t := range c.Terms {
		k.AddTerms(t.Name, t.Model)
	}
}

// AddSites makes sites known.
func (k *Known) AddSites(s Sites) {
	for _, site := range s.Sites {
		k.AddSite(site.Name)
	}
}

// Check reports terms for a model that neither the catalogue nor known has.
func (c *Catalogue) Check(known Known) error {
	own := map[string]bool{}
	for _, m := range c.Models {
		own[m.Name] = true
	}
	r := &report{file: c.file}
	for i, t := range c.Terms {
		if own[t.Model] || known.models[t.Model] {
			continue
		}
		line := 0
		if i < len(c.termsLines) {
			line = c.termsLines[i]
		}
		r.add(line, fmt.Sprintf("terms[%s].model", t.Name), fmt.Sprintf("no model %q", t.Model), "add the model to the file, or correct its name")
	}
	return r.err()
}

// Check reports units whose model, terms or site is not known, and terms that
// are for another model.
func (u *Units) Check(known Known) error {
	r := &report{file: u.file}
	for i, unit := range u.Units {
		line := 0
		if i < len(u.lines) {
			line = u.lines[i]
		}
		if !known.models[unit.Model] {
			r.add(line, "model", fmt.Sprintf("no model %q", unit.Model), "load the models first, or correct the name")
		}
		if unit.Site != "" && !known.sites[unit.Site] {
			r.add(line, "site", fmt.Sprintf("no site %q", unit.Site), "load the sites first, or correct the name")
		}
		if unit.Terms == "" {
			continue
		}
		switch model, ok := known.terms[unit.Terms]; {
		case !ok:
			r.add(line, "terms", fmt.Sprintf("no terms %q", unit.Terms), "load the terms first, or correct the name")
		case model != unit.Model:
			r.add(line, "terms", fmt.Sprintf("%q are for model %q, the unit is a %q", unit.Terms, model, unit.Model), "name the terms of the unit's own model")
		}
	}
	return r.err()
}
