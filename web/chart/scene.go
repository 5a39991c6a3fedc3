// Package chart draws small charts in two steps. A layout function such as
// Histogram or Timeline places lines, bands, bars and text on a Scene; a back
// end such as SVG writes the scene out. Layout knows no output format and a
// back end knows no chart, so another back end can be added beside SVG.
//
// The package does no I/O but to the writer it is given, and holds no state.
package chart

// Point is a place on a scene: X grows to the right, Y downwards, both in the
// scene's own length unit (CSS pixels for SVG).
type Point struct{ X, Y float64 }

// Ink names a style by meaning. A back end maps it to colours and widths; the
// SVG back end writes it as a class, so the style sheet decides.
type Ink string

// The inks that layout functions use themselves. Callers name further ones for
// their series.
const (
	InkAxis  Ink = "axis"
	InkGrid  Ink = "grid"
	InkTick  Ink = "tick"
	InkLabel Ink = "label"
)

// Anchor says which part of a text stands at its point.
type Anchor uint8

// The anchors of a text.
const (
	Start Anchor = iota
	Middle
	End
)

// Item is a thing on a scene: Line, Band, Bar or Text.
type Item interface{ item() }

// Line is a stroke through its points; fewer than two points draw nothing.
type Line struct {
	Ink    Ink
	Points []Point
}

// Band is the area between two edges that share their X values.
//   - edges of different length: the shorter one decides
//   - fewer than two points: nothing is drawn
type Band struct {
	Ink          Ink
	Upper, Lower []Point
}

// Bar is a filled rectangle. Title, where set, is shown when a pointer rests
// on it and read by assistive technology.
type Bar struct {
	Ink        Ink
	X, Y, W, H float64
	Title      string
}

// Text is one line of text whose baseline stands at (X, Y).
type Text struct {
	Ink    Ink
	X, Y   float64
	Anchor Anchor
	Value  string
}

func (Line) item() {}
func (Band) item() {}
func (Bar) item()  {}
func (Text) item() {}

// Scene is a finished drawing.
type Scene struct {
	// ID is unique within the page; it names the title for assistive
	// technology. Empty marks a small drawing in a line of text.
	ID            string
	Width, Height float64
	// Title says what is drawn, Desc what it shows, both in words.
	Title, Desc string
	Items       []Item
}

func (s *Scene) add(items ...Item) { s.Items = append(s.Items, items...) }

// rule adds a straight line.
func (s *Scene) rule(ink Ink, x1, y1, x2, y2 float64) {
	s.add(Line{Ink: ink, Points: []Point{{x1, y1}, {x2, y2}}})
}
