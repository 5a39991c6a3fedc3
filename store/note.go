package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// noteKey tells notes of a collector apart.
type noteKey struct{ collector, code, detail string }

// queueNotes adds the notes of the deliveries to those of their collectors, in
// a fixed order, since two workers may share a collector.
func (t *taking) queueNotes(b *pgx.Batch) {
	sums := map[noteKey]analytics.CollectorNote{}
	for i := range t.in {
		d := &t.in[i]
		if t.known[i] {
			continue
		}
		for _, n := range d.Notes {
			key := noteKey{plain(d.Collector), plain(n.Code), plain(n.Detail)}
			sum := sums[key]
			sum.Text = plain(n.Text)
			sum.Deliveries++
			sum.LastAt = max(sum.LastAt, d.StoredAt)
			sums[key] = sum
		}
	}
	keys := make([]noteKey, 0, len(sums))
	for key := range sums {
		keys = append(keys, key)
	}
	slices.SortFunc(keys, func(a, b noteKey) int {
		return cmp.Or(cmp.Compare(a.collector, b.collector), cmp.Compare(a.code, b.code), cmp.Compare(a.detail, b.detail))
	})
	for _, key := range keys {
		sum := sums[key]
		b.Queue(`
			INSERT INTO collector_note AS n (collector, code, detail, words, times, first_at, last_at)
			VALUES ($1, $2, $3, $4, $5, $6, $6)
			ON CONFLICT (collector, code, detail) DO UPDATE SET
				words = EXCLUDED.words,
				times = n.times + EXCLUDED.times,
				last_at = greatest(n.last_at, EXCLUDED.last_at)`,
			key.collector, key.code, key.detail, sum.Text, sum.Deliveries, sum.LastAt)
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
