package reference

import (
	"cmp"
	"math/big"
	"slices"
)

// excursions gathers the samples over a limit into episodes, kind by kind.
func (m *Model) excursions(samples []Sample, pairs []pair) []Excursion {
	over := map[string][]int{} // by kind, the samples over the limit
	rates := make([]*big.Rat, len(samples))
	for i := range samples {
		r := m.read(samples, pairs, i)
		rates[i] = r.rate
		for _, kind := range r.kinds {
			over[kind] = append(over[kind], i)
		}
	}
	var all []Excursion
	for kind, at := range over {
		first := 0
		for k := range at {
			if k+1 < len(at) && m.together(samples, at[k], at[k+1]) {
				continue
			}
			all = append(all, episode(kind, samples, pairs, rates, at[first:k+1]))
			first = k + 1
		}
	}
	slices.SortFunc(all, func(a, b Excursion) int {
		return cmp.Or(cmp.Compare(a.StartMs, b.StartMs), cmp.Compare(a.Kind, b.Kind))
	})
	return all
}

// together reports whether samples i < j, both over a limit by one kind and
// none between them, belong to one episode.
func (m *Model) together(samples []Sample, i, j int) bool {
	apart := samples[j].TimeMs - samples[i].TimeMs
	return apart <= 10*minuteMs || j == i+1 && apart <= m.maxGapMs()
}

// episode sums up one episode from the samples over the limit.
func episode(kind string, samples []Sample, pairs []pair, rates []*big.Rat, over []int) Excursion {
	first, last := over[0], over[len(over)-1]
	e := Excursion{
		Kind:    kind,
		StartMs: samples[first].TimeMs,
		EndMs:   samples[last].TimeMs,
		N:       int64(len(over)),
	}
	var temps []int64
	for _, s := range samples[first : last+1] {
		for _, t := range []*int64{s.TempCentiC, s.TempMaxCentiC} {
			if t != nil {
				temps = append(temps, *t)
			}
		}
	}
	if len(temps) > 0 {
		low, high := slices.Min(temps), slices.Max(temps)
		e.MinTempCentiC, e.MaxTempCentiC = &low, &high
	}
	for _, p := range pairs[first:last] { // pairs[k] lies between samples k and k+1
		e.Energy = e.Energy.plus(p.energy)
	}
	if kind != "deep-discharge" && kind != "hot-rest" {
		for _, i := range over {
			rate, _ := rates[i].Float64()
			e.PeakC = max(e.PeakC, rate, -rate)
		}
	}
	return e
}
