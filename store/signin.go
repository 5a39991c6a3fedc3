package store

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// After attemptsAtOnce without success there is a wait, which doubles with each
// further attempt up to longestWait.
const (
	attemptsAtOnce = 5
	firstWait      = 30 * 1000
	longestWait    = 15 * analytics.Minute
	// attemptsLast is how long after the last attempt all are forgotten.
	attemptsLast = analytics.Hour
	// swept is how many old rows go for each new one.
	swept = 10
)

// SignInAttempt is what a password is compared with.
type SignInAttempt struct {
	// Person is zero where nobody can sign in by that login.
	Person analytics.Person
	// PasswordHash is empty where there is no password.
	PasswordHash string
	// WaitUntil: nothing is compared before this; zero to go on.
	WaitUntil analytics.Instant
}

// BeginSignIn counts an attempt for a login, before its password is looked at,
// and gives what the password is compared with. Attempts of one login are
// counted one after the other, so that many at once get no more compares than
// in a row. One that is made during a wait is told so and is not counted.
//
// A login that is not known counts as any. Its row goes some time after the
// attempts are forgotten: each login that is new here takes up to ten old ones
// away.
func (db *DB) BeginSignIn(ctx context.Context, login string) (SignInAttempt, error) {
	ctx = asDoor(ctx)
	var a SignInAttempt
	// What is longer is nobody's login, and is counted by its beginning.
	known := len(login) <= longestLogin
	if !known {
		login = login[:longestLogin]
	}
	login = plain(login)
	err := db.inTx(ctx, func(tx pgx.Tx) (err error) {
		if a.WaitUntil, err = db.countAttempt(ctx, tx, login); err != nil || a.WaitUntil > 0 {
			return err
		}
		a.Person, a.PasswordHash, err = scanPerson(tx.QueryRow(ctx,
			personQuery+`WHERE p.login_key = lower($2) AND p.disabled_at IS NULL AND $3`, db.now(), login, known))
		if errors.Is(err, pgx.ErrNoRows) {
			a.Person, a.PasswordHash, err = analytics.Person{}, "", nil
		}
		return err
	})
	if err != nil {
		return SignInAttempt{}, fmt.Errorf("begin sign-in: %w", mapError(err))
	}
	return a, nil
}

// countAttempt gives until when nothing is to be compared, 0 to go on.
func (db *DB) countAttempt(ctx context.Context, tx pgx.Tx, login string) (analytics.Instant, error) {
	now := db.now()
	forgotten := now - analytics.Instant(attemptsLast)
	var isNew bool
	err := tx.QueryRow(ctx, `
		INSERT INTO sign_in AS s (login_key, attempts, last_at) VALUES (lower($1), 1, $2)
		ON CONFLICT (login_key) DO UPDATE SET
			attempts = CASE WHEN s.last_at <= $3 THEN 1 ELSE s.attempts + 1 END,
			last_at = EXCLUDED.last_at,
			wait_until = CASE WHEN s.last_at <= $3 OR s.attempts + 1 < $4 THEN 0
				ELSE $2 + least($5::bigint << least(s.attempts + 1 - $4, 16), $6) END
		WHERE s.wait_until <= $2
		RETURNING xmax = 0`,
		login, now, forgotten, attemptsAtOnce, firstWait, longestWait).Scan(&isNew)
	if errors.Is(err, pgx.ErrNoRows) {
		// The row is locked by the statement although it did not change it.
		var wait analytics.Instant
		err := tx.QueryRow(ctx, `SELECT wait_until FROM sign_in WHERE login_key = lower($1)`, login).Scan(&wait)
		return wait, err
	}
	if err != nil || !isNew {
		return 0, err
	}
	_, err = tx.Exec(ctx, `
		DELETE FROM sign_in WHERE login_key IN (
			SELECT login_key FROM sign_in WHERE last_at <= $1 ORDER BY last_at LIMIT $2 FOR UPDATE SKIP LOCKED)`, forgotten, swept)
	return 0, err
}

// EndSignIn notes a success: the login's attempts begin anew. ErrNotFound: there
// is no such person, or it is disabled.
func (db *DB) EndSignIn(ctx context.Context, person int64) error {
	ctx = asDoor(ctx)
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		var key string
		if err := tx.QueryRow(ctx, `
			UPDATE person SET last_sign_in = $2 WHERE person_id = $1 AND disabled_at IS NULL RETURNING login_key`,
			person, db.now()).Scan(&key); err != nil {
			return err
		}
		return forgetAttempts(ctx, tx, person)
	})
	if err != nil {
		return fmt.Errorf("end sign-in of person %d: %w", person, mapError(err))
	}
	return nil
}

func forgetAttempts(ctx context.Context, tx pgx.Tx, person int64) error {
	_, err := tx.Exec(ctx, `DELETE FROM sign_in WHERE login_key = (SELECT p.login_key FROM person p WHERE p.person_id = $1)`, person)
	return err
}

