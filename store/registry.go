package store

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
)

// Registration is a set of models, terms, sites and units to register. Of
// several with the same name the last one holds.
type Registration struct {
	Models []analytics.Model
	Terms  []analytics.Terms
	Sites  []analytics.Site
	Units  []analytics.Unit
	// Sources name the files that it was read from with their SHA-256, for the
	// trail.
	Sources []string
}

// Registered says what a registration changed. Models, Terms, Sites and Units
// count what was given.
type Registered struct {
	Models, Terms, Sites, Units   int
	NewModels, NewTerms, NewUnits int
	NewSites                      int
	NewSerials                    []analytics.Serial
	// Plan is what was changed.
	Plan analytics.Plan
}

// Register adds and updates in one transaction, and tells the trail. A model
// whose units have been counted and an edition of terms never change: another
// definition under the same name gives Conflicts, which match ErrConflict. A
// name that refers to nothing gives Conflicts too.
func (db *DB) Register(ctx context.Context, r Registration) (Registered, error) {
	return db.register(ctx, r, "")
}

// Apply is Register for a registration that Plan gave a mark for. ErrConflict
// that is no Conflicts: what the plan rests on has changed since.
func (db *DB) Apply(ctx context.Context, r Registration, mark string) (Registered, error) {
	if mark == "" {
		return Registered{}, fmt.Errorf("register: %w: the mark of the plan is missing", analytics.ErrInvalid)
	}
	return db.register(ctx, r, mark)
}

func (db *DB) register(ctx context.Context, r Registration, mark string) (Registered, error) {
	var done Registered
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		p, err := planIn(ctx, tx, r, true)
		if err != nil {
			return err
		}
		if err := p.err(); err != nil {
			return err
		}
		if mark != "" && mark != p.Mark {
			return fmt.Errorf("register: %w: what is registered has changed since this was planned", analytics.ErrConflict)
		}
		done = p.registered(r)
		if err := p.write(ctx, tx, db.now()); err != nil {
			return err
		}
		return db.recordRegistration(ctx, tx, p, r.Sources)
	})
	return done, err
}

// registered says what will have been registered once p is written.
func (p *planned) registered(r Registration) Registered {
	done := Registered{
		Models: len(r.Models), Terms: len(r.Terms), Sites: len(r.Sites), Units: len(r.Units), Plan: p.Plan,
		NewModels: p.counts[analytics.ChangeModel].New, NewTerms: p.counts[analytics.ChangeTerms].New,
		NewSites: p.counts[analytics.ChangeSite].New, NewUnits: p.counts[analytics.ChangeUnit].New,
	}
	for _, u := range p.added {
		done.NewSerials = append(done.NewSerials, u.Serial)
	}
	return done
}

// write brings the database to what was planned.
func (p *planned) write(ctx context.Context, tx pgx.Tx, now analytics.Instant) error {
	if err := writeDefinitions(ctx, tx, `
		INSERT INTO model (name, definition) SELECT name, definition::jsonb FROM unnest($1::text[], $2::text[]) AS x (name, definition)
		ON CONFLICT (name) DO UPDATE SET definition = EXCLUDED.definition`,
		p.models, func(m analytics.Model) string { return m.Name }); err != nil {
		return fmt.Errorf("register models: %w", err)
	}
	if err := writeDefinitions(ctx, tx, `
		INSERT INTO terms (name, model, definition) SELECT name, definition::jsonb ->> 'model', definition::jsonb
		FROM unnest($1::text[], $2::text[]) AS x (name, definition)`,
		p.terms, func(t analytics.Terms) string { return t.Name }); err != nil {
		return fmt.Errorf("register terms: %w", err)
	}
	if err := writeDefinitions(ctx, tx, `
		INSERT INTO site (name, definition) SELECT name, definition::jsonb FROM unnest($1::text[], $2::text[]) AS x (name, definition)
		ON CONFLICT (name) DO UPDATE SET definition = EXCLUDED.definition`,
		p.sites, func(s analytics.Site) string { return s.Name }); err != nil {
		return fmt.Errorf("register sites: %w", err)
	}
	return p.writeUnits(ctx, tx, now)
}

