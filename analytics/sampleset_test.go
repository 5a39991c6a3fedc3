package analytics_test

import (
	"cmp"
	"reflect"
	"slices"
	"testing"

	"fadeledger/analytics"
	"pgregory.net/rapid"
)

func resolve(samples ...analytics.Sample) analytics.Resolved {
	var set analytics.SampleSet
	for _, s := range samples {
		set.Add(s)
	}
	return set.Resolve()
}

// permute calls f with every order of the samples.
func permute(samples []analytics.Sample, f func([]analytics.Sample)) {
	var walk func(k int)
	order := slices.Clone(samples)
	walk = func(k int) {
		if k == len(order) {
			f(order)
			return
		}
		for i := k; i < len(order); i++ {
			order[k], order[i] = order[i], order[k]
			walk(k + 1)
			order[k], order[i] = order[i], order[k]
		}
	}
	walk(0)
}

// ordered sorts versions of samples into one order, for comparison.
func ordered(samples []analytics.Sample) []analytics.Sample {
	out := append([]analytics.Sample{}, samples...)
	slices.SortFunc(out, func(a, b analytics.Sample) int {
		return cmp.Or(cmp.Compare(a.Time, b.Time), cmp.Compare(a.Rank, b.Rank), cmp.Compare(a.Has, b.Has),
			cmp.Compare(a.SoC, b.SoC), cmp.Compare(a.Power, b.Power))
	})
	return out
}

func TestResolve(t *testing.T) {
	a, b, c := at(minute, soc(1)), at(minute, soc(2)), at(minute, soc(3))
	with := func(s analytics.Sample, r int8) analytics.Sample { s.Rank = r; return s }
	early, late := at(0, soc(9)), at(2*minute, soc(9))
	type samples = []analytics.Sample
	tests := []struct {
		name                              string
		in                                samples
		counting, others                  samples
		duplicates, conflicts, superseded int64
	}{
		{"nothing", nil, nil, nil, 0, 0, 0},
		{"sorted", samples{late, early, a}, samples{early, a, late}, nil, 0, 0, 0},
		{"duplicate", samples{a, a, late}, samples{a, late}, nil, 1, 0, 0},
		{"three of a kind", samples{a, a, a}, samples{a}, nil, 2, 0, 0},
		{"dispute", samples{early, a, b}, samples{early}, samples{a, b}, 0, 1, 0},
		{"dispute of three", samples{a, b, c, late}, samples{late}, samples{a, b, c}, 0, 1, 0},
		{"duplicate of a disputed version", samples{a, b, a}, nil, samples{a, b}, 1, 1, 0},
		{"duplicates of both disputed versions", samples{a, b, a, b}, nil, samples{a, b}, 2, 1, 0},
		{"two disputes", samples{a, b, at(0, soc(1)), at(0, soc(2))}, nil,
			samples{at(0, soc(1)), at(0, soc(2)), a, b}, 0, 2, 0},
		{"a field more is a dispute", samples{a, at(minute, soc(1), power(0))}, nil,
			samples{a, at(minute, soc(1), power(0))}, 0, 1, 0},
		{"absent is not zero", samples{at(minute, soc(0)), at(minute)}, nil,
			samples{at(minute), at(minute, soc(0))}, 0, 1, 0},
		{"higher rank", samples{a, with(b, 1)}, samples{with(b, 1)}, samples{a}, 0, 0, 1},
		{"lower rank", samples{a, with(b, -1)}, samples{a}, samples{with(b, -1)}, 0, 0, 1},
		{"equal content of another rank", samples{a, with(a, 1)}, samples{with(a, 1)}, samples{a}, 0, 0, 1},
		{"duplicate of the superseded", samples{a, a, with(b, 1)}, samples{with(b, 1)}, samples{a}, 1, 0, 1},
		{"dispute below the highest rank", samples{a, b, with(c, 1)}, samples{with(c, 1)}, samples{a, b}, 0, 0, 2},
		{"dispute at the highest rank", samples{a, with(b, 1), with(c, 1)}, nil,
			samples{a, with(b, 1), with(c, 1)}, 0, 1, 1},
		{"three ranks", samples{a, with(b, 1), with(c, 2)}, samples{with(c, 2)}, samples{a, with(b, 1)}, 0, 0, 2},
		{"lowest and highest rank", samples{with(a, -128), with(b, 127)}, samples{with(b, 127)}, samples{with(a, -128)}, 0, 0, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			permute(tt.in, func(in []analytics.Sample) {
				r := resolve(in...)
				if !slices.Equal(r.Counting, tt.counting) {
					t.Errorf("%v: counting %v, want %v", in, r.Counting, tt.counting)
				}
				if !slices.Equal(ordered(r.Others), ordered(tt.others)) {
					t.Errorf("%v: others %v, want %v", in, r.Others, tt.others)
				}
				got := [3]int64{r.Duplicates, r.Conflicts, r.Superseded}
				if want := [3]int64{tt.duplicates, tt.conflicts, tt.superseded}; got != want {
					t.Errorf("%v: duplicates, conflicts, superseded %v, want %v", in, got, want)
				}
			})
		})
	}
}

