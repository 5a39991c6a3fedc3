package chart

import (
	"bufio"
	"fmt"
	"html"
	"io"
	"strconv"
)

// SVG writes the scene as an inline SVG element. It sets no style: each item
// carries its ink as a class with the prefix "ink-". All text is escaped. A
// scene without an ID is written as a meter: a small drawing in a line of
// text, whose title is all there is to read.
func SVG(w io.Writer, s Scene) error {
	out := bufio.NewWriter(w)
	size := fmt.Sprintf(`viewBox="0 0 %s %s" width="%s" height="%s"`, num(s.Width), num(s.Height), num(s.Width), num(s.Height))
	title := html.EscapeString(s.Title)
	if id := html.EscapeString(s.ID); id == "" {
		fmt.Fprintf(out, `<svg class="meter" role="img" %s aria-label="%s"><title>%s</title>`, size, title, title)
	} else {
		fmt.Fprintf(out, `<svg class="chart" role="img" %s aria-labelledby="%s-t %s-d"><title id="%s-t">%s</title><desc id="%s-d">%s</desc>`,
			size, id, id, id, title, id, html.EscapeString(s.Desc))
	}
	for _, it := range s.Items {
		writeItem(out, it)
	}
	out.WriteString("</svg>")
	return out.Flush()
}

func writeItem(out *bufio.Writer, it Item) {
	switch v := it.(type) {
	case Line:
		if len(v.Points) < 2 {
			return
		}
		fmt.Fprintf(out, `<path class="line %s" d="`, class(v.Ink))
		writePath(out, v.Points, 'M')
		out.WriteString(`"/>`)
	case Band:
		n := min(len(v.Upper), len(v.Lower))
		if n < 2 {
			return
		}
		back := make([]Point, n)
		for i := range back {
			back[i] = v.Lower[n-1-i]
		}
		fmt.Fprintf(out, `<path class="band %s" d="`, class(v.Ink))
		writePath(out, v.Upper[:n], 'M')
		writePath(out, back, 'L')
		out.WriteString(`Z"/>`)
	case Bar:
		fmt.Fprintf(out, `<rect class="bar %s" x="%s" y="%s" width="%s" height="%s"`,
			class(v.Ink), num(v.X), num(v.Y), num(v.W), num(v.H))
		if v.Title == "" {
			out.WriteString("/>")
			return
		}
		fmt.Fprintf(out, `><title>%s</title></rect>`, html.EscapeString(v.Title))
	case Text:
		fmt.Fprintf(out, `<text class="text %s" x="%s" y="%s"%s>%s</text>`,
			class(v.Ink), num(v.X), num(v.Y), anchor(v.Anchor), html.EscapeString(v.Value))
	}
}

// writePath writes the points as path commands; first is the command of the
// first point.
func writePath(out *bufio.Writer, points []Point, first byte) {
	for i, p := range points {
		if i == 0 {
			out.WriteByte(first)
		} else {
			out.WriteByte('L')
		}
		out.WriteString(num(p.X))
		out.WriteByte(' ')
		out.WriteString(num(p.Y))
	}
}

func class(ink Ink) string { return "ink-" + html.EscapeString(string(ink)) }

func anchor(a Anchor) string {
	switch a {
	case Middle:
		return ` text-anchor="middle"`
	case End:
		return ` text-anchor="end"`
	}
	return ""
}

// num writes a length with at most one decimal, which is finer than a pixel
// on any screen and keeps the page small.
func num(v float64) string {
	s := strconv.FormatFloat(v, 'f', 1, 64)
	if s[len(s)-1] == '0' {
		s = s[:len(s)-2]
	}
	if s == "-0" {
		return "0"
	}
	return s
}
