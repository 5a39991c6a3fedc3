package webtest

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
	"fadeledger/analytics/household"
	"fadeledger/web/api"
)

// Registry keeps what is registered and answers plans as they are set. Err,
// where set, is answered to every question.
type Registry struct {
	ModelList []analytics.Model
	TermsList []analytics.Terms
	SiteList  []analytics.Site
	UnitList  []analytics.Unit

	// Planned and Wrong are answered to Plan, ApplyWrong and ApplyErr to Apply.
	Planned    analytics.Plan
	Wrong      []api.Problem
	ApplyWrong []api.Problem
	ApplyErr   error
	Err        error
	// Files are those last planned or applied, Marks the marks of what was
	// applied.
	Files map[string][]byte
	Marks []string
}

// NewRegistry gives a registry with two sites.
func NewRegistry() *Registry {
	shipped, commissioned := analytics.Day(20400), analytics.Day(20430)
	unit := func(serial analytics.Serial, site, stack string, position int) analytics.Unit {
		return analytics.Unit{Serial: serial, Model: "HB-5", Terms: "HB-5 home 2026", Site: site, Stack: stack, Position: position,
			Shipped: &shipped, Commissioned: &commissioned}
	}
	return &Registry{
		ModelList: household.Models(), TermsList: household.EditionsOfTerms(),
		SiteList: []analytics.Site{
			{Name: "garden-lane-4", Zone: "Europe/Oslo", Country: "NO", Region: "Viken", Placement: analytics.Garage, Installer: "Elektro Nord"},
			{Name: "a/b <i>&", Installer: "Solwerk"}},
		UnitList: []analytics.Unit{unit("HB5-20491", "garden-lane-4", "ST-1", 1), unit("HB5-20492", "garden-lane-4", "ST-1", 2),
			{Serial: "HB/1 <b>", Model: "HB-5", Site: "a/b <i>&", Stack: "s/1"}},
		Planned: analytics.Plan{Mark: "5feceb66", Unchanged: 3, Counts: []analytics.PlanCount{{Kind: analytics.ChangeUnit, New: 1, Changed: 1, Unchanged: 3}},
			Changes: []analytics.Change{
				{Kind: analytics.ChangeUnit, Name: "HB5-20491", Fields: []analytics.FieldChange{{Field: "stack", Before: "ST-1", After: "<script>"}, {Field: "position", Before: "1"}}},
				{Kind: analytics.ChangeUnit, Name: "HB5-30000", New: true, Fields: []analytics.FieldChange{{Field: "model", After: "HB-5"}}}}},
	}
}

// Plan answers what is set.
func (g *Registry) Plan(_ context.Context, files map[string][]byte) (analytics.Plan, []api.Problem, error) {
	g.Files = maps.Clone(files)
	return g.Planned, g.Wrong, g.Err
}

// Apply keeps the files and the mark.
func (g *Registry) Apply(_ context.Context, files map[string][]byte, mark string) (api.Registration, error) {
	g.Files = maps.Clone(files)
	if g.ApplyErr != nil {
		return api.Registration{}, g.ApplyErr
	}
	if len(g.ApplyWrong) == 0 {
		g.Marks = append(g.Marks, mark)
	}
	return api.Registration{Problems: g.ApplyWrong, Plan: g.Planned}, g.Err
}

// Register is Apply without a mark.
func (g *Registry) Register(ctx context.Context, files map[string][]byte) (api.Registration, error) {
	return g.Apply(ctx, files, "")
}

// Models answers the models.
func (g *Registry) Models(context.Context) ([]analytics.Model, error) { return g.ModelList, g.Err }

// Terms answers the editions.
func (g *Registry) Terms(context.Context) ([]analytics.Terms, error) { return g.TermsList, g.Err }

// Sites answers a page of sites with their counts.
func (g *Registry) Sites(_ context.Context, after string, limit int) ([]api.SiteRow, error) {
	list := slices.Clone(g.SiteList)
	slices.SortFunc(list, func(a, b analytics.Site) int {
		if a.Name < b.Name {
			return -1
		}
		return 1
	})
	var rows []api.SiteRow
	for _, x := range list {
		if x.Name <= after || len(rows) == limit {
			continue
		}
		row := api.SiteRow{Site: x}
		stacks := map[string]bool{}
		for _, u := range g.UnitList {
			if u.Site == x.Name {
				row.Units++
				stacks[u.Stack] = true
			}
		}
		row.Stacks = int64(len(stacks))
		rows = append(rows, row)
	}
	return rows, g.Err
}

// Site answers a site with its units.
func (g *Registry) Site(_ context.Context, name string) (analytics.Site, []analytics.Unit, error) {
	for _, x := range g.SiteList {
		if x.Name == name {
			return x, g.where(func(u *analytics.Unit) bool { return u.Site == name }), g.Err
		}
	}
	return analytics.Site{}, nil, fmt.Errorf("site %s: %w", name, analytics.ErrNotFound)
}

func (g *Registry) where(ok func(*analytics.Unit) bool) []analytics.Unit {
	return slices.DeleteFunc(slices.Clone(g.UnitList), func(u analytics.Unit) bool { return !ok(&u) })
}

// Stack answers the units of a stack.
func (g *Registry) Stack(_ context.Context, name string) ([]analytics.Unit, error) {
	list := g.where(func(u *analytics.Unit) bool { return u.Stack == name })
	if len(list) == 0 {
		return nil, fmt.Errorf("stack %s: %w", name, analytics.ErrNotFound)
	}
	return list, g.Err
}

// RegisteredUnit answers a unit.
func (g *Registry) RegisteredUnit(_ context.Context, serial analytics.Serial) (analytics.Unit, error) {
	list := g.where(func(u *analytics.Unit) bool { return u.Serial == serial })
	if len(list) == 0 {
		return analytics.Unit{}, fmt.Errorf("unit %s: %w", serial, analytics.ErrNotFound)
	}
	return list[0], g.Err
}

// File writes what is registered.
func (g *Registry) File(_ context.Context, name string) ([]byte, error) {
	switch name {
	case catalog.ModelsFile:
		return catalog.AppendModels(nil, g.ModelList, g.TermsList), g.Err
	case catalog.SitesFile:
		return catalog.AppendSitesForPeople(nil, g.SiteList), g.Err
	case catalog.UnitsFile:
		return catalog.AppendUnitsForPeople(nil, g.UnitList), g.Err
	}
	return nil, fmt.Errorf("file %s: %w", name, analytics.ErrNotFound)
}
