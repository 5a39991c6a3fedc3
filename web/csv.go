package web

import (
	"encoding/csv"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"fadeledger/analytics"
)

// cell makes a text safe for spreadsheets: where it could be read as a formula
// it gets an apostrophe in front.
func cell[S ~string](text S) string {
	if text != "" && strings.ContainsRune("=+-@\t\r\n|%", rune(text[0])) {
		return "'" + string(text)
	}
	return string(text)
}

// number writes a number for a machine: full precision, a point, no grouping.
func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func optional(v *float64) string {
	if v == nil {
		return ""
	}
	return number(*v)
}

// download sends rows as a CSV file. The rows come one by one: nothing is held
// back, so an error halfway can only cut the file off, which the broken
// connection tells.
type download struct {
	w   http.ResponseWriter
	csv *csv.Writer
}

func newDownload(w http.ResponseWriter, name string, header ...string) *download {
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="`+fileName(name)+`.csv"`)
	d := &download{w: w, csv: csv.NewWriter(w)}
	d.row(header...)
	return d
}

// row writes a row; csv.Writer keeps the first error for close.
func (d *download) row(cells ...string) { _ = d.csv.Write(cells) }

func (d *download) close() error {
	d.csv.Flush()
	return d.csv.Error()
}

// fileName keeps letters, digits, dot, dash and underscore.
func fileName(name string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_', r == '.':
			return r
		}
		return '_'
	}, name)
}

// abort cuts the connection, so that the reader sees that the file is not
// whole.
func (s *site) abort(r *http.Request, doing string, err error) {
	if r.Context().Err() == nil {
		s.log.Error("download failed", "doing", doing, "path", r.URL.Path, "err", err)
	}
	panic(http.ErrAbortHandler)
}

// handleFleetCSV answers GET /units.csv: all units of the filter.
func (s *site) handleFleetCSV(w http.ResponseWriter, r *http.Request) {
	q, err := readFilter(r.URL.Query())
	if err != nil {
		s.fail(w, r, "read the filter", err)
		return
	}
	q.After, q.Limit = "", 500
	page, err := s.cfg.Ledger.Units(r.Context(), q.UnitFilter)
	if err != nil {
		s.fail(w, r, "list units", err)
		return
	}
	d := newDownload(w, "units", "unit", "model", "stack", "site", "terms", "commissioned", "flags", "spent", "pace", "ends_on",
		"efc", "coverage", "charge_kwh", "discharge_kwh", "cold_charge_episodes", "cold_charge_kwh", "coldest_charge_c", "samples", "first", "last")
	for {
		for _, u := range page.Units {
			d.row(unitCells(u)...)
		}
		if page.Next == "" {
			break
		}
		q.After = page.Next
		if page, err = s.cfg.Ledger.Units(r.Context(), q.UnitFilter); err != nil {
			s.abort(r, "list units", err)
		}
	}
	if err := d.close(); err != nil {
		s.log.Debug("write csv", "err", err)
	}
}

func unitCells(u analytics.UnitRow) []string {
	flags := make([]string, len(u.Flags))
	for i, f := range u.Flags {
		flags[i] = string(f)
	}
	coldest := ""
	if u.ColdestCharge != nil {
		coldest = number(u.ColdestCharge.Celsius())
	}
	return []string{
		cell(u.Serial), cell(u.Model), cell(u.Stack), cell(u.Site), cell(u.Terms), dayCell(u.Commissioned), strings.Join(flags, " "),
		optional(u.Spent), optional(u.Pace), dayCell(u.EndsOn), number(u.EFC), number(u.Coverage),
		number(u.Energy.Charge.Round().KWh()), number(u.Energy.Discharge.Round().KWh()),
		strconv.FormatInt(u.ColdEpisodes, 10), number(u.ColdCharge.Round().KWh()), coldest,
		strconv.FormatInt(u.Samples, 10), instantCell(u.First), instantCell(u.Last),
	}
}

func dayCell(d *analytics.Day) string {
	if d == nil {
		return ""
	}
	return d.String()
}

func instantCell(i *analytics.Instant) string {
	if i == nil {
		return ""
	}
	return i.Time().Format(time.RFC3339Nano)
}

// csvSpan reads from and to, days as 2006-01-02, to included; absent ones give
// the whole life of the unit.
func csvSpan(r *http.Request, report analytics.UnitReport) (from, to analytics.Day, err error) {
	if report.Ledger.First != nil && report.Ledger.Last != nil {
		from, to = instantOf(*report.Ledger.First).Day(), instantOf(*report.Ledger.Last).Day()
	}
	for name, into := range map[string]*analytics.Day{"from": &from, "to": &to} {
		text := r.URL.Query().Get(name)
		if text == "" {
			continue
		}
		if *into, err = analytics.ParseDay(text); err != nil {
			return 0, 0, errors.Join(fmt.Errorf("%s: %w", name, err), analytics.ErrInvalid)
		}
	}
	return from, to + 1, nil
}

// instantOf turns the epoch seconds of a ledger into an instant.
func instantOf(seconds float64) analytics.Instant { return analytics.Instant(seconds*1000 + 0.5) }

// handleSamplesCSV answers GET /units/{serial}/samples.csv.
func (s *site) handleSamplesCSV(w http.ResponseWriter, r *http.Request) {
	report, from, to, ok := s.csvUnit(w, r)
	if !ok {
		return
	}
	serial := report.Unit.Serial
	d := newDownload(w, string(serial)+"-samples", "unit", "time", "soc_pct", "power_w", "current_a", "voltage_v",
		"cell_temp_c", "cell_temp_max_c", "charge_kwh", "discharge_kwh")
	err := s.cfg.Ledger.Samples(r.Context(), serial, from.Start(), to.Start(), func(v analytics.Sample) error {
		d.row(sampleCells(serial, v)...)
		return d.csv.Error()
	})
	if err != nil {
		s.abort(r, "read samples", err)
	}
	if err := d.close(); err != nil {
		s.log.Debug("write csv", "err", err)
	}
}

func sampleCells(serial analytics.Serial, v analytics.Sample) []string {
	value := func(field analytics.Fields, x float64) string {
		if v.Has&field == 0 {
			return ""
		}
		return number(x)
	}
	return []string{
		cell(serial), v.Time.Time().Format(time.RFC3339Nano),
		value(analytics.HasSoC, v.SoC.Percent()), value(analytics.HasPower, float64(v.Power)/1000),
		value(analytics.HasCurrent, float64(v.Current)/1000), value(analytics.HasVoltage, float64(v.Voltage)/1000),
		value(analytics.HasTemp, v.Temp.Celsius()), value(analytics.HasTempMax, v.TempMax.Celsius()),
		value(analytics.HasCharge, v.Charge.KWh()), value(analytics.HasDischarge, v.Discharge.KWh()),
	}
}

// csvUnit reads the unit and the span that a download asks for, and answers
// the request itself where that fails.
func (s *site) csvUnit(w http.ResponseWriter, r *http.Request) (report analytics.UnitReport, from, to analytics.Day, ok bool) {
	serial := serialOf(r)
	report, err := s.cfg.Ledger.Unit(r.Context(), serial)
	if errors.Is(err, analytics.ErrNotFound) {
		s.unknownUnit(w, r, serial)
		return report, 0, 0, false
	}
	if err == nil {
		from, to, err = csvSpan(r, report)
	}
	if err != nil {
		s.fail(w, r, "read the unit", err)
		return report, 0, 0, false
	}
	return report, from, to, true
}

// handleDaysCSV answers GET /units/{serial}/days.csv.
func (s *site) handleDaysCSV(w http.ResponseWriter, r *http.Request) {
	report, from, to, ok := s.csvUnit(w, r)
	if !ok {
		return
	}
	days, err := s.cfg.Ledger.Days(r.Context(), report.Unit.Serial, from, to)
	if err != nil {
		s.fail(w, r, "read days", err)
		return
	}
	d := newDownload(w, string(report.Unit.Serial)+"-days", "unit", "day", "samples", "covered_s", "checked_s",
		"charge_kwh", "discharge_kwh", "min_soc_pct", "max_soc_pct", "min_temp_c", "max_temp_c")
	for i := range days {
		d.row(dayCells(report.Unit.Serial, &days[i])...)
	}
	if err := d.close(); err != nil {
		s.log.Debug("write csv", "err", err)
	}
}

func dayCells(serial analytics.Serial, c *analytics.DayCount) []string {
	total := c.Total()
	when := func(ok bool, v float64) string {
		if !ok {
			return ""
		}
		return number(v)
	}
	return []string{
		cell(serial), c.Day.String(), strconv.FormatInt(c.Samples, 10), number(c.Covered.Seconds()), number(c.Checked.Seconds()),
		number(total.Charge.Round().KWh()), number(total.Discharge.Round().KWh()),
		when(c.HasSoC, c.MinSoC.Percent()), when(c.HasSoC, c.MaxSoC.Percent()),
		when(c.HasTemp, c.MinTemp.Celsius()), when(c.HasTemp, c.MaxTemp.Celsius()),
	}
}
