package book

import (
	"cmp"
	"context"
	"slices"

	"fadeledger/analytics"
)

// merge settles samples that may be late, duplicates or in dispute against what
// is kept, and counts days again where the samples that count change at or
// before the newest counted one.
func (u *unitWork) merge(ctx context.Context, t *taking) error {
	k, err := u.loadKept(ctx, t)
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
		before := k.counting[at]
		after := u.settle(t, k, at, u.items[i:j], k.ruling(at))
		u.know(at)
		switch {
		case before == nil && after == nil, before != nil && after != nil && *before == *after:
		case before == nil && (u.counter.Samples() == 0 || at > u.counter.Last().Time) && !u.stale:
			fresh = append(fresh, *after)
		default:
			k.replace(at, after)
			dirty[at.Day()] = true
		}
		i = j
	}
	if err := u.recount(ctx, t, k, dirty, "late or disputed samples"); err != nil {
		return err
	}
	u.append(t, fresh)
	return nil
}

// kept is what the database holds of the unit around the instants in question.
type kept struct {
	// days are the counting samples of every day in question, in order;
	// counting finds them by time.
	days     map[analytics.Day][]analytics.Sample
	counting map[analytics.Instant]*analytics.Sample
	// others are the versions that do not count, by time.
	others      map[analytics.Instant][]analytics.Version
	corrections []analytics.Correction
}

func newKept() *kept {
	return &kept{
		days:     map[analytics.Day][]analytics.Sample{},
		counting: map[analytics.Instant]*analytics.Sample{},
		others:   map[analytics.Instant][]analytics.Version{},
	}
}

// ruling gives the correction that holds at an instant, nil for none.
func (k *kept) ruling(at analytics.Instant) *analytics.Correction {
	for i := len(k.corrections) - 1; i >= 0; i-- {
		if c := &k.corrections[i]; c.From <= at && at < c.To {
			return c
		}
	}
	return nil
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

// loadKept loads what is kept around those samples that may be late.
func (u *unitWork) loadKept(ctx context.Context, t *taking) (*kept, error) {
	k := newKept()
	for i := 0; i < len(u.items); {
		at := u.items[i].sample.Time
		// What a stale state had counted is not known, so all may be late.
		if !u.stale && (u.Newest == nil || at > *u.Newest) {
			break // and so are all behind it
		}
		day := at.Day()
		for i < len(u.items) && u.items[i].sample.Time.Day() == day {
			i++
		}
		if err := k.loadDay(ctx, t.tx, u.ID, day); err != nil {
			return nil, err
		}
	}
	return k, nil
}

// loadDay loads all versions of a day and the corrections that reach into it.
func (k *kept) loadDay(ctx context.Context, tx Tx, unit int32, day analytics.Day) error {
	from, to := day.Start(), (day + 1).Start()
	samples := []analytics.Sample{}
	err := tx.Samples(ctx, unit, from, to, func(s analytics.Sample) error {
		samples = append(samples, s)
		return nil
	})
	if err != nil {
		return err
	}
	k.days[day] = samples
	for i := range samples {
		s := samples[i]
		k.counting[s.Time] = &s
	}
	others, err := tx.Others(ctx, unit, from, to)
	if err != nil {
		return err
	}
	for _, v := range others {
		k.others[v.Time] = append(k.others[v.Time], v)
	}
	corrections, err := tx.Corrections(ctx, unit, from, to)
	if err != nil {
		return err
	}
	for _, c := range corrections {
		if !slices.ContainsFunc(k.corrections, func(o analytics.Correction) bool { return o.ID == c.ID }) {
			k.corrections = append(k.corrections, c)
		}
	}
	slices.SortFunc(k.corrections, func(a, b analytics.Correction) int { return cmp.Compare(a.ID, b.ID) })
	return nil
}

// settle judges the versions of one instant, old and new, under the correction
// that is to hold there, tells each delivery what became of its rows, and gives
// the sample that counts, or nil.
func (u *unitWork) settle(t *taking, k *kept, at analytics.Instant, items []item, ruling *analytics.Correction) *analytics.Sample {
	ruled := k.ruling(at)
	versions := slices.Clone(k.others[at])
	disputedBefore, supersededBefore := countOthers(versions)
	counted := k.counting[at]
	if ruled == nil && counted != nil {
		// Under a correction it is none of the versions that were delivered.
		versions = append(versions, analytics.Version{Sample: *counted})
	}
	known := len(versions)
	firstBy := make([]int32, 0, len(items)) // the delivery of each new version
	for _, it := range items {
		if slices.ContainsFunc(versions, func(v analytics.Version) bool { return v.Sample == it.sample }) {
			u.Duplicates++
			t.tallies[it.delivery].Duplicates++
			continue
		}
		versions = append(versions, t.versionOf(it))
		firstBy = append(firstBy, it.delivery)
	}
	if len(versions) == known && ruling == ruled {
		return counted
	}
	if len(k.others[at]) > 0 {
		t.changes.Moved = append(t.changes.Moved, UnitInstant{u.ID, at})
	}
	var counts *analytics.Sample
	var others []analytics.Version
	for i, verdict := range judge(versions, ruling) {
		if i >= known {
			t.tallies[firstBy[i-known]].Tell(verdict)
		}
		if verdict == analytics.Counts {
			counts = &versions[i].Sample
			continue
		}
		versions[i].Disputed = verdict == analytics.Disputed
		others = append(others, versions[i])
		t.changes.Others = append(t.changes.Others, Other{u.ID, versions[i]})
	}
	disputed, superseded := countOthers(others)
	u.Conflicts += disputed - disputedBefore
	u.Superseded += superseded - supersededBefore
	u.delivered += int64(len(versions) - known)
	u.others += int64(len(others) - len(k.others[at]))
	u.counts += one(counts) - one(deliveredCounting(ruled, counted))
	if ruling != nil {
		return ruling.Sample(at)
	}
	return counts
}

// judge gives the verdicts on versions: under a correction all of them are
// superseded.
func judge(versions []analytics.Version, ruling *analytics.Correction) []analytics.Verdict {
	if ruling == nil {
		samples := make([]analytics.Sample, len(versions))
		for i := range versions {
			samples[i] = versions[i].Sample
		}
		return analytics.Verdicts(samples)
	}
	out := make([]analytics.Verdict, len(versions))
	for i := range out {
		out[i] = analytics.Superseded
	}
	return out
}

func deliveredCounting(ruled *analytics.Correction, counted *analytics.Sample) *analytics.Sample {
	if ruled != nil {
		return nil
	}
	return counted
}

func one(s *analytics.Sample) int64 {
	if s == nil {
		return 0
	}
	return 1
}

// versionOf gives a new version with where it came from.
func (t *taking) versionOf(it item) analytics.Version {
	d := &t.in[it.delivery]
	return analytics.Version{Sample: it.sample, Collector: d.Collector, Sequence: d.Sequence, Line: it.line, StoredAt: d.StoredAt}
}

// countOthers tells whether versions that do not count hold a dispute (1 or 0)
// and how many of them are superseded.
func countOthers(others []analytics.Version) (disputed, superseded int64) {
	for _, v := range others {
		if v.Disputed {
			disputed = 1
		} else {
			superseded++
		}
	}
	return disputed, superseded
}
