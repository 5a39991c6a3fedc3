package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// place is what tells deliveries apart.
type place struct {
	stream   int16
	sequence int64
	hash     [16]byte
}

func (t *taking) place(i int) place {
	d := &t.in[i]
	return place{t.db.cachedStream(d.Stream), int64(d.Sequence), d.Hash}
}

// findKnown marks the deliveries that are recorded already, and those that
// stand in the call before: they are redeliveries as well.
func (t *taking) findKnown(ctx context.Context) error {
	t.known = make([]bool, len(t.in))
	t.first = make([]int, len(t.in))
	recorded, err := t.recorded(ctx)
	if err != nil {
		return err
	}
	firsts := make(map[place]int, len(t.in))
	for i := range t.in {
		p := t.place(i)
		first, again := firsts[p]
		if !again {
			first, firsts[p] = i, i
		}
		t.first[i] = first
		x, ok := recorded[p]
		t.known[i], t.tallies[i] = ok || again, x
	}
	return nil
}

// recorded reads the tallies of those deliveries that are recorded.
func (t *taking) recorded(ctx context.Context) (map[place]analytics.DeliveryTally, error) {
	byStream := map[int16][]int64{}
	for i := range t.in {
		p := t.place(i)
		byStream[p.stream] = append(byStream[p.stream], p.sequence)
	}
	recorded := map[place]analytics.DeliveryTally{}
	for stream, sequences := range byStream {
		rows, err := t.tx.Query(ctx, `
			SELECT sequence, hash, read, accepted, duplicates, disputed, superseded, quarantined
			FROM delivery
			WHERE stream_id = $1 AND sequence = ANY ($2)`, stream, sequences)
		if err != nil {
			return nil, fmt.Errorf("find recorded deliveries: %w", err)
		}
		var sequence int64
		var hash []byte
		var x analytics.DeliveryTally
		_, err = pgx.ForEachRow(rows, []any{&sequence, &hash, &x.Read, &x.Accepted, &x.Duplicates, &x.Disputed, &x.Superseded, &x.Quarantined}, func() error {
			recorded[place{stream, sequence, [16]byte(hash)}] = x
			return nil
		})
		if err != nil {
			return nil, fmt.Errorf("find recorded deliveries: %w", err)
		}
	}
	return recorded, nil
}

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
