package web

import (
	"net/http"
	"strconv"

	"fadeledger/analytics"
	"fadeledger/web/chart"
)

// historyView shows state of charge, power and temperature over a span.
type historyView struct {
	Chart   drawing
	Spans   []spanLink
	Earlier string
	Later   string
	Range   string
	Empty   string
	Legend  []legend
}

type spanLink struct {
	Title, Href string
	Current     bool
}

type legend struct{ Ink, Text string }

// span is a choice of how much time the history shows.
type span struct {
	key, title string
	days       int
	// raw spans are drawn from samples, others from days.
	raw bool
}

var spans = []span{
	{"1d", "1 day", 1, true}, {"7d", "7 days", 7, true}, {"30d", "30 days", 30, true},
	{"90d", "90 days", 90, false}, {"1y", "1 year", 365, false}, {"5y", "5 years", 1826, false},
}

// defaultSpan is shown unless another is asked for.
const defaultSpan = 1

// window is the stretch of time that the history shows.
type window struct {
	span
	from, to analytics.Instant
	// last marks the window that ends with the newest sample.
	last bool
}

// readWindow reads span and until (a UTC day, included) from the address;
// until is the newest sample unless given. What is not understood falls back.
func readWindow(spanKey, until string, newest analytics.Instant) window {
	w := window{span: spans[defaultSpan], to: newest + 1, last: true}
	for _, s := range spans {
		if s.key == spanKey {
			w.span = s
		}
	}
	if !w.raw {
		w.to = (newest.Day() + 1).Start()
	}
	if d, err := analytics.ParseDay(until); err == nil && d < newest.Day() {
		w.to, w.last = (d + 1).Start(), false
	}
	w.from = w.to - analytics.Instant(int64(w.days)*int64(analytics.DayLength))
	return w
}

// href is the address of a window that ends with the day until, or with the
// newest sample for until nil.
func (u *unitView) href(key string, until *analytics.Day) string {
	below := "?span=" + key
	if until != nil {
		below += "&until=" + until.String()
	}
	return unitHref(u.Unit.Serial, below) + "#history"
}

// addHistory adds what needs samples and days.
func (s *site) addHistory(r *http.Request, u *unitView, p *unitPage) error {
	if u.newest == 0 {
		p.History.Empty = "No sample counts yet."
		p.Coverage.Empty = "No sample counts yet."
		return nil
	}
	w := readWindow(r.URL.Query().Get("span"), r.URL.Query().Get("until"), u.newest)
	yearAgo := u.newest.Day() - 364
	days, err := s.cfg.Ledger.Days(r.Context(), u.Unit.Serial, min(yearAgo, w.from.Day()), u.newest.Day()+1)
	if err != nil {
		return err
	}
	h := newHistory(u, w)
	if w.raw {
		err = s.cfg.Ledger.Samples(r.Context(), u.Unit.Serial, w.from, w.to, func(v analytics.Sample) error {
			h.sample(v)
			return nil
		})
	} else {
		h.days(days)
	}
	if err != nil {
		return err
	}
	p.History = h.view()
	p.Links.SpanSamples = p.Links.Samples + "?from=" + w.from.Day().String() + "&to=" + (w.to - 1).Day().String()
	year := daysFrom(days, yearAgo)
	p.Coverage = u.coverage(year, yearAgo)
	p.Days = dayRows(year)
	return nil
}

func daysFrom(days []analytics.DayCount, from analytics.Day) []analytics.DayCount {
	for i := range days {
		if days[i].Day >= from {
			return days[i:]
		}
	}
	return nil
}

// history gathers the values of a window by slice of time.
type history struct {
	u *unitView
	w window
	// slices divide the window; each keeps the extremes of its samples.
	soc, power, temp slots
	in, out          []chart.Span
}

// slots keep the lowest and the highest value of each slice of time.
type slots struct {
	spans []chart.Span
	from  analytics.Instant
	width float64
}

// slicesOf is the number of slices at full width, a pixel each.
const slicesOf = 1020

func newHistory(u *unitView, w window) *history {
	n := slicesOf
	if !w.raw {
		n = w.days
	}
	width := float64(w.to-w.from) / float64(n)
	slot := slots{from: w.from, width: width}
	return &history{u: u, w: w, soc: slot, power: slot, temp: slot}
}

// add takes a value. Values come in order of time.
func (s *slots) add(at analytics.Instant, low, high float64) {
	k := int(float64(at-s.from) / s.width)
	middle := (float64(s.from) + (float64(k)+0.5)*s.width) / 1000
	if n := len(s.spans); n > 0 && s.spans[n-1].At == middle {
		last := &s.spans[n-1]
		last.Low, last.High = min(last.Low, low), max(last.High, high)
		return
	}
	s.spans = append(s.spans, chart.Span{At: middle, Low: low, High: high})
}

