package store

import (
	"context"
	"crypto/sha256"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store/block"
)

// Ingest sums the way in.
func (db *DB) Ingest(ctx context.Context) (analytics.IngestSummary, error) {
	s := analytics.IngestSummary{AsOf: db.now()}
	rows, err := db.pool.Query(ctx, `
		SELECT name, deliveries, read, accepted, duplicates, disputed, superseded, quarantined, last_stored_at
		FROM collector ORDER BY name`)
	if err != nil {
		return s, fmt.Errorf("sum collectors: %w", err)
	}
	s.Collectors, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.CollectorRow, error) {
		var c analytics.CollectorRow
		err := row.Scan(&c.Collector, &c.Deliveries, &c.Tally.Read, &c.Tally.Accepted, &c.Tally.Duplicates,
			&c.Tally.Disputed, &c.Tally.Superseded, &c.Tally.Quarantined, &c.LastStoredAt)
		s.Deliveries += c.Deliveries
		s.Tally.Add(c.Tally)
		return c, err
	})
	if err != nil {
		return s, fmt.Errorf("sum collectors: %w", err)
	}
	if s.Quarantine, err = db.reasons(ctx); err != nil {
		return s, err
	}
	if s.Rate, err = db.rate(ctx, s.AsOf); err != nil {
		return s, err
	}
	if s.Notes, err = db.notes(ctx); err != nil {
		return s, err
	}
	if s.Holes, err = db.Holes(ctx); err != nil {
		return s, err
	}
	if s.Alarms, err = db.Alarms(ctx); err != nil {
		return s, err
	}
	if s.Balance, err = db.Balance(ctx); err != nil {
		return s, err
	}
	if err := db.pool.QueryRow(ctx, `SELECT count(*) FROM recount`).Scan(&s.Recounts); err != nil {
		return s, fmt.Errorf("count recounts: %w", err)
	}
	return s, nil
}

func (db *DB) reasons(ctx context.Context) ([]analytics.ReasonCount, error) {
	rows, err := db.pool.Query(ctx, `
		SELECT reason, sum(rows)::bigint AS n FROM quarantine WHERE released_at IS NULL GROUP BY reason
		UNION ALL
		SELECT $1, count(*) FROM sample_other WHERE disputed HAVING count(*) > 0
		ORDER BY n DESC, reason`, analytics.ReasonConflictingSample)
	if err != nil {
		return nil, fmt.Errorf("count quarantine: %w", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.ReasonCount, error) {
		var r analytics.ReasonCount
		err := row.Scan(&r.Reason, &r.Rows)
		return r, err
	})
	if err != nil {
		return nil, fmt.Errorf("count quarantine: %w", err)
	}
	return list, nil
}

// rate sums the deliveries of the last hour by the minute in which they were
// counted; minutes without any are there too.
func (db *DB) rate(ctx context.Context, now analytics.Instant) ([]analytics.RateBin, error) {
	const minutes = 60
	last := int64(now) / int64(analytics.Minute)
	bins := make([]analytics.RateBin, minutes)
	for i := range bins {
		bins[i].At = analytics.Instant((last - minutes + 1 + int64(i)) * int64(analytics.Minute))
	}
	rows, err := db.pool.Query(ctx, `
		SELECT counted_at / 60000, count(*), sum(read)::bigint, sum(accepted)::bigint, sum(duplicates)::bigint,
			sum(disputed)::bigint, sum(superseded)::bigint, sum(quarantined)::bigint
		FROM delivery d JOIN stream s USING (stream_id)
		WHERE counted_at >= $1 AND s.name <> $2 GROUP BY 1`, bins[0].At, analytics.ReleaseStream)
	if err != nil {
		return nil, fmt.Errorf("rate of deliveries: %w", err)
	}
	var minute int64
	var b analytics.RateBin
	x := &b.Tally
	if _, err := pgx.ForEachRow(rows, []any{&minute, &b.Deliveries, &x.Read, &x.Accepted, &x.Duplicates, &x.Disputed, &x.Superseded, &x.Quarantined}, func() error {
		if i := minute - (last - minutes + 1); i >= 0 && i < minutes {
			b.At = bins[i].At
			bins[i] = b
		}
		return nil
	}); err != nil {
		return nil, fmt.Errorf("rate of deliveries: %w", err)
	}
	return bins, nil
}

