package store

import (
	"context"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// Bounds of what a collector is set up with.
const (
	mostPrefixes  = 200
	longestPrefix = 64
)

// collectorQuery reads collectors with what they are bound to and ask for.
const collectorQuery = `
	SELECT c.name, coalesce(c.taking, ''), c.prefixes, coalesce(c.profile_hash, ''), c.deliveries, nullif(c.last_stored_at, 0),
		(SELECT count(*) FROM unit u WHERE u.bound @> ARRAY[c.name] AND u.bound <> '{}'),
		(SELECT count(*) FROM asking a JOIN unit u USING (unit_id)
			WHERE a.collector = c.name AND a.refused_at IS NULL AND NOT c.name = ANY (u.bound))
	FROM collector c`

// Collectors gives every collector that was set up or heard of, in ascending
// order of the names.
func (db *DB) Collectors(ctx context.Context) ([]analytics.Collector, error) {
	list, err := db.collectors(ctx, ` ORDER BY c.name`)
	if err != nil {
		return nil, fmt.Errorf("list collectors: %w", err)
	}
	return list, nil
}

// Collector gives one collector. analytics.ErrNotFound: it was neither set up
// nor heard of.
func (db *DB) Collector(ctx context.Context, name string) (analytics.Collector, error) {
	list, err := db.collectors(ctx, ` WHERE c.name = $1`, name)
	if err == nil && len(list) == 0 {
		err = analytics.ErrNotFound
	}
	if err != nil {
		return analytics.Collector{}, fmt.Errorf("load collector %s: %w", name, mapError(err))
	}
	return list[0], nil
}

func (db *DB) collectors(ctx context.Context, condition string, args ...any) ([]analytics.Collector, error) {
	rows, err := db.pool.Query(ctx, collectorQuery+condition, args...)
	if err != nil {
		return nil, err
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Collector, error) {
		var c analytics.Collector
		var hash []byte
		err := row.Scan(&c.Name, &c.Taking, &c.Prefixes, &hash, &c.Deliveries, &c.LastStored, &c.Bound, &c.Asking)
		c.ProfileHash = hex.EncodeToString(hash)
		return c, err
	})
	if err != nil {
		return nil, err
	}
	return list, db.addLogins(ctx, list)
}

// addLogins gives collectors their logins, without the hashes of the passwords.
// Who may not read logins is told of none.
func (db *DB) addLogins(ctx context.Context, list []analytics.Collector) error {
	var may bool
	if err := db.pool.QueryRow(ctx, `SELECT has_table_privilege('collector_login', 'SELECT')`).Scan(&may); err != nil || !may {
		return err
	}
	logins, err := db.Logins(ctx)
	if err != nil {
		return err
	}
	for i := range list {
		for _, l := range logins {
			if collectorOf(l.User) == list[i].Name {
				l.PasswordHash = ""
				list[i].Logins = append(list[i].Logins, l)
			}
		}
	}
	return nil
}

// collectorOf gives the collector of a login's user: the name before the point.
func collectorOf(user string) string {
	name, _, _ := strings.Cut(user, ".")
	return name
}