func writeDefinitions[T any](ctx context.Context, tx pgx.Tx, sql string, list []T, name func(T) string) error {
	for chunk := range slices.Chunk(list, unitBatch) {
		names, definitions := make([]string, len(chunk)), make([]string, len(chunk))
		for i, v := range chunk {
			b, err := json.Marshal(v)
			if err != nil {
				return err
			}
			names[i], definitions[i] = name(v), string(b)
		}
		if _, err := tx.Exec(ctx, sql, names, definitions); err != nil {
			return mapError(err)
		}
	}
	return nil
}

// entriesTold is how many changes the trail tells one by one.
const entriesTold = 200

// recordRegistration tells the trail what was changed.
func (db *DB) recordRegistration(ctx context.Context, tx pgx.Tx, p *planned, sources []string) error {
	told := p.Changes[:min(len(p.Changes), entriesTold)]
	for i := range told {
		c := &told[i]
		detail := catalog.FieldWords(c)
		if c.New {
			detail = strings.TrimSuffix("new: "+detail, ": ")
		}
		if err := db.record(ctx, tx, analytics.DeedRegistered, string(c.Kind)+" "+c.Name, detail); err != nil {
			return err
		}
	}
	rest := p.changes - len(told)
	if rest == 0 {
		return nil
	}
	parts := []string{fmt.Sprintf("and %d more, not told one by one", rest)}
	for _, c := range p.Counts {
		parts = append(parts, catalog.CountWords(c))
	}
	return db.record(ctx, tx, analytics.DeedRegistered, "registration", strings.Join(append(parts, sources...), "; "))
}

// Known gives the names that are registered, for checking files against them.
func (db *DB) Known(ctx context.Context) (catalog.Known, error) {
	var known catalog.Known
	models, terms, err := db.Catalogue(ctx)
	if err != nil {
		return known, err
	}
	for name := range models {
		known.AddModel(name)
	}
	for name, t := range terms {
		known.AddTerms(name, t.Model)
	}
	sites, err := column[string](ctx, db.pool, `SELECT name FROM site`)
	if err != nil {
		return known, fmt.Errorf("load sites: %w", mapError(err))
	}
	for _, s := range sites {
		known.AddSite(s)
	}
	return known, nil
}

// Catalogue gives the registered models and terms by name.
func (db *DB) Catalogue(ctx context.Context) (map[string]*analytics.Model, map[string]*analytics.Terms, error) {
	models, err := loadDefinitions[analytics.Model](ctx, db.pool, `SELECT name, definition FROM model`)
	if err != nil {
		return nil, nil, fmt.Errorf("load models: %w", mapError(err))
	}
	terms, err := loadDefinitions[analytics.Terms](ctx, db.pool, `SELECT name, definition FROM terms`)
	if err != nil {
		return nil, nil, fmt.Errorf("load terms: %w", mapError(err))
	}
	return models, terms, nil
}

func loadModels(ctx context.Context, q querier, names map[string]bool) (map[string]*analytics.Model, error) {
	m, err := loadDefinitions[analytics.Model](ctx, q, `SELECT name, definition FROM model WHERE name = ANY ($1)`, slices.Collect(maps.Keys(names)))
	if err != nil {
		return nil, fmt.Errorf("load models: %w", err)
	}
	return m, nil
}

func loadDefinitions[T any](ctx context.Context, q querier, sql string, args ...any) (map[string]*T, error) {
	out := map[string]*T{}
	err := eachDefinition(ctx, q, func(name string, v *T) { out[name] = v }, sql, args...)
	return out, err
}

// eachDefinition hands over definitions in the order of the query.
func eachDefinition[T any](ctx context.Context, q querier, take func(name string, v *T), sql string, args ...any) error {
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		return err
	}
	var name string
	var definition []byte
	_, err = pgx.ForEachRow(rows, []any{&name, &definition}, func() error {
		var v T
		if err := json.Unmarshal(definition, &v); err != nil {
			return fmt.Errorf("definition of %s: %w", name, err)
		}
		take(name, &v)
		return nil
	})
	return err
}
