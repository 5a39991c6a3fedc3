package store

import (
	"context"
	"encoding/json"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// SiteRow is a site in a list.
type SiteRow struct {
	analytics.Site
	Units, Stacks int64
}

// mostSites is the longest list of sites.
const mostSites = 500

// Sites gives those whose names come after a name, in ascending order: at most
// limit, at most 500.
func (db *DB) Sites(ctx context.Context, after string, limit int) ([]SiteRow, error) {
	rows, err := db.pool.Query(ctx, `
		SELECT s.definition, count(u.unit_id), count(DISTINCT nullif(u.stack, ''))
		FROM (SELECT name, definition FROM site WHERE name > $1 ORDER BY name LIMIT $2) s
			LEFT JOIN unit u ON u.site = s.name
		GROUP BY s.name, s.definition ORDER BY s.name`, plain(after), min(max(limit, 0), mostSites))
	if err != nil {
		return nil, fmt.Errorf("list sites: %w", mapError(err))
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (SiteRow, error) {
		var r SiteRow
		var definition []byte
		if err := row.Scan(&definition, &r.Units, &r.Stacks); err != nil {
			return r, err
		}
		return r, json.Unmarshal(definition, &r.Site)
	})
	if err != nil {
		return nil, fmt.Errorf("list sites: %w", mapError(err))
	}
	return list, nil
}

// Site gives a site with its units, stack by stack. ErrNotFound: there is no
// such site.
func (db *DB) Site(ctx context.Context, name string) (analytics.Site, []analytics.Unit, error) {
	sites, err := loadDefinitions[analytics.Site](ctx, db.pool, `SELECT name, definition FROM site WHERE name = $1`, plain(name))
	if err != nil {
		return analytics.Site{}, nil, fmt.Errorf("load site %s: %w", name, mapError(err))
	}
	site := sites[name]
	if site == nil {
		return analytics.Site{}, nil, fmt.Errorf("site %s: %w", name, analytics.ErrNotFound)
	}
	list, err := units(ctx, db.pool, `WHERE site = $1 ORDER BY stack, position, serial COLLATE "C"`, name)
	if err != nil {
		return *site, nil, fmt.Errorf("list units of site %s: %w", name, mapError(err))
	}
	return *site, list, nil
}

// AllSites gives every site in ascending order of its name.
func (db *DB) AllSites(ctx context.Context) ([]analytics.Site, error) {
	var list []analytics.Site
	err := eachDefinition(ctx, db.pool, func(_ string, s *analytics.Site) { list = append(list, *s) },
		`SELECT name, definition FROM site ORDER BY name COLLATE "C"`)
	if err != nil {
		return nil, fmt.Errorf("list sites: %w", mapError(err))
	}
	return list, nil
}

// Stack gives the units of a stack in order of their position; where several
// sites have a stack of that name, site by site. ErrNotFound: there are none.
func (db *DB) Stack(ctx context.Context, name string) ([]analytics.Unit, error) {
	list, err := units(ctx, db.pool, `WHERE stack = $1 AND stack <> '' ORDER BY site, position, serial COLLATE "C"`, plain(name))
	if err != nil {
		return nil, fmt.Errorf("list units of stack %s: %w", name, mapError(err))
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("stack %s: %w", name, analytics.ErrNotFound)
	}
	return list, nil
}

// RegisteredUnit gives a unit as it is registered. ErrNotFound: it is not.
func (db *DB) RegisteredUnit(ctx context.Context, serial analytics.Serial) (analytics.Unit, error) {
	list, err := units(ctx, db.pool, `WHERE serial = $1`, plain(string(serial)))
	if err != nil {
		return analytics.Unit{}, fmt.Errorf("load unit %s: %w", serial, mapError(err))
	}
	if len(list) == 0 {
		return analytics.Unit{}, fmt.Errorf("unit %s: %w", serial, analytics.ErrNotFound)
	}
	return list[0], nil
}

// AllUnits gives every unit in ascending order of its serial.
func (db *DB) AllUnits(ctx context.Context) ([]analytics.Unit, error) {
	list, err := units(ctx, db.pool, `ORDER BY serial COLLATE "C"`)
	if err != nil {
		return nil, fmt.Errorf("list units: %w", mapError(err))
	}
	return list, nil
}

// Models gives all models by their names.
func (db *DB) Models(ctx context.Context) ([]analytics.Model, error) {
	var list []analytics.Model
	err := eachDefinition(ctx, db.pool, func(_ string, m *analytics.Model) { list = append(list, *m) },
		`SELECT name, definition FROM model ORDER BY name COLLATE "C"`)
	if err != nil {
		return nil, fmt.Errorf("list models: %w", mapError(err))
	}
	return list, nil
}

// Terms gives all editions of terms, model by model, the newest first.
func (db *DB) Terms(ctx context.Context) ([]analytics.Terms, error) {
	var list []analytics.Terms
	err := eachDefinition(ctx, db.pool, func(_ string, t *analytics.Terms) { list = append(list, *t) },
		`SELECT name, definition FROM terms ORDER BY model COLLATE "C", (definition ->> 'sold_from_day')::int DESC, name COLLATE "C"`)
	if err != nil {
		return nil, fmt.Errorf("list terms: %w", mapError(err))
	}
	return list, nil
}
