package analytics

import "maps"

// DaysOf joins the days of a unit, all from its first one on and in ascending
// order, into what each of them added to the ledger. A day without a sample is
// there where covered time runs through it.
func DaysOf(days []Segment) []DayCount {
	out := make([]DayCount, 0, len(days))
	var flow Rainflow
	for i := range days {
		g := &days[i]
		d := g.count()
		flow.join(&g.flow, func(bin int) {
			if d.Closed == nil {
				d.Closed = make(map[int]int64, 4)
			}
			d.Closed[bin] += 2
		})
		if i > 0 && g.link > 0 {
			out = g.coverBefore(out)
		}
		out = append(out, d)
	}
	return out
}

// count gives the day by itself.
func (g *Segment) count() DayCount {
	d := DayCount{
		Day: g.day, Samples: g.samples, Covered: g.covered - g.link, Checked: g.checked, Energy: g.energy,
		Closed: maps.Clone(g.closed), HasSoC: g.hasSoC, MinSoC: g.minSoC, MaxSoC: g.maxSoC,
		HasTemp: g.hasTemp, MinTemp: g.minTemp, MaxTemp: g.maxTemp, First: g.first, Last: g.carry.last.Time,
	}
	if g.linkChecked {
		d.Checked -= g.link
	}
	return d
}

// coverBefore splits the covered time that lies before the day at midnight, and
// adds it to the days that it belongs to.
func (g *Segment) coverBefore(out []DayCount) []DayCount {
	from := g.day.Start() - Instant(g.link)
	for day := from.Day(); day < g.day; day++ {
		if out[len(out)-1].Day != day {
			out = append(out, DayCount{Day: day})
		}
		d := &out[len(out)-1]
		midnight := (day + 1).Start()
		d.Covered += Millis(midnight - from)
		if g.linkChecked {
			d.Checked += Millis(midnight - from)
		}
		from = midnight
	}
	return out
}