// TestResolveAnyOrder: whatever the order of arrival, and however often a
// delivery is repeated, the same samples count.
func TestResolveAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := make([]analytics.Sample, rapid.IntRange(0, 40).Draw(t, "deliveries"))
		for i := range in {
			in[i] = at(analytics.Instant(rapid.Int64Range(0, 9).Draw(t, "time"))*minute,
				soc(analytics.SoC(rapid.IntRange(0, 2).Draw(t, "soc"))),
				rank(int8(rapid.IntRange(-1, 1).Draw(t, "rank"))))
		}
		first := resolve(in...)
		again := resolve(rapid.Permutation(in).Draw(t, "order")...)
		if !slices.Equal(first.Counting, again.Counting) {
			t.Fatalf("counting depends on the order: %v and %v", first.Counting, again.Counting)
		}
		if !slices.Equal(ordered(first.Others), ordered(again.Others)) {
			t.Fatalf("others depend on the order: %v and %v", first.Others, again.Others)
		}
		sums := func(r analytics.Resolved) [3]int64 { return [3]int64{r.Duplicates, r.Conflicts, r.Superseded} }
		if sums(first) != sums(again) {
			t.Fatalf("sums depend on the order: %v and %v", sums(first), sums(again))
		}
		if n := int64(len(first.Counting)+len(first.Others)) + first.Duplicates; n != int64(len(in)) {
			t.Fatalf("%d deliveries in, %d accounted for", len(in), n)
		}
		twice := resolve(append(slices.Clone(in), in...)...)
		if !slices.Equal(first.Counting, twice.Counting) || twice.Duplicates != first.Duplicates+int64(len(in)) {
			t.Fatalf("delivered twice: %v with %d duplicates", twice.Counting, twice.Duplicates)
		}
		for i := 1; i < len(first.Counting); i++ {
			if first.Counting[i].Time <= first.Counting[i-1].Time {
				t.Fatalf("counting is not ascending: %v", first.Counting)
			}
		}
	})
}

// TestResolveAddLater: a set may be resolved, added to and resolved again; a
// version that counted falls into dispute when another one comes.
func TestResolveAddLater(t *testing.T) {
	var set analytics.SampleSet
	a, b := at(0, soc(1)), at(0, soc(2))
	set.Add(a)
	if r := set.Resolve(); !slices.Equal(r.Counting, []analytics.Sample{a}) {
		t.Fatalf("one version: %+v", r)
	}
	set.Add(b)
	if r := set.Resolve(); len(r.Counting) != 0 || r.Conflicts != 1 {
		t.Fatalf("two versions: %+v", r)
	}
	set.Add(at(0, soc(1), rank(1)))
	if r := set.Resolve(); len(r.Counting) != 1 || r.Counting[0].Rank != 1 || r.Superseded != 2 || r.Conflicts != 0 {
		t.Fatalf("settled by a higher rank: %+v", r)
	}
}

func TestVerdicts(t *testing.T) {
	const counts, disputed, superseded = analytics.Counts, analytics.Disputed, analytics.Superseded
	for _, tt := range []struct {
		name  string
		ranks []int8
		want  []analytics.Verdict
	}{
		{"none", nil, []analytics.Verdict{}},
		{"one", []int8{-3}, []analytics.Verdict{counts}},
		{"two of a rank", []int8{0, 0}, []analytics.Verdict{disputed, disputed}},
		{"one above", []int8{0, 2, 1}, []analytics.Verdict{superseded, counts, superseded}},
		{"dispute above", []int8{2, 0, 2}, []analytics.Verdict{disputed, superseded, disputed}},
	} {
		var versions []analytics.Sample
		for i, r := range tt.ranks {
			versions = append(versions, at(0, soc(analytics.SoC(i)), rank(r)))
		}
		if got := analytics.Verdicts(versions); !reflect.DeepEqual(got, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
	if !at(0, soc(1), rank(4)).SameContent(at(0, soc(1))) {
		t.Error("SameContent minds the rank")
	}
	if at(0, soc(0)).SameContent(at(0)) {
		t.Error("SameContent takes absent for zero")
	}
}
