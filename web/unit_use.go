package web

import (
	"html/template"
	"slices"

	"fadeledger/analytics"
	"fadeledger/web/chart"
)

// depthView shows the cycles by depth of discharge and what they spent.
type depthView struct {
	Chart drawing
	// Spent is the second chart: the life that each depth spent.
	Spent drawing
	Rows  []depthRow
	// Shallow tells of the ranges that spend nothing; Empty that there are no
	// cycles yet.
	Shallow, Empty string
	HasSpent       bool
}

type depthRow struct{ Range, Cycles, Spent string }

// depthStep is the width of a bar in depth bins: 10 × 0.5 % = 5 %.
const depthStep = 10

// depthGroup sums the bins of one bar.
type depthGroup struct {
	cycles, spent float64
	name          string
}

func (u *unitView) depth() depthView {
	from := 1
	for u.spends(from) == 0 && from < 20 && u.Terms != nil {
		from++
	}
	groups, shallow := u.depthGroups(from)
	v := depthView{HasSpent: u.Terms != nil && len(u.Terms.Life.Points) > 0}
	var total, spent float64
	for _, g := range groups {
		total += g.cycles
		spent += g.spent
	}
	if shallow > 0 {
		v.Shallow = decimal(shallow, 0) + " cycles shallower than " + share(analytics.BinDepth(from)) +
			" are left out here: they spend no warranted life, and their energy is in the full cycles."
	}
	if total == 0 {
		v.Empty = "No cycle of counted depth yet."
		return v
	}
	for _, g := range groups {
		if g.cycles == 0 {
			continue
		}
		row := depthRow{g.name, decimal(g.cycles, 1), ""}
		if v.HasSpent {
			row.Spent = percent(g.spent)
		}
		v.Rows = append(v.Rows, row)
	}
	v.Chart = depthDrawing(groups, depthChart{id: "depth", title: "Cycles by depth of discharge", axis: "cycles",
		desc: decimal(total, 0) + " cycles in all.", ink: "calm",
		value: func(g depthGroup) float64 { return g.cycles },
		words: func(g depthGroup) string { return decimal(g.cycles, 1) + " cycles" }})
	if v.HasSpent {
		v.Spent = depthDrawing(groups, depthChart{id: "spent", title: "Life spent by depth of discharge", axis: "life spent, %",
			desc: percent(spent) + " of the warranted life in all.", ink: "spent",
			value: func(g depthGroup) float64 { return g.spent * 100 },
			words: func(g depthGroup) string { return percent(g.spent) + " of the warranted life" }})
	}
	return v
}

// spends gives the life that one full cycle of a bin spends, 0 without terms.
func (u *unitView) spends(bin int) float64 {
	if u.Terms == nil {
		return 0
	}
	var one analytics.HalfCycles
	one[bin] = 2
	return u.Terms.Life.Spent(&one)
}

// depthGroups sums the half cycles into bars of 5 %; what lies in bins below
// from is told apart as shallow.
func (u *unitView) depthGroups(from int) (groups []depthGroup, shallow float64) {
	for low := 0; low < analytics.Bins-1; low += depthStep {
		groups = append(groups, depthGroup{name: decimal(analytics.BinDepth(low)*100, 0) + "–" + decimal(analytics.BinDepth(low+depthStep)*100, 0) + nbsp + "%"})
	}
	for bin, n := range u.Ledger.HalfCycles {
		if n == 0 {
			continue
		}
		if bin < from {
			shallow += float64(n) / 2
			continue
		}
		g := &groups[min(bin/depthStep, len(groups)-1)]
		g.cycles += float64(n) / 2
		g.spent += u.spends(bin) * float64(n) / 2
	}
	return groups, shallow
}

// depthChart says what of each depth a chart shows.
type depthChart struct {
	id, title, desc, axis string
	ink                   chart.Ink
	value                 func(depthGroup) float64
	words                 func(depthGroup) string
}

func depthDrawing(groups []depthGroup, c depthChart) drawing {
	return draw(func(width float64, id string) chart.Scene {
		h := chart.Histogram{ID: id, Title: c.title, Desc: c.desc, Width: width, Height: 196,
			YTitle: c.axis, XTitle: "depth of discharge, %", LastLabel: "100"}
		for i, g := range groups {
			col := chart.Column{Value: c.value(g), Ink: c.ink, Title: g.name + ": " + c.words(g)}
			if i%4 == 0 {
				col.Label = decimal(float64(i*5), 0)
			}
			h.Columns = append(h.Columns, col)
		}
		return h.Scene()
	}, c.id, 620)
}

