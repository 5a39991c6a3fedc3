package api

import (
	"context"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

// FleetBody is the fleet in a few numbers.
type FleetBody struct {
	AsOf         time.Time        `json:"as_of"`
	Units        int64            `json:"units" doc:"registered units"`
	Reporting    int64            `json:"reporting" doc:"units with at least one sample"`
	Stacks       int64            `json:"stacks"`
	Sites        int64            `json:"sites"`
	Samples      int64            `json:"samples"`
	Charge       int64            `json:"charge_mwh" doc:"energy into all batteries, mWh"`
	Discharge    int64            `json:"discharge_mwh" doc:"energy out of all batteries, mWh"`
	EFC          float64          `json:"efc" doc:"equivalent full cycles, summed over units"`
	MeanCoverage float64          `json:"mean_coverage" doc:"mean over reporting units, 0 to 1"`
	Flagged      map[string]int64 `json:"flagged" doc:"number of units by flag: ahead, cold, silent, thin"`
	Pace         []PaceBin        `json:"pace" doc:"number of units by pace"`
	PaceUnknown  int64            `json:"pace_unknown" doc:"units whose pace is not known yet"`
}

// PaceBin counts units with a pace in [from, to); to is null in the last.
type PaceBin struct {
	From  float64  `json:"from"`
	To    *float64 `json:"to"`
	Units int64    `json:"units"`
}

// UnitBody is a unit in a list.
type UnitBody struct {
	Unit          string     `json:"unit"`
	Model         string     `json:"model"`
	Stack         string     `json:"stack,omitempty"`
	Site          string     `json:"site,omitempty"`
	Terms         string     `json:"terms,omitempty"`
	Shipped       *string    `json:"shipped" doc:"day, null when not known"`
	Commissioned  *string    `json:"commissioned" doc:"day, null when not known"`
	Samples       int64      `json:"samples"`
	First         *time.Time `json:"first"`
	Last          *time.Time `json:"last"`
	Charge        int64      `json:"charge_mwh"`
	Discharge     int64      `json:"discharge_mwh"`
	EFC           float64    `json:"efc"`
	Spent         *float64   `json:"spent" doc:"share of the governing measure that is used, null without terms"`
	Pace          *float64   `json:"pace" doc:"spent over the share of the term that has passed; null while unknown"`
	Governing     string     `json:"governing,omitempty" enum:"cycle-life,efc,energy"`
	EndsOn        *string    `json:"ends_on" doc:"day on which the governing measure is used up at this rate"`
	Coverage      float64    `json:"coverage" doc:"covered time over elapsed time, 0 to 1"`
	ColdEpisodes  int64      `json:"cold_charge_episodes"`
	ColdCharge    int64      `json:"cold_charge_mwh"`
	ColdestCharge *float64   `json:"coldest_charge_c" doc:"lowest cell temperature in a cold-charge episode, °C"`
	Flags         []string   `json:"flags"`
}

// UnitsBody is one page of units.
type UnitsBody struct {
	Units []UnitBody `json:"units"`
	Next  string     `json:"next,omitempty" doc:"give it back as after for the next page; absent on the last"`
}

type fleetOutput struct{ Body FleetBody }

type unitsInput struct {
	Serial    string `query:"serial" maxLength:"128" doc:"beginning of a serial"`
	Site      string `query:"site" maxLength:"128"`
	Model     string `query:"model" maxLength:"128"`
	Flag      string `query:"flag" enum:"ahead,cold,silent,thin"`
	Sort      string `query:"sort" enum:"pace,spent,efc,cold,coverage,last,serial" default:"pace"`
	Ascending bool   `query:"ascending" doc:"turns the natural order (worst first; serials A to Z) around"`
	After     string `query:"after" maxLength:"512" doc:"cursor of the page before"`
	Limit     int    `query:"limit" minimum:"1" maximum:"500" default:"50"`
}

type unitsOutput struct{ Body UnitsBody }

func (a *API) registerFleet() {
	huma.Register(a.huma, needs(analytics.RightSeeUnits, read("fleet", "/fleet", "Fleet", "The fleet in a few numbers", "")), a.handleFleet)
	huma.Register(a.huma, needs(analytics.RightSeeUnits, read("units", "/units", "Fleet", "A page of units",
		"Selected and ordered as on the fleet page. Units without the value that is sorted by come last, and first in the order turned around.")), a.handleUnits)
}

func (a *API) handleFleet(ctx context.Context, _ *struct{}) (*fleetOutput, error) {
	f, err := a.cfg.Ledger.Fleet(ctx)
	if err != nil {
		return nil, a.problem("sum up the fleet", err)
	}
	body := FleetBody{
		AsOf: f.AsOf.Time(), Units: f.Units, Reporting: f.Reporting, Stacks: f.Stacks, Sites: f.Sites, Samples: f.Samples,
		Charge: int64(f.Energy.Charge.Round()), Discharge: int64(f.Energy.Discharge.Round()),
		EFC: f.EFC, MeanCoverage: f.MeanCoverage, PaceUnknown: f.PaceUnknown,
		Flagged: make(map[string]int64, len(analytics.FlagKinds)), Pace: make([]PaceBin, 0, len(f.Pace)),
	}
	for _, k := range analytics.FlagKinds {
		body.Flagged[string(k)] = f.Flagged[k]
	}
	for i, b := range f.Pace {
		bin := PaceBin{From: b.From, Units: b.Units}
		if i < len(f.Pace)-1 {
			bin.To = &b.To
		}
		body.Pace = append(body.Pace, bin)
	}
	return &fleetOutput{Body: body}, nil
}

func (a *API) handleUnits(ctx context.Context, in *unitsInput) (*unitsOutput, error) {
	page, err := a.cfg.Ledger.Units(ctx, analytics.UnitFilter{
		Serial: in.Serial, Site: in.Site, Model: in.Model, Flag: analytics.FlagKind(in.Flag),
		Sort: analytics.SortKey(in.Sort), Ascending: in.Ascending, After: in.After, Limit: in.Limit,
	})
	if err != nil {
		return nil, a.problem("list units", err)
	}
	body := UnitsBody{Units: make([]UnitBody, 0, len(page.Units)), Next: page.Next}
	for _, u := range page.Units {
		body.Units = append(body.Units, unitBody(u))
	}
	return &unitsOutput{Body: body}, nil
}

func unitBody(u analytics.UnitRow) UnitBody {
	b := UnitBody{
		Unit: string(u.Serial), Model: u.Model, Stack: u.Stack, Site: u.Site, Terms: u.Terms,
		Shipped: day(u.Shipped), Commissioned: day(u.Commissioned),
		Samples: u.Samples, First: instant(u.First), Last: instant(u.Last),
		Charge: int64(u.Energy.Charge.Round()), Discharge: int64(u.Energy.Discharge.Round()), EFC: u.EFC,
		Spent: u.Spent, Pace: u.Pace, Governing: string(u.Governing), EndsOn: day(u.EndsOn), Coverage: u.Coverage,
		ColdEpisodes: u.ColdEpisodes, ColdCharge: int64(u.ColdCharge.Round()), Flags: make([]string, 0, len(u.Flags)),
	}
	if u.ColdestCharge != nil {
		c := u.ColdestCharge.Celsius()
		b.ColdestCharge = &c
	}
	for _, f := range u.Flags {
		b.Flags = append(b.Flags, string(f))
	}
	return b
}
