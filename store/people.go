package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"fadeledger/analytics"
)

// peopleLock lets one transaction at a time decide who the administrators are.
const peopleLock = 0x66_6c_70_65

func lockPeople(ctx context.Context, tx pgx.Tx) error {
	_, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, peopleLock)
	return err
}

// personQuery reads people; $1 is now.
const personQuery = `
	SELECT p.person_id, p.login, p.name, p.email, p.role, p.organisation, p.password <> '', p.subject <> '',
		p.created_at, p.last_sign_in, p.disabled_at,
		(SELECT s.wait_until FROM sign_in s WHERE s.login_key = p.login_key AND s.wait_until > $1), p.password
	FROM person p `

func scanPerson(row pgx.Row) (p analytics.Person, password string, err error) {
	err = row.Scan(&p.ID, &p.Login, &p.Name, &p.Email, &p.Role, &p.Organisation, &p.HasPassword, &p.HasIdentity,
		&p.CreatedAt, &p.LastSignIn, &p.DisabledAt, &p.WaitsUntil, &password)
	return p, password, err
}

// person reads one; conditions refer to now as $1.
func (db *DB) person(ctx context.Context, q querier, conditions string, args ...any) (analytics.Person, error) {
	p, _, err := scanPerson(q.QueryRow(ctx, personQuery+conditions, append([]any{db.now()}, args...)...))
	return p, err
}

// ofOneself gives the context for what everybody may know and do of themselves,
// and administrators of everybody.
func ofOneself(ctx context.Context, person int64) context.Context {
	if p := analytics.PrincipalOf(ctx); p.Kind == analytics.KindPerson && p.ID == person {
		return asDoor(ctx)
	}
	return ctx
}

// People lists everybody by login.
func (db *DB) People(ctx context.Context) ([]analytics.Person, error) {
	rows, err := db.pool.Query(ctx, personQuery+`ORDER BY p.login_key`, db.now())
	if err != nil {
		return nil, fmt.Errorf("list people: %w", mapError(err))
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Person, error) {
		p, _, err := scanPerson(row)
		return p, err
	})
	if err != nil {
		return nil, fmt.Errorf("list people: %w", mapError(err))
	}
	return list, nil
}

// Person gives one person; ErrNotFound for none.
func (db *DB) Person(ctx context.Context, id int64) (analytics.Person, error) {
	p, err := db.person(ofOneself(ctx, id), db.pool, `WHERE p.person_id = $2`, id)
	if err != nil {
		return p, fmt.Errorf("load person %d: %w", id, mapError(err))
	}
	return p, nil
}

// AddPerson adds somebody who cannot sign in yet. ErrConflict: the login or the
// email is taken; ErrInvalid: it cannot be a person.
func (db *DB) AddPerson(ctx context.Context, p analytics.Person) (analytics.Person, error) {
	err := db.inTx(ctx, func(tx pgx.Tx) (err error) {
		if p, err = db.insertPerson(ctx, tx, p, ""); err != nil {
			return err
		}
		return db.record(ctx, tx, analytics.DeedRegistered, "person "+p.Login, describe(&p))
	})
	if err != nil {
		return analytics.Person{}, fmt.Errorf("add person %s: %w", bounded(p.Login, longestName), err)
	}
	return p, nil
}

// insertPerson adds a person with the hash of a password, empty for none.
func (db *DB) insertPerson(ctx context.Context, tx pgx.Tx, p analytics.Person, password string) (analytics.Person, error) {
	if err := checkLogin(p.Login); err != nil {
		return p, err
	}
	if err := checkPerson(&p); err != nil {
		return p, err
	}
	var id int64
	err := tx.QueryRow(ctx, `
		INSERT INTO person (login, name, email, role, organisation, password, created_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7) RETURNING person_id`,
		p.Login, p.Name, p.Email, p.Role, p.Organisation, password, db.now()).Scan(&id)
	if err != nil {
		return p, taken(err)
	}
	return db.person(ctx, tx, `WHERE p.person_id = $2`, id)
}

