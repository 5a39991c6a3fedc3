package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store/book"
)

// The tables that rows are copied into, in this order.
const (
	toBlocks = iota
	toRuns
	toOthers
	toDays
	toExcursions
	toEvents
	toRecounts
	toQuarantine
	toDeliveries
	copyTables
)

var copyTargets = [copyTables]struct{ table, columns string }{
	toBlocks:     {"sample_block", "unit_id, t0, t1, samples, sealed, body"},
	toRuns:       {"sample_run", "hour, unit_id, t0, t1, samples, body"},
	toOthers:     {"sample_other", "unit_id, at, body, disputed, collector, sequence, line, stored_at"},
	toDays:       {"unit_day", "unit_id, day, samples, covered, charge, discharge, detail"},
	toExcursions: {"excursion", "unit_id, start_at, kind, end_at, samples, min_temp, max_temp, peak, allowed, charge, discharge, ending, ended_on"},
	toEvents:     {"unit_event", "unit_id, at, field, kind"},
	toRecounts:   {"recount", "unit_id, at, from_at, reason, days"},
	toQuarantine: {"quarantine", "stream_id, sequence, collector, batch, line, field, reason, message, remedy, serial, " +
		"content_type, content_encoding, header, raw, rows, samples, stored_at"},
	toDeliveries: {"delivery", "stream_id, sequence, hash, collector, batch, stored_at, counted_at, " +
		"read, accepted, duplicates, disputed, superseded, quarantined"},
}

// Write makes the changes of a transaction. What it is given may be used again
// once it returns.
func (t *bookTx) Write(ctx context.Context, c *book.Changes) error {
	if err := t.drop(ctx, c); err != nil {
		return err
	}
	if err := t.updateLedgers(ctx, c.Ledgers); err != nil {
		return err
	}
	t.pieces(c.Pieces)
	for i := range c.Others {
		t.other(&c.Others[i])
	}
	for i := range c.Days {
		if err := t.day(&c.Days[i]); err != nil {
			return err
		}
	}
	for i := range c.Excursions {
		t.excursion(&c.Excursions[i])
	}
	for _, e := range c.Events {
		r := &t.rows[toEvents]
		r.row(4)
		r.int4(e.Unit)
		r.int8(int64(e.At))
		r.text(e.Field)
		r.text(string(e.Kind))
	}
	for _, x := range c.Recounts {
		r := &t.rows[toRecounts]
		r.row(5)
		r.int4(x.Unit)
		r.int8(int64(t.now))
		r.int8(int64(x.From))
		r.text(x.Reason)
		r.int4(int32(x.Days))
	}
	for i := range c.Quarantine {
		t.held(&c.Quarantine[i])
	}
	for i := range c.Deliveries {
		t.delivery(&c.Deliveries[i])
	}
	for i := range t.rows {
		if err := t.rows[i].send(ctx, t.tx, copyTargets[i].table, copyTargets[i].columns); err != nil {
			return err
		}
	}
	return t.sums(ctx, c)
}

// drop deletes what is written anew.
func (t *bookTx) drop(ctx context.Context, c *book.Changes) error {
	if err := dropDays(ctx, t.tx, c.Rewritten); err != nil {
		return err
	}
	b := &pgx.Batch{}
	if len(c.Moved) > 0 {
		units := make([]int32, len(c.Moved))
		at := make([]analytics.Instant, len(c.Moved))
		for i, m := range c.Moved {
			units[i], at[i] = m.Unit, m.At
		}
		b.Queue(`
			DELETE FROM sample_other o
			USING unnest($1::int[], $2::bigint[]) AS d (unit_id, at)
			WHERE o.unit_id = d.unit_id AND o.at = d.at`, units, at)
	}
	if len(c.Anew) > 0 {
		for _, table := range []string{"unit_day", "excursion", "unit_event"} {
			b.Queue(`DELETE FROM `+table+` WHERE unit_id = ANY ($1)`, c.Anew)
		}
	}
	if len(c.Again) > 0 {
		units, days := columnsOf(c.Again)
		b.Queue(dropUnitDays, units, days)
		b.Queue(`
			DELETE FROM excursion x
			USING unnest($1::int[], $2::int[]) AS d (unit_id, day)
			WHERE x.unit_id = d.unit_id AND x.ended_on = d.day`, units, days)
		b.Queue(`
			DELETE FROM unit_event e
			USING unnest($1::int[], $2::int[]) AS d (unit_id, day)
			WHERE e.unit_id = d.unit_id AND e.at >= d.day::bigint * 86400000 AND e.at < (d.day::bigint + 1) * 86400000`, units, days)
	}
	if len(c.Reopened) > 0 {
		units, days := columnsOf(c.Reopened)
		b.Queue(dropUnitDays, units, days)
	}
	if b.Len() == 0 {
		return nil
	}
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("drop what is counted again: %w", err)
	}
	return nil
}

