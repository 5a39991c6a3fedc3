package analytics_test

import (
	"bytes"
	"reflect"
	"slices"
	"testing"

	"fadeledger/analytics"
	"pgregory.net/rapid"
)

// drawDays is a walk that comes through midnight often, with few levels of
// charge, so that ranges tie.
func drawDays(t *rapid.T, most int) []analytics.Sample {
	step := rapid.SampledFrom([]analytics.Instant{
		minute, 5 * minute, 14 * minute, 15 * minute, 16 * minute, 3 * 60 * minute, day - minute, day, 2*day + 7*minute,
	})
	level := rapid.SampledFrom([]analytics.SoC{20, 100, 300, 300, 500, 500, 700, 900, 1000})
	if rapid.Bool().Draw(t, "rough") {
		level = rapid.Map(rapid.IntRange(0, 1000), func(n int) analytics.SoC { return analytics.SoC(n) })
	}
	walk := make([]analytics.Sample, rapid.IntRange(1, most).Draw(t, "samples"))
	now := analytics.Instant(rapid.Int64Range(0, 3*int64(day)).Draw(t, "start"))
	for i := range walk {
		s := drawSample(t, now)
		if rapid.IntRange(0, 4).Draw(t, "blank") > 0 {
			s.Has |= analytics.HasSoC
			s.SoC = level.Draw(t, "level")
		}
		walk[i] = s
		now += step.Draw(t, "step")
	}
	return walk
}

// byDay cuts samples at midnight.
func byDay(samples []analytics.Sample) [][]analytics.Sample {
	var days [][]analytics.Sample
	for i, s := range samples {
		if i == 0 || s.Time.Day() != samples[i-1].Time.Day() {
			days = append(days, nil)
		}
		days[len(days)-1] = append(days[len(days)-1], s)
	}
	return days
}

// TestAssembleIsStreaming: the days of a unit, each counted by itself after the
// carry of the one before, give the state that counting sample by sample gives,
// and so do days that were written and read in between.
func TestAssembleIsStreaming(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := testModel()
		m.MaxGap = rapid.SampledFrom([]analytics.Millis{0, 5 * analytics.Minute, 50 * analytics.Hour}).Draw(t, "gap")
		walk := drawDays(t, 60)
		streamed := analytics.Count(m, walk)
		var out analytics.Effects
		var days []analytics.Segment
		for _, samples := range byDay(walk) {
			var before *analytics.Segment
			if len(days) > 0 {
				before = &days[len(days)-1]
			}
			g := analytics.CountDay(m, before, samples, &out)
			var read analytics.Segment
			if err := read.UnmarshalBinary(encodeDay(t, &g)); err != nil {
				t.Fatal(err)
			}
			days = append(days, read)
		}
		c := analytics.Assemble(days)
		if got, want := encode(t, &c), encode(t, &streamed.Counter); !bytes.Equal(got, want) {
			t.Fatalf("assembled\n%x\nstreamed\n%x", got, want)
		}
		sameReadings(t, &c, &streamed.Counter)
		if !slices.Equal(out.Excursions, streamed.Excursions) || !slices.Equal(out.Events, streamed.Events) {
			t.Fatalf("effects %+v, streamed %+v", out, streamed.Effects)
		}
		if got, want := analytics.DaysOf(days), streamed.AllDays(); !reflect.DeepEqual(got, want) {
			t.Fatalf("days\n%+v\nstreamed\n%+v", got, want)
		}
	})
}

// TestJoinedCyclesAreOneFlow: the cycles that close within days, those that
// close when days are joined, and those that stay open are together the cycles
// of the series as a whole, day by day and at its end.
func TestJoinedCyclesAreOneFlow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		walk := drawDays(t, 80)
		var flow analytics.Rainflow
		closed := map[analytics.Day]map[int]int64{}
		for _, s := range walk {
			if s.Has&analytics.HasSoC == 0 {
				continue
			}
			flow.Push(s.SoC, func(bin int) {
				if closed[s.Time.Day()] == nil {
					closed[s.Time.Day()] = map[int]int64{}
				}
				closed[s.Time.Day()][bin] += 2
			})
		}
		a := analytics.Count(testModel(), walk)
		var total analytics.HalfCycles
		for _, d := range a.AllDays() {
			if len(d.Closed)+len(closed[d.Day]) > 0 && !reflect.DeepEqual(d.Closed, closed[d.Day]) {
				t.Fatalf("day %v closed %v, the series %v", d.Day, d.Closed, closed[d.Day])
			}
			for bin, n := range d.Closed {
				total[bin] += n
			}
		}
		flow.Open(&total)
		if got := a.Counter.HalfCycles(); got != total {
			t.Fatalf("half cycles %v, the series %v", got, total)
		}
	})
}

// TestLateSampleStops: after a change in one day, counting again goes on only
// while the carry differs, and the rest stays as it was.
func TestLateSampleStops(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := testModel()
		walk := drawDays(t, 60)
		late := rapid.IntRange(0, len(walk)-1).Draw(t, "late")
		without := slices.Delete(slices.Clone(walk), late, late+1)
		days := analytics.Count(m, without).Segments()
		at := walk[late].Time.Day()
		var out analytics.Effects
		all := byDay(walk)
		counted := 0
		for i := range all {
			d := all[i][0].Time.Day()
			if d < at {
				continue
			}
			var before *analytics.Segment
			if i > 0 {
				before = &days[i-1]
			}
			g := analytics.CountDay(m, before, all[i], &out)
			counted++
			if i == len(days) || days[i].Day() != d {
				days = slices.Insert(days, i, g)
				continue
			}
			same := g.SameCarry(&days[i])
			days[i] = g
			if same {
				break
			}
		}
		c, want := analytics.Assemble(days), analytics.Count(m, walk)
		if got, want := encode(t, &c), encode(t, &want.Counter); !bytes.Equal(got, want) {
			t.Fatalf("after %d days counted again:\n%x\nwant\n%x", counted, got, want)
		}
	})
}