// thinned merges slices so that they are at least width seconds wide.
func (s *slots) thinned(width float64) []chart.Span {
	if width*1000 <= s.width {
		return s.spans
	}
	out := slots{from: s.from, width: width * 1000}
	for _, v := range s.spans {
		out.add(analytics.Instant(v.At*1000), v.Low, v.High)
	}
	return out.spans
}

func (h *history) sample(v analytics.Sample) {
	if v.Has&analytics.HasSoC != 0 {
		h.soc.add(v.Time, v.SoC.Percent(), v.SoC.Percent())
	}
	if v.Has&analytics.HasTemp != 0 {
		h.temp.add(v.Time, v.Temp.Celsius(), v.Temp.Celsius())
	}
	switch {
	case v.Has&analytics.HasPower != 0:
		kw := float64(v.Power) / 1e6
		h.power.add(v.Time, kw, kw)
	case v.Has&analytics.HasCurrent != 0 && v.Has&analytics.HasVoltage != 0:
		kw := float64(v.Current) * float64(v.Voltage) / 1e9
		h.power.add(v.Time, kw, kw)
	}
}

func (h *history) days(days []analytics.DayCount) {
	for i := range days {
		d := &days[i]
		at := d.Day.Start()
		if at < h.w.from || at >= h.w.to {
			continue
		}
		if d.HasSoC {
			h.soc.add(at, d.MinSoC.Percent(), d.MaxSoC.Percent())
		}
		if d.HasTemp {
			h.temp.add(at, d.MinTemp.Celsius(), d.MaxTemp.Celsius())
		}
		total := d.Total()
		s := at.Seconds()
		h.in = append(h.in, chart.Span{At: s, Low: 0, High: total.Charge.Round().KWh()})
		h.out = append(h.out, chart.Span{At: s, Low: -total.Discharge.Round().KWh(), High: 0})
	}
}

func (h *history) view() historyView {
	u, w := h.u, h.w
	v := historyView{Range: moment(w.from, u.zone) + " to " + moment(w.to-1, u.zone)}
	until := w.to.Day() - 1
	for _, s := range spans {
		link := spanLink{Title: s.title, Current: s.key == w.key}
		link.Href = u.href(s.key, nil)
		if !w.last {
			link.Href = u.href(s.key, &until)
		}
		v.Spans = append(v.Spans, link)
	}
	earlier := (w.to - 1).Day() - analytics.Day(w.days)
	if u.Ledger.First != nil && instantOf(*u.Ledger.First) < w.from {
		v.Earlier = u.href(w.key, &earlier)
	}
	if !w.last {
		later := until + analytics.Day(w.days)
		v.Later = u.href(w.key, &later)
	}
	if len(h.soc.spans)+len(h.power.spans)+len(h.temp.spans)+len(h.in) == 0 {
		v.Empty = "Nothing was reported in this span."
		return v
	}
	marks, kinds := h.marks()
	v.Legend = kinds
	v.Chart = draw(func(width float64, id string) chart.Scene { return h.timeline(width, id, marks).Scene() }, "history", wideWidth)
	return v
}

// marks are the excursions inside the window, and a legend of their kinds.
func (h *history) marks() ([]chart.Mark, []legend) {
	var marks []chart.Mark
	var seen [analytics.ExcursionKinds]int64
	for _, e := range h.u.Ledger.Excursions {
		if e.End < h.w.from || e.Start >= h.w.to {
			continue
		}
		seen[e.Kind]++
		marks = append(marks, chart.Mark{
			Ink: chart.Ink("mark-" + kindInk(e.Kind)), From: e.Start.Seconds(), To: e.End.Seconds(), Label: kindName(e.Kind),
			Title: kindName(e.Kind) + ", " + moment(e.Start, h.u.zone) + ", " + length(e.Length()),
		})
	}
	var kinds []legend
	for k, n := range seen {
		if n > 0 {
			kind := analytics.ExcursionKind(k)
			kinds = append(kinds, legend{kindInk(kind), kindName(kind) + ": " + plural(n, "episode", "episodes")})
		}
	}
	return marks, kinds
}

