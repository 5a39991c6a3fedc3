package web

import (
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"fadeledger/analytics"
)

// unitPage is everything the unit page shows.
type unitPage struct {
	Serial   string
	Subtitle []term
	Verdict  string
	// Tone is ahead, cold, quiet or calm: the weightiest flag.
	Tone     string
	Flags    []analytics.Flag
	Figures  []figure
	Measures []measureRow
	// MeasuresNote says what the pace lacks, or that there are no terms.
	MeasuresNote string
	Terms        []term
	Caution      bool
	Depth        depthView
	Basis        basisView
	History      historyView
	Excursions   excursionsView
	Coverage     coverageView
	Days         []dayRow
	Disputes     disputesView
	// Disputed says how many instants are in dispute, empty for none.
	Disputed    string
	Corrections []correctionRow
	// CorrectHref is where a correction is made, empty where none can be.
	CorrectHref string
	Recounts    []recountRow
	Counters    []counterRow
	Stays       []stayRow
	Quarantined int64
	Links       unitLinks
	Zone        string
}

// term is a name with its value.
type term struct{ Name, Value, Href string }

type unitLinks struct{ Ledger, Samples, SpanSamples, Days, Quarantine string }

// measureRow is one measure of the terms.
type measureRow struct {
	Name                           string
	Governing                      bool
	Spent, Used, Limit, Pace, Ends string
	Ahead                          bool
}

// unitView is the unit with what is derived once for all sections.
type unitView struct {
	analytics.UnitReport
	zone *time.Location
	// zoneName is how times on the page are to be read.
	zoneName string
	now      time.Time
	newest   analytics.Instant
}

func (s *site) unitView(rep analytics.UnitReport) unitView {
	u := unitView{UnitReport: rep, zone: time.UTC, zoneName: "UTC", now: s.cfg.Now()}
	if rep.Site != nil && rep.Site.Zone != "" {
		if zone, err := time.LoadLocation(rep.Site.Zone); err == nil {
			u.zone, u.zoneName = zone, zoneWords(rep.Site.Zone, zone, u.now)
		}
	}
	if rep.Ledger.Last != nil {
		u.newest = instantOf(*rep.Ledger.Last)
	}
	return u
}

// zoneNote says in which zone times are written, and how it relates to UTC.
func (u *unitView) zoneNote() string {
	if u.zone == time.UTC {
		return "Times are UTC."
	}
	at := u.now
	if u.newest != 0 {
		at = u.newest.Time()
	}
	zone := u.zoneName
	if !strings.HasPrefix(zone, "fixed offset") {
		zone += ", UTC" + at.In(u.zone).Format("-07:00") + " at its newest sample"
	}
	return "Times are local to the site (" + zone + "); days are UTC days."
}

// zoneWords names a zone. The names below Etc/ count against the sign that
// everybody expects, so that a fixed offset is written as one.
func zoneWords(name string, zone *time.Location, at time.Time) string {
	if strings.HasPrefix(name, "Etc/") {
		return "fixed offset UTC" + at.In(zone).Format("-07:00")
	}
	return label(name)
}

// handleUnit answers GET /units/{serial}.
func (s *site) handleUnit(w http.ResponseWriter, r *http.Request) {
	serial := serialOf(r)
	rep, err := s.cfg.Ledger.Unit(r.Context(), serial)
	if errors.Is(err, analytics.ErrNotFound) {
		s.unknownUnit(w, r, serial)
		return
	}
	if err != nil {
		s.fail(w, r, "read the unit", err)
		return
	}
	u := s.unitView(rep)
	page := u.page(r.URL.Query().Get("excursions") == "all")
	if err := s.addHistory(r, &u, &page); err != nil {
		s.fail(w, r, "read the history of the unit", err)
		return
	}
	if err := s.addBooks(r, serial, &page); err != nil {
		s.fail(w, r, "read what disagrees and was corrected", err)
		return
	}
	s.render(w, r, http.StatusOK, "unit", view{Title: "Unit " + page.Serial, Section: "fleet", Page: page})
}