// SetUp sets what a collector may deliver: its Name, Taking and Prefixes, in
// the place of those before. analytics.ErrInvalid says what is wrong with them.
func (db *DB) SetUp(ctx context.Context, c analytics.Collector) error {
	prefixes, err := checkSetUp(c)
	if err != nil {
		return fmt.Errorf("set up collector %s: %w", c.Name, err)
	}
	err = db.inTx(ctx, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			INSERT INTO collector (name, taking, prefixes) VALUES ($1, $2, $3)
			ON CONFLICT (name) DO UPDATE SET taking = EXCLUDED.taking, prefixes = EXCLUDED.prefixes`, c.Name, c.Taking, prefixes)
		if err != nil {
			return err
		}
		detail := "taking " + string(c.Taking)
		if len(prefixes) > 0 {
			detail += ", prefixes " + strings.Join(prefixes, ", ")
		}
		return db.record(ctx, tx, analytics.DeedSet, "collector "+c.Name, detail)
	})
	if err != nil {
		return fmt.Errorf("set up collector %s: %w", c.Name, mapError(err))
	}
	return nil
}

// checkSetUp gives the prefixes in order, each once.
func checkSetUp(c analytics.Collector) ([]string, error) {
	switch {
	case c.Name == "":
		return nil, fmt.Errorf("%w: it has no name", analytics.ErrInvalid)
	case !slices.Contains(analytics.Takings, c.Taking):
		return nil, fmt.Errorf("%w: taking is %q; give any, bound or first-come", analytics.ErrInvalid, c.Taking)
	case len(c.Prefixes) > mostPrefixes:
		return nil, fmt.Errorf("%w: there are %d prefixes, at most %d", analytics.ErrInvalid, len(c.Prefixes), mostPrefixes)
	}
	prefixes := slices.Clone(c.Prefixes)
	for _, p := range prefixes {
		// An empty one would be that of every serial.
		if p == "" || len(p) > longestPrefix || p != strings.TrimSpace(p) {
			return nil, fmt.Errorf("%w: the prefix %.70q: give 1 to %d bytes without blanks around", analytics.ErrInvalid, p, longestPrefix)
		}
	}
	if prefixes == nil {
		prefixes = []string{}
	}
	slices.Sort(prefixes)
	return slices.Compact(prefixes), nil
}

// Logins gives the logins of all collectors with the hashes of their passwords,
// in ascending order of the users.
func (db *DB) Logins(ctx context.Context) ([]analytics.CollectorLogin, error) {
	rows, err := db.pool.Query(ctx, `SELECT user_name, password, made_by, created_at FROM collector_login ORDER BY user_name`)
	if err != nil {
		return nil, fmt.Errorf("list logins: %w", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.CollectorLogin, error) {
		var l analytics.CollectorLogin
		err := row.Scan(&l.User, &l.PasswordHash, &l.MadeBy, &l.CreatedAt)
		return l, err
	})
	if err != nil {
		return nil, fmt.Errorf("list logins: %w", err)
	}
	return list, nil
}

// mostLogins bounds the logins of a collector: an old and a new one, and some
// for those that run in several places.
const mostLogins = 20

// KeepLogin keeps a login of a collector with the hash of its password, and
// gives it with its user: the collector's name or, where that is taken, the name
// with a point and the first free number from 2 on. analytics.ErrConflict: it
// has too many.
func (db *DB) KeepLogin(ctx context.Context, collector, passwordHash string) (analytics.CollectorLogin, error) {
	l := analytics.CollectorLogin{PasswordHash: passwordHash, MadeBy: analytics.PrincipalOf(ctx).Name, CreatedAt: db.now()}
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `INSERT INTO collector (name) VALUES ($1) ON CONFLICT DO NOTHING`, collector); err != nil {
			return err
		}
		// One at a time, so that two do not choose the same user.
		if _, err := tx.Exec(ctx, `SELECT FROM collector WHERE name = $1 FOR UPDATE`, collector); err != nil {
			return err
		}
		taken, err := column[string](ctx, tx, `SELECT user_name FROM collector_login WHERE collector = $1`, collector)
		if err != nil {
			return err
		}
		if len(taken) >= mostLogins {
			return fmt.Errorf("%w: it has %d logins already; drop those that are not used", analytics.ErrConflict, len(taken))
		}
		l.User = collector
		for n := 2; slices.Contains(taken, l.User); n++ {
			l.User = fmt.Sprintf("%s.%d", collector, n)
		}
		_, err = tx.Exec(ctx, `INSERT INTO collector_login (user_name, collector, password, made_by, created_at) VALUES ($1, $2, $3, $4, $5)`,
			l.User, collector, l.PasswordHash, l.MadeBy, l.CreatedAt)
		if err != nil {
			return err
		}
		return db.record(ctx, tx, analytics.DeedSet, "collector "+collector, "login "+l.User+" added")
	})
	if err != nil {
		return l, fmt.Errorf("add a login of collector %s: %w", collector, mapError(err))
	}
	return l, nil
}

// DropLogin ends a login. analytics.ErrNotFound: there is none of that user.
func (db *DB) DropLogin(ctx context.Context, user string) error {
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		done, err := tx.Exec(ctx, `DELETE FROM collector_login WHERE user_name = $1`, user)
		if err == nil && done.RowsAffected() == 0 {
			err = analytics.ErrNotFound
		}
		if err != nil {
			return err
		}
		return db.record(ctx, tx, analytics.DeedRevoked, "collector "+collectorOf(user), "login "+user+" dropped")
	})
	if err != nil {
		return fmt.Errorf("drop login %s: %w", user, mapError(err))
	}
	return nil
}
