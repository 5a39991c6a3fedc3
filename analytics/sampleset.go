package analytics

import "slices"

// Instance is one instant of one unit with every version of its sample that is
// known.
type Instance struct {
	Time     Instant
	Versions []Sample
}

// Verdict says what becomes of a version.
type Verdict uint8

// The verdicts. Exactly one version of an instant may count.
const (
	Counts Verdict = iota
	Disputed
	Superseded
)

// Verdicts judges the versions of one instant, which must differ from each
// other in rank or content: the version of the highest rank counts; several of
// that rank are in dispute, and then none counts. The order of the versions
// does not matter.
func Verdicts(versions []Sample) []Verdict {
	top, n := topRank(versions)
	out := make([]Verdict, len(versions))
	for i, v := range versions {
		switch {
		case v.Rank < top:
			out[i] = Superseded
		case n > 1:
			out[i] = Disputed
		}
	}
	return out
}

func topRank(versions []Sample) (top int8, n int) {
	for i, v := range versions {
		switch {
		case i == 0 || v.Rank > top:
			top, n = v.Rank, 1
		case v.Rank == top:
			n++
		}
	}
	return top, n
}

// SampleSet gathers the deliveries of one unit in any order. The zero value is
// empty.
type SampleSet struct {
	samples []Sample
}

// Add takes a delivered sample.
func (s *SampleSet) Add(x Sample) { s.samples = append(s.samples, x) }

// Resolved is a sample set put in order.
type Resolved struct {
	// Counting holds the samples that count, in ascending order of time.
	Counting []Sample
	// Others holds the versions that do not count: in dispute or superseded.
	Others     []Sample
	Duplicates int64
	// Conflicts counts the instants in dispute, Superseded the versions that
	// a higher rank outdid.
	Conflicts, Superseded int64
}

// Resolve sorts the deliveries, drops duplicates and settles instants with
// more than one version.
func (s *SampleSet) Resolve() Resolved {
	sorted := slices.Clone(s.samples)
	slices.SortStableFunc(sorted, func(a, b Sample) int {
		if a.Time != b.Time {
			if a.Time < b.Time {
				return -1
			}
			return 1
		}
		return int(b.Rank) - int(a.Rank)
	})
	r := Resolved{Counting: make([]Sample, 0, len(sorted))}
	var versions []Sample
	for i := 0; i < len(sorted); {
		j := i + 1
		for j < len(sorted) && sorted[j].Time == sorted[i].Time {
			j++
		}
		if j == i+1 {
			r.Counting = append(r.Counting, sorted[i])
			i = j
			continue
		}
		versions = versions[:0]
		for _, x := range sorted[i:j] {
			if slices.Contains(versions, x) {
				r.Duplicates++
				continue
			}
			versions = append(versions, x)
		}
		r.settle(versions)
		i = j
	}
	return r
}

func (r *Resolved) settle(versions []Sample) {
	disputed := false
	for i, v := range Verdicts(versions) {
		switch v {
		case Counts:
			r.Counting = append(r.Counting, versions[i])
			continue
		case Disputed:
			disputed = true
		case Superseded:
			r.Superseded++
		}
		r.Others = append(r.Others, versions[i])
	}
	if disputed {
		r.Conflicts++
	}
}