func (h *history) timeline(width float64, id string, marks []chart.Mark) chart.Timeline {
	from, to := h.w.from.Seconds(), h.w.to.Seconds()
	slice := (to - from) / (width - 60)
	gap := max(h.gap(), 2.5*slice)
	series := func(ink chart.Ink, s *slots) []chart.Series {
		return []chart.Series{{Ink: ink, Spans: s.thinned(slice), Break: gap}}
	}
	t := chart.Timeline{
		ID: id, Title: "State of charge, power and cell temperature, " + h.w.title, Width: width, PanelHeight: 104,
		Desc: strconv.Itoa(len(marks)) + " episodes over a limit in this span; all are listed below.",
		From: from, To: to, Zone: h.u.zone, TimeTitle: "time, " + h.u.zoneName, Marks: marks,
	}
	t.Panels = []chart.Panel{{Title: "state of charge, %", Series: series("soc", &h.soc), High: 100}}
	if h.w.raw {
		t.Panels = append(t.Panels, chart.Panel{Title: "power, kW (+ charging, − discharging)", Series: series("power", &h.power), Low: -0.5, High: 0.5,
			Levels: []chart.Level{{Ink: "zero"}}})
	} else {
		bars := func(ink chart.Ink, s []chart.Span) chart.Series {
			return chart.Series{Ink: ink, Spans: s, Bars: true, BarWidth: analytics.DayLength.Seconds()}
		}
		t.Panels = append(t.Panels, chart.Panel{Title: "energy per day, kWh (+ charged, − discharged)", Levels: []chart.Level{{Ink: "zero"}},
			Series: []chart.Series{bars("in", h.in), bars("out", h.out)}, Low: -1, High: 1})
	}
	temp := chart.Panel{Title: "coldest cell, °C", Series: series("temp", &h.temp), Low: 5, High: 20}
	if m := h.u.Model; m != nil {
		if low, _, ok := m.ChargeLimit.Flat(); ok {
			temp.Levels = append(temp.Levels, chart.Level{Ink: "limit", Value: low.Celsius(), Label: "full charge rate only above " + celsius(low)})
		}
	}
	t.Panels = append(t.Panels, temp)
	return t
}

// gap is the time in seconds over which a line is not drawn through.
func (h *history) gap() float64 {
	if !h.w.raw {
		return 1.5 * analytics.DayLength.Seconds()
	}
	if h.u.Model != nil {
		return h.u.Model.Gap().Seconds()
	}
	return analytics.DefaultMaxGap.Seconds()
}

// coverageView shows how much of each day is covered.
type coverageView struct {
	Chart drawing
	Text  string
	Empty string
}

func (u *unitView) coverage(days []analytics.DayCount, from analytics.Day) coverageView {
	if len(days) == 0 {
		return coverageView{Empty: "Nothing was covered in the year before the newest sample."}
	}
	var full, part int64
	var bars []chart.Span
	for i := range days {
		share := days[i].Covered.Seconds() / analytics.DayLength.Seconds()
		switch {
		case share >= 0.95:
			full++
		case share > 0:
			part++
		}
		bars = append(bars, chart.Span{At: days[i].Day.Start().Seconds(), High: share * 100})
	}
	to := u.newest.Day() + 1
	v := coverageView{Text: "Of the " + plural(int64(to-from), "day", "days") + " before the newest sample, " + count(full) +
		" are covered for at least 95" + nbsp + "% of the day and " + count(part) + " in part; the rest is unknown."}
	v.Chart = draw(func(width float64, id string) chart.Scene {
		return chart.Timeline{
			ID: id, Title: "Covered part of each day", Desc: v.Text, Width: width, PanelHeight: 44,
			From: from.Start().Seconds(), To: to.Start().Seconds(), Zone: u.zone, TimeTitle: "UTC days",
			Panels: []chart.Panel{{Title: "covered, % of the day", High: 100,
				Series: []chart.Series{{Ink: "cover", Spans: bars, Bars: true, BarWidth: analytics.DayLength.Seconds()}}}},
		}.Scene()
	}, "coverage", wideWidth)
	return v
}

type dayRow struct{ Day, Samples, Covered, Charge, Discharge, SoC, Temps, Cycles string }

// shownDays is the number of days in the table of days.
const shownDays = 31

// dayRows are the newest days first.
func dayRows(days []analytics.DayCount) []dayRow {
	var rows []dayRow
	for i := len(days) - 1; i >= 0 && len(rows) < shownDays; i-- {
		d := &days[i]
		total := d.Total()
		row := dayRow{
			Day: date(d.Day), Samples: count(d.Samples), Covered: percent(d.Covered.Seconds() / analytics.DayLength.Seconds()),
			Charge: flow(total.Charge), Discharge: flow(total.Discharge), SoC: "unknown",
			Temps: temps(d.HasTemp, d.MinTemp, d.MaxTemp), Cycles: "none",
		}
		if d.HasSoC {
			row.SoC = decimal(d.MinSoC.Percent(), 1) + " to " + decimal(d.MaxSoC.Percent(), 1) + nbsp + "%"
		}
		var halves int64
		for _, n := range d.Closed {
			halves += n
		}
		if halves > 0 {
			row.Cycles = decimal(float64(halves)/2, 1)
		}
		rows = append(rows, row)
	}
	return rows
}
