package reference

import "slices"

// addCycles counts the cycles of the state of charge: all of them, and by day
// those that closed.
func (r *Result) addCycles(samples []Sample) {
	var series []int64
	var ends []int64 // for every value, the day of its sample
	for _, s := range samples {
		if s.SoC != nil {
			series = append(series, *s.SoC)
			ends = append(ends, int64(dayOf(s.TimeMs)))
		}
	}
	r.HalfCycles = threePoint(turningPoints(series))
	before := map[int]int64{}
	for i := range series {
		if i+1 < len(series) && ends[i+1] == ends[i] {
			continue
		}
		after := closed(series[:i+1])
		r.day(ends[i]*dayMs, func(d *DayResult) { d.Closed = difference(after, before) })
		before = after
	}
}

func difference(after, before map[int]int64) map[int]int64 {
	d := map[int]int64{}
	for k, n := range after {
		if n != before[k] {
			d[k] = n - before[k]
		}
	}
	return d
}

// turningPoints gives the first and the last value and those between at which
// the direction changes; repeats are dropped first.
func turningPoints(series []int64) []int64 {
	distinct := slices.Compact(slices.Clone(series))
	var points []int64
	for i, v := range distinct {
		inside := i > 0 && i < len(distinct)-1
		if inside && (distinct[i-1] < v) == (v < distinct[i+1]) {
			continue
		}
		points = append(points, v)
	}
	return points
}

// threePoint counts half cycles by depth bin as ASTM E1049-85 (2017), section
// 5.4.4, does: X is the range under consideration, Y the one before it, S the
// starting point. The numbers are those of the steps of that procedure.
func threePoint(reversals []int64) map[int]int64 {
	halves := map[int]int64{}
	var points []int64 // read and not discarded; points[0] is S
	for _, reversal := range reversals {
		points = append(points, reversal)               // 1: read the next one
		for n := len(points); n >= 3; n = len(points) { // 2: form X and Y
			x, y := span(points[n-2], points[n-1]), span(points[n-3], points[n-2])
			if x < y { // 3
				break
			}
			if n == 3 { // 4, 5: Y contains S and is half a cycle
				halves[bin(y)]++
				points = points[1:]
				continue
			}
			halves[bin(y)] += 2 // 4: Y is one cycle, both its points go
			points = slices.Delete(points, n-3, n-1)
		}
	}
	for i := 1; i < len(points); i++ { // 6: what is left are half cycles
		halves[bin(span(points[i-1], points[i]))]++
	}
	return halves
}

// closed counts the half cycles of the cycles that are closed after a series,
// whose newest value may still move on and is no turning point yet.
func closed(series []int64) map[int]int64 {
	points := turningPoints(series)
	halves, _ := fourPoint(points[:max(len(points)-1, 0)])
	return halves
}

// fourPoint takes out every cycle b–c that lies within its neighbours a–b and
// c–d, the leftmost first, and gives the turning points that are left.
func fourPoint(points []int64) (halves map[int]int64, residue []int64) {
	halves = map[int]int64{}
	for i := 0; i+3 < len(points); {
		inner := span(points[i+1], points[i+2])
		if inner > span(points[i], points[i+1]) || inner > span(points[i+2], points[i+3]) {
			i++
			continue
		}
		halves[bin(inner)] += 2
		points = slices.Delete(points, i+1, i+3)
		i = 0
	}
	return halves, points
}

func span(a, b int64) int64 { return max(a-b, b-a) }

// bin gives the depth bin of a range in 0.1 %.
func bin(span int64) int { return int((span + 2) / 5) }
