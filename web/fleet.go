package web

import (
	"context"
	"html/template"
	"net/http"
	"strings"
	"time"

	"fadeledger/analytics"
)

// fleetPage is everything the fleet page shows.
type fleetPage struct {
	Live   fleetLive
	Chart  drawing
	Bins   []paceRow
	NoPace string
	Filter fleetFilter
	List   unitList
}

// fleetLive is the part that changes while the page is open.
type fleetLive struct {
	AsOf     string
	AsOfTime string
	Headline string
	Progress *progressBar
	Figures  []figure
	Flags    []flagLink
}

// figure is one number with its unit and a note.
type figure struct{ Label, Value, Unit, Note string }

// flagLink is the count of a flag that leads to the units that carry it.
type flagLink struct {
	Kind           analytics.FlagKind
	Title, Meaning string
	Count          int64
	Href           string
	Current        bool
}

type progressBar struct {
	Done, Total int64
	Text        string
}

// handleFleet answers GET /.
func (s *site) handleFleet(w http.ResponseWriter, r *http.Request) {
	filter, err := readFilter(r.URL.Query())
	if err != nil {
		s.fail(w, r, "read the filter", err)
		return
	}
	summary, err := s.cfg.Ledger.Fleet(r.Context())
	if err != nil {
		s.fail(w, r, "sum up the fleet", err)
		return
	}
	now := s.cfg.Now()
	page := fleetPage{Live: s.fleetLive(summary, filter)}
	v := view{Title: "Fleet", Section: "fleet", Live: filter.href("/", "part", "live")}
	if r.URL.Query().Get("part") != "live" {
		if err := s.fillFleet(r.Context(), &page, summary, filter, now); err != nil {
			s.fail(w, r, "list units", err)
			return
		}
	}
	v.Page = page
	s.render(w, r, http.StatusOK, "fleet", v)
}

// fillFleet adds what only the whole page shows.
func (s *site) fillFleet(ctx context.Context, page *fleetPage, sum analytics.FleetSummary, q fleetQuery, now time.Time) error {
	units, err := s.cfg.Ledger.Units(ctx, q.UnitFilter)
	if err != nil {
		return err
	}
	page.Chart = paceDrawing(sum)
	page.Bins = paceRows(sum)
	if sum.PaceUnknown > 0 {
		page.NoPace = plural(sum.PaceUnknown, "unit has", "units have") + " no pace yet: it needs terms, a warranty start and 30 covered days."
	}
	page.Filter = q.form(units.Units)
	page.List = q.list(units, now)
	return nil
}

func (s *site) fleetLive(sum analytics.FleetSummary, q fleetQuery) fleetLive {
	live := fleetLive{
		AsOf: moment(sum.AsOf, nil), AsOfTime: machineTime(sum.AsOf),
		Headline: fleetHeadline(sum), Figures: fleetFigures(sum),
	}
	for _, k := range analytics.FlagKinds {
		other := fleetQuery{UnitFilter: analytics.UnitFilter{Flag: k}}
		live.Flags = append(live.Flags, flagLink{
			Kind: k, Title: flagTitle(k), Meaning: flagMeaning(k), Count: sum.Flagged[k],
			Href: other.href("/") + "#units", Current: q.Flag == k,
		})
	}
	if s.cfg.Progress != nil {
		live.Progress = progressOf(s.cfg.Progress())
	}
	return live
}

// progressOf is nil where nothing is loading any more.
func progressOf(p Progress) *progressBar {
	if p.Total <= 0 || p.Done >= p.Total {
		return nil
	}
	what := p.What
	if what == "" {
		what = "deliveries of the history published"
	}
	return &progressBar{Done: p.Done, Total: p.Total,
		Text: "Still loading: " + count(p.Done) + " of " + count(p.Total) + " " + what + ". Numbers grow until it is done."}
}

// fleetHeadline says in a sentence where to look first.
func fleetHeadline(sum analytics.FleetSummary) string {
	switch {
	case sum.Units == 0:
		return "No unit is registered yet."
	case sum.Reporting == 0:
		return plural(sum.Units, "unit is", "units are") + " registered; none has reported yet."
	}
	ahead, cold := sum.Flagged[analytics.FlagAhead], sum.Flagged[analytics.FlagCold]
	var parts []string
	if ahead > 0 {
		parts = append(parts, plural(ahead, "unit uses", "units use")+" up warranted life faster than the term runs")
	}
	if cold > 0 {
		parts = append(parts, plural(cold, "was", "were")+" charged below the cold limit")
	}
	if len(parts) == 0 {
		return "No unit is ahead of its warranty, and none was charged below its cold limit."
	}
	return strings.Join(parts, "; ") + "."
}

