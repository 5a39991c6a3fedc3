package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// AnyAdministrator reports whether there is an administrator who is not
// disabled.
func (db *DB) AnyAdministrator(ctx context.Context) (bool, error) {
	return anyAdministrator(asDoor(ctx), db.pool)
}

func anyAdministrator(ctx context.Context, q querier) (bool, error) {
	var any bool
	if err := q.QueryRow(ctx, `
		SELECT EXISTS (SELECT FROM person WHERE role = 'administrator' AND disabled_at IS NULL)`).Scan(&any); err != nil {
		return false, fmt.Errorf("look for an administrator: %w", mapError(err))
	}
	return any, nil
}

// AddFirstCode replaces codes for the first administrator. It can be used for as
// long as there is none.
func (db *DB) AddFirstCode(ctx context.Context, hash [32]byte, c analytics.Code) error {
	ctx = asDoor(ctx)
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		if err := lockPeople(ctx, tx); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `DELETE FROM code WHERE kind = 'first'`); err != nil {
			return err
		}
		c.Kind = analytics.CodeFirst
		if err := db.insertCode(ctx, tx, hash, &c, nil); err != nil {
			return err
		}
		return db.record(ctx, tx, analytics.DeedInvited, "the first administrator", "")
	})
	if err != nil {
		return fmt.Errorf("add a code for the first administrator: %w", mapError(err))
	}
	return nil
}

// AddCode keeps a one-time code for a person; an earlier one of the person's
// ends. ErrNotFound: there is no such person; ErrConflict: it is disabled.
func (db *DB) AddCode(ctx context.Context, hash [32]byte, c analytics.Code) error {
	if c.Kind != analytics.CodeInvitation && c.Kind != analytics.CodeRecovery {
		return fmt.Errorf("add a code: %w: a person gets no code of the kind %q", analytics.ErrInvalid, c.Kind)
	}
	err := db.changePerson(ctx, c.Person.ID, func(tx pgx.Tx, p *analytics.Person) error {
		if p.DisabledAt != nil {
			return fmt.Errorf("%w: %s is disabled", analytics.ErrConflict, p.Login)
		}
		if err := endCodes(ctx, tx, p.ID); err != nil {
			return err
		}
		if err := db.insertCode(ctx, tx, hash, &c, &p.ID); err != nil {
			return err
		}
		return db.record(ctx, tx, analytics.DeedInvited, "person "+p.Login, "a one-time code, "+string(c.Kind))
	})
	if err != nil {
		return fmt.Errorf("add a code for person %d: %w", c.Person.ID, err)
	}
	return nil
}

// insertCode also takes those away that are over.
func (db *DB) insertCode(ctx context.Context, tx pgx.Tx, hash [32]byte, c *analytics.Code, person *int64) error {
	now := db.now()
	if c.ExpiresAt <= now {
		return fmt.Errorf("%w: the code is over already", analytics.ErrInvalid)
	}
	madeBy := c.MadeBy
	if madeBy == "" {
		madeBy = analytics.PrincipalOf(ctx).Name
	}
	if _, err := tx.Exec(ctx, `DELETE FROM code WHERE expires_at <= $1`, now); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `
		INSERT INTO code (hash, kind, person_id, made_by, created_at, expires_at) VALUES ($1, $2, $3, $4, $5, $6)`,
		hash[:], c.Kind, person, bounded(madeBy, longestName), now, c.ExpiresAt)
	return err
}

// endCodes ends the codes of a person.
func endCodes(ctx context.Context, tx pgx.Tx, person int64) error {
	_, err := tx.Exec(ctx, `DELETE FROM code WHERE person_id = $1`, person)
	return err
}

// usable is the condition under which a code can be used; $2 is now.
const usable = `c.hash = $1 AND c.expires_at > $2
	AND CASE WHEN c.kind = 'first' THEN NOT EXISTS (SELECT FROM person a WHERE a.role = 'administrator' AND a.disabled_at IS NULL)
		ELSE EXISTS (SELECT FROM person a WHERE a.person_id = c.person_id AND a.disabled_at IS NULL) END`

