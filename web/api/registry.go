package api

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/url"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

// ModelBody is a model as it is registered.
type ModelBody struct {
	Name           string         `json:"name"`
	Chemistry      string         `json:"chemistry,omitempty"`
	Rated          float64        `json:"rated_kwh"`
	RatedCharge    *float64       `json:"rated_ah" doc:"null when not known; the C-rate is not known then"`
	MaxPower       float64        `json:"max_power_kw"`
	MaxGap         float64        `json:"max_gap_s" doc:"longest time between two samples that counts as covered"`
	Floor          *float64       `json:"soc_floor_pct"`
	StorageMax     *float64       `json:"storage_max_c"`
	ChargeLimit    []LimitRowBody `json:"charge_limit" doc:"empty for no limit"`
	DischargeLimit []LimitRowBody `json:"discharge_limit" doc:"empty for no limit"`
}

// LimitRowBody is the highest C-rate at a cell temperature.
type LimitRowBody struct {
	Temp float64 `json:"cell_temp_c"`
	Rate float64 `json:"c_rate"`
}

// TermsBody is an edition of terms.
type TermsBody struct {
	Name           string         `json:"name"`
	Model          string         `json:"model"`
	SoldFrom       string         `json:"sold_from" doc:"day"`
	Years          int            `json:"years"`
	CycleLife      []LifeBody     `json:"cycle_life"`
	Shallow        string         `json:"shallow" enum:"throughput,slope"`
	CountedFrom    float64        `json:"counted_from_pct" doc:"shallower ranges spend nothing"`
	EnergyCap      *float64       `json:"energy_cap_mwh" doc:"megawatt-hours discharged, null for no cap"`
	EFCCap         *float64       `json:"efc_cap"`
	EFCBasis       string         `json:"efc_basis" enum:"throughput,discharge"`
	Retained       []RetainedBody `json:"retained_capacity"`
	Start          string         `json:"start" enum:"commissioned,shipped"`
	LongestDelay   int            `json:"longest_delay_days"`
	ColdAllowance  *float64       `json:"cold_charge_allowance_kwh" doc:"null where the terms name none"`
	LongestGap     int            `json:"longest_gap_days"`
	RegisterWithin int            `json:"registration_days"`
	Remedy         []RemedyBody   `json:"remedy"`
}

// LifeBody is a point of a cycle life.
type LifeBody struct {
	Depth  float64 `json:"depth_pct"`
	Cycles float64 `json:"cycles"`
}

// RetainedBody is a promise of capacity.
type RetainedBody struct {
	Year int     `json:"year"`
	Pct  float64 `json:"pct"`
}

// RemedyBody is the share of the price that is made good.
type RemedyBody struct {
	ThroughYear int     `json:"through_year"`
	Pct         float64 `json:"pct"`
}

// SiteBody is a site as it is registered.
type SiteBody struct {
	Site      string `json:"site"`
	Zone      string `json:"zone,omitempty"`
	Country   string `json:"country,omitempty"`
	Region    string `json:"region,omitempty"`
	Placement string `json:"placement,omitempty"`
	Installer string `json:"installer,omitempty"`
}

// SiteRowBody is a site in a list.
type SiteRowBody struct {
	SiteBody
	Units  int64 `json:"units"`
	Stacks int64 `json:"stacks"`
}

// RegisteredUnitBody is a unit as it is registered.
type RegisteredUnitBody struct {
	Unit         string  `json:"unit"`
	Model        string  `json:"model"`
	Stack        string  `json:"stack,omitempty"`
	Site         string  `json:"site,omitempty"`
	Shipped      *string `json:"shipped" doc:"day, null when not known"`
	Commissioned *string `json:"commissioned" doc:"day, null when not known"`
	Terms        string  `json:"terms,omitempty"`
	Position     int     `json:"position,omitempty" doc:"place in the stack from 1"`
}

type modelsOutput struct {
	Body struct {
		Models []ModelBody `json:"models"`
	}
}

type termsOutput struct {
	Body struct {
		Terms []TermsBody `json:"terms"`
	}
}

type sitesInput struct {
	After string `query:"after" maxLength:"200" doc:"name of the last site of the page before"`
	Limit int    `query:"limit" minimum:"1" maximum:"500" default:"100"`
}

type sitesOutput struct {
	Body struct {
		Sites []SiteRowBody `json:"sites"`
		Next  string        `json:"next,omitempty" doc:"give it back as after for the next page; absent on the last"`
	}
}

// SitePath is a site's name in the path.
type SitePath struct {
	Site string `path:"site" maxLength:"600"`
}

