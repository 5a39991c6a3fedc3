package store

import (
	"context"
	"fmt"
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
