package reference

import (
	"cmp"
	"slices"
)

const futureSkewMs = 10 * minuteMs

// settle decides which samples count, in ascending order of time, and counts
// the versions that do not.
func settle(r *Result, delivered []Delivered, corrections []Correction) []Sample {
	versions := map[int64][]Sample{}
	for _, d := range delivered {
		if d.TimeMs > d.StoredMs+futureSkewMs {
			r.Future++
			continue
		}
		known := versions[d.TimeMs]
		if slices.ContainsFunc(known, func(s Sample) bool { return s.Rank == d.Rank && sameContent(s, d.Sample) }) {
			r.Duplicates++
			continue
		}
		versions[d.TimeMs] = append(known, d.Sample)
	}
	instants := map[int64]bool{}
	for t := range versions {
		instants[t] = true
	}
	for _, c := range corrections {
		for _, s := range c.Samples {
			instants[s.TimeMs] = true
		}
	}
	var counting []Sample
	for t := range instants {
		s := judge(r, versions[t], lastCorrection(corrections, t), t)
		if s != nil {
			counting = append(counting, *s)
		}
	}
	slices.SortFunc(counting, func(a, b Sample) int { return cmp.Compare(a.TimeMs, b.TimeMs) })
	return counting
}

// lastCorrection gives the correction that holds at an instant: the newest
// whose span covers it, or nil.
func lastCorrection(corrections []Correction, t int64) *Correction {
	for i := len(corrections) - 1; i >= 0; i-- {
		if c := &corrections[i]; c.FromMs <= t && t < c.ToMs {
			return c
		}
	}
	return nil
}

// judge gives the sample that counts at an instant, nil where none does.
func judge(r *Result, versions []Sample, c *Correction, t int64) *Sample {
	if c != nil {
		return judgeCorrected(r, versions, c, t)
	}
	if len(versions) == 0 {
		return nil
	}
	top := slices.MaxFunc(versions, func(a, b Sample) int { return cmp.Compare(a.Rank, b.Rank) }).Rank
	var best []Sample
	for _, v := range versions {
		if v.Rank == top {
			best = append(best, v)
		} else {
			r.Superseded++
		}
	}
	if len(best) > 1 {
		r.Conflicts++
		return nil
	}
	return &best[0]
}

// judgeCorrected takes the sample of the correction, if it has one at the
// instant. Every delivered version is superseded, whatever its content.
func judgeCorrected(r *Result, versions []Sample, c *Correction, t int64) *Sample {
	r.Superseded += int64(len(versions))
	for _, s := range c.Samples {
		if s.TimeMs != t {
			continue
		}
		return &s
	}
	return nil
}

// sameContent reports whether two samples are equal in every field, whatever
// their ranks.
func sameContent(a, b Sample) bool {
	same := func(x, y *int64) bool { return x == nil && y == nil || x != nil && y != nil && *x == *y }
	return a.TimeMs == b.TimeMs && a.PowerIsMean == b.PowerIsMean && same(a.SoC, b.SoC) &&
		same(a.TempCentiC, b.TempCentiC) && same(a.TempMaxCentiC, b.TempMaxCentiC) &&
		same(a.PowerMW, b.PowerMW) && same(a.CurrentMA, b.CurrentMA) && same(a.VoltageMV, b.VoltageMV) &&
		same(a.ChargeMWh, b.ChargeMWh) && same(a.DischargeMWh, b.DischargeMWh)
}
