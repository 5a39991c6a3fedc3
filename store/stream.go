package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// streamID finds or makes the id of a stream.
func (db *DB) streamID(ctx context.Context, name string) (int16, error) {
	db.mu.Lock()
	id, ok := db.streams[name]
	db.mu.Unlock()
	if ok {
		return id, nil
	}
	_, err := db.pool.Exec(ctx, `INSERT INTO stream (name) VALUES ($1) ON CONFLICT DO NOTHING`, name)
	if err == nil {
		err = db.pool.QueryRow(ctx, `SELECT stream_id FROM stream WHERE name = $1`, name).Scan(&id)
	}
	if err != nil {
		return 0, fmt.Errorf("register stream %s: %w", name, err)
	}
	db.mu.Lock()
	defer db.mu.Unlock()
	db.streams[name] = id
	return id, nil
}

// cachedStream gives the id of a stream that streamID has seen.
func (db *DB) cachedStream(name string) int16 {
	db.mu.Lock()
	defer db.mu.Unlock()
	return db.streams[name]
}

// Anchor is a delivery that is recorded: its stream must hold it, unless it was
// trimmed.
type Anchor struct {
	Sequence uint64
	Hash     [16]byte
}

// Anchors gives the newest deliveries that are recorded of a stream since it was
// last rolled back, at most limit, the newest first.
func (db *DB) Anchors(ctx context.Context, stream string, limit int) ([]Anchor, error) {
	rows, err := db.pool.Query(ctx, `
		SELECT d.sequence, d.hash FROM delivery d JOIN stream s USING (stream_id)
		WHERE s.name = $1 AND d.counted_at > s.rolled_back_at
		ORDER BY d.sequence DESC LIMIT $2`, stream, limit)
	if err != nil {
		return nil, fmt.Errorf("find anchors in stream %s: %w", stream, err)
	}
	list, err := pgx.CollectRows(rows, scanAnchor)
	if err != nil {
		return nil, fmt.Errorf("find anchors in stream %s: %w", stream, err)
	}
	return list, nil
}

// RolledBack notes that a stream has lost its end: what was counted up to now
// is no anchor any more.
func (db *DB) RolledBack(ctx context.Context, stream string) error {
	if _, err := db.streamID(ctx, stream); err != nil {
		return err
	}
	if _, err := db.pool.Exec(ctx, `UPDATE stream SET rolled_back_at = $2 WHERE name = $1`, stream, db.now()); err != nil {
		return fmt.Errorf("note the roll-back of stream %s: %w", stream, err)
	}
	return nil
}

// Unrecorded gives those of the deliveries that are not recorded, in order of
// sequence.
func (db *DB) Unrecorded(ctx context.Context, stream string, list []Anchor) ([]Anchor, error) {
	sequences, hashes := make([]int64, len(list)), make([][]byte, len(list))
	for i := range list {
		sequences[i], hashes[i] = int64(list[i].Sequence), list[i].Hash[:]
	}
	rows, err := db.pool.Query(ctx, `
		SELECT a.sequence, a.hash FROM unnest($2::bigint[], $3::bytea[]) AS a (sequence, hash)
		WHERE NOT EXISTS (
			SELECT FROM delivery d JOIN stream s USING (stream_id)
			WHERE s.name = $1 AND d.sequence = a.sequence AND d.hash = a.hash)
		ORDER BY a.sequence`, stream, sequences, hashes)
	if err != nil {
		return nil, fmt.Errorf("look for deliveries of stream %s: %w", stream, err)
	}
	missing, err := pgx.CollectRows(rows, scanAnchor)
	if err != nil {
		return nil, fmt.Errorf("look for deliveries of stream %s: %w", stream, err)
	}
	return missing, nil
}

// Checked gives the delivery up to which everything that is acknowledged was
// found recorded; its zero value for none.
func (db *DB) Checked(ctx context.Context, stream string) (Anchor, error) {
	rows, err := db.pool.Query(ctx, `SELECT checked_sequence, checked_hash FROM stream WHERE name = $1`, stream)
	if err != nil {
		return Anchor{}, fmt.Errorf("find the mark in stream %s: %w", stream, err)
	}
	a, err := pgx.CollectExactlyOneRow(rows, scanAnchor)
	if err != nil && mapError(err) != analytics.ErrNotFound {
		return Anchor{}, fmt.Errorf("find the mark in stream %s: %w", stream, err)
	}
	return a, nil
}

// SetChecked notes the delivery up to which everything that is acknowledged was
// found recorded.
func (db *DB) SetChecked(ctx context.Context, stream string, a Anchor) error {
	if _, err := db.streamID(ctx, stream); err != nil {
		return err
	}
	if _, err := db.pool.Exec(ctx, `UPDATE stream SET checked_sequence = $2, checked_hash = $3 WHERE name = $1`,
		stream, int64(a.Sequence), a.Hash[:]); err != nil {
		return fmt.Errorf("set the mark in stream %s: %w", stream, err)
	}
	return nil
}

func scanAnchor(row pgx.CollectableRow) (Anchor, error) {
	var a Anchor
	var hash []byte
	err := row.Scan(&a.Sequence, &hash)
	copy(a.Hash[:], hash)
	return a, err
}
