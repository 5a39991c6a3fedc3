package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
	"fadeledger/store"
	"fadeledger/web/api"
)

// registrar registers files and tells what is registered.
type registrar struct {
	db  *store.DB
	log *slog.Logger
}

// Register checks all files against each other and what is registered, and
// then takes all or nothing.
func (r *registrar) Register(ctx context.Context, files map[string][]byte) (api.Registration, error) {
	return r.register(ctx, files, r.db.Register)
}

// Apply is Register for files that were planned.
func (r *registrar) Apply(ctx context.Context, files map[string][]byte, mark string) (api.Registration, error) {
	return r.register(ctx, files, func(ctx context.Context, reg store.Registration) (store.Registered, error) {
		return r.db.Apply(ctx, reg, mark)
	})
}

func (r *registrar) register(ctx context.Context, files map[string][]byte,
	register func(context.Context, store.Registration) (store.Registered, error)) (api.Registration, error) {
	read, problems, err := r.read(ctx, files)
	if err != nil || len(problems) > 0 {
		return api.Registration{Problems: problems}, err
	}
	done, err := register(ctx, read.registration)
	var conflicts store.Conflicts
	if errors.As(err, &conflicts) {
		return api.Registration{Problems: read.problems(conflicts)}, nil
	}
	if err != nil {
		return api.Registration{}, err
	}
	r.log.Info("registered", "models", done.NewModels, "terms", done.NewTerms, "sites", done.NewSites, "units", done.NewUnits)
	return api.Registration{Models: done.Models, Terms: done.Terms, Sites: done.Sites, Units: done.Units, Plan: done.Plan}, nil
}

// Plan says what a registration would change, and what is wrong with it.
func (r *registrar) Plan(ctx context.Context, files map[string][]byte) (analytics.Plan, []api.Problem, error) {
	read, problems, err := r.read(ctx, files)
	if err != nil || len(problems) > 0 {
		return analytics.Plan{}, problems, err
	}
	plan, err := r.db.Plan(ctx, read.registration)
	var conflicts store.Conflicts
	if errors.As(err, &conflicts) {
		return plan, read.problems(conflicts), nil
	}
	return plan, nil, err
}

// Models, Terms, Site, Stack and RegisteredUnit tell what is registered, as far
// as whoever asks may see it.
func (r *registrar) Models(ctx context.Context) ([]analytics.Model, error) { return r.db.Models(ctx) }

// Terms gives all editions.
func (r *registrar) Terms(ctx context.Context) ([]analytics.Terms, error) { return r.db.Terms(ctx) }

// Sites gives a page of sites.
func (r *registrar) Sites(ctx context.Context, after string, limit int) ([]api.SiteRow, error) {
	list, err := r.db.Sites(ctx, after, limit)
	rows := make([]api.SiteRow, len(list))
	for i := range list {
		rows[i] = api.SiteRow(list[i])
	}
	return rows, err
}

// Site gives a site with its units.
func (r *registrar) Site(ctx context.Context, name string) (analytics.Site, []analytics.Unit, error) {
	return r.db.Site(ctx, name)
}

// Stack gives the units of a stack.
func (r *registrar) Stack(ctx context.Context, name string) ([]analytics.Unit, error) {
	return r.db.Stack(ctx, name)
}

// RegisteredUnit gives a unit as it is registered.
func (r *registrar) RegisteredUnit(ctx context.Context, serial analytics.Serial) (analytics.Unit, error) {
	return r.db.RegisteredUnit(ctx, serial)
}

// File writes what is registered as a file that can be registered again; its
// tables are safe to open with a spreadsheet.
func (r *registrar) File(ctx context.Context, name string) ([]byte, error) {
	switch name {
	case catalog.ModelsFile:
		models, err := r.db.Models(ctx)
		if err != nil {
			return nil, err
		}
		terms, err := r.db.Terms(ctx)
		return catalog.AppendModels(nil, models, terms), err
	case catalog.SitesFile:
		sites, err := r.db.AllSites(ctx)
		return catalog.AppendSitesForPeople(nil, sites), err
	case catalog.UnitsFile:
		units, err := r.db.AllUnits(ctx)
		return catalog.AppendUnitsForPeople(nil, units), err
	}
	return nil, fmt.Errorf("file %s: %w", name, analytics.ErrNotFound)
}

func (r *registrar) read(ctx context.Context, files map[string][]byte) (registrationRead, []api.Problem, error) {
	known, err := r.db.Known(ctx)
	if err != nil {
		return registrationRead{}, nil, err
	}
	return readRegistration(files, known)
}

// registrationRead is a registration that was read from files.
type registrationRead struct {
	registration store.Registration
	models       catalog.Catalogue
	sites        catalog.Sites
	units        catalog.Units
}

// readRegistration parses registration files and checks them together.
func readRegistration(files map[string][]byte, known catalog.Known) (read registrationRead, problems []api.Problem, err error) {
	gather := func(e error) {
		var list catalog.Problems
		switch {
		case e == nil:
		case errors.As(e, &list):
			for _, p := range list {
				problems = append(problems, api.Problem{File: p.File, Line: p.Line, Field: p.Field, Message: p.Message, Remedy: p.Remedy})
			}
		default:
			err = e
		}
	}
	var e error
	read.models, e = parse(files, catalog.ModelsFile, catalog.ParseModels)
	gather(e)
	known.AddCatalogue(read.models)
	gather(read.models.Check(known))
	read.sites, e = parse(files, catalog.SitesFile, catalog.ParseSites)
	gather(e)
	known.AddSites(read.sites)
	gather(read.sites.CheckZones(func(zone string) error { _, err := time.LoadLocation(zone); return err }))
	read.units, e = parse(files, catalog.UnitsFile, catalog.ParseUnits)
	gather(e)
	gather(read.units.Check(known))
	read.registration = store.Registration{Models: read.models.Models, Terms: read.models.Terms, Sites: read.sites.Sites, Units: read.units.Units,
		Sources: sources(files)}
	return read, problems, err
}

// sources name files with their hashes, in the order of their names.
func sources(files map[string][]byte) []string {
	var list []string
	for name, data := range files {
		list = append(list, fmt.Sprintf("%s sha256:%x", name, sha256.Sum256(data)))
	}
	slices.Sort(list)
	return list
}

// problems tells conflicts by the lines of the files.
func (r *registrationRead) problems(conflicts store.Conflicts) []api.Problem {
	list := make([]api.Problem, len(conflicts))
	for i, c := range conflicts {
		p := api.Problem{Field: c.Field, Message: c.Message, Remedy: c.Remedy}
		// A key of YAML is told with its place, a column of a table is not.
		within := func(list string) string {
			if c.Field == "" {
				return list + "[" + c.Name + "]"
			}
			return list + "[" + c.Name + "]." + c.Field
		}
		switch c.Kind {
		case analytics.ChangeModel:
			p.File, p.Line, p.Field = catalog.ModelsFile, r.models.ModelLine(c.Name), within("models")
		case analytics.ChangeTerms:
			p.File, p.Line, p.Field = catalog.ModelsFile, r.models.TermsLine(c.Name), within("terms")
		case analytics.ChangeSite:
			p.File, p.Line = catalog.SitesFile, r.sites.Line(c.Name)
		default:
			p.File, p.Line = catalog.UnitsFile, r.units.Line(c.Name)
		}
		list[i] = p
	}
	return list
}

// parse reads a file that may be absent.
func parse[T any](files map[string][]byte, name string, read func(string, []byte) (T, error)) (T, error) {
	var none T
	if files[name] == nil {
		return none, nil
	}
	return read(name, files[name])
}
