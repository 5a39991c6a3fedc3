package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store/block"
)

// merge settles samples that may be late, duplicates or in dispute against
// what is kept, and counts the unit anew when the set of counting samples
// changes at or before the newest counted one.
func (u *unitWork) merge(ctx context.Context, t *taking) error {
	kept, err := u.loadKept(ctx, t)
	if err != nil {
		return err
	}
	var fresh []analytics.Sample
	dirty := map[analytics.Day]bool{}
	for i := 0; i < len(u.items); {
		j := i + 1
		for j < len(u.items) && u.items[j].sample.Time == u.items[i].sample.Time {
			j++
		}
		at := u.items[i].sample.Time
		before := kept.counting[at]
		after := u.settle(t, kept, u.items[i:j])
		u.know(at)
		switch {
		case before == nil && after == nil, before != nil && after != nil && *before == *after:
		case before == nil && (u.counter.Samples() == 0 || at > u.counter.Last().Time) && !u.stale:
			fresh = append(fresh, *after)
		default:
			kept.replace(at, after)
			dirty[at.Day()] = true
		}
		i = j
	}
	if len(dirty) == 0 && !u.stale {
		u.append(t, fresh)
		return nil
	}
	return u.recount(ctx, t, kept, dirty, fresh)
}

// kept is what the database holds of the unit around the incoming samples.
type kept struct {
	// days are the counting samples of every day that late samples fall on,
	// in order; counting finds them by time.
	days     map[analytics.Day][]analytics.Sample
	counting map[analytics.Instant]*analytics.Sample
	// others are the versions that do not count, by time.
	others map[analytics.Instant][]version
}

// version is a sample with where it came from, as far as that is known: of a
// version that counted before a dispute it is not.
type version struct {
	analytics.Sample
	collector *string
	sequence  *int64
	line      *int32
	storedAt  *analytics.Instant
}

// samplesOf gives the samples of versions.
func samplesOf(versions []version) []analytics.Sample {
	out := make([]analytics.Sample, len(versions))
	for i := range versions {
		out[i] = versions[i].Sample
	}
	return out
}

// replace puts another sample, or none, at an instant of a loaded day.
func (k *kept) replace(at analytics.Instant, s *analytics.Sample) {
	day := k.days[at.Day()]
	i, found := slices.BinarySearchFunc(day, at, func(x analytics.Sample, at analytics.Instant) int { return cmp.Compare(x.Time, at) })
	switch {
	case s == nil && found:
		day = slices.Delete(day, i, i+1)
	case s != nil && found:
		day[i] = *s
	case s != nil:
		day = slices.Insert(day, i, *s)
	}
	k.days[at.Day()] = day
}

func (u *unitWork) loadKept(ctx context.Context, t *taking) (*kept, error) {
	k := &kept{
		days:     map[analytics.Day][]analytics.Sample{},
		counting: map[analytics.Instant]*analytics.Sample{},
		others:   map[analytics.Instant][]version{},
	}
	var late []analytics.Instant
	for i := range u.items {
		at := u.items[i].sample.Time
		// What a stale state had counted is not known, so all may be late.
		if u.stale || u.newest != nil && at <= *u.newest {
			late = append(late, at)
		}
	}
	if len(late) == 0 {
		return k, nil
	}
	for _, at := range late {
		day := at.Day()
		if _, ok := k.days[day]; ok {
			continue
		}
		samples := []analytics.Sample{}
		err := eachSample(ctx, t.tx, u.id, day.Start(), (day + 1).Start(), func(s analytics.Sample) error {
			samples = append(samples, s)
			return nil
		})
		if err != nil {
			return nil, err
		}
		k.days[day] = samples
		for i := range samples {
			s := samples[i]
			k.counting[s.Time] = &s
		}
	}
	return k, k.loadOthers(ctx, t.tx, u.id, late)
}