// Deliveries lists deliveries, newest first: those with a sequence below
// before, or the newest when before is 0. A token of a collector is told of its
// own alone.
func (db *DB) Deliveries(ctx context.Context, before uint64, limit int) ([]analytics.Delivery, error) {
	ctx, own := asCollector(ctx)
	if before == 0 || before > 1<<62 {
		before = 1 << 62
	}
	rows, err := db.pool.Query(ctx, `
		SELECT st.name, d.sequence, d.collector, d.batch, d.stored_at, d.counted_at,
			d.read, d.accepted, d.duplicates, d.disputed, d.superseded, d.quarantined
		FROM delivery d JOIN stream st USING (stream_id)
		WHERE d.sequence < $1 AND d.stream_id = (SELECT max(stream_id) FROM stream WHERE name <> $3)
			AND ($4 = '' OR d.collector = $4)
		ORDER BY d.sequence DESC LIMIT $2`, int64(before), limit, analytics.ReleaseStream, own)
	if err != nil {
		return nil, fmt.Errorf("list deliveries: %w", mapError(err))
	}
	return collectDeliveries(rows)
}

func collectDeliveries(rows pgx.Rows) ([]analytics.Delivery, error) {
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Delivery, error) {
		var d analytics.Delivery
		x := &d.Tally
		err := row.Scan(&d.Stream, &d.Sequence, &d.Collector, &d.Batch, &d.StoredAt, &d.CountedAt,
			&x.Read, &x.Accepted, &x.Duplicates, &x.Disputed, &x.Superseded, &x.Quarantined)
		return d, err
	})
	if err != nil {
		return nil, fmt.Errorf("list deliveries: %w", mapError(err))
	}
	return list, nil
}

// CountedUpTo gives the highest sequence of a stream among the deliveries that
// were stored before an instant and are counted; 0 if there is none.
func (db *DB) CountedUpTo(ctx context.Context, stream string, before analytics.Instant) (uint64, error) {
	var sequence int64
	err := db.pool.QueryRow(ctx, `
		SELECT coalesce(max(d.sequence), 0) FROM delivery d JOIN stream s USING (stream_id)
		WHERE s.name = $1 AND d.stored_at < $2`, stream, before).Scan(&sequence)
	if err != nil {
		return 0, fmt.Errorf("find counted deliveries: %w", err)
	}
	return uint64(sequence), nil
}

// Batches lists what was counted of a collector's batches whose names begin
// with prefix: a collector that keeps what is not listed loses nothing.
func (db *DB) Batches(ctx context.Context, collector, prefix string) ([]analytics.Delivery, error) {
	ctx, own := asCollector(ctx)
	if own != "" && own != collector {
		return nil, fmt.Errorf("list batches of %s: %w", collector, analytics.ErrDenied)
	}
	rows, err := db.pool.Query(ctx, `
		SELECT st.name, d.sequence, d.collector, d.batch, d.stored_at, d.counted_at,
			d.read, d.accepted, d.duplicates, d.disputed, d.superseded, d.quarantined
		FROM delivery d JOIN stream st USING (stream_id)
		WHERE d.collector = $1 AND d.batch LIKE $2 AND d.batch <> ''
		ORDER BY d.sequence LIMIT 100000`, collector, likePrefix(prefix))
	if err != nil {
		return nil, fmt.Errorf("list batches: %w", mapError(err))
	}
	return collectDeliveries(rows)
}

// Quarantine lists rows in quarantine, newest first: those with an id below
// after, or the newest when after is 0; of one reason or of all. Versions in dispute are listed only by their
// own reason.
func (db *DB) Quarantine(ctx context.Context, reason string, after int64, limit int) ([]analytics.Quarantined, error) {
	if after == 0 {
		after = 1<<63 - 1
	}
	if reason == analytics.ReasonConflictingSample {
		return db.disputes(ctx, after, limit)
	}
	rows, err := db.pool.Query(ctx, `
		SELECT quarantine_id, collector, sequence, batch, line, field, rows, reason, message, remedy, serial,
			substring(raw FROM 1 FOR 4096), stored_at, released_at
		FROM quarantine
		WHERE released_at IS NULL AND ($1 = '' OR reason = $1) AND quarantine_id < $2
		ORDER BY quarantine_id DESC LIMIT $3`, reason, after, limit)
	if err != nil {
		return nil, fmt.Errorf("list quarantine: %w", mapError(err))
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Quarantined, error) {
		var q analytics.Quarantined
		err := row.Scan(&q.ID, &q.Collector, &q.Sequence, &q.Batch, &q.Line, &q.Field, &q.Rows, &q.Reason, &q.Message,
			&q.Remedy, &q.Serial, &q.Raw, &q.StoredAt, &q.ReleasedAt)
		return q, err
	})
	if err != nil {
		return nil, fmt.Errorf("list quarantine: %w", mapError(err))
	}
	return list, nil
}