const dropUnitDays = `
	DELETE FROM unit_day u
	USING unnest($1::int[], $2::int[]) AS d (unit_id, day)
	WHERE u.unit_id = d.unit_id AND u.day = d.day`

// columnsOf gives unit-days as the arrays that a statement takes.
func columnsOf(list []book.UnitDay) (units, days []int32) {
	units = make([]int32, len(list))
	days = make([]int32, len(list))
	for i, d := range list {
		units[i], days[i] = d.Unit, int32(d.Day)
	}
	return units, days
}

// updateLedgers rewrites the rows of the units that changed.
func (t *bookTx) updateLedgers(ctx context.Context, ledgers []book.Ledger) error {
	if len(ledgers) == 0 {
		return nil
	}
	n := len(ledgers)
	ids, states, newest := make([]int32, n), make([][]byte, n), make([]*analytics.Instant, n)
	samples, versions, duplicates, conflicts, superseded := make([]int64, n), make([]int64, n), make([]int64, n), make([]int64, n), make([]int64, n)
	for i := range ledgers {
		l := &ledgers[i]
		ids[i], states[i], newest[i], samples[i] = l.Unit, l.State, l.Newest, l.Samples
		versions[i] = l.Delivered
		duplicates[i], conflicts[i], superseded[i] = l.Duplicates, l.Conflicts, l.Superseded
	}
	_, err := t.tx.Exec(ctx, `
		UPDATE unit_ledger l
		SET state = n.state,
			newest_known = n.newest_known,
			samples = n.samples,
			versions = l.versions + n.versions,
			duplicates = n.duplicates,
			conflicts = n.conflicts,
			superseded = n.superseded,
			changed_at = greatest($9, l.changed_at + 1)
		FROM unnest($1::int[], $2::bytea[], $3::bigint[], $4::bigint[], $5::bigint[], $6::bigint[], $7::bigint[], $8::bigint[])
			AS n (unit_id, state, newest_known, samples, versions, duplicates, conflicts, superseded)
		WHERE l.unit_id = n.unit_id`,
		ids, states, newest, samples, versions, duplicates, conflicts, superseded, t.now)
	if err != nil {
		return fmt.Errorf("update ledgers: %w", err)
	}
	return nil
}

// pieces writes samples to the tier where they belong.
func (t *bookTx) pieces(list []book.Piece) {
	oldest := t.now.Day() - hotDays
	for _, p := range list {
		day := p.Samples[0].Time.Day()
		if p.Rewritten || len(p.Samples) >= blockFrom || day < oldest || day > t.now.Day()+1 {
			t.block(p.Unit, p.Samples, false)
			continue
		}
		r := &t.rows[toRuns]
		r.row(6)
		r.int4(int32(int64(p.Samples[0].Time) / int64(analytics.Hour)))
		t.body(r, p.Unit, p.Samples, nil)
	}
}

func (t *bookTx) other(v *book.Other) {
	r := &t.rows[toOthers]
	r.row(8)
	r.int4(v.Unit)
	r.int8(int64(v.Time))
	r.bytes(t.packer.Pack(nil, []analytics.Sample{v.Sample}))
	r.bool(v.Disputed)
	if v.Collector == "" {
		for range 4 {
			r.null()
		}
		return
	}
	r.text(v.Collector)
	r.int8(int64(v.Sequence))
	r.int4(v.Line)
	r.int8(int64(v.StoredAt))
}