func (k *kept) loadOthers(ctx context.Context, tx pgx.Tx, unit int32, at []analytics.Instant) error {
	rows, err := tx.Query(ctx, `
		SELECT at, body, collector, sequence, line, stored_at FROM sample_other WHERE unit_id = $1 AND at = ANY ($2)`, unit, at)
	if err != nil {
		return fmt.Errorf("read other versions: %w", err)
	}
	var when analytics.Instant
	var body []byte
	var v version
	_, err = pgx.ForEachRow(rows, []any{&when, &body, &v.collector, &v.sequence, &v.line, &v.storedAt}, func() error {
		samples, err := block.Unpack(nil, body)
		if err != nil {
			return err
		}
		for _, s := range samples {
			v.Sample = s
			k.others[when] = append(k.others[when], v)
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("read other versions: %w", err)
	}
	return nil
}

// settle judges the versions of one instant, old and new, tells each delivery
// what became of its rows, and gives the version that counts, or nil.
func (u *unitWork) settle(t *taking, k *kept, items []item) *analytics.Sample {
	at := items[0].sample.Time
	versions := slices.Clone(k.others[at])
	disputedBefore, supersededBefore := countOthers(samplesOf(versions), k.counting[at])
	if c := k.counting[at]; c != nil {
		versions = append(versions, version{Sample: *c})
	}
	known := len(versions)
	firstBy := make([]int32, 0, len(items)) // the delivery of each new version
	for _, it := range items {
		if slices.Contains(samplesOf(versions), it.sample) {
			u.versions.Duplicates++
			t.tallies[it.delivery].Duplicates++
			continue
		}
		versions = append(versions, t.versionOf(it))
		firstBy = append(firstBy, it.delivery)
	}
	if len(versions) == known {
		return k.counting[at]
	}
	if len(k.others[at]) > 0 {
		t.dropped = append(t.dropped, unitInstant{u.id, at})
	}
	var counts *analytics.Sample
	var others []analytics.Sample
	for i, v := range analytics.Verdicts(samplesOf(versions)) {
		if i >= known {
			t.tallies[firstBy[i-known]].Tell(v)
		}
		if v == analytics.Counts {
			counts = &versions[i].Sample
			continue
		}
		others = append(others, versions[i].Sample)
		t.other(u.id, &versions[i], v == analytics.Disputed)
	}
	disputed, superseded := countOthers(others, counts)
	u.versions.Conflicts += disputed - disputedBefore
	u.versions.Superseded += superseded - supersededBefore
	return counts
}

// versionOf gives a new version with where it came from.
func (t *taking) versionOf(it item) version {
	d := &t.in[it.delivery]
	sequence := int64(d.Sequence)
	return version{Sample: it.sample, collector: &d.Collector, sequence: &sequence, line: &it.line, storedAt: &d.StoredAt}
}

// countOthers tells whether versions that do not count hold a dispute (1 or 0)
// and how many of them are superseded.
func countOthers(others []analytics.Sample, counting *analytics.Sample) (disputed, superseded int64) {
	if counting != nil {
		return 0, int64(len(others))
	}
	for _, v := range analytics.Verdicts(others) {
		if v == analytics.Superseded {
			superseded++
		} else {
			disputed = 1
		}
	}
	return disputed, superseded
}

const otherColumns = "unit_id, at, body, disputed, collector, sequence, line, stored_at"

func (t *taking) other(unit int32, v *version, disputed bool) {
	c := &t.others
	c.row(8)
	c.int4(unit)
	c.int8(int64(v.Time))
	c.bytes(t.packer.Pack(nil, []analytics.Sample{v.Sample}))
	c.bool(disputed)
	if v.collector == nil {
		for range 4 {
			c.null()
		}
		return
	}
	c.text(*v.collector)
	c.int8(*v.sequence)
	c.int4(*v.line)
	c.int8(int64(*v.storedAt))
}

// recount counts the unit from its first sample: what is kept, with the dirty
// days as they are now, and then the fresh samples.
func (u *unitWork) recount(ctx context.Context, t *taking, k *kept, dirty map[analytics.Day]bool, fresh []analytics.Sample) error {
	days := make([]analytics.Day, 0, len(dirty))
	for d := range dirty {
		days = append(days, d)
	}
	slices.Sort(days)
	u.counter = analytics.Counter{}
	u.effects = analytics.Effects{}
	step := func(s analytics.Sample) error {
		u.counter.Step(u.model, s, &u.effects)
		return nil
	}
	from := analytics.Instant(-1 << 62)
	for _, day := range days {
		if err := eachSample(ctx, t.tx, u.id, from, day.Start(), step); err != nil {
			return err
		}
		for _, s := range k.days[day] {
			_ = step(s)
		}
		from = (day + 1).Start()
		t.dropDays = append(t.dropDays, unitDay{u.id, day})
		t.block(u.id, k.days[day], false)
	}
	if err := eachSample(ctx, t.tx, u.id, from, 1<<62, step); err != nil {
		return err
	}
	t.replaced = append(t.replaced, u.id)
	t.leave(u.id, &u.effects)
	u.append(t, fresh)
	if len(days) > 0 {
		c := &t.recounts
		c.row(4)
		c.int4(u.id)
		c.int8(int64(t.now))
		c.int8(int64(days[0].Start()))
		c.text(recountReason(days))
	}
	return nil
}

func recountReason(days []analytics.Day) string {
	if len(days) == 1 {
		return fmt.Sprintf("late or disputed samples on %s", days[0])
	}
	return fmt.Sprintf("late or disputed samples on %d days from %s to %s", len(days), days[0], days[len(days)-1])
}

// dropOld deletes what the transaction writes anew.
func (t *taking) dropOld(ctx context.Context) error {
	if len(t.dropDays) > 0 {
		if err := dropDays(ctx, t.tx, t.dropDays); err != nil {
			return err
		}
	}
	if len(t.dropped) > 0 {
		units := make([]int32, len(t.dropped))
		at := make([]analytics.Instant, len(t.dropped))
		for i, d := range t.dropped {
			units[i], at[i] = d.unit, d.at
		}
		if _, err := t.tx.Exec(ctx, `
			DELETE FROM sample_other o
			USING unnest($1::int[], $2::bigint[]) AS d (unit_id, at)
			WHERE o.unit_id = d.unit_id AND o.at = d.at`, units, at); err != nil {
			return fmt.Errorf("drop other versions: %w", err)
		}
	}
	if len(t.replaced) == 0 {
		return nil
	}
	for _, table := range []string{"unit_day", "excursion", "unit_event"} {
		if _, err := t.tx.Exec(ctx, `DELETE FROM `+table+` WHERE unit_id = ANY ($1)`, t.replaced); err != nil {
			return fmt.Errorf("drop counts of recounted units: %w", err)
		}
	}
	return nil
}
