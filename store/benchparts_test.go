package store_test

import (
	"bytes"
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/store"
	"fadeledger/store/block"
)

func copyIn(tx pgx.Tx, table string, rows []byte) error {
	_, err := tx.Conn().PgConn().CopyFrom(context.Background(), bytes.NewReader(rows), `COPY `+table+` FROM STDIN (FORMAT binary)`)
	return err
}

// inMemory times unpacking and counting all blocks of the only unit.
func inMemory(b *testing.B, db *store.DB) time.Duration {
	b.Helper()
	rows, err := db.Pool().Query(context.Background(), `SELECT body FROM sample_block ORDER BY t0`)
	if err != nil {
		b.Fatal(err)
	}
	bodies, err := pgx.CollectRows(rows, pgx.RowTo[[]byte])
	if err != nil {
		b.Fatal(err)
	}
	m := household.Models()[0]
	var p block.Packer
	var c analytics.Counter
	var e analytics.Effects
	var buffer []analytics.Sample
	began := time.Now()
	for _, body := range bodies {
		if buffer, err = p.Unpack(buffer[:0], body); err != nil {
			b.Fatal(err)
		}
		for _, s := range buffer {
			c.Step(&m, s, &e)
		}
	}
	return time.Since(began)
}