// basisView shows what the energy was taken from.
type basisView struct {
	Chart template.HTML
	Rows  []basisRow
	Empty string
}

type basisRow struct{ Ink, Name, Charge, Discharge, Share string }

func (u *unitView) basis() basisView {
	var sum analytics.MilliwattHours
	for _, pair := range u.Ledger.ByBasis {
		sum += pair[0] + pair[1]
	}
	if sum <= 0 {
		return basisView{Empty: "No energy yet."}
	}
	v := basisView{}
	share := chart.Share{ID: "basis", Title: "Energy by what it was taken from", Width: 400, Height: 14}
	for k, pair := range u.Ledger.ByBasis {
		b := analytics.Basis(k)
		part := float64(pair[0]+pair[1]) / float64(sum)
		v.Rows = append(v.Rows, basisRow{"basis-" + b.String(), basisWords(b), energy(pair[0]), energy(pair[1]), percent(part)})
		share.Parts = append(share.Parts, chart.Column{Label: basisWords(b), Value: part, Title: percent(part), Ink: chart.Ink("basis-" + b.String())})
		share.Desc += basisWords(b) + " " + percent(part) + ". "
	}
	v.Chart = svg(share.Scene())
	return v
}

// excursionsView lists the episodes over a limit.
type excursionsView struct {
	Tallies []tallyRow
	Rows    []excursionRow
	Total   int
	// All is the address of the whole list, empty where all are shown.
	All   string
	Empty string
}

type tallyRow struct {
	Ink, Name, Meaning, Episodes, Time, Temps, Peak, Charge, Discharge string
}

type excursionRow struct {
	Ink, Kind, Start, Length, Temps, Peak, Energy, Ending string
}

// shownExcursions is the number of episodes shown unless all are asked for.
const shownExcursions = 25

func (u *unitView) excursions(all bool) excursionsView {
	list := u.Ledger.Excursions
	v := excursionsView{Total: len(list)}
	if len(list) == 0 {
		v.Empty = "No episode over a limit was seen."
		if u.Ledger.Checked == 0 {
			v.Empty = "Unknown: temperature and rate were never known together, so limits could not be checked."
		}
		return v
	}
	for k, t := range u.Tallies {
		if t.Episodes > 0 {
			v.Tallies = append(v.Tallies, tallyRowOf(analytics.ExcursionKind(k), t))
		}
	}
	shown := slices.Clone(list)
	slices.SortStableFunc(shown, func(a, b analytics.Excursion) int { return int(b.Start/1000 - a.Start/1000) })
	if !all && len(shown) > shownExcursions {
		shown = shown[:shownExcursions]
		v.All = unitHref(u.Unit.Serial, "?excursions=all#excursions")
	}
	for _, e := range shown {
		v.Rows = append(v.Rows, u.excursionRow(e))
	}
	return v
}

func tallyRowOf(k analytics.ExcursionKind, t analytics.Tally) tallyRow {
	row := tallyRow{Ink: kindInk(k), Name: kindName(k), Meaning: kindMeaning(k), Episodes: count(t.Episodes),
		Time: length(t.Time), Temps: temps(t.HasTemp, t.MinTemp, t.MaxTemp), Peak: "no rate",
		Charge: flow(t.Charge), Discharge: flow(t.Discharge)}
	if k < analytics.DeepDischarge {
		row.Peak = rate(t.Peak)
	}
	return row
}

func (u *unitView) excursionRow(e analytics.Excursion) excursionRow {
	row := excursionRow{
		Ink: kindInk(e.Kind), Kind: kindName(e.Kind), Start: moment(e.Start, u.zone), Length: length(e.Length()),
		Temps: temps(e.HasTemp, e.MinTemp, e.MaxTemp), Peak: "no rate", Energy: excursionEnergy(e), Ending: endingWords(e),
	}
	if e.Samples == 1 {
		row.Length = "one sample"
	}
	if e.Kind < analytics.DeepDischarge {
		row.Peak = rate(e.Peak) + ", allowed " + rate(e.AllowedAtPeak)
	}
	return row
}

func excursionEnergy(e analytics.Excursion) string {
	switch {
	case e.Charge > 0 && e.Discharge > 0:
		return flow(e.Charge) + " in, " + flow(e.Discharge) + " out"
	case e.Charge > 0:
		return flow(e.Charge) + " in"
	case e.Discharge > 0:
		return flow(e.Discharge) + " out"
	}
	return "none measured"
}

func temps(has bool, low, high analytics.CentiCelsius) string {
	switch {
	case !has:
		return "unknown"
	case low == high:
		return celsius(low)
	}
	return decimal(low.Celsius(), 1) + " to " + celsius(high)
}
