package web

import (
	"net/http"
	"strconv"

	"fadeledger/analytics"
)

// correctionRow is a correction in a list.
type correctionRow struct{ At, By, Why, Span, Effect, Href, Number string }

// recountRow says that days were counted again.
type recountRow struct{ At, From, Days, Reason string }

// counterRow is something that happened to the counters at one instant.
type counterRow struct{ At, Text string }

// stayRow is where the unit was.
type stayRow struct {
	Since, Place, Href string
	Current            bool
}

// correctionsOnUnit is the number of corrections on the unit page.
const correctionsOnUnit = 50

// addBooks adds disputes, corrections and places.
func (s *site) addBooks(r *http.Request, serial analytics.Serial, p *unitPage) error {
	if err := s.addDisputes(r, serial, p); err != nil {
		return err
	}
	corrections, err := s.cfg.Ledger.Corrections(r.Context(), serial)
	if err != nil {
		return err
	}
	for i := range corrections[:min(len(corrections), correctionsOnUnit)] {
		p.Corrections = append(p.Corrections, correctionRowOf(&corrections[i]))
	}
	if s.corrects(r) {
		p.CorrectHref = unitHref(serial, "/corrections/new")
	}
	stays, err := s.cfg.Ledger.Stays(r.Context(), serial)
	if err != nil {
		return err
	}
	for i, stay := range stays {
		p.Stays = append(p.Stays, stayRowOf(stay, i == 0))
	}
	return nil
}

func correctionRowOf(c *analytics.Correction) correctionRow {
	row := correctionRow{At: when(c.At), By: visible(c.By, longestBy), Why: visible(c.Why, longestWhy), Span: spanWords(c.From, c.To),
		Effect: "nothing counts", Href: correctionHref(c.Serial, c.ID), Number: strconv.FormatInt(c.ID, 10)}
	if n := len(c.Samples); n > 0 {
		row.Effect = plural(int64(n), "sample counts", "samples count")
	}
	return row
}

func (u *unitView) recounts() []recountRow {
	var rows []recountRow
	for _, c := range u.Recounts {
		row := recountRow{At: when(c.At), From: exact(c.From), Reason: visible(c.Reason, longestReason)}
		if c.Days > 0 {
			row.Days = plural(int64(c.Days), "day", "days")
		}
		rows = append(rows, row)
	}
	return rows
}

// counters are the events of the lifetime counters, the newest first. What
// happens to both counters at one instant is one event: a control board that
// is replaced starts both again.
func (u *unitView) counters() []counterRow {
	var rows []counterRow
	for i := len(u.Ledger.Events) - 1; i >= 0; i-- {
		e, which := u.Ledger.Events[i], u.Ledger.Events[i].Field
		if i > 0 {
			if o := u.Ledger.Events[i-1]; o.At == e.At && o.Kind == e.Kind && o.Field != e.Field {
				which = ""
				i--
			}
		}
		rows = append(rows, counterRow{exact(e.At), counterWords(e.Kind, which)})
	}
	return rows
}

// counterWords says what happened to a counter; an empty field means both.
func counterWords(kind analytics.EventKind, field string) string {
	which := map[string]string{"": "Both lifetime counters", "charge_mwh": "The counter of energy charged", "discharge_mwh": "The counter of energy discharged"}[field]
	if which == "" {
		which = "The counter " + label(field)
	}
	switch {
	case kind == analytics.CounterReset && field == "":
		return which + " began again from a lower value, as those of a new control board do. What they had counted before is kept."
	case kind == analytics.CounterReset:
		return which + " went back to a lower value. What it had counted before is kept."
	case kind == analytics.CounterImplausible:
		return which + " rose by more than the unit can do. That rise is not counted."
	}
	return which + ": " + label(kind) + "."
}

func stayRowOf(s analytics.Stay, current bool) stayRow {
	row := stayRow{Since: "since before it was recorded", Current: current}
	if s.Since != 0 {
		row.Since = "since " + exact(s.Since)
	}
	if s.Stack != "" {
		row.Place = "stack " + label(s.Stack)
		if s.Position > 0 {
			row.Place += ", position " + strconv.Itoa(s.Position)
		}
	}
	if s.Site != "" {
		if row.Place != "" {
			row.Place += ", "
		}
		row.Place += "site " + label(s.Site)
		row.Href = fleetQuery{analytics.UnitFilter{Site: s.Site}}.href("/") + "#units"
	}
	if row.Place == "" {
		row.Place = "no stack and no site"
	}
	return row
}
