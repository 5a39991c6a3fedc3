package web

import (
	"fmt"
	"html/template"
	"math"

	"fadeledger/analytics"
	"fadeledger/web/chart"
)

// paceRow is a bar of the pace chart as a row of a table.
type paceRow struct {
	Range, Units string
}

func paceRange(sum analytics.FleetSummary, i int) string {
	b := sum.Pace[i]
	if i == len(sum.Pace)-1 {
		return decimal(b.From, 2) + " and more"
	}
	return decimal(b.From, 2) + " to " + decimal(b.To, 2)
}

func paceRows(sum analytics.FleetSummary) []paceRow {
	var rows []paceRow
	for i, b := range sum.Pace {
		if b.Units > 0 {
			rows = append(rows, paceRow{paceRange(sum, i), count(b.Units)})
		}
	}
	return rows
}

// paceDrawing shows how many units run at which pace, with an upright line at
// 1: what stands right of it runs ahead of its warranty.
func paceDrawing(sum analytics.FleetSummary) drawing {
	var known, ahead int64
	for _, b := range sum.Pace {
		known += b.Units
		if b.From >= 1 {
			ahead += b.Units
		}
	}
	desc := fmt.Sprintf("%s with a known pace; %d at a pace of 1 or more.", plural(known, "unit", "units"), ahead)
	return draw(func(width float64, id string) chart.Scene {
		h := chart.Histogram{
			ID: id, Title: "Number of units by pace", Desc: desc, Width: width, Height: 236,
			YTitle: "units", XTitle: "pace: life spent ÷ term passed",
			Mark: paceMark(sum.Pace), MarkLeft: count(known-ahead) + " within", MarkRight: count(ahead) + " ahead",
		}
		for i, b := range sum.Pace {
			h.Columns = append(h.Columns, paceColumn(sum, i, b))
		}
		return h.Scene()
	}, "pace", 620)
}

// mostLabels is the number of edges that can all be labelled.
const mostLabels = 12

func paceColumn(sum analytics.FleetSummary, i int, b analytics.PaceBin) chart.Column {
	ink := chart.Ink("calm")
	if b.From >= 1 {
		ink = "ahead"
	}
	c := chart.Column{Value: float64(b.Units), Ink: ink, Title: "pace " + paceRange(sum, i) + ": " + plural(b.Units, "unit", "units")}
	// All of many edges would run into each other on a phone: then only half
	// steps are labelled.
	if len(sum.Pace) <= mostLabels || math.Abs(b.From*2-math.Round(b.From*2)) < 1e-9 {
		c.Label = decimal(b.From, 1)
	}
	return c
}

// paceMark finds the place of pace 1 among the bins, nil where it is outside.
func paceMark(bins []analytics.PaceBin) *float64 {
	for i, b := range bins {
		if b.From <= 1 && 1 < b.To && b.To > b.From && !math.IsInf(b.To, 0) {
			at := float64(i) + (1-b.From)/(b.To-b.From)
			return &at
		}
	}
	return nil
}

// spentMeter draws the share of warranted life that is spent, with a tick
// where the term stands: a bar that is past its tick runs ahead. Without a
// pace the tick is left out; without spent there is no meter.
func spentMeter(spent, pace *float64) template.HTML {
	if spent == nil {
		return ""
	}
	const width, height = 88.0, 14.0
	x := chart.Scale{From: 0, To: 1, A: 0, B: width}
	ink := chart.Ink("calm")
	if pace != nil && *pace > 1 {
		ink = "ahead"
	}
	s := chart.Scene{Width: width, Height: height}
	s.Title = percent(*spent) + " of the warranted life spent"
	s.Items = append(s.Items,
		chart.Bar{Ink: "track", Y: 4, W: width, H: 6},
		chart.Bar{Ink: ink, Y: 4, W: math.Max(x.Clamp(*spent), 1), H: 6})
	if pace != nil && *pace > 0 {
		passed := *spent / *pace
		s.Title += ", " + percent(passed) + " of the term passed"
		s.Items = append(s.Items, chart.Bar{Ink: "term", X: math.Min(x.Clamp(passed), width-2), W: 2, H: height})
	}
	return svg(s)
}