// taken says what is in conflict, where a statement writes a person.
func taken(err error) error {
	var pg *pgconn.PgError
	if errors.As(err, &pg) && pg.Code == uniqueViolation {
		switch pg.ConstraintName {
		case "person_login_key_key":
			return fmt.Errorf("%w: the login is taken", analytics.ErrConflict)
		case "person_email":
			return fmt.Errorf("%w: the email is taken", analytics.ErrConflict)
		}
	}
	return mapError(err)
}

const (
	// longestLogin is in bytes, the other lengths are in runes.
	longestLogin = 200
	mostOfLogin  = 128
	longestEmail = 254
)

func checkLogin(login string) error {
	switch {
	case login == "":
		return fmt.Errorf("%w: there is no login", analytics.ErrInvalid)
	case len(login) > longestLogin, utf8.RuneCountInString(login) > mostOfLogin:
		return fmt.Errorf("%w: the login is longer than %d characters or %d bytes", analytics.ErrInvalid, mostOfLogin, longestLogin)
	case plain(login) != login || strings.TrimSpace(login) != login || strings.ContainsFunc(login, unprintable):
		return fmt.Errorf("%w: the login has blanks around it or characters that cannot be seen", analytics.ErrInvalid)
	}
	return nil
}

func unprintable(r rune) bool { return !unicode.IsPrint(r) }

// checkPerson looks at what may be changed of a person.
func checkPerson(p *analytics.Person) error {
	for _, text := range []struct {
		name, is string
		longest  int
	}{{"name", p.Name, longestName}, {"email", p.Email, longestEmail}, {"organisation", p.Organisation, longestName}} {
		if bounded(text.is, text.longest) != text.is {
			return fmt.Errorf("%w: the %s is longer than %d characters or no text", analytics.ErrInvalid, text.name, text.longest)
		}
	}
	installer := p.Role == analytics.RoleInstaller
	switch {
	case !slices.Contains(analytics.Roles, p.Role):
		return fmt.Errorf("%w: there is no role %q", analytics.ErrInvalid, bounded(string(p.Role), longestName))
	case installer && p.Organisation == "":
		return fmt.Errorf("%w: an installer needs an organisation", analytics.ErrInvalid)
	case !installer && p.Organisation != "":
		return fmt.Errorf("%w: only an installer has an organisation", analytics.ErrInvalid)
	}
	return nil
}

// describe says what a person is, for the trail.
func describe(p *analytics.Person) string {
	words := fmt.Sprintf("name %q, role %s", p.Name, p.Role)
	if p.Email != "" {
		words += fmt.Sprintf(", email %q", p.Email)
	}
	if p.Organisation != "" {
		words += fmt.Sprintf(", organisation %q", p.Organisation)
	}
	return words
}

// ChangePerson sets name, email, role and organisation. With another role or
// organisation the person's sessions end. ErrConflict: the email is taken, or no
// administrator would be left; ErrInvalid as in AddPerson.
func (db *DB) ChangePerson(ctx context.Context, p analytics.Person) error {
	err := db.changePerson(ctx, p.ID, func(tx pgx.Tx, old *analytics.Person) error {
		if err := checkPerson(&p); err != nil {
			return err
		}
		changes := changesOf(old, &p)
		if changes == "" {
			return nil
		}
		if _, err := tx.Exec(ctx, `
			UPDATE person SET name = $2, email = $3, role = $4, organisation = $5 WHERE person_id = $1`,
			p.ID, p.Name, p.Email, p.Role, p.Organisation); err != nil {
			return taken(err)
		}
		if old.Role != p.Role || old.Organisation != p.Organisation {
			if _, err := endSessions(ctx, tx, p.ID, 0, 0); err != nil {
				return err
			}
		}
		if err := staysManaged(ctx, tx, old); err != nil {
			return err
		}
		return db.record(ctx, tx, analytics.DeedChanged, "person "+old.Login, changes)
	})
	if err != nil {
		return fmt.Errorf("change person %d: %w", p.ID, err)
	}
	return nil
}

