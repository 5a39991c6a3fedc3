package rig

import (
	"iter"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
)

// Truth is one delivery that a collector made ready, with what is to become of
// its rows. Samples that were cut anew after a restart of the collector stand
// in more than one.
type Truth struct {
	Collector string `json:"collector"`
	// Rank is that of the collector as a source.
	Rank int8 `json:"rank,omitempty"`
	// Series and Number are the place among the collector's deliveries; Batch
	// is made of them and tells this delivery from every other.
	Series string `json:"series"`
	Number int64  `json:"number"`
	Batch  string `json:"batch"`

	ContentType     string `json:"content_type"`
	ContentEncoding string `json:"content_encoding,omitempty"`
	Body            []byte `json:"body"`

	// Readings are the rows that are to be counted, or settled against other
	// versions; their samples carry the rank. Future are rows that are to be
	// refused since their time lies hours after they were stored; Refused is
	// how many others are (a delivery refused as a whole is one).
	Readings []household.Reading `json:"-"`
	Future   []household.Reading `json:"-"`
	Refused  int                 `json:"refused,omitempty"`

	// Sent is how often it was published, Stored how often it stands in the
	// broker's stream at the end of the run, Counted how often the database
	// has recorded it.
	Sent, Stored, Counted int
}

// rows is how many rows a reader finds.
func (t *Truth) rows() int64 { return int64(len(t.Readings) + len(t.Future) + t.Refused) }

// refused is how many of them go to quarantine.
func (t *Truth) refused() int64 { return int64(len(t.Future) + t.Refused) }

// Multiset gives the samples of each unit as often as they were counted: once
// for every time that the database recorded a delivery which holds them, and
// once for those that it should have and has not.
func Multiset(delivered []Truth) map[analytics.Serial]*analytics.SampleSet {
	sets := map[analytics.Serial]*analytics.SampleSet{}
	for r := range Readings(delivered) {
		if sets[r.Serial] == nil {
			sets[r.Serial] = &analytics.SampleSet{}
		}
		sets[r.Serial].Add(r.Sample)
	}
	return sets
}

// Readings gives the rows as often as Multiset has them.
func Readings(delivered []Truth) iter.Seq[household.Reading] {
	return func(yield func(household.Reading) bool) {
		seen := map[household.Reading]bool{}
		for i := range delivered {
			for range delivered[i].Counted {
				for _, r := range delivered[i].Readings {
					seen[r] = true
					if !yield(r) {
						return
					}
				}
			}
		}
		for i := range delivered {
			for _, r := range delivered[i].Readings {
				if seen[r] {
					continue
				}
				seen[r] = true
				if !yield(r) {
					return
				}
			}
		}
	}
}