// Resolve undoes the escaping that the router leaves in the path.
func (p *SitePath) Resolve(ctx huma.Context) []error { return unescaped(ctx, &p.Site) }

// StackPath is a stack's name in the path.
type StackPath struct {
	Stack string `path:"stack" maxLength:"600"`
}

// Resolve undoes the escaping that the router leaves in the path.
func (p *StackPath) Resolve(ctx huma.Context) []error { return unescaped(ctx, &p.Stack) }

func unescaped(ctx huma.Context, name *string) []error {
	u := ctx.URL()
	if u.RawPath == "" {
		return nil
	}
	plain, err := url.PathUnescape(*name)
	if err != nil {
		return []error{huma.Error422UnprocessableEntity("the name in the path is not escaped properly")}
	}
	*name = plain
	return nil
}

type siteOutput struct {
	Body struct {
		SiteBody
		Units []RegisteredUnitBody `json:"units" doc:"stack by stack"`
	}
}

type stackOutput struct {
	Body struct {
		Stack string               `json:"stack"`
		Units []RegisteredUnitBody `json:"units" doc:"in order of their position"`
	}
}

// errNoRegistry answers where nothing that is registered can be told.
var errNoRegistry = huma.Error503ServiceUnavailable("this process does not tell what is registered")

func (a *API) registerRegistry() {
	a.registerRegister()
	get := func(id, path, summary, description string) huma.Operation {
		return needs(analytics.RightSeeUnits, read(id, path, "Fleet", summary, description))
	}
	huma.Register(a.huma, get("models", "/models", "Models as they are registered", ""), a.handleModels)
	huma.Register(a.huma, get("terms", "/terms", "Editions of terms", "Model by model, the newest first. An edition never changes."), a.handleTerms)
	huma.Register(a.huma, get("sites", "/sites", "A page of sites", "In ascending order of their names. An installer's are its own."), a.handleSites)
	huma.Register(a.huma, get("site", "/sites/{site}", "A site with its units", ""), a.handleSite)
	huma.Register(a.huma, get("stack", "/stacks/{stack}", "The units of a stack", ""), a.handleStack)
}

func (a *API) handleModels(ctx context.Context, _ *struct{}) (*modelsOutput, error) {
	if a.cfg.Registry == nil {
		return nil, errNoRegistry
	}
	list, err := a.cfg.Registry.Models(ctx)
	if err != nil {
		return nil, a.problem("list models", err)
	}
	out := &modelsOutput{}
	out.Body.Models = make([]ModelBody, 0, len(list))
	for i := range list {
		out.Body.Models = append(out.Body.Models, modelBody(&list[i]))
	}
	return out, nil
}

func modelBody(m *analytics.Model) ModelBody {
	b := ModelBody{Name: m.Name, Chemistry: m.Chemistry, Rated: m.Rated.KWh(), MaxPower: float64(m.MaxPower) / 1e6, MaxGap: m.Gap().Seconds(),
		ChargeLimit: limitRows(m.ChargeLimit), DischargeLimit: limitRows(m.DischargeLimit)}
	if m.RatedCharge != 0 {
		ah := float64(m.RatedCharge) / 1000
		b.RatedCharge = &ah
	}
	if m.Floor != nil {
		pct := m.Floor.Percent()
		b.Floor = &pct
	}
	if m.StorageMax != nil {
		c := m.StorageMax.Celsius()
		b.StorageMax = &c
	}
	return b
}

func limitRows(t analytics.LimitTable) []LimitRowBody {
	rows := make([]LimitRowBody, 0, len(t))
	for _, r := range t {
		rows = append(rows, LimitRowBody{Temp: r.Temp.Celsius(), Rate: r.Rate.C()})
	}
	return rows
}

func (a *API) handleTerms(ctx context.Context, _ *struct{}) (*termsOutput, error) {
	if a.cfg.Registry == nil {
		return nil, errNoRegistry
	}
	list, err := a.cfg.Registry.Terms(ctx)
	if err != nil {
		return nil, a.problem("list terms", err)
	}
	out := &termsOutput{}
	out.Body.Terms = make([]TermsBody, 0, len(list))
	for i := range list {
		out.Body.Terms = append(out.Body.Terms, termsBody(&list[i]))
	}
	return out, nil
}

