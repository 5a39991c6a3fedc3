package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// oneByOne is up to how many held samples of a unit and delivery get an entry
// each in quarantine. More of them share one.
const oneByOne = 20

// sort hands the samples of a delivery to their units and to quarantine.
func (t *taking) sort(i int, units map[analytics.Serial]*unitWork) error {
	d := &t.in[i]
	tally := &t.tallies[i]
	for j := range d.Refused {
		t.quarantineRow(d, &d.Refused[j], 1, nil)
		tally.Read++
		tally.Quarantined++
	}
	// A released row is judged by the time of its release.
	stored := d.StoredAt
	if d.Stream == analytics.ReleaseStream {
		stored = t.now
	}
	for j := range d.Units {
		t.sortGroup(int32(i), &d.Units[j], units[d.Units[j].Serial], stored)
	}
	if len(d.Releases) > 0 && tally.Read > 0 && tally.Quarantined == tally.Read {
		return fmt.Errorf("release: %w", analytics.ErrStillHeld)
	}
	return nil
}

func (t *taking) sortGroup(i int32, g *analytics.UnitSamples, u *unitWork, stored analytics.Instant) {
	d, tally := &t.in[i], &t.tallies[i]
	n := int64(len(g.Samples))
	if n == 0 {
		return
	}
	tally.Read += n
	if u == nil {
		t.hold(d, g, g.Samples, g.Lines, held{
			reason: analytics.ReasonUnknownUnit, field: "unit",
			message: fmt.Sprintf("unit %s is not registered", g.Serial), remedy: "register the unit; its samples are then released",
		})
		tally.Quarantined += n
		return
	}
	now, future := split(g.Samples, g.Lines, stored+analytics.Instant(analytics.FutureSkew))
	if len(now.samples) > 0 {
		u.groups = append(u.groups, sampleGroup{now.samples, now.lines, i})
	}
	if len(future.samples) > 0 {
		t.hold(d, g, future.samples, future.lines, held{
			reason: analytics.ReasonFuture, field: "time",
			message: fmt.Sprintf("the time lies more than 10 minutes after %s, when the delivery was stored", stored.Time().Format("2006-01-02T15:04:05Z")),
			remedy:  "set the clock of the collector; once its time has come, the row can be released",
		})
		tally.Quarantined += int64(len(future.samples))
	}
}

// part is some of a group's samples with their lines.
type part struct {
	samples []analytics.Sample
	lines   []int32
}

// split parts samples from those after a limit. Where there are none, the
// samples are given as they are.
func split(samples []analytics.Sample, lines []int32, limit analytics.Instant) (now, future part) {
	after := func(s analytics.Sample) bool { return s.Time > limit }
	if !slices.ContainsFunc(samples, after) {
		return part{samples, lines}, future
	}
	for i, s := range samples {
		p := &now
		if after(s) {
			p = &future
		}
		p.samples = append(p.samples, s)
		if i < len(lines) {
			p.lines = append(p.lines, lines[i])
		}
	}
	return now, future
}

// held says why samples that could be read are not counted.
type held struct {
	reason, field, message, remedy string
}

// hold keeps samples that could be read but not counted: each with its line
// and values, or together where there are many.
func (t *taking) hold(d *analytics.Incoming, g *analytics.UnitSamples, samples []analytics.Sample, lines []int32, why held) {
	entry := func(samples []analytics.Sample, lines []int32) {
		q := analytics.Quarantined{Field: why.field, Reason: why.reason, Message: why.message, Remedy: why.remedy, Serial: g.Serial}
		if len(lines) > 0 {
			q.Line = int(lines[0])
		}
		if n := len(samples); n > 1 {
			q.Message = fmt.Sprintf("%s; %d rows", why.message, n)
			if len(lines) == n {
				q.Message += fmt.Sprintf(", lines %d to %d", slices.Min(lines), slices.Max(lines))
			}
		}
		q.Raw = samples[0].AppendJSON(nil, g.Serial)
		ordered := slices.Clone(samples)
		// A block needs ascending times; the first of equal ones stays first.
		slices.SortStableFunc(ordered, func(a, b analytics.Sample) int { return cmp.Compare(a.Time, b.Time) })
		t.quarantineRow(d, &q, len(ordered), t.packer.Pack(nil, ordered))
	}
	if len(samples) > oneByOne || len(lines) != len(samples) {
		entry(samples, lines)
		return
	}
	for i := range samples {
		entry(samples[i:i+1], lines[i:i+1])
	}
}

const quarantineColumns = "stream_id, sequence, collector, batch, line, field, reason, message, remedy, serial, " +
	"content_type, content_encoding, header, raw, rows, samples, stored_at"

func (t *taking) quarantineRow(d *analytics.Incoming, q *analytics.Quarantined, rows int, samples []byte) {
	c := &t.quarantine
	c.row(17)
	c.int2(t.db.cachedStream(d.Stream))
	c.int8(int64(d.Sequence))
	c.text(d.Collector)
	c.text(d.Batch)
	c.int4(int32(q.Line))
	c.text(q.Field)
	c.text(q.Reason)
	c.text(q.Message)
	c.text(q.Remedy)
	c.text(string(q.Serial))
	c.text(d.ContentType)
	encoding := d.ContentEncoding
	if q.Line > 0 {
		encoding = "" // a row is kept unpacked
	}
	c.text(encoding)
	c.bytes(d.Header)
	c.bytes(q.Raw)
	c.int4(int32(rows))
	if samples == nil {
		c.null()
	} else {
		c.bytes(samples)
	}
	c.int8(int64(d.StoredAt))
}

// release marks the rows that deliveries bring back and gives, by collector,
// how many rows they stood for.
func (t *taking) release(ctx context.Context) (map[string]int64, error) {
	var ids []int64
	for i := range t.in {
		if !t.known[i] {
			ids = append(ids, t.in[i].Releases...)
		}
	}
	if len(ids) == 0 {
		return nil, nil
	}
	rows, err := t.tx.Query(ctx, `
		UPDATE quarantine SET released_at = $2
		WHERE quarantine_id = ANY ($1) AND released_at IS NULL
		RETURNING collector, rows`, ids, t.now)
	if err != nil {
		return nil, fmt.Errorf("release quarantined rows: %w", err)
	}
	back := map[string]int64{}
	var collector string
	var n int64
	found := 0
	if _, err := pgx.ForEachRow(rows, []any{&collector, &n}, func() error {
		back[collector] += n
		found++
		return nil
	}); err != nil {
		return nil, fmt.Errorf("release quarantined rows: %w", err)
	}
	if found != len(ids) {
		return nil, fmt.Errorf("release quarantined rows: %w: some were released meanwhile", analytics.ErrConflict)
	}
	return back, nil
}
