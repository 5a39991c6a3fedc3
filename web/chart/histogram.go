package chart

import (
	"fmt"
	"math"
)

// Column is one bar of a histogram.
type Column struct {
	// Label stands below the bar's left edge; empty shows none.
	Label string
	// Value is the height; below zero counts as zero.
	Value float64
	// Title explains the bar.
	Title string
	Ink   Ink
}

// Histogram is a row of columns over a common base line.
type Histogram struct {
	ID, Title, Desc string
	Width, Height   float64
	// YTitle and XTitle name the axes, with their unit.
	YTitle, XTitle string
	Columns        []Column
	// LastLabel stands below the right edge of the last column.
	LastLabel string
	// Mark draws an upright line at this place along the columns (1 is the
	// right edge of the first) with a text on each side; nil draws none.
	Mark                *float64
	MarkLeft, MarkRight string
}

const (
	padTop    = 30.0
	padBottom = 42.0
	padLeft   = 44.0
	padRight  = 12.0
)

// Scene lays the histogram out. Without columns the scene holds axes only.
func (h Histogram) Scene() Scene {
	s := Scene{ID: h.ID, Width: h.Width, Height: h.Height, Title: h.Title, Desc: h.Desc}
	base := h.Height - padBottom
	var top float64
	for _, c := range h.Columns {
		top = math.Max(top, c.Value)
	}
	ticks := Ticks(0, math.Max(top, 1e-12), 4)
	if top == 0 {
		ticks = Ticks(0, 1, 1)
	}
	y := Scale{0, ticks[len(ticks)-1].Value, base, padTop}
	s.yAxis(ticks, y, padLeft, h.Width-padRight)
	s.add(Text{InkLabel, 0, 12, Start, h.YTitle})
	s.add(Text{InkLabel, h.Width - padRight, h.Height - 4, End, h.XTitle})
	h.columns(&s, y, base)
	s.rule(InkAxis, padLeft, base, h.Width-padRight, base)
	return s
}

func (h Histogram) columns(s *Scene, y Scale, base float64) {
	if len(h.Columns) == 0 {
		return
	}
	step := (h.Width - padLeft - padRight) / float64(len(h.Columns))
	at := func(k float64) float64 { return padLeft + k*step }
	for i, c := range h.Columns {
		if c.Value > 0 {
			top := math.Min(y.At(c.Value), base-1)
			s.add(Bar{Ink: c.Ink, X: at(float64(i)) + 1, Y: top, W: math.Max(step-2, 1), H: base - top, Title: c.Title})
		}
		if c.Label != "" {
			s.rule(InkAxis, at(float64(i)), base, at(float64(i)), base+4)
			s.add(Text{InkTick, at(float64(i)), base + 17, Middle, c.Label})
		}
	}
	if h.LastLabel != "" {
		end := at(float64(len(h.Columns)))
		s.rule(InkAxis, end, base, end, base+4)
		s.add(Text{InkTick, end, base + 17, End, h.LastLabel})
	}
	if h.Mark != nil {
		x := at(*h.Mark)
		s.rule("mark", x, padTop-18, x, base)
		s.add(Text{"mark-text", x - 6, padTop - 8, End, h.MarkLeft}, Text{"mark-text", x + 6, padTop - 8, Start, h.MarkRight})
	}
}

// yAxis draws grid lines and labels for the ticks.
func (s *Scene) yAxis(ticks []Tick, y Scale, left, right float64) {
	for _, t := range ticks {
		s.rule(InkGrid, left, y.At(t.Value), right, y.At(t.Value))
		s.add(Text{InkTick, left - 6, y.At(t.Value) + 4, End, t.Label})
	}
}

// Share is a horizontal bar that is split into parts.
type Share struct {
	ID, Title, Desc string
	Width, Height   float64
	Parts           []Column
}

// Scene lays the parts out from left to right, each as wide as its share of
// the sum. A sum of zero draws nothing.
func (h Share) Scene() Scene {
	s := Scene{ID: h.ID, Width: h.Width, Height: h.Height, Title: h.Title, Desc: h.Desc}
	var sum float64
	for _, p := range h.Parts {
		sum += math.Max(p.Value, 0)
	}
	if sum == 0 {
		return s
	}
	var x float64
	for _, p := range h.Parts {
		w := math.Max(p.Value, 0) / sum * h.Width
		if w > 0 {
			s.add(Bar{Ink: p.Ink, X: x, W: w, H: h.Height, Title: fmt.Sprintf("%s: %s", p.Label, p.Title)})
		}
		x += w
	}
	return s
}