// page fills everything but the history, which needs further questions.
func (u *unitView) page(allExcursions bool) unitPage {
	st := &u.Standing
	p := unitPage{
		Serial: label(u.Unit.Serial), Subtitle: u.subtitle(), Verdict: st.Verdict, Tone: tone(st), Flags: st.Flags,
		Figures: u.figures(), Terms: u.termList(), Depth: u.depth(), Basis: u.basis(),
		Excursions: u.excursions(allExcursions), Quarantined: u.Quarantined, Zone: u.zoneNote(),
		Caution: len(u.Ledger.Excursions) > 0 || len(st.Flags) > 0,
		Links: unitLinks{
			Ledger:  "/api/v1" + unitHref(u.Unit.Serial, "/ledger"),
			Samples: unitHref(u.Unit.Serial, "/samples.csv"), Days: unitHref(u.Unit.Serial, "/days.csv"),
			Quarantine: "/ingest/quarantine",
		},
	}
	if p.Verdict == "" {
		p.Verdict = "No verdict yet."
	}
	p.Measures, p.MeasuresNote = u.measures()
	p.Recounts, p.Counters = u.recounts(), u.counters()
	if n := u.Ledger.Conflicts; n > 0 {
		p.Disputed = plural(n, "instant is", "instants are") + " in dispute: sources contradict each other, and none of them counts."
	}
	return p
}

// tone is the weightiest flag as the style sheet knows it.
func tone(st *analytics.Standing) string {
	switch {
	case st.Has(analytics.FlagAhead):
		return "ahead"
	case st.Has(analytics.FlagCold):
		return "cold"
	case len(st.Flags) > 0:
		return "quiet"
	}
	return "calm"
}

func (u *unitView) subtitle() []term {
	list := []term{{"Model", label(u.Unit.Model), fleetQuery{analytics.UnitFilter{Model: u.Unit.Model}}.href("/") + "#units"}}
	if u.Unit.Site != "" {
		list = append(list, term{"Site", label(u.Unit.Site), fleetQuery{analytics.UnitFilter{Site: u.Unit.Site}}.href("/") + "#units"})
	}
	if u.Unit.Stack != "" {
		v := label(u.Unit.Stack)
		if u.Unit.Position > 0 {
			v += ", position " + strconv.Itoa(u.Unit.Position)
		}
		list = append(list, term{Name: "Stack", Value: v})
	}
	if u.Site != nil && u.Site.Placement != "" {
		list = append(list, term{Name: "Placed", Value: placementWords(u.Site.Placement)})
	}
	if u.newest != 0 {
		list = append(list, term{Name: "Last sample", Value: ago(u.newest, u.now)})
	}
	return list
}

func (u *unitView) figures() []figure {
	st, l := &u.Standing, &u.Ledger
	none := "no sample counts yet"
	list := []figure{{"Life spent", "unknown", "", "no terms are registered"}, {"Pace", "unknown", "", st.PaceUnknown}}
	if g := st.Governing; g != nil {
		v, unit := splitUnit(percent(g.Spent))
		list[0] = figure{"Life spent", v, unit, measureWords(g.Measure) + ", the governing measure"}
		if g.Pace != nil {
			v, unit = splitUnit(pace(*g.Pace))
			list[1] = figure{"Pace", v, unit, percent(st.TermPassed) + " of the term has passed"}
		}
	}
	if l.Last == nil {
		return append(list, figure{"Full cycles", "unknown", "", none}, figure{"Charged", "unknown", "", none},
			figure{"Discharged", "unknown", "", none}, figure{"Coverage", "unknown", "", none})
	}
	list = append(list, figure{"Full cycles", cycles(l.EFC), "EFC", u.efcBasis()})
	in, inUnit := splitUnit(energy(l.Charge))
	out, outUnit := splitUnit(energy(l.Discharge))
	cov, covUnit := splitUnit(percent(st.Coverage))
	return append(list, figure{"Charged", in, inUnit, "lifetime, all bases"}, figure{"Discharged", out, outUnit, "lifetime, all bases"},
		figure{"Coverage", cov, covUnit, decimal(st.CoveredDays, 0) + " covered days"})
}

