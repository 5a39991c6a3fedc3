package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store/block"
	"fadeledger/store/book"
)

// Correct makes a correction of a unit in one transaction: the samples of its
// span are replaced, the days are counted again, and what was there stays
// readable. It gives the correction as it was made.
//
// analytics.ErrInvalid and analytics.ErrNotFound are as in book.Correct.
func (db *DB) Correct(ctx context.Context, c analytics.Correction) (analytics.Correction, error) {
	made := c
	err := db.keepBooks(ctx, func(tx book.Tx, room *book.Room, now analytics.Instant) error {
		made = c
		if err := book.Correct(ctx, tx, room, now, &made); err != nil {
			return err
		}
		return db.record(ctx, tx.(*bookTx).tx, analytics.DeedCorrected, "unit "+string(c.Serial),
			fmt.Sprintf("correction %d of %s to %s, %d samples: %s", made.ID, c.From.Time().Format(time.RFC3339), c.To.Time().Format(time.RFC3339), len(c.Samples), c.Why))
	})
	if err != nil {
		return made, fmt.Errorf("correct unit %s: %w", c.Serial, mapError(err))
	}
	return made, nil
}

// queueCorrections writes corrections. The number that one gets orders it after
// all earlier ones of its unit, since they held the lock of its ledger.
func (t *bookTx) queueCorrections(b *pgx.Batch, list []book.Made) {
	for _, m := range list {
		c := m.Correction
		b.Queue(`
			INSERT INTO correction (unit_id, from_at, to_at, made_at, made_by, why, samples, body)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8) RETURNING correction_id`,
			m.Unit, c.From, c.To, c.At, plain(c.By), plain(c.Why), len(c.Samples), t.packDays(c.Samples)).
			QueryRow(func(row pgx.Row) error { return row.Scan(&c.ID) })
	}
}

// packDays packs samples of any number of days: each day's block after its
// length.
func (t *bookTx) packDays(samples []analytics.Sample) []byte {
	out := []byte{}
	for len(samples) > 0 {
		n := 1
		for n < len(samples) && samples[n].Time.Day() == samples[0].Time.Day() {
			n++
		}
		b := t.packer.Pack(nil, samples[:n])
		out = append(binary.AppendUvarint(out, uint64(len(b))), b...)
		samples = samples[n:]
	}
	return out
}

func unpackDays(b []byte) ([]analytics.Sample, error) {
	var samples []analytics.Sample
	for len(b) > 0 {
		n, used := binary.Uvarint(b)
		if used <= 0 || n > uint64(len(b)-used) {
			return nil, errors.New("the samples of a correction end early")
		}
		var err error
		if samples, err = block.Unpack(samples, b[used:used+int(n)]); err != nil {
			return nil, err
		}
		b = b[used+int(n):]
	}
	return samples, nil
}

const correctionQuery = `
	SELECT correction_id, from_at, to_at, made_at, made_by, why, body FROM correction`

func scanCorrection(row pgx.CollectableRow) (analytics.Correction, error) {
	var c analytics.Correction
	var body []byte
	err := row.Scan(&c.ID, &c.From, &c.To, &c.At, &c.By, &c.Why, &body)
	if err == nil {
		c.Samples, err = unpackDays(body)
	}
	return c, err
}

// Corrections gives the corrections of a unit, the newest first.
func (db *DB) Corrections(ctx context.Context, serial analytics.Serial) ([]analytics.Correction, error) {
	id, err := db.unitID(ctx, serial)
	if err != nil {
		return nil, err
	}
	rows, err := db.pool.Query(ctx, correctionQuery+` WHERE unit_id = $1 ORDER BY correction_id DESC`, id)
	if err != nil {
		return nil, fmt.Errorf("read corrections of unit %s: %w", serial, err)
	}
	list, err := pgx.CollectRows(rows, scanCorrection)
	if err != nil {
		return nil, fmt.Errorf("read corrections of unit %s: %w", serial, err)
	}
	for i := range list {
		list[i].Serial = serial
	}
	return list, nil
}

// Versions gives the versions of a unit's samples in [from, to) that do not
// count, in dispute or superseded, at most limit, in order of time.
func (db *DB) Versions(ctx context.Context, serial analytics.Serial, from, to analytics.Instant, limit int) ([]analytics.Version, error) {
	id, err := db.unitID(ctx, serial)
	if err != nil {
		return nil, err
	}
	list, err := loadOthers(ctx, db.pool, id, from, to)
	if err != nil {
		return nil, fmt.Errorf("read versions of unit %s: %w", serial, err)
	}
	return list[:min(limit, len(list))], nil
}
