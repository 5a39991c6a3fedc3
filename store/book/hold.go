package book

import (
	"cmp"
	"fmt"
	"slices"

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
		t.changes.Quarantine = append(t.changes.Quarantine, Held{Delivery: d, Quarantined: &d.Refused[j], Rows: 1})
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
	if rule := t.rules[d.Collector]; !rule.Lets(d.Collector, &u.Unit) {
		t.foreign(d, g, u.ID, rule, stored)
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
		q := &analytics.Quarantined{Field: why.field, Reason: why.reason, Message: why.message, Remedy: why.remedy, Serial: g.Serial}
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
		// The first of equal times stays first.
		slices.SortStableFunc(ordered, func(a, b analytics.Sample) int { return cmp.Compare(a.Time, b.Time) })
		t.changes.Quarantine = append(t.changes.Quarantine, Held{Delivery: d, Quarantined: q, Rows: len(ordered), Samples: ordered})
	}
	if len(samples) > oneByOne || len(lines) != len(samples) {
		entry(samples, lines)
		return
	}
	for i := range samples {
		entry(samples[i:i+1], lines[i:i+1])
	}
}
