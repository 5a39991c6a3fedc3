package store

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"fadeledger/analytics"
	"fadeledger/store/book"
)

// queueReceipts adds numbers to those that are committed, by one statement for
// each series.
func (t *bookTx) queueReceipts(b *pgx.Batch, list []book.Numbered) {
	for len(list) > 0 {
		n := 1
		for n < len(list) && list[n].Collector == list[0].Collector && list[n].Series == list[0].Series {
			n++
		}
		b.Queue(`
			INSERT INTO receipt AS r (collector, series, committed, first_at, last_at)
			VALUES ($1, $2, $3::int8multirange, $4, $4)
			ON CONFLICT (collector, series) DO UPDATE SET
				committed = r.committed + EXCLUDED.committed,
				last_at = greatest(r.last_at, EXCLUDED.last_at)`,
			plain(list[0].Collector), plain(list[0].Series), rangesOf(list[:n]), t.now)
		list = list[n:]
	}
}

// rangesOf writes ascending numbers as a multirange.
func rangesOf(list []book.Numbered) string {
	var b strings.Builder
	b.WriteByte('{')
	for i := 0; i < len(list); {
		from, to := list[i].Number, list[i].Number+1
		for i++; i < len(list) && list[i].Number <= to; i++ {
			to = list[i].Number + 1
		}
		if b.Len() > 1 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, "[%d,%d)", from, to)
	}
	b.WriteByte('}')
	return b.String()
}

// Receipt says which deliveries of a series are committed. A series of which
// nothing is gives an empty receipt.
func (db *DB) Receipt(ctx context.Context, collector, series string) (analytics.Receipt, error) {
	list, err := db.receipts(ctx, `WHERE collector = $1 AND series = $2`, collector, series)
	if err != nil {
		return analytics.Receipt{}, fmt.Errorf("read receipt of collector %s: %w", collector, mapError(err))
	}
	if len(list) == 0 {
		return analytics.Receipt{Collector: collector, Series: series, Holes: [][2]int64{}}, nil
	}
	return list[0], nil
}

// recentReceipts bounds the series that are looked at for holes.
const recentReceipts = 200

// Holes gives the receipts of those series, of the most recent ones, in which
// numbers are missing, the newest first.
func (db *DB) Holes(ctx context.Context) ([]analytics.Receipt, error) {
	list, err := db.receipts(ctx, `WHERE (SELECT count(*) FROM unnest(committed)) > 1 OR NOT committed @> 1::bigint
		ORDER BY last_at DESC LIMIT $1`, recentReceipts)
	if err != nil {
		return nil, fmt.Errorf("find holes in receipts: %w", err)
	}
	return list, nil
}

func (db *DB) receipts(ctx context.Context, condition string, args ...any) ([]analytics.Receipt, error) {
	rows, err := db.pool.Query(ctx, `SELECT collector, series, committed, last_at FROM receipt `+condition, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Receipt, error) {
		r := analytics.Receipt{Holes: [][2]int64{}}
		var committed pgtype.Multirange[pgtype.Range[int64]]
		if err := row.Scan(&r.Collector, &r.Series, &committed, &r.At); err != nil {
			return r, err
		}
		for _, x := range committed {
			// Ranges are canonical: [from, to), ascending, with room between.
			from, to := x.Lower, x.Upper-1
			if from == 1 {
				r.Through = to
			}
			if from > r.Last+1 {
				r.Holes = append(r.Holes, [2]int64{r.Last + 1, from - 1})
			}
			r.Last = to
		}
		return r, nil
	})
}
