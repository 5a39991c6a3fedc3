package store

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// reference is a field by which one thing refers to another by its name.
type reference struct {
	kind  analytics.ChangeKind
	field string
	// sql finds which of some names are registered.
	sql string
	// own are the names that the registration itself brings.
	own map[string]bool
}

// checkReferences finds terms and units that refer to nothing.
func (p *planned) checkReferences(ctx context.Context, tx pgx.Tx, r Registration) error {
	models, terms, sites := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for i := range r.Models {
		models[r.Models[i].Name] = true
	}
	for i := range r.Terms {
		terms[r.Terms[i].Name] = true
	}
	for i := range r.Sites {
		sites[r.Sites[i].Name] = true
	}
	model := reference{analytics.ChangeUnit, "model", `SELECT name FROM model WHERE name = ANY ($1)`, models}
	site := reference{analytics.ChangeUnit, "site", `SELECT name FROM site WHERE name = ANY ($1)`, sites}
	edition := reference{analytics.ChangeUnit, "terms", `SELECT name FROM terms WHERE name = ANY ($1)`, terms}
	writing := slices.Concat(p.added, p.changed)
	of := model
	of.kind = analytics.ChangeTerms
	for _, check := range []func() error{
		func() error {
			return checkNames(ctx, tx, p, of, p.terms, func(t analytics.Terms) (string, string) { return t.Name, t.Model }, false)
		},
		func() error {
			return checkNames(ctx, tx, p, model, writing, func(u *analytics.Unit) (string, string) { return string(u.Serial), u.Model }, false)
		},
		func() error {
			return checkNames(ctx, tx, p, site, writing, func(u *analytics.Unit) (string, string) { return string(u.Serial), u.Site }, true)
		},
		func() error {
			return checkNames(ctx, tx, p, edition, writing, func(u *analytics.Unit) (string, string) { return string(u.Serial), u.Terms }, true)
		},
	} {
		if err := check(); err != nil {
			return err
		}
	}
	return nil
}

// checkNames notes the things that refer to a name that there is not. read
// gives a thing's name and the one it refers to; optional is whether that may
// be empty.
func checkNames[T any](ctx context.Context, tx pgx.Tx, p *planned, ref reference, things []T, read func(T) (name, refers string), optional bool) error {
	missing := map[string]bool{}
	for _, t := range things {
		if _, to := read(t); !ref.own[to] {
			missing[to] = true
		}
	}
	if optional {
		delete(missing, "")
	}
	if len(missing) == 0 {
		return nil
	}
	names := make([]string, 0, len(missing))
	for name := range missing {
		names = append(names, name)
	}
	known, err := column[string](ctx, tx, ref.sql, names)
	if err != nil {
		return fmt.Errorf("find what is registered: %w", mapError(err))
	}
	for _, name := range known {
		delete(missing, name)
	}
	for _, t := range things {
		if name, to := read(t); missing[to] {
			p.conflict(ref.kind, name, ref.field, fmt.Sprintf("%s %q is not registered", ref.field, to), "register it first or with it, or correct the name")
		}
	}
	return nil
}

// countedUnit is a unit whose samples may have been counted by its model.
type countedUnit struct {
	serial analytics.Serial
	model  string
}

// checkCounted refuses another definition of what samples were counted by. With
// lock none of the units that change is counted meanwhile.
func (p *planned) checkCounted(ctx context.Context, tx pgx.Tx, lock bool) error {
	var serials []string
	for _, u := range p.changed {
		if lock || p.remodelled[u.Serial] != "" {
			serials = append(serials, string(u.Serial))
		}
	}
	if len(serials)+len(p.redefined) == 0 {
		return nil
	}
	// In one order for all, as counting locks them.
	sql := `
		SELECT u.serial, u.model, l.newest_known IS NOT NULL
		FROM unit u JOIN unit_ledger l USING (unit_id)
		WHERE u.serial = ANY ($1) OR u.model = ANY ($2)
		ORDER BY u.unit_id`
	if lock {
		sql += ` FOR NO KEY UPDATE OF u, l`
	}
	rows, err := tx.Query(ctx, sql, serials, p.redefined)
	if err != nil {
		return fmt.Errorf("find counted units: %w", mapError(err))
	}
	models := map[string]bool{}
	units := map[analytics.Serial]bool{}
	var at countedUnit
	var counted bool
	if _, err := pgx.ForEachRow(rows, []any{&at.serial, &at.model, &counted}, func() error {
		if counted {
			models[at.model] = true
			units[at.serial] = p.remodelled[at.serial] != ""
		}
		return nil
	}); err != nil {
		return fmt.Errorf("find counted units: %w", mapError(err))
	}
	for _, name := range p.redefined {
		if models[name] {
			p.conflict(analytics.ChangeModel, name, "", "units of this model have been counted by another definition", "register the new one under another name")
		}
	}
	for _, u := range p.changed {
		if units[u.Serial] {
			p.conflict(analytics.ChangeUnit, string(u.Serial), "model", "its samples were counted as model "+p.remodelled[u.Serial], "leave its model as it is")
		}
	}
	return nil
}