// SignedIn gives a person who may be signed in; ErrNotFound where there is none
// or it is disabled.
func (db *DB) SignedIn(ctx context.Context, person int64) (analytics.Person, error) {
	p, err := db.person(asDoor(ctx), db.pool, `WHERE p.person_id = $2 AND p.disabled_at IS NULL`, person)
	if err != nil {
		return analytics.Person{}, fmt.Errorf("load person %d: %w", person, mapError(err))
	}
	return p, nil
}

// PersonByIdentity finds whom an identity provider vouches for. A person with
// that email who has no identity yet is linked; the email must be verified by
// the provider, or empty. ErrNotFound: nobody who may sign in.
func (db *DB) PersonByIdentity(ctx context.Context, issuer, subject, email string) (analytics.Person, error) {
	ctx = asDoor(ctx)
	issuer, subject, email = plain(issuer), plain(subject), strings.TrimSpace(plain(email))
	if issuer == "" || subject == "" {
		return analytics.Person{}, fmt.Errorf("find person by identity: %w", analytics.ErrNotFound)
	}
	p, err := db.identified(ctx, db.pool, issuer, subject)
	if errors.Is(err, pgx.ErrNoRows) && email != "" {
		p, err = db.link(ctx, issuer, subject, email)
	}
	if err == nil && p.DisabledAt != nil {
		err = analytics.ErrNotFound
	}
	if err != nil {
		return analytics.Person{}, fmt.Errorf("find person by identity: %w", mapError(err))
	}
	return p, nil
}

func (db *DB) identified(ctx context.Context, q querier, issuer, subject string) (analytics.Person, error) {
	return db.person(ctx, q, `WHERE p.issuer = $2 AND p.subject = $3`, issuer, subject)
}

// link gives an identity to the person with an email.
func (db *DB) link(ctx context.Context, issuer, subject, email string) (p analytics.Person, err error) {
	err = db.inTx(ctx, func(tx pgx.Tx) error {
		if err := lockPeople(ctx, tx); err != nil {
			return err
		}
		// Another tab may have been quicker.
		if p, err = db.identified(ctx, tx, issuer, subject); !errors.Is(err, pgx.ErrNoRows) {
			return err
		}
		var id int64
		if err := tx.QueryRow(ctx, `
			UPDATE person SET issuer = $1, subject = $2
			WHERE email <> '' AND lower(email) = lower($3) AND subject = '' AND disabled_at IS NULL
			RETURNING person_id`, issuer, subject, email).Scan(&id); err != nil {
			return err
		}
		if p, err = db.person(ctx, tx, `WHERE p.person_id = $2`, id); err != nil {
			return err
		}
		return db.record(byPerson(ctx, &p), tx, analytics.DeedChanged, "person "+p.Login,
			fmt.Sprintf("signs in by the identity that %s gives for the email %q", issuer, p.Email))
	})
	return p, err
}

// byPerson has the trail name a person who has just shown who it is.
func byPerson(ctx context.Context, p *analytics.Person) context.Context {
	principal := p.Principal()
	principal.Address = analytics.PrincipalOf(ctx).Address
	return analytics.WithPrincipal(ctx, principal)
}

// PasswordHash gives what SetPassword kept, empty for none. ErrNotFound: there
// is no such person.
func (db *DB) PasswordHash(ctx context.Context, person int64) (string, error) {
	var hash string
	if err := db.pool.QueryRow(asDoor(ctx), `SELECT password FROM person WHERE person_id = $1`, person).Scan(&hash); err != nil {
		return "", fmt.Errorf("load password of person %d: %w", person, mapError(err))
	}
	return hash, nil
}

// SetPassword keeps the hash of a password. The person's one-time codes end, and
// its sessions other than keep (0 keeps none). ErrNotFound: there is no such
// person, or it is disabled.
func (db *DB) SetPassword(ctx context.Context, person int64, hash string, keep int64) error {
	ctx = asDoor(ctx)
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		login, err := setPassword(ctx, tx, person, hash, keep)
		if err != nil {
			return err
		}
		return db.record(ctx, tx, analytics.DeedChanged, "person "+login, "the password")
	})
	if err != nil {
		return fmt.Errorf("set password of person %d: %w", person, mapError(err))
	}
	return nil
}

// RenewHash keeps another hash of the same password, made at a higher cost. Where
// old is not kept any more it does nothing.
func (db *DB) RenewHash(ctx context.Context, person int64, old, new string) error {
	_, err := db.pool.Exec(asDoor(ctx), `UPDATE person SET password = $3 WHERE person_id = $1 AND password = $2`, person, old, new)
	if err != nil {
		return fmt.Errorf("renew the hash of person %d: %w", person, mapError(err))
	}
	return nil
}

func setPassword(ctx context.Context, tx pgx.Tx, person int64, hash string, keep int64) (login string, err error) {
	if hash == "" {
		return "", fmt.Errorf("%w: there is no password", analytics.ErrInvalid)
	}
	if err := tx.QueryRow(ctx, `
		UPDATE person SET password = $2 WHERE person_id = $1 AND disabled_at IS NULL RETURNING login`,
		person, hash).Scan(&login); err != nil {
		return "", err
	}
	if _, err := endSessions(ctx, tx, person, 0, keep); err != nil {
		return "", err
	}
	return login, endCodes(ctx, tx, person)
}
