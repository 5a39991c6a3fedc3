package store_test

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store"
)

// BenchmarkRules measures what it costs to look whether collectors may deliver
// what they deliver: %query is the time of the one statement more in a
// transaction against the time of a transaction, ×bound the time of transactions
// whose collector is held to its bound units against one that is not set up.
// Both sides of each ratio run in turns on the same server.
func BenchmarkRules(b *testing.B) {
	for _, l := range []load{
		{"uploads of 60, 24k a transaction", 400, 2, 10, 60, uploads, 0},
		{"uploads of 60, 60 a transaction", 1, 20, 100, 60, uploads, 0},
	} {
		b.Run(l.name, func(b *testing.B) {
			for b.Loop() {
				l.rules(b)
			}
		})
	}
}

func (l load) rules(b *testing.B) {
	total := (l.warm + l.timed*pairs) * l.deepen
	start := noon - analytics.Instant(total)*60_000
	names := serials(l.units)
	series := village(b, min(50, l.units), sixMeasurements, start, total)
	sides := make([]*side, 2)
	for i := range sides {
		sides[i] = &side{db: alone(b)}
		at(sides[i].db, start)
		catalogue(b, sides[i].db, names...)
	}
	setUp(b, sides[1].db, "c-1", analytics.TakesBound)
	bind(b, sides[1].db, "c-1", names...)
	for _, s := range sides {
		s.run(b, l, names, series, l.warm)
	}
	var query, held []float64
	for range pairs {
		free := seconds(sides[0].run(b, l, names, series, l.timed))
		bound := seconds(sides[1].run(b, l, names, series, l.timed))
		query = append(query, 100*seconds(rulesAlone(b, sides[1].db, l.timed))/bound)
		held = append(held, bound/free)
	}
	b.ReportMetric(median(query), "%query")
	b.ReportMetric(median(held), "×bound")
	b.ReportMetric(0, "ns/op")
}

func seconds(d time.Duration) float64 { return d.Seconds() }

// side is one of two databases that take the same.
type side struct {
	db       *store.DB
	sequence uint64
	next     int
}

// run times n transactions.
func (s *side) run(b *testing.B, l load, names []analytics.Serial, series [][]analytics.Sample, n int) time.Duration {
	b.Helper()
	var took time.Duration
	for range n {
		in := l.make(&s.sequence, names, series, s.next, s.next+l.deepen)
		s.next += l.deepen
		at(s.db, in[len(in)-1].StoredAt)
		began := time.Now()
		for i, x := range take(b, s.db, in...) {
			if x.Quarantined > 0 {
				b.Fatalf("delivery %d: %+v", i, x)
			}
		}
		took += time.Since(began)
	}
	return took
}

// rulesAlone times the statement n times, each in a transaction that is open
// already.
func rulesAlone(b *testing.B, db *store.DB, n int) (took time.Duration) {
	b.Helper()
	ctx := context.Background()
	err := pgx.BeginFunc(ctx, db.Pool(), func(tx pgx.Tx) error {
		for range n {
			began := time.Now()
			rows, err := tx.Query(ctx, `
		SELECT name, taking, prefixes FROM collector WHERE name = ANY ($1) AND taking IN ('bound', 'first-come')`, []string{"c-1"})
			if err != nil {
				return err
			}
			if _, err := pgx.CollectRows(rows, pgx.RowToMap); err != nil {
				return err
			}
			took += time.Since(began)
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	return took
}
