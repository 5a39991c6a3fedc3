package store

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
)

// Registration is a set of models, terms, sites and units to register.
type Registration struct {
	Models []analytics.Model
	Terms  []analytics.Terms
	Sites  []analytics.Site
	Units  []analytics.Unit
}

// Registered says what a registration changed.
type Registered struct {
	Models, Terms, Sites, Units   int
	NewModels, NewTerms, NewUnits int
	NewSites                      int
	NewSerials                    []analytics.Serial
}

// Register adds and updates in one transaction. A model whose units have been
// counted and an edition of terms never change: another definition under the
// same name gives ErrConflict. A name that refers to nothing gives ErrConflict
// too.
func (db *DB) Register(ctx context.Context, r Registration) (Registered, error) {
	var done Registered
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		done = Registered{}
		for _, m := range r.Models {
			if err := registerModel(ctx, tx, m, &done); err != nil {
				return err
			}
		}
		for _, t := range r.Terms {
			if err := registerTerms(ctx, tx, t, &done); err != nil {
				return err
			}
		}
		for _, s := range r.Sites {
			added, err := upsert(ctx, tx, `
				INSERT INTO site (name, definition) VALUES ($1, $2)
				ON CONFLICT (name) DO UPDATE SET definition = EXCLUDED.definition
				RETURNING xmax = 0`, s.Name, s)
			if err != nil {
				return fmt.Errorf("register site %s: %w", s.Name, mapError(err))
			}
			done.Sites++
			done.NewSites += added
		}
		return registerUnits(ctx, tx, db.now(), r.Units, &done)
	})
	return done, err
}

func upsert(ctx context.Context, tx pgx.Tx, sql, name string, definition any) (int, error) {
	b, err := json.Marshal(definition)
	if err != nil {
		return 0, err
	}
	var added bool
	if err := tx.QueryRow(ctx, sql, name, b).Scan(&added); err != nil {
		return 0, err
	}
	if added {
		return 1, nil
	}
	return 0, nil
}

func registerModel(ctx context.Context, tx pgx.Tx, m analytics.Model, done *Registered) error {
	done.Models++
	old, err := loadModels(ctx, tx, map[string]bool{m.Name: true})
	if err != nil {
		return err
	}
	if o := old[m.Name]; o != nil {
		if catalog.SameModel(*o, m) {
			return nil
		}
		// Locked, so that none is counted by the old definition meanwhile.
		counted, err := column[bool](ctx, tx, `
			SELECT l.newest_known IS NOT NULL
			FROM unit u JOIN unit_ledger l USING (unit_id)
			WHERE u.model = $1 ORDER BY u.unit_id FOR NO KEY UPDATE OF l`, m.Name)
		if err != nil {
			return fmt.Errorf("register model %s: %w", m.Name, err)
		}
		if slices.Contains(counted, true) {
			return fmt.Errorf("register model %s: %w: units of this model have been counted by another definition; register the new one under another name",
				m.Name, analytics.ErrConflict)
		}
	}
	added, err := upsert(ctx, tx, `
		INSERT INTO model (name, definition) VALUES ($1, $2)
		ON CONFLICT (name) DO UPDATE SET definition = EXCLUDED.definition
		RETURNING xmax = 0`, m.Name, m)
	if err != nil {
		return fmt.Errorf("register model %s: %w", m.Name, mapError(err))
	}
	done.NewModels += added
	return nil
}

func registerTerms(ctx context.Context, tx pgx.Tx, t analytics.Terms, done *Registered) error {
	done.Terms++
	old, err := loadTerms(ctx, tx, t.Name)
	if err != nil {
		return err
	}
	if old != nil {
		if catalog.SameTerms(*old, t) {
			return nil
		}
		return fmt.Errorf("register terms %s: %w: an edition never changes; register the new one under another name", t.Name, analytics.ErrConflict)
	}
	b, err := json.Marshal(t)
	if err != nil {
		return fmt.Errorf("register terms %s: %w", t.Name, err)
	}
	if _, err := tx.Exec(ctx, `INSERT INTO terms (name, model, definition) VALUES ($1, $2, $3)`, t.Name, t.Model, b); err != nil {
		return fmt.Errorf("register terms %s for model %s: %w", t.Name, t.Model, mapError(err))
	}
	done.NewTerms++
	return nil
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
		return known, fmt.Errorf("load sites: %w", err)
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
		return nil, nil, fmt.Errorf("load models: %w", err)
	}
	terms, err := loadDefinitions[analytics.Terms](ctx, db.pool, `SELECT name, definition FROM terms`)
	if err != nil {
		return nil, nil, fmt.Errorf("load terms: %w", err)
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

func loadTerms(ctx context.Context, q querier, name string) (*analytics.Terms, error) {
	m, err := loadDefinitions[analytics.Terms](ctx, q, `SELECT name, definition FROM terms WHERE name = $1`, name)
	if err != nil {
		return nil, fmt.Errorf("load terms: %w", err)
	}
	return m[name], nil
}

func loadDefinitions[T any](ctx context.Context, q querier, sql string, args ...any) (map[string]*T, error) {
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	out := map[string]*T{}
	var name string
	var definition []byte
	_, err = pgx.ForEachRow(rows, []any{&name, &definition}, func() error {
		var v T
		if err := json.Unmarshal(definition, &v); err != nil {
			return fmt.Errorf("definition of %s: %w", name, err)
		}
		out[name] = &v
		return nil
	})
	return out, err
}
