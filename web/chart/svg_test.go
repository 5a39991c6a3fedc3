package chart_test

import (
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fadeledger/web/chart"
)

var update = flag.Bool("update", false, "write the golden files")

// golden compares with testdata/<name>.svg. Elements stand on lines of their
// own there, so that a difference can be read.
func golden(t *testing.T, name string, s chart.Scene) {
	t.Helper()
	var b strings.Builder
	if err := chart.SVG(&b, s); err != nil {
		t.Fatal(err)
	}
	wellFormed(t, b.String())
	got := strings.ReplaceAll(b.String(), "><", ">\n<") + "\n"
	path := filepath.Join("testdata", name+".svg")
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs:\n%s", path, got)
	}
}

func wellFormed(t *testing.T, text string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(text))
	for {
		_, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("not well formed: %v\n%s", err, text)
		}
	}
}

func TestHistogram(t *testing.T) {
	t.Parallel()
	mark := 2.0
	golden(t, "histogram", chart.Histogram{
		ID: "pace", Title: "Units by pace", Desc: "6 units.", Width: 256, Height: 172, YTitle: "units", XTitle: "pace",
		Columns: []chart.Column{{Label: "0", Value: 4, Title: "0 to 0.5: 4", Ink: "calm"}, {}, {Label: "1", Value: 2, Ink: "ahead"}, {Value: -3}},
		Mark:    &mark, MarkLeft: "4 within", MarkRight: "2 ahead",
	}.Scene())
	golden(t, "histogram-without-columns", chart.Histogram{ID: "e", Title: "Empty", Width: 256, Height: 172}.Scene())
}

func TestShare(t *testing.T) {
	t.Parallel()
	golden(t, "share", chart.Share{ID: "b", Title: "Energy by basis", Width: 100, Height: 10, Parts: []chart.Column{
		{Label: "counter", Value: 3, Title: "75 %", Ink: "a"}, {Label: "power", Value: 0, Ink: "b"}, {Label: "soc", Value: 1, Title: "25 %", Ink: "c"}}}.Scene())
}

func TestTimeline(t *testing.T) {
	t.Parallel()
	at := float64(time.Date(2026, 1, 10, 0, 0, 0, 0, time.UTC).Unix())
	golden(t, "timeline", chart.Timeline{
		ID: "h", Title: "A day", Desc: "One episode.", Width: 356, PanelHeight: 50, From: at, To: at + 86400, Zone: time.UTC, TimeTitle: "UTC",
		Panels: []chart.Panel{
			{Title: "soc", High: 100, Series: []chart.Series{{Ink: "soc", Break: 7200, Spans: []chart.Span{
				{At: at, Low: 10, High: 30}, {At: at + 3600, Low: 20, High: 20}, {At: at + 36000, Low: 50, High: 60}}}}},
			{Title: "energy", Low: -1, High: 1, Levels: []chart.Level{{Ink: "zero"}, {Ink: "limit", Value: 99}},
				Series: []chart.Series{{Ink: "in", Bars: true, BarWidth: 43200, Spans: []chart.Span{{At: at, Low: 0, High: 1}}}}},
		},
		Marks: []chart.Mark{
			{Ink: "cold", From: at + 80000, To: at + 80000, Label: "cold charge", Title: "at the end"},
			{Ink: "cold", From: at + 1000, To: at + 8000, Label: "cold charge"},
			{Ink: "cold", From: at + 9000, To: at + 9500, Label: "no room for this"},
			{Ink: "cold", From: at - 9000, To: at - 100, Label: "before"},
		},
	}.Scene())
}

func TestSVGEscapes(t *testing.T) {
	t.Parallel()
	hostile := `"><script>alert(1)</script>&`
	var b strings.Builder
	err := chart.SVG(&b, chart.Scene{ID: hostile, Title: hostile, Desc: hostile, Items: []chart.Item{
		chart.Text{Ink: chart.Ink(hostile), Value: hostile}, chart.Bar{Title: hostile}, chart.Line{Ink: chart.Ink(hostile), Points: []chart.Point{{}, {X: 1}}}}})
	if err != nil {
		t.Fatal(err)
	}
	wellFormed(t, b.String())
	if strings.Contains(b.String(), "<script") {
		t.Errorf("markup came through: %s", b.String())
	}
}

func TestSVGMeterHasNoID(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	if err := chart.SVG(&b, chart.Scene{Title: "34 % spent", Width: 10, Height: 5}); err != nil {
		t.Fatal(err)
	}
	want := `<svg class="meter" role="img" viewBox="0 0 10 5" width="10" height="5" aria-label="34 % spent"><title>34 % spent</title></svg>`
	if b.String() != want {
		t.Errorf("got %s\nwant %s", b.String(), want)
	}
}
