package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store/book"
)

// queueNotes adds notes to those of their collectors.
func queueNotes(b *pgx.Batch, notes []book.Note) {
	for i := range notes {
		n := &notes[i]
		b.Queue(`
			INSERT INTO collector_note AS n (collector, code, detail, words, times, first_at, last_at)
			VALUES ($1, $2, $3, $4, $5, $6, $6)
			ON CONFLICT (collector, code, detail) DO UPDATE SET
				words = EXCLUDED.words,
				times = n.times + EXCLUDED.times,
				last_at = greatest(n.last_at, EXCLUDED.last_at)`,
			plain(n.Collector), plain(n.Code), plain(n.Detail), plain(n.Text), n.Deliveries, n.LastAt)
	}
}

// notesShown bounds the notes of a summary.
const notesShown = 50

// notes lists what is worth telling of the deliveries, newest first.
func (db *DB) notes(ctx context.Context) ([]analytics.CollectorNote, error) {
	rows, err := db.pool.Query(ctx, `
		SELECT collector, code, detail, words, times, first_at, last_at
		FROM collector_note ORDER BY last_at DESC, collector, code, detail LIMIT $1`, notesShown)
	if err != nil {
		return nil, fmt.Errorf("list notes: %w", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[analytics.CollectorNote])
	if err != nil {
		return nil, fmt.Errorf("list notes: %w", err)
	}
	return list, nil
}
