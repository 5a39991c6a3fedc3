package api

import (
	"context"
	"errors"
	"net/url"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

// UnitPath is the serial in the path.
type UnitPath struct {
	Unit string `path:"unit" maxLength:"256" doc:"serial number"`
}

// Resolve undoes the escaping that the router leaves in the path where a
// serial holds a character such as a slash.
func (p *UnitPath) Resolve(ctx huma.Context) []error {
	u := ctx.URL()
	if u.RawPath == "" {
		return nil
	}
	serial, err := url.PathUnescape(p.Unit)
	if err != nil {
		return []error{huma.Error422UnprocessableEntity("the serial in the path is not escaped properly")}
	}
	p.Unit = serial
	return nil
}

// StandingBody is where a unit stands against its terms now.
type StandingBody struct {
	AsOf          time.Time     `json:"as_of"`
	Verdict       string        `json:"verdict"`
	Governing     string        `json:"governing,omitempty"`
	Measures      []MeasureBody `json:"measures"`
	WarrantyStart *string       `json:"warranty_start" doc:"day, null when not known"`
	WarrantyEnd   *string       `json:"warranty_end" doc:"first day after the warranty"`
	TermPassed    float64       `json:"term_passed" doc:"share of the term that has passed"`
	Coverage      float64       `json:"coverage"`
	CoveredDays   float64       `json:"covered_days"`
	PaceObserved  *float64      `json:"pace_observed" doc:"the pace over the covered time alone; null below 30 covered days"`
	PaceUnknown   string        `json:"pace_unknown,omitempty" doc:"why the pace is not known"`
	Flags         []FlagBody    `json:"flags"`
}

// MeasureBody is one way in which the terms limit use.
type MeasureBody struct {
	Measure string   `json:"measure" enum:"cycle-life,efc,energy"`
	Spent   float64  `json:"spent"`
	Used    float64  `json:"used" doc:"in the measure's own unit: share of 1, equivalent full cycles, or kWh discharged"`
	Limit   float64  `json:"limit"`
	Pace    *float64 `json:"pace"`
	EndsOn  *string  `json:"ends_on"`
}

// FlagBody is a reason to look at a unit.
type FlagBody struct {
	Kind     string `json:"kind" enum:"ahead,cold,silent,thin"`
	Title    string `json:"title"`
	Sentence string `json:"sentence"`
}

// UnitDetailBody is a unit with its ledger and its standing.
type UnitDetailBody struct {
	Unit        string       `json:"unit"`
	Model       string       `json:"model"`
	Site        string       `json:"site,omitempty"`
	Zone        string       `json:"zone,omitempty" doc:"IANA time zone of the site, for display"`
	Terms       string       `json:"terms,omitempty"`
	Standing    StandingBody `json:"standing"`
	Ledger      LedgerBody   `json:"ledger"`
	Quarantined int64        `json:"quarantined" doc:"rows of this unit that wait in quarantine"`
}

// DayBody is what one UTC day added to a ledger.
type DayBody struct {
	Day       string           `json:"day"`
	Samples   int64            `json:"samples"`
	Covered   float64          `json:"covered_s"`
	Checked   float64          `json:"checked_s"`
	Charge    int64            `json:"charge_mwh"`
	Discharge int64            `json:"discharge_mwh"`
	Closed    map[string]int64 `json:"closed_half_cycles" doc:"half cycles of cycles that closed on this day, by depth bin of 0.5 %"`
	MinSoC    *float64         `json:"min_soc_pct"`
	MaxSoC    *float64         `json:"max_soc_pct"`
	MinTemp   *float64         `json:"min_temp_c"`
	MaxTemp   *float64         `json:"max_temp_c"`
}

// SampleBody is one sample; absent fields were not reported.
type SampleBody struct {
	Time      time.Time `json:"time"`
	SoC       *float64  `json:"soc_pct,omitempty"`
	Power     *float64  `json:"power_w,omitempty" doc:"positive while charging"`
	Current   *float64  `json:"current_a,omitempty" doc:"positive while charging"`
	Voltage   *float64  `json:"voltage_v,omitempty"`
	Temp      *float64  `json:"cell_temp_c,omitempty"`
	TempMax   *float64  `json:"cell_temp_max_c,omitempty"`
	Charge    *float64  `json:"charge_kwh,omitempty" doc:"lifetime counter"`
	Discharge *float64  `json:"discharge_kwh,omitempty" doc:"lifetime counter"`
}

type unitOutput struct{ Body UnitDetailBody }

type ledgerOutput struct{ Body LedgerBody }

type daysInput struct {
	UnitPath
	From string `query:"from" format:"date" doc:"first day; a year before to unless given"`
	To   string `query:"to" format:"date" doc:"first day after the span; the day after the newest sample unless given"`
}

type daysOutput struct {
	Body struct {
		Days []DayBody `json:"days"`
	}
}

type samplesInput struct {
	UnitPath
	From  time.Time `query:"from" doc:"a day before the newest sample unless given"`
	To    time.Time `query:"to" doc:"first instant after the span; open unless given"`
	Limit int       `query:"limit" minimum:"1" maximum:"20000" default:"2000"`
}

type samplesOutput struct {
	Body struct {
		Samples []SampleBody `json:"samples"`
		Next    *time.Time   `json:"next,omitempty" doc:"give it back as from for the next page; absent at the end"`
	}
}

func (a *API) registerUnit() {
	huma.Register(a.huma, needs(analytics.RightSeeUnits, read("unit", "/units/{unit}", "Unit", "A unit with its standing and its ledger",
		"The standing depends on the clock; the ledger does not.")), a.handleUnit)
	huma.Register(a.huma, needs(analytics.RightSeeUnits, read("ledger", "/units/{unit}/ledger", "Unit", "The ledger of a unit",
		"The same object that an offline count of the same samples gives.")), a.handleLedger)
	huma.Register(a.huma, needs(analytics.RightSeeUnits, read("days", "/units/{unit}/days", "Unit", "The UTC days of a unit", "")), a.handleDays)
	huma.Register(a.huma, needs(analytics.RightSeeUnits, read("samples", "/units/{unit}/samples", "Unit", "The samples of a unit that count",
		"In ascending order of time, half open: from is included, to is not.")), a.handleSamples)
}

func (a *API) handleUnit(ctx context.Context, in *UnitPath) (*unitOutput, error) {
	r, err := a.cfg.Ledger.Unit(ctx, analytics.Serial(in.Unit))
	if err != nil {
		return nil, a.problem("read the unit", err)
	}
	b := UnitDetailBody{
		Unit: string(r.Unit.Serial), Model: r.Unit.Model, Site: r.Unit.Site, Terms: r.Unit.Terms,
		Standing: standingBody(r.Standing), Ledger: LedgerBody(r.Ledger), Quarantined: r.Quarantined,
	}
	if r.Site != nil {
		b.Zone = r.Site.Zone
	}
	return &unitOutput{Body: b}, nil
}

func standingBody(s analytics.Standing) StandingBody {
	b := StandingBody{
		AsOf: s.AsOf.Time(), Verdict: s.Verdict, Measures: make([]MeasureBody, 0, len(s.Measures)),
		WarrantyStart: day(s.WarrantyStart), WarrantyEnd: day(s.WarrantyEnd), TermPassed: s.TermPassed,
		Coverage: s.Coverage, CoveredDays: s.CoveredDays, PaceObserved: s.PaceObserved, PaceUnknown: s.PaceUnknown,
		Flags: make([]FlagBody, 0, len(s.Flags)),
	}
	if s.Governing != nil {
		b.Governing = string(s.Governing.Measure)
	}
	for _, m := range s.Measures {
		b.Measures = append(b.Measures, MeasureBody{
			Measure: string(m.Measure), Spent: m.Spent, Used: m.Used, Limit: m.Limit, Pace: m.Pace, EndsOn: day(m.EndsOn),
		})
	}
	for _, f := range s.Flags {
		b.Flags = append(b.Flags, FlagBody{Kind: string(f.Kind), Title: f.Title, Sentence: f.Sentence})
	}
	return b
}

func (a *API) handleLedger(ctx context.Context, in *UnitPath) (*ledgerOutput, error) {
	r, err := a.cfg.Ledger.Unit(ctx, analytics.Serial(in.Unit))
	if err != nil {
		return nil, a.problem("read the ledger", err)
	}
	return &ledgerOutput{Body: LedgerBody(r.Ledger)}, nil
}

// newest gives the time of a unit's newest sample, 0 without samples.
func (a *API) newest(ctx context.Context, serial analytics.Serial) (analytics.Instant, error) {
	r, err := a.cfg.Ledger.Unit(ctx, serial)
	if err != nil || r.Ledger.Last == nil {
		return 0, err
	}
	return analytics.Instant(*r.Ledger.Last * 1000), nil
}

func (a *API) handleDays(ctx context.Context, in *daysInput) (*daysOutput, error) {
	serial := analytics.Serial(in.Unit)
	last, err := a.newest(ctx, serial)
	if err != nil {
		return nil, a.problem("read the unit", err)
	}
	to := last.Day() + 1
	if in.To != "" {
		if to, err = analytics.ParseDay(in.To); err != nil {
			return nil, huma.Error422UnprocessableEntity("to: " + err.Error())
		}
	}
	from := to - 366
	if in.From != "" {
		if from, err = analytics.ParseDay(in.From); err != nil {
			return nil, huma.Error422UnprocessableEntity("from: " + err.Error())
		}
	}
	days, err := a.cfg.Ledger.Days(ctx, serial, from, to)
	if err != nil {
		return nil, a.problem("read the days", err)
	}
	out := &daysOutput{}
	out.Body.Days = make([]DayBody, 0, len(days))
	for i := range days {
		out.Body.Days = append(out.Body.Days, dayBody(&days[i]))
	}
	return out, nil
}

// errEnough ends the reading of samples once a page is full.
var errEnough = errors.New("page is full")

func (a *API) handleSamples(ctx context.Context, in *samplesInput) (*samplesOutput, error) {
	serial := analytics.Serial(in.Unit)
	last, err := a.newest(ctx, serial)
	if err != nil {
		return nil, a.problem("read the unit", err)
	}
	from, to := last-analytics.Instant(analytics.DayLength), last+1
	if !in.From.IsZero() {
		from = analytics.InstantOf(in.From)
	}
	if !in.To.IsZero() {
		to = analytics.InstantOf(in.To)
	}
	out := &samplesOutput{}
	out.Body.Samples = []SampleBody{}
	err = a.cfg.Ledger.Samples(ctx, serial, from, to, func(s analytics.Sample) error {
		if len(out.Body.Samples) == in.Limit {
			next := s.Time.Time()
			out.Body.Next = &next
			return errEnough
		}
		out.Body.Samples = append(out.Body.Samples, sampleBody(s))
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, a.problem("read the samples", err)
	}
	return out, nil
}