// Code gives a code that can be used; ErrNotFound where it is not known, used or
// over, and where whom it is for is disabled.
func (db *DB) Code(ctx context.Context, hash [32]byte) (analytics.Code, error) {
	ctx = asDoor(ctx)
	var c analytics.Code
	var person *int64
	err := db.pool.QueryRow(ctx, `SELECT c.kind, c.person_id, c.made_by, c.created_at, c.expires_at FROM code c WHERE `+usable,
		hash[:], db.now()).Scan(&c.Kind, &person, &c.MadeBy, &c.CreatedAt, &c.ExpiresAt)
	if err == nil && person != nil {
		c.Person, err = db.person(ctx, db.pool, `WHERE p.person_id = $2 AND p.disabled_at IS NULL`, *person)
	}
	if err != nil {
		return analytics.Code{}, fmt.Errorf("load a code: %w", mapError(err))
	}
	return c, nil
}

// UseCode uses a code up and sets the password of whom it is for; sessions of
// that person end, and its attempts to sign in are forgotten. With CodeFirst it
// is a new administrator with first's login, name and email. It is done once,
// however often it is tried at once.
//
// ErrNotFound as in Code. ErrConflict where the login or the email is taken, and
// ErrInvalid where it cannot be one: then the code can be used again.
func (db *DB) UseCode(ctx context.Context, hash [32]byte, first analytics.Person, password string) (analytics.Person, error) {
	ctx = asDoor(ctx)
	var p analytics.Person
	// Guesses are turned away before any lock.
	c, err := db.Code(ctx, hash)
	if err == nil {
		err = db.inTx(ctx, func(tx pgx.Tx) error {
			if err := lockPeople(ctx, tx); err != nil {
				return err
			}
			tag, err := tx.Exec(ctx, `DELETE FROM code c WHERE `+usable, hash[:], db.now())
			if err != nil {
				return err
			}
			if tag.RowsAffected() == 0 {
				return analytics.ErrNotFound
			}
			if c.Kind == analytics.CodeFirst {
				p, err = db.addFirst(ctx, tx, first, password)
			} else {
				p, err = db.welcome(ctx, tx, &c, password)
			}
			return err
		})
	}
	if err != nil {
		return analytics.Person{}, fmt.Errorf("use a code: %w", mapError(err))
	}
	return p, nil
}

// addFirst makes the first administrator.
func (db *DB) addFirst(ctx context.Context, tx pgx.Tx, first analytics.Person, password string) (p analytics.Person, err error) {
	if password == "" {
		return p, fmt.Errorf("%w: there is no password", analytics.ErrInvalid)
	}
	p, err = db.insertPerson(ctx, tx, analytics.Person{
		Login: first.Login, Name: first.Name, Email: first.Email, Role: analytics.RoleAdministrator,
	}, password)
	if err != nil {
		return p, err
	}
	if _, err := tx.Exec(ctx, `DELETE FROM code WHERE kind = 'first'`); err != nil {
		return p, err
	}
	if err := forgetAttempts(ctx, tx, p.ID); err != nil {
		return p, err
	}
	return p, db.record(byPerson(ctx, &p), tx, analytics.DeedRegistered, "person "+p.Login,
		"the first administrator, by a one-time code; "+describe(&p))
}

// welcome sets the password of a person who shows a code.
func (db *DB) welcome(ctx context.Context, tx pgx.Tx, c *analytics.Code, password string) (p analytics.Person, err error) {
	if _, err := setPassword(ctx, tx, c.Person.ID, password, 0); err != nil {
		return p, err
	}
	if err := forgetAttempts(ctx, tx, c.Person.ID); err != nil {
		return p, err
	}
	if p, err = db.person(ctx, tx, `WHERE p.person_id = $2`, c.Person.ID); err != nil {
		return p, err
	}
	return p, db.record(byPerson(ctx, &p), tx, analytics.DeedChanged, "person "+p.Login,
		fmt.Sprintf("the password, by a one-time code (%s) that %q made", c.Kind, c.MadeBy))
}