// efcBasis says which energy the full cycles come from.
func (u *unitView) efcBasis() string {
	rated := ""
	if u.Model != nil {
		rated = " of " + energy(u.Model.Rated)
	}
	if u.Terms != nil && u.Terms.EFCBasis == analytics.BasisDischarge {
		return "discharge ÷ rated energy" + rated
	}
	return "(charge + discharge) ÷ 2 × rated energy" + rated
}

func (u *unitView) measures() ([]measureRow, string) {
	st := &u.Standing
	if len(st.Measures) == 0 {
		return nil, "No terms are registered for this unit, so nothing can be set against a limit. Register its terms in models.yaml and name them in units.csv."
	}
	var rows []measureRow
	for _, m := range st.Measures {
		row := measureRow{Name: measureWords(m.Measure), Spent: percent(m.Spent), Pace: "unknown", Ends: "unknown",
			Governing: st.Governing != nil && st.Governing.Measure == m.Measure}
		row.Used, row.Limit = measureAmount(m.Measure, m.Used), measureAmount(m.Measure, m.Limit)
		if m.Pace != nil {
			row.Pace, row.Ahead = pace(*m.Pace), *m.Pace > 1
		}
		if m.EndsOn != nil {
			row.Ends = date(*m.EndsOn)
		}
		rows = append(rows, row)
	}
	note := ""
	if st.PaceUnknown != "" {
		note = "Pace unknown: " + st.PaceUnknown + "."
	} else if st.PaceObserved != nil {
		note = "Over the covered time alone the pace would be " + pace(*st.PaceObserved) + "."
	}
	return rows, note
}

// measureAmount writes an amount in the measure's own unit.
func measureAmount(m analytics.Measure, v float64) string {
	switch m {
	case analytics.MeasureEnergy:
		return energy(analytics.MilliwattHours(v * 1e6))
	case analytics.MeasureEFC:
		return cycles(v) + nbsp + "EFC"
	}
	if v == 1 {
		return "1 life"
	}
	return decimal(v, 3)
}

func (u *unitView) termList() []term {
	st := &u.Standing
	var list []term
	add := func(name, value string) { list = append(list, term{Name: name, Value: value}) }
	if st.WarrantyStart != nil {
		add("Warranty from", date(*st.WarrantyStart))
	} else {
		add("Warranty from", "unknown: neither the day of commissioning nor the day of shipping settles it")
	}
	if st.WarrantyEnd != nil {
		add("Until the day before", date(*st.WarrantyEnd))
	}
	t := u.Terms
	if t == nil {
		return append(list, term{Name: "Terms", Value: "none registered"})
	}
	add("Terms", label(t.Name)+", "+plural(int64(t.Years), "year", "years"))
	for _, p := range slices.Backward(t.Life.Points) {
		add("Warranted cycles at "+share(p.Depth)+" depth", decimal(p.Cycles, 0))
	}
	if t.EnergyCap > 0 {
		add("Energy warranted", energy(t.EnergyCap)+" discharged")
	}
	if t.EFCCap > 0 {
		add("Full cycles warranted", cycles(t.EFCCap)+" EFC")
	}
	if t.HasColdAllowance {
		add("Cold charging allowed", energy(t.ColdChargeAllowance)+" in all")
	}
	if t.LongestGapDays > 0 {
		add("Longest gap allowed", plural(int64(t.LongestGapDays), "day", "days")+" without telemetry")
	}
	for _, p := range t.Retained {
		if p.Year > 0 {
			add("Capacity promised after "+plural(int64(p.Year), "year", "years"), share(p.Pct/100)+" of rated")
		}
	}
	for _, step := range t.Remedy {
		add("Made good through year "+strconv.Itoa(step.ThroughYear), share(step.Pct/100)+" of the price")
	}
	return list
}