// changePerson runs fn with a person as it is, and nobody else changes people
// meanwhile.
func (db *DB) changePerson(ctx context.Context, id int64, fn func(tx pgx.Tx, old *analytics.Person) error) error {
	return db.inTx(ctx, func(tx pgx.Tx) error {
		if err := lockPeople(ctx, tx); err != nil {
			return err
		}
		old, err := db.person(ctx, tx, `WHERE p.person_id = $2`, id)
		if err != nil {
			return mapError(err)
		}
		return mapError(fn(tx, &old))
	})
}

// changesOf says what differs, empty where nothing does.
func changesOf(old, p *analytics.Person) string {
	var words []string
	for _, c := range []struct{ field, before, after string }{
		{"name", old.Name, p.Name},
		{"email", old.Email, p.Email},
		{"role", string(old.Role), string(p.Role)},
		{"organisation", old.Organisation, p.Organisation},
	} {
		if c.before != c.after {
			words = append(words, fmt.Sprintf("%s from %q to %q", c.field, c.before, c.after))
		}
	}
	return strings.Join(words, ", ")
}

// staysManaged refuses a change, which is made already, that leaves nobody who
// can manage people. One who cannot sign in yet does not make up for one who
// can.
func staysManaged(ctx context.Context, tx pgx.Tx, old *analytics.Person) error {
	if old.Role != analytics.RoleAdministrator || old.DisabledAt != nil {
		return nil
	}
	var all, able int
	if err := tx.QueryRow(ctx, `
		SELECT count(*), count(*) FILTER (WHERE password <> '' OR subject <> '')
		FROM person WHERE role = 'administrator' AND disabled_at IS NULL`).Scan(&all, &able); err != nil {
		return err
	}
	if all == 0 || able == 0 && (old.HasPassword || old.HasIdentity) {
		return fmt.Errorf("%w: no administrator would be left who can sign in", analytics.ErrConflict)
	}
	return nil
}

// DisablePerson keeps somebody from signing in, or lets them again. Disabling
// ends sessions and one-time codes. ErrConflict where no administrator would be
// left.
func (db *DB) DisablePerson(ctx context.Context, id int64, disable bool) error {
	err := db.changePerson(ctx, id, func(tx pgx.Tx, old *analytics.Person) error {
		if disable == (old.DisabledAt != nil) {
			return nil
		}
		if !disable {
			if _, err := tx.Exec(ctx, `UPDATE person SET disabled_at = NULL WHERE person_id = $1`, id); err != nil {
				return err
			}
			return db.record(ctx, tx, analytics.DeedChanged, "person "+old.Login, "may sign in again")
		}
		if _, err := tx.Exec(ctx, `UPDATE person SET disabled_at = $2 WHERE person_id = $1`, id, db.now()); err != nil {
			return err
		}
		if _, err := endSessions(ctx, tx, id, 0, 0); err != nil {
			return err
		}
		if err := endCodes(ctx, tx, id); err != nil {
			return err
		}
		if err := staysManaged(ctx, tx, old); err != nil {
			return err
		}
		return db.record(ctx, tx, analytics.DeedDisabled, "person "+old.Login, "")
	})
	if err != nil {
		return fmt.Errorf("disable person %d: %w", id, err)
	}
	return nil
}

// Organisations gives the installers that sites name, in ascending order.
func (db *DB) Organisations(ctx context.Context) ([]string, error) {
	list, err := column[string](ctx, db.pool, `SELECT DISTINCT organisation FROM site WHERE organisation <> ''`)
	if err != nil {
		return nil, fmt.Errorf("list organisations: %w", mapError(err))
	}
	slices.SortFunc(list, cmp.Compare[string])
	return list, nil
}