// disputes lists versions in dispute. Their ids are negative: they are no rows
// of the quarantine and cannot be released, only settled.
func (db *DB) disputes(ctx context.Context, after int64, limit int) ([]analytics.Quarantined, error) {
	if after < 0 {
		after = -after
	}
	rows, err := db.pool.Query(ctx, `
		SELECT -o.other_id, u.serial, coalesce(o.collector, ''), coalesce(o.sequence, 0), coalesce(o.line, 0),
			coalesce(o.stored_at, o.at), o.body
		FROM sample_other o JOIN unit u USING (unit_id)
		WHERE o.disputed AND o.other_id < $1 ORDER BY o.other_id DESC LIMIT $2`, after, limit)
	if err != nil {
		return nil, fmt.Errorf("list disputes: %w", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.Quarantined, error) {
		q := analytics.Quarantined{
			Field: "time", Reason: analytics.ReasonConflictingSample, Rows: 1,
			Message: "other samples of this unit at this instant differ; none of them counts",
			Remedy:  "find out which source is right, and choose its version on the page of the unit",
		}
		var body []byte
		if err := row.Scan(&q.ID, &q.Serial, &q.Collector, &q.Sequence, &q.Line, &q.StoredAt, &body); err != nil {
			return q, err
		}
		samples, err := block.Unpack(nil, body)
		for i := range samples {
			q.Raw = samples[i].AppendJSON(q.Raw, q.Serial)
		}
		return q, err
	})
	if err != nil {
		return nil, fmt.Errorf("list disputes: %w", err)
	}
	return list, nil
}

// SetProfile keeps a profile and makes it the collector's; an empty body takes
// the collector's profile away. It returns the profile's hash.
func (db *DB) SetProfile(ctx context.Context, collector string, body []byte) (hash [32]byte, err error) {
	hash = sha256.Sum256(body)
	err = db.inTx(ctx, func(tx pgx.Tx) error {
		var keep []byte
		if len(body) > 0 {
			keep = hash[:]
			if _, err := tx.Exec(ctx, `INSERT INTO profile (hash, body) VALUES ($1, $2) ON CONFLICT DO NOTHING`, keep, string(body)); err != nil {
				return err
			}
		}
		_, err := tx.Exec(ctx, `
			INSERT INTO collector (name, profile_hash) VALUES ($1, $2)
			ON CONFLICT (name) DO UPDATE SET profile_hash = EXCLUDED.profile_hash`, collector, keep)
		if err != nil {
			return err
		}
		detail := "profile taken away"
		if keep != nil {
			detail = fmt.Sprintf("profile %x", keep)
		}
		return db.record(ctx, tx, analytics.DeedSet, "collector "+collector, detail)
	})
	if err != nil {
		return hash, fmt.Errorf("set profile of collector %s: %w", collector, mapError(err))
	}
	return hash, nil
}

// Profile gives the collector's profile and its hash; no body when it has none.
func (db *DB) Profile(ctx context.Context, collector string) (body []byte, hash []byte, err error) {
	err = db.pool.QueryRow(ctx, `
		SELECT p.body, p.hash FROM collector c JOIN profile p ON p.hash = c.profile_hash WHERE c.name = $1`, collector).Scan(&body, &hash)
	if err != nil && mapError(err) != analytics.ErrNotFound {
		return nil, nil, fmt.Errorf("load profile of collector %s: %w", collector, mapError(err))
	}
	return body, hash, nil
}

// ProfileByHash gives a kept profile; ErrNotFound if there is none.
func (db *DB) ProfileByHash(ctx context.Context, hash []byte) ([]byte, error) {
	var body []byte
	if err := db.pool.QueryRow(ctx, `SELECT body FROM profile WHERE hash = $1`, hash).Scan(&body); err != nil {
		return nil, fmt.Errorf("load profile %x: %w", hash, mapError(err))
	}
	return body, nil
}
