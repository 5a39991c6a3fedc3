package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"fadeledger/analytics"
)

// SaveSession keeps a session under the hash of its token. One with an ID was
// found before and is only changed: where it has ended meanwhile, ErrNotFound is
// given, so that a request that was under way cannot bring it back. Each new
// session takes some away that are over.
func (db *DB) SaveSession(ctx context.Context, hash [32]byte, s analytics.Session, data []byte) error {
	ctx = asDoor(ctx)
	if data == nil {
		data = []byte{}
	}
	var person *int64
	if s.Person != 0 {
		person = &s.Person
	}
	now := db.now()
	if s.SeenAt == 0 {
		s.SeenAt = now
	}
	if s.StartedAt == 0 {
		s.StartedAt = s.SeenAt
	}
	var err error
	address, agent := bounded(s.Address, longestName), bounded(s.Agent, longestName)
	if s.ID != 0 {
		var tag pgconn.CommandTag
		tag, err = db.pool.Exec(ctx, `
			UPDATE session SET person_id = $3, data = $4, seen_at = $5, expires_at = $6, address = $7, agent = $8
			WHERE hash = $1 AND session_id = $2`,
			hash[:], s.ID, person, data, s.SeenAt, s.ExpiresAt, address, agent)
		if err == nil && tag.RowsAffected() == 0 {
			err = analytics.ErrNotFound
		}
	} else {
		err = db.addSession(ctx, now, hash[:], person, data, s.StartedAt, s.SeenAt, s.ExpiresAt, address, agent)
	}
	if err != nil {
		return fmt.Errorf("save session: %w", mapError(err))
	}
	return nil
}

func (db *DB) addSession(ctx context.Context, now analytics.Instant, args ...any) error {
	var isNew bool
	if err := db.pool.QueryRow(ctx, `
		INSERT INTO session (hash, person_id, data, started_at, seen_at, expires_at, address, agent)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8)
		ON CONFLICT (hash) DO UPDATE SET
			person_id = EXCLUDED.person_id, data = EXCLUDED.data, seen_at = EXCLUDED.seen_at,
			expires_at = EXCLUDED.expires_at, address = EXCLUDED.address, agent = EXCLUDED.agent
		RETURNING xmax = 0`, args...).Scan(&isNew); err != nil || !isNew {
		return err
	}
	_, err := db.pool.Exec(ctx, `
		DELETE FROM session WHERE session_id IN (
			SELECT session_id FROM session WHERE expires_at <= $1 ORDER BY expires_at LIMIT $2 FOR UPDATE SKIP LOCKED)`, now, swept)
	return err
}

// FindSession gives the data of a session that is not over and whose person, if
// it has one, is not disabled; nil for none.
func (db *DB) FindSession(ctx context.Context, hash [32]byte) (id int64, data []byte, err error) {
	err = db.pool.QueryRow(asDoor(ctx), `
		SELECT s.session_id, s.data FROM session s LEFT JOIN person p USING (person_id)
		WHERE s.hash = $1 AND s.expires_at > $2 AND p.disabled_at IS NULL`, hash[:], db.now()).Scan(&id, &data)
	if errors.Is(err, pgx.ErrNoRows) {
		return 0, nil, nil
	}
	if err != nil {
		return 0, nil, fmt.Errorf("find session: %w", mapError(err))
	}
	return id, data, nil
}

// DropSession ends a session; there may be none.
func (db *DB) DropSession(ctx context.Context, hash [32]byte) error {
	if _, err := db.pool.Exec(asDoor(ctx), `DELETE FROM session WHERE hash = $1`, hash[:]); err != nil {
		return fmt.Errorf("drop session: %w", mapError(err))
	}
	return nil
}

// Sessions lists the sessions of a person that are not over, the one that was
// seen last first. Everybody may list their own.
func (db *DB) Sessions(ctx context.Context, person int64) ([]analytics.Session, error) {
	rows, err := db.pool.Query(ofOneself(ctx, person), `
		SELECT session_id, person_id, started_at, seen_at, expires_at, address, agent
		FROM session WHERE person_id = $1 AND expires_at > $2 ORDER BY seen_at DESC, session_id DESC`, person, db.now())
	if err != nil {
		return nil, fmt.Errorf("list sessions of person %d: %w", person, mapError(err))
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[analytics.Session])
	if err != nil {
		return nil, fmt.Errorf("list sessions of person %d: %w", person, mapError(err))
	}
	return list, nil
}

// EndSessions ends a person's sessions: the one with an id, or all but keep with
// id 0. Everybody may end their own. ErrNotFound: there is no such person.
func (db *DB) EndSessions(ctx context.Context, person, id, keep int64) error {
	ctx = ofOneself(ctx, person)
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		p, err := db.person(ctx, tx, `WHERE p.person_id = $2`, person)
		if err != nil {
			return err
		}
		n, err := endSessions(ctx, tx, person, id, keep)
		if err != nil || n == 0 {
			return err
		}
		return db.record(ctx, tx, analytics.DeedChanged, "person "+p.Login, fmt.Sprintf("ended %d sessions", n))
	})
	if err != nil {
		return fmt.Errorf("end sessions of person %d: %w", person, mapError(err))
	}
	return nil
}

// endSessions says how many it ended.
func endSessions(ctx context.Context, tx pgx.Tx, person, id, keep int64) (int64, error) {
	tag, err := tx.Exec(ctx, `
		DELETE FROM session WHERE person_id = $1 AND CASE WHEN $2::bigint <> 0 THEN session_id = $2 ELSE session_id <> $3 END`, person, id, keep)
	return tag.RowsAffected(), err
}
