package chart

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// Span is a stretch of values in one slice of time: what one column of pixels
// shows of many samples.
type Span struct {
	// At is in Unix seconds; Low and High are the extremes.
	At, Low, High float64
}

// Series is a run of spans, drawn as a band between two lines, or as one line
// where low and high fall together. A stretch longer than Break without a span is left
// open, because nothing is known about it.
type Series struct {
	Ink   Ink
	Spans []Span
	// Break is in seconds; 0 never breaks.
	Break float64
	// Bars draws each span as a bar from Low to High, BarWidth seconds wide,
	// instead.
	Bars     bool
	BarWidth float64
}

// Level is a horizontal line at a value, such as a limit.
type Level struct {
	Ink   Ink
	Value float64
	Label string
}

// Panel is one strip of a timeline with its own vertical axis.
type Panel struct {
	// Title names the quantity with its unit.
	Title  string
	Series []Series
	Levels []Level
	// Low and High are always inside the axis.
	Low, High float64
}

// Mark shades a stretch of time across all panels.
type Mark struct {
	Ink      Ink
	From, To float64
	// Label stands above the stretch where there is room; Title explains it.
	Label, Title string
}

// Timeline is a stack of panels over a common axis of time.
type Timeline struct {
	ID, Title, Desc string
	Width           float64
	// PanelHeight is the height of one panel without its title.
	PanelHeight float64
	// From and To are in Unix seconds.
	From, To float64
	Zone     *time.Location
	// TimeTitle stands below the axis and names the zone.
	TimeTitle string
	Panels    []Panel
	// Marks in any order.
	Marks []Mark
}

const (
	panelGap  = 30.0
	markStrip = 18.0
	timeStrip = 44.0
	// labelWidth is about the width of a character of a label.
	labelWidth = 6.3
)

// Scene lays the timeline out.
func (t Timeline) Scene() Scene {
	n := float64(len(t.Panels))
	height := markStrip + n*(t.PanelHeight+panelGap) + timeStrip
	s := Scene{ID: t.ID, Width: t.Width, Height: height, Title: t.Title, Desc: t.Desc}
	x := Scale{t.From, t.To, padLeft, t.Width - padRight}
	top := markStrip + panelGap
	bottom := top + n*t.PanelHeight + (n-1)*panelGap
	t.marks(&s, x, bottom)
	for i, p := range t.Panels {
		y0 := top + float64(i)*(t.PanelHeight+panelGap)
		p.draw(&s, x, y0, y0+t.PanelHeight)
	}
	t.timeAxis(&s, x, bottom)
	return s
}

// marks draws the shaded stretches, and a label where it runs neither into
// the one before it nor off the scene.
func (t Timeline) marks(s *Scene, x Scale, bottom float64) {
	marks := slices.Clone(t.Marks)
	slices.SortStableFunc(marks, func(a, b Mark) int { return cmp.Compare(a.From, b.From) })
	free := 0.0
	// drawn is how far each ink reaches: where marks of one kind overlap, their
	// shades must not add up.
	drawn := map[Ink]float64{}
	for _, m := range marks {
		if m.To < t.From || m.From > t.To {
			continue
		}
		a, b := x.Clamp(m.From), x.Clamp(m.To)
		w := math.Max(b-a, 2)
		if left := math.Max(a, drawn[m.Ink]); left < a+w {
			s.add(Bar{Ink: m.Ink, X: left, Y: markStrip, W: a + w - left, H: bottom - markStrip, Title: m.Title})
			drawn[m.Ink] = a + w
		}
		room := labelWidth * float64(len(m.Label))
		switch {
		case m.Label == "":
		case a >= free && a+room <= t.Width:
			s.add(Text{m.Ink + "-text", a, markStrip - 5, Start, m.Label})
			free = a + room + 8
		case a+w-room >= free && a+room > t.Width:
			s.add(Text{m.Ink + "-text", a + w, markStrip - 5, End, m.Label})
			free = t.Width
		}
	}
}

func (t Timeline) timeAxis(s *Scene, x Scale, bottom float64) {
	s.rule(InkAxis, x.A, bottom, x.B, bottom)
	from, to := time.Unix(int64(t.From), 0), time.Unix(int64(t.To), 0)
	n := int(math.Max(2, (x.B-x.A)/64))
	for _, k := range TimeTicks(from, to, t.Zone, n) {
		p := x.At(k.Value)
		s.rule(InkAxis, p, bottom, p, bottom+5)
		a := Middle
		if p > x.B-20 {
			a = End
		}
		s.add(Text{InkTick, p, bottom + 19, a, k.Label})
	}
	s.add(Text{InkLabel, x.B, bottom + 38, End, t.TimeTitle})
}

func (p Panel) draw(s *Scene, x Scale, top, bottom float64) {
	low, high := p.Low, p.High
	for _, r := range p.Series {
		for _, v := range r.Spans {
			low, high = math.Min(low, v.Low), math.Max(high, v.High)
		}
	}
	ticks := Ticks(low, high, 3)
	y := Scale{ticks[0].Value, ticks[len(ticks)-1].Value, bottom, top}
	s.yAxis(ticks, y, x.A, x.B)
	s.add(Text{InkLabel, x.A, top - 9, Start, p.Title})
	for _, r := range p.Series {
		r.draw(s, x, y)
	}
	for _, l := range p.Levels {
		if l.Value < y.From || l.Value > y.To {
			continue
		}
		s.rule(l.Ink, x.A, y.At(l.Value), x.B, y.At(l.Value))
		if l.Label != "" {
			s.add(Text{l.Ink + "-text", x.B - 2, y.At(l.Value) - 4, End, l.Label})
		}
	}
}

func (r Series) draw(s *Scene, x, y Scale) {
	if r.Bars {
		for _, v := range r.Spans {
			a, b := x.Clamp(v.At), x.Clamp(v.At+r.BarWidth)
			s.add(Bar{Ink: r.Ink, X: a, Y: y.At(v.High), W: math.Max(b-a-0.5, 0.8), H: math.Max(y.At(v.Low)-y.At(v.High), 0)})
		}
		return
	}
	for _, run := range r.runs() {
		upper := make([]Point, len(run))
		lower := make([]Point, len(run))
		wide := false
		for i, v := range run {
			px := x.At(v.At)
			upper[i], lower[i] = Point{px, y.At(v.High)}, Point{px, y.At(v.Low)}
			wide = wide || lower[i].Y-upper[i].Y > 1
		}
		if len(run) == 1 {
			s.add(Bar{Ink: r.Ink, X: upper[0].X - 0.7, Y: upper[0].Y - 0.7, W: 1.4, H: lower[0].Y - upper[0].Y + 1.4})
			continue
		}
		s.add(Line{Ink: r.Ink, Points: upper})
		if wide {
			s.add(Band{Ink: r.Ink, Upper: upper, Lower: lower}, Line{Ink: r.Ink, Points: lower})
		}
	}
}

// runs splits the spans where more than Break seconds are unknown.
func (r Series) runs() [][]Span {
	var out [][]Span
	start := 0
	for i := 1; i < len(r.Spans); i++ {
		if r.Break > 0 && r.Spans[i].At-r.Spans[i-1].At > r.Break {
			out = append(out, r.Spans[start:i])
			start = i
		}
	}
	if start < len(r.Spans) {
		out = append(out, r.Spans[start:])
	}
	return out
}
