package store

import (
	"github.com/jackc/pgx/v5"

	"fadeledger/store/book"
)

// queueAskings notes which collectors wait for units to be bound to them. One
// that was refused stays refused; its samples are counted on.
func queueAskings(b *pgx.Batch, list []book.Asking) {
	for i := range list {
		x := &list[i]
		b.Queue(`
			INSERT INTO asking AS a (unit_id, collector, first_at, last_at, samples) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (unit_id, collector) DO UPDATE SET
				first_at = least(a.first_at, EXCLUDED.first_at),
				last_at = greatest(a.last_at, EXCLUDED.last_at),
				samples = a.samples + EXCLUDED.samples`,
			x.Unit, x.Collector, x.FirstAt, x.LastAt, x.Samples)
	}
}

// mayDeliver is the condition under which collector c, which may be no row, may
// deliver unit u: book.Rule in SQL, for rows that wait in quarantine.
const mayDeliver = `(coalesce(c.taking, 'any') = 'any' OR c.name = ANY (u.bound)
	OR u.bound = '{}' AND EXISTS (SELECT FROM unnest(c.prefixes) AS p WHERE starts_with(u.serial, p)))`