func (t *bookTx) day(d *book.Day) error {
	r, g := &t.rows[toDays], &d.Segment
	f := g.Total()
	r.row(7)
	r.int4(d.Unit)
	r.int4(int32(g.Day()))
	r.int8(g.Samples())
	r.int8(int64(g.Covered()))
	r.int8(int64(f.Charge))
	r.int8(int64(f.Discharge))
	detail, err := g.AppendBinary(nil)
	if err != nil {
		return fmt.Errorf("write day %s: %w", g.Day(), err)
	}
	r.bytes(detail)
	return nil
}

func (t *bookTx) excursion(x *book.Excursion) {
	r := &t.rows[toExcursions]
	r.row(13)
	r.int4(x.Unit)
	r.int8(int64(x.Start))
	r.int2(int16(x.Kind))
	r.int8(int64(x.End))
	r.int8(x.Samples)
	r.int4OrNull(int32(x.MinTemp), x.HasTemp)
	r.int4OrNull(int32(x.MaxTemp), x.HasTemp)
	r.int8(int64(x.Peak))
	r.int8(int64(x.AllowedAtPeak))
	r.int8(int64(x.Charge))
	r.int8(int64(x.Discharge))
	r.int2(int16(x.Ending))
	r.int4(int32(x.EndedOn))
}

func (t *bookTx) held(h *book.Held) {
	r, d := &t.rows[toQuarantine], h.Delivery
	r.row(17)
	r.int2(t.db.cachedStream(d.Stream))
	r.int8(int64(d.Sequence))
	r.text(d.Collector)
	r.text(d.Batch)
	r.int4(int32(h.Line))
	r.text(h.Field)
	r.text(h.Reason)
	r.text(h.Message)
	r.text(h.Remedy)
	r.text(string(h.Serial))
	r.text(d.ContentType)
	encoding := d.ContentEncoding
	if h.Line > 0 {
		encoding = "" // a row is kept unpacked
	}
	r.text(encoding)
	r.bytes(d.Header)
	r.bytes(h.Raw)
	r.int4(int32(h.Rows))
	if h.Samples == nil {
		r.null()
	} else {
		r.bytes(t.packer.Pack(nil, h.Samples))
	}
	r.int8(int64(d.StoredAt))
}

func (t *bookTx) delivery(x *book.Recorded) {
	r, d := &t.rows[toDeliveries], x.Delivery
	r.row(13)
	r.int2(t.db.cachedStream(d.Stream))
	r.int8(int64(d.Sequence))
	r.bytes(d.Hash[:])
	r.text(d.Collector)
	r.text(d.Batch)
	r.int8(int64(d.StoredAt))
	r.int8(int64(t.now))
	for _, n := range []int64{x.Tally.Read, x.Tally.Accepted, x.Tally.Duplicates, x.Tally.Disputed, x.Tally.Superseded, x.Tally.Quarantined} {
		r.int8(n)
	}
}

// sums adds to rows that workers share, last of all and in a fixed order.
func (t *bookTx) sums(ctx context.Context, c *book.Changes) error {
	b := &pgx.Batch{}
	for i := range c.Collectors {
		x := &c.Collectors[i]
		b.Queue(`
			INSERT INTO collector AS c (name, deliveries, read, accepted, duplicates, disputed, superseded, quarantined, last_stored_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)
			ON CONFLICT (name) DO UPDATE SET
				deliveries = c.deliveries + EXCLUDED.deliveries,
				read = c.read + EXCLUDED.read,
				accepted = c.accepted + EXCLUDED.accepted,
				duplicates = c.duplicates + EXCLUDED.duplicates,
				disputed = c.disputed + EXCLUDED.disputed,
				superseded = c.superseded + EXCLUDED.superseded,
				quarantined = c.quarantined + EXCLUDED.quarantined,
				last_stored_at = greatest(c.last_stored_at, EXCLUDED.last_stored_at)`,
			x.Name, x.Deliveries, x.Tally.Read, x.Tally.Accepted, x.Tally.Duplicates, x.Tally.Disputed,
			x.Tally.Superseded, x.Tally.Quarantined, x.LastStored)
	}
	queueNotes(b, c.Notes)
	t.queueReceipts(b, c.Numbered)
	t.queueCorrections(b, c.Corrections)
	queueAskings(b, c.Asking)
	if b.Len() == 0 {
		return nil
	}
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("update collectors: %w", err)
	}
	return nil
}
