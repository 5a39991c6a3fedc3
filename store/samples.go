package store

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"fadeledger/analytics"
	"fadeledger/store/block"
	"fadeledger/store/book"
)

const (
	// blockFrom is the number of samples of a unit and day from which a
	// delivery's samples become a block at once instead of a run.
	blockFrom = 240
	// hotDays is the age in days up to which short runs go to the first tier;
	// older ones come from backfills and go straight to blocks.
	hotDays = 2
)

// block writes one block; samples may be empty, then nothing is written.
func (d *desk) block(unit int32, samples []analytics.Sample, sealed bool) {
	if len(samples) == 0 {
		return
	}
	r := &d.rows[toBlocks]
	r.row(6)
	d.body(r, unit, samples, &sealed)
}

func (d *desk) body(c *copyRows, unit int32, samples []analytics.Sample, sealed *bool) {
	c.int4(unit)
	c.int8(int64(samples[0].Time))
	c.int8(int64(samples[len(samples)-1].Time))
	c.int4(int32(len(samples)))
	if sealed != nil {
		c.bool(*sealed)
	}
	// The length comes first and is known only afterwards.
	at := len(c.b)
	c.length(0)
	c.b = d.packer.Pack(c.b, samples)
	n := len(c.b) - at - 4
	c.b[at], c.b[at+1], c.b[at+2], c.b[at+3] = byte(n>>24), byte(n>>16), byte(n>>8), byte(n)
}

// querier is a pool or a transaction.
type querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// piece is a run or a block.
type piece struct {
	T0, T1 int64
	Body   []byte
}

// piecesQuery finds the pieces of a unit that reach into a span, in order of
// time, from whichever tier they are in. A piece is at most a day long, so one
// that reaches into the span starts at most a day before it.
const piecesQuery = `
	SELECT t0, t1, body FROM sample_block
	WHERE unit_id = $1 AND t0 >= $2 AND t0 < $4 AND t1 >= $3
	UNION ALL
	SELECT t0, t1, body FROM sample_run
	WHERE unit_id = $1 AND hour BETWEEN $5 AND $6 AND t0 < $4 AND t1 >= $3
	ORDER BY 1`

func pieceArgs(unit int32, from, to analytics.Instant) []any {
	reach := max(from, -1<<62) - analytics.Instant(analytics.DayLength)
	return []any{unit, int64(reach), int64(from), int64(to), hourOf(reach), hourOf(to)}
}

// eachSample calls yield with the counting samples of a unit in [from, to) in
// order of time, all of one moment where q is a transaction.
func eachSample(ctx context.Context, q querier, unit int32, from, to analytics.Instant, yield func(analytics.Sample) error) error {
	rows, err := q.Query(ctx, piecesQuery, pieceArgs(unit, from, to)...)
	if err != nil {
		return fmt.Errorf("read samples: %w", err)
	}
	var packer block.Packer
	var t0, t1 int64
	var body []byte
	var buffer []analytics.Sample
	_, err = pgx.ForEachRow(rows, []any{&t0, &t1, (*pgtype.DriverBytes)(&body)}, func() error {
		if buffer, err = packer.Unpack(buffer[:0], body); err != nil {
			return err
		}
		return within(buffer, from, to, yield)
	})
	if err != nil {
		return fmt.Errorf("read samples: %w", err)
	}
	return nil
}

// within calls yield with the samples in [from, to).
func within(samples []analytics.Sample, from, to analytics.Instant, yield func(analytics.Sample) error) error {
	for i := range samples {
		if samples[i].Time < from || samples[i].Time >= to {
			continue
		}
		if err := yield(samples[i]); err != nil {
			return err
		}
	}
	return nil
}

// hourOf gives the hour of an instant, held within what an integer can say.
func hourOf(at analytics.Instant) int32 {
	const most = 1 << 30
	h := int64(at) / int64(analytics.Hour)
	return int32(max(-most, min(most, h)))
}

// dropDays deletes the samples of unit-days from both tiers.
func dropDays(ctx context.Context, tx pgx.Tx, list []book.UnitDay) error {
	if len(list) == 0 {
		return nil
	}
	units, numbers := columnsOf(list)
	oldest, newest := slices.Min(numbers), slices.Max(numbers)
	if _, err := tx.Exec(ctx, `
		DELETE FROM sample_block b
		USING unnest($1::int[], $2::int[]) AS d (unit_id, day)
		WHERE b.unit_id = d.unit_id
			AND b.t0 >= d.day::bigint * 86400000 AND b.t0 < (d.day::bigint + 1) * 86400000`, units, numbers); err != nil {
		return fmt.Errorf("drop blocks: %w", err)
	}
	if _, err := tx.Exec(ctx, `
		DELETE FROM sample_run r
		USING unnest($1::int[], $2::int[]) AS d (unit_id, day)
		WHERE r.unit_id = d.unit_id
			AND r.hour >= d.day * 24 AND r.hour < (d.day + 1) * 24
			AND r.hour >= $3 AND r.hour < $4`, units, numbers, oldest*24, (newest+1)*24); err != nil {
		return fmt.Errorf("drop runs: %w", err)
	}
	return nil
}
