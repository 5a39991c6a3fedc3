package store

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

const tokenQuery = `
	SELECT token_id, name, rights, organisation, collector, made_by, created_at, expires_at, last_used_at, revoked_at FROM token `

func scanToken(row pgx.Row) (t analytics.Token, err error) {
	err = row.Scan(&t.ID, &t.Name, &t.Rights, &t.Organisation, &t.Collector, &t.MadeBy, &t.CreatedAt, &t.ExpiresAt, &t.LastUsedAt, &t.RevokedAt)
	return t, err
}

// Tokens lists all tokens, the newest first.
func (db *DB) Tokens(ctx context.Context) ([]analytics.Token, error) {
	rows, err := db.pool.Query(ctx, tokenQuery+`ORDER BY token_id DESC`)
	if err != nil {
		return nil, fmt.Errorf("list tokens: %w", mapError(err))
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Token, error) { return scanToken(row) })
	if err != nil {
		return nil, fmt.Errorf("list tokens: %w", mapError(err))
	}
	return list, nil
}

// AddToken lets a machine in that shows what has the hash. ErrInvalid says what
// is wrong with it.
func (db *DB) AddToken(ctx context.Context, hash [32]byte, t analytics.Token) (analytics.Token, error) {
	now := db.now()
	if err := checkToken(&t, now); err != nil {
		return analytics.Token{}, fmt.Errorf("add a token: %w", err)
	}
	if t.MadeBy == "" {
		t.MadeBy = analytics.PrincipalOf(ctx).Name
	}
	rights := make([]string, len(t.Rights))
	for i, r := range t.Rights {
		rights[i] = string(r)
	}
	err := db.inTx(ctx, func(tx pgx.Tx) (err error) {
		var id int64
		if err := tx.QueryRow(ctx, `
			INSERT INTO token (hash, name, rights, organisation, collector, made_by, created_at, expires_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8) RETURNING token_id`,
			hash[:], t.Name, rights, t.Organisation, t.Collector, bounded(t.MadeBy, longestName), now, t.ExpiresAt).Scan(&id); err != nil {
			return err
		}
		if t, err = scanToken(tx.QueryRow(ctx, tokenQuery+`WHERE token_id = $1`, id)); err != nil {
			return err
		}
		return db.record(ctx, tx, analytics.DeedRegistered, "token "+t.Name, describeToken(&t))
	})
	if err != nil {
		return analytics.Token{}, fmt.Errorf("add token %s: %w", t.Name, mapError(err))
	}
	return t, nil
}

// checkToken puts the rights in their order, each once.
func checkToken(t *analytics.Token, now analytics.Instant) error {
	for _, text := range []struct{ name, is string }{{"name", t.Name}, {"organisation", t.Organisation}, {"collector", t.Collector}} {
		if bounded(text.is, longestName) != text.is {
			return fmt.Errorf("%w: the %s is longer than %d characters or no text", analytics.ErrInvalid, text.name, longestName)
		}
	}
	for _, r := range t.Rights {
		if !slices.Contains(analytics.Rights, r) {
			return fmt.Errorf("%w: there is no right %q", analytics.ErrInvalid, bounded(string(r), longestName))
		}
	}
	var rights []analytics.Right
	for _, r := range analytics.Rights {
		if slices.Contains(t.Rights, r) {
			rights = append(rights, r)
		}
	}
	t.Rights = rights
	switch {
	case strings.TrimSpace(t.Name) == "":
		return fmt.Errorf("%w: a token needs a name", analytics.ErrInvalid)
	case len(rights) == 0:
		return fmt.Errorf("%w: a token needs a right", analytics.ErrInvalid)
	case t.ExpiresAt <= now:
		return fmt.Errorf("%w: the token is over already", analytics.ErrInvalid)
	}
	return nil
}

// describeToken says what a token may do, for the trail.
func describeToken(t *analytics.Token) string {
	rights := make([]string, len(t.Rights))
	for i, r := range t.Rights {
		rights[i] = string(r)
	}
	words := "rights " + strings.Join(rights, ", ")
	if t.Organisation != "" {
		words += fmt.Sprintf("; organisation %q", t.Organisation)
	}
	if t.Collector != "" {
		words += fmt.Sprintf("; collector %q", t.Collector)
	}
	return words + "; until " + t.ExpiresAt.Time().Format(trailTime)
}

// RevokeToken ends a token for good. ErrNotFound where there is none that is
// valid.
func (db *DB) RevokeToken(ctx context.Context, id int64) error {
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		var name string
		if err := tx.QueryRow(ctx, `
			UPDATE token SET revoked_at = $2 WHERE token_id = $1 AND revoked_at IS NULL AND expires_at > $2 RETURNING name`,
			id, db.now()).Scan(&name); err != nil {
			return err
		}
		return db.record(ctx, tx, analytics.DeedRevoked, "token "+name, "")
	})
	if err != nil {
		return fmt.Errorf("revoke token %d: %w", id, mapError(err))
	}
	return nil
}

// usedEvery is how exactly it is noted when a token was last used, so that not
// every request writes.
const usedEvery = analytics.Minute

// TokenByHash gives a token that is neither revoked nor over, and notes to the
// minute that it was used; ErrNotFound for none.
func (db *DB) TokenByHash(ctx context.Context, hash [32]byte) (analytics.Token, error) {
	ctx = asDoor(ctx)
	now := db.now()
	t, err := scanToken(db.pool.QueryRow(ctx, tokenQuery+`WHERE hash = $1 AND revoked_at IS NULL AND expires_at > $2`, hash[:], now))
	if err == nil && (t.LastUsedAt == nil || *t.LastUsedAt <= now-analytics.Instant(usedEvery)) {
		t.LastUsedAt = &now
		// Of many at once, one writes.
		_, err = db.pool.Exec(ctx, `
			UPDATE token SET last_used_at = $2 WHERE token_id = $1 AND coalesce(last_used_at <= $3, true)`,
			t.ID, now, now-analytics.Instant(usedEvery))
	}
	if err != nil {
		return analytics.Token{}, fmt.Errorf("find token: %w", mapError(err))
	}
	return t, nil
}