func termsBody(t *analytics.Terms) TermsBody {
	b := TermsBody{Name: t.Name, Model: t.Model, SoldFrom: t.SoldFrom.String(), Years: t.Years, Shallow: string(analytics.ShallowThroughput),
		CountedFrom: analytics.DefaultCountedFrom, EFCBasis: string(analytics.BasisThroughput), Start: string(analytics.StartCommissioned),
		LongestDelay: t.LongestDelayDays, LongestGap: t.LongestGapDays, RegisterWithin: t.RegistrationDays,
		CycleLife: []LifeBody{}, Retained: []RetainedBody{}, Remedy: []RemedyBody{}}
	for _, p := range t.Life.Points {
		b.CycleLife = append(b.CycleLife, LifeBody{Depth: math.Round(p.Depth*1e10) / 1e8, Cycles: p.Cycles})
	}
	for _, p := range t.Retained {
		b.Retained = append(b.Retained, RetainedBody{Year: p.Year, Pct: p.Pct})
	}
	for _, s := range t.Remedy {
		b.Remedy = append(b.Remedy, RemedyBody{ThroughYear: s.ThroughYear, Pct: s.Pct})
	}
	if t.Life.CountedFromPct != nil {
		b.CountedFrom = *t.Life.CountedFromPct
	}
	if t.Life.Shallow != "" {
		b.Shallow = string(t.Life.Shallow)
	}
	if t.EFCBasis != "" {
		b.EFCBasis = string(t.EFCBasis)
	}
	if t.Start != "" {
		b.Start = string(t.Start)
	}
	if t.EnergyCap != 0 {
		mwh := t.EnergyCap.KWh() / 1000
		b.EnergyCap = &mwh
	}
	if t.EFCCap != 0 {
		b.EFCCap = &t.EFCCap
	}
	if t.HasColdAllowance {
		kwh := t.ColdChargeAllowance.KWh()
		b.ColdAllowance = &kwh
	}
	return b
}

func siteBody(s *analytics.Site) SiteBody {
	return SiteBody{Site: s.Name, Zone: s.Zone, Country: s.Country, Region: s.Region, Placement: string(s.Placement), Installer: s.Installer}
}

func (a *API) handleSites(ctx context.Context, in *sitesInput) (*sitesOutput, error) {
	if a.cfg.Registry == nil {
		return nil, errNoRegistry
	}
	list, err := a.cfg.Registry.Sites(ctx, in.After, in.Limit)
	if err != nil {
		return nil, a.problem("list sites", err)
	}
	out := &sitesOutput{}
	out.Body.Sites = make([]SiteRowBody, 0, len(list))
	for i := range list {
		out.Body.Sites = append(out.Body.Sites, SiteRowBody{SiteBody: siteBody(&list[i].Site), Units: list[i].Units, Stacks: list[i].Stacks})
	}
	if len(list) == in.Limit {
		out.Body.Next = list[len(list)-1].Name
	}
	return out, nil
}

func registeredUnits(list []analytics.Unit) []RegisteredUnitBody {
	bodies := make([]RegisteredUnitBody, 0, len(list))
	for i := range list {
		u := &list[i]
		bodies = append(bodies, RegisteredUnitBody{Unit: string(u.Serial), Model: u.Model, Stack: u.Stack, Site: u.Site,
			Shipped: day(u.Shipped), Commissioned: day(u.Commissioned), Terms: u.Terms, Position: u.Position})
	}
	return bodies
}

func (a *API) handleSite(ctx context.Context, in *SitePath) (*siteOutput, error) {
	if a.cfg.Registry == nil {
		return nil, errNoRegistry
	}
	site, units, err := a.cfg.Registry.Site(ctx, in.Site)
	if errors.Is(err, analytics.ErrNotFound) {
		return nil, huma.Error404NotFound(fmt.Sprintf("there is no site %.200q", in.Site))
	}
	if err != nil {
		return nil, a.problem("read the site", err)
	}
	out := &siteOutput{}
	out.Body.SiteBody, out.Body.Units = siteBody(&site), registeredUnits(units)
	return out, nil
}

func (a *API) handleStack(ctx context.Context, in *StackPath) (*stackOutput, error) {
	if a.cfg.Registry == nil {
		return nil, errNoRegistry
	}
	units, err := a.cfg.Registry.Stack(ctx, in.Stack)
	if errors.Is(err, analytics.ErrNotFound) {
		return nil, huma.Error404NotFound(fmt.Sprintf("there is no stack %.200q", in.Stack))
	}
	if err != nil {
		return nil, a.problem("read the stack", err)
	}
	out := &stackOutput{}
	out.Body.Stack, out.Body.Units = in.Stack, registeredUnits(units)
	return out, nil
}