func fleetFigures(sum analytics.FleetSummary) []figure {
	split := func(label, text, note string) figure {
		value, unit, _ := strings.Cut(text, nbsp)
		return figure{Label: label, Value: value, Unit: unit, Note: note}
	}
	coverage := split("Coverage", percent(sum.MeanCoverage), "of the time, mean over reporting units")
	if sum.Reporting == 0 {
		coverage = figure{Label: "Coverage", Value: "unknown", Note: "needs a unit that reports"}
	}
	return []figure{
		{"Units with telemetry", count(sum.Reporting), "of " + count(sum.Units), "on " + plural(sum.Sites, "site", "sites") + ", in " + plural(sum.Stacks, "stack", "stacks")},
		split("Energy in", flow(sum.Energy.Charge), "charged, all units"),
		split("Energy out", flow(sum.Energy.Discharge), "discharged, all units"),
		{"Full cycles", cycles(sum.EFC), "EFC", "equivalent, summed over units"},
		coverage,
		{"Samples", count(sum.Samples), "", "instants that count"},
	}
}

// unitList is the table of units.
type unitList struct {
	Columns []column
	Rows    []unitLine
	// Next and First are addresses, empty where there is no such page.
	Next, First, CSV string
	Empty            string
}

// column is the head of a column; Href is empty where it cannot be sorted by.
type column struct {
	Title, Href string
	// Sorted is ascending or descending in the column that orders the list.
	Sorted  string
	Numeric bool
}

// unitLine is one unit of the table.
type unitLine struct {
	Href, Serial               string
	Model, ModelHref           string
	Site, SiteHref             string
	Flags                      []flagLink
	Meter                      template.HTML
	Spent, Pace, EndsOn        string
	Ahead, PaceKnown           bool
	EFC, Coverage              string
	ColdEpisodes, ColdDetail   string
	Last, LastTime, LastMoment string
}

// list turns a page of units into lines.
func (q fleetQuery) list(p analytics.UnitPage, now time.Time) unitList {
	l := unitList{Columns: q.columns(), CSV: q.firstPage().href("/units.csv")}
	for _, u := range p.Units {
		l.Rows = append(l.Rows, unitLineOf(u, now))
	}
	if p.Next != "" {
		l.Next = q.href("/", "after", p.Next) + "#units"
	}
	if q.After != "" {
		l.First = q.firstPage().href("/") + "#units"
	}
	if len(l.Rows) == 0 {
		l.Empty = "No unit is registered yet. Register units with units.csv; telemetry of unknown serials waits in quarantine meanwhile."
		if q.narrowed() {
			l.Empty = "No unit matches. Clear the filter to see all units."
		}
	}
	return l
}

func unitLineOf(u analytics.UnitRow, now time.Time) unitLine {
	line := unitLine{
		Href: unitHref(u.Serial, ""), Serial: label(u.Serial),
		Model: label(u.Model), ModelHref: fleetQuery{UnitFilter: analytics.UnitFilter{Model: u.Model}}.href("/") + "#units",
		Site: label(u.Site), EFC: cycles(u.EFC), Coverage: percent(u.Coverage),
		ColdEpisodes: "none", Last: "never", EndsOn: "unknown", Meter: spentMeter(u.Spent, u.Pace),
	}
	if u.Site != "" {
		line.SiteHref = fleetQuery{UnitFilter: analytics.UnitFilter{Site: u.Site}}.href("/") + "#units"
	}
	for _, f := range u.Flags {
		line.Flags = append(line.Flags, flagLink{Kind: f, Title: flagTitle(f), Meaning: flagMeaning(f)})
	}
	line.Spent, line.Pace = spentWords(u), paceWords(u)
	if u.Pace != nil {
		line.PaceKnown, line.Ahead = true, *u.Pace > 1
	}
	if u.EndsOn != nil {
		line.EndsOn = date(*u.EndsOn)
	}
	if u.ColdEpisodes > 0 {
		line.ColdEpisodes = plural(u.ColdEpisodes, "episode", "episodes")
		line.ColdDetail = flow(u.ColdCharge)
		if u.ColdestCharge != nil {
			line.ColdDetail += " down to " + celsius(*u.ColdestCharge)
		}
	}
	if u.Last != nil {
		line.Last, line.LastTime, line.LastMoment = ago(*u.Last, now), machineTime(*u.Last), moment(*u.Last, nil)+" UTC"
	} else {
		line.EFC, line.Coverage = "unknown", "unknown"
	}
	return line
}

func spentWords(u analytics.UnitRow) string {
	if u.Spent == nil {
		return "unknown: no terms"
	}
	return percent(*u.Spent)
}

// paceWords says the pace, or what is missing.
func paceWords(u analytics.UnitRow) string {
	switch {
	case u.Pace != nil:
		return pace(*u.Pace)
	case u.Spent == nil:
		return "unknown: no terms"
	case u.Commissioned == nil && u.Shipped == nil:
		return "unknown: no start"
	default:
		return "unknown: needs 30 covered days"
	}
}
