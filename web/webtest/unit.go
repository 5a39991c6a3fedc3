package webtest

import (
	"context"
	"fmt"
	"math"
	"slices"

	"fadeledger/analytics"
)

// Model is the model of the made-up units.
func Model() *analytics.Model {
	floor, storage := analytics.SoC(30), analytics.CentiCelsius(5500)
	return &analytics.Model{
		Name: "HB-5", Chemistry: "LFP", Rated: 5_200_000, RatedCharge: 101_600, MaxPower: 2_600_000, Floor: &floor, StorageMax: &storage,
		ChargeLimit: analytics.LimitTable{{Temp: -1200, Rate: 50_000}, {Temp: 0, Rate: 200_000}, {Temp: 1200, Rate: 500_000}, {Temp: 4400, Rate: 500_000}, {Temp: 5400, Rate: 50_000}},
	}
}

// Terms are the terms of the made-up units.
func Terms() *analytics.Terms {
	return &analytics.Terms{
		Name: "HB-5 home 2026", Model: "HB-5", Years: 10, EnergyCap: 31_000_000_000, Start: analytics.StartCommissioned,
		Life:                analytics.CycleLife{Points: []analytics.LifePoint{{Depth: 0.8, Cycles: 9000}, {Depth: 0.95, Cycles: 6200}}},
		Retained:            []analytics.RetainedPoint{{Year: 0, Pct: 100}, {Year: 10, Pct: 70}},
		ColdChargeAllowance: 5_000_000, HasColdAllowance: true, LongestGapDays: 60,
		Remedy: []analytics.RemedyStep{{ThroughYear: 5, Pct: 100}, {ThroughYear: 10, Pct: 50}},
	}
}

func (l *Ledger) find(serial analytics.Serial) (analytics.UnitRow, error) {
	for _, u := range l.Rows {
		if u.Serial == serial {
			return u, l.Err
		}
	}
	if l.Err != nil {
		return analytics.UnitRow{}, l.Err
	}
	return analytics.UnitRow{}, fmt.Errorf("unit %q: %w", serial, analytics.ErrNotFound)
}

// Unit answers a report.
func (l *Ledger) Unit(_ context.Context, serial analytics.Serial) (analytics.UnitReport, error) {
	u, err := l.find(serial)
	if err != nil {
		return analytics.UnitReport{}, err
	}
	r := analytics.UnitReport{Unit: u.Unit, Model: Model(), Quarantined: 3,
		Site: &analytics.Site{Name: u.Site, Zone: "Europe/Helsinki", Placement: analytics.Garage},
	}
	r.Ledger = analytics.Ledger{Unit: u.Serial, Model: u.Model, Terms: u.Terms, Samples: u.Samples, EFC: u.EFC,
		Charge: u.Energy.Charge.Round(), Discharge: u.Energy.Discharge.Round()}
	r.Standing = analytics.Standing{AsOf: analytics.InstantOf(Now), Coverage: u.Coverage, PaceUnknown: "no terms are registered"}
	if u.Last == nil {
		r.Standing.Verdict = "No sample of this unit counts yet."
		return r, nil
	}
	first, last := u.First.Seconds(), u.Last.Seconds()
	r.Ledger.First, r.Ledger.Last = &first, &last
	r.Ledger.Elapsed = last - first
	r.Ledger.Covered = r.Ledger.Elapsed * u.Coverage
	r.Ledger.Checked = r.Ledger.Covered
	r.Ledger.ByBasis = analytics.BasisEnergy{
		{r.Ledger.Charge * 83 / 100, r.Ledger.Discharge * 83 / 100}, {r.Ledger.Charge * 15 / 100, r.Ledger.Discharge * 15 / 100},
		{r.Ledger.Charge * 2 / 100, r.Ledger.Discharge * 2 / 100}}
	board := *u.First + 40*analytics.Instant(analytics.DayLength)
	r.Ledger.Events = []analytics.Event{{Kind: analytics.CounterReset, At: *u.First, Field: "charge_mwh"},
		{Kind: analytics.CounterReset, At: board, Field: "charge_mwh"}, {Kind: analytics.CounterReset, At: board, Field: "discharge_mwh"}}
	r.Ledger.Conflicts = int64(len(l.Disputed[u.Serial]))
	r.Recounts = []analytics.Recount{{At: *u.Last - 3_600_000, From: *u.Last - 90_000_000, Reason: "412 late samples", Days: 2}}
	fillCycles(&r, u)
	fillExcursions(&r, u)
	if u.Terms != "" {
		r.Terms = Terms()
		fillStanding(&r, u)
	}
	return r, nil
}

func fillCycles(r *analytics.UnitReport, u analytics.UnitRow) {
	for k := 1; k < analytics.Bins; k++ {
		d := analytics.BinDepth(k)
		r.Ledger.HalfCycles[k] = int64(u.EFC * (math.Exp(-d*40)*30 + 0.02*math.Exp(-math.Pow((d-0.85)*9, 2)) + 0.004*math.Exp(-math.Pow((d-0.3)*6, 2))))
	}
}

func fillExcursions(r *analytics.UnitReport, u analytics.UnitRow) {
	for i := range int(u.ColdEpisodes) {
		at := *u.Last - analytics.Instant(int64(i)*int64(analytics.DayLength)*2+int64(5*analytics.Hour)+int64(noise(i, 3)*9e6))
		low := analytics.CentiCelsius(-900 + noise(i, 1)*600)
		e := analytics.Excursion{Kind: analytics.ColdCharge, Start: at, End: at + analytics.Instant(noise(i, 2)*float64(2*analytics.Hour)), Samples: 40,
			HasTemp: true, MinTemp: low, MaxTemp: low + 250, Peak: 310_000, AllowedAtPeak: 86_000, Charge: 410_000_000, Ending: analytics.Ending(i % 5)}
		if i%5 == 3 {
			e.Kind, e.Charge, e.Discharge, e.Peak, e.AllowedAtPeak = analytics.DeepDischarge, 0, 12_000_000, 0, 0
		}
		if i%7 == 6 {
			e.End, e.Samples = e.Start, 1
		}
		r.Ledger.Excursions = append(r.Ledger.Excursions, e)
		t := &r.Tallies[e.Kind]
		t.Episodes++
		t.Time += e.Length()
		t.Charge += e.Charge
		t.Discharge += e.Discharge
		t.HasTemp, t.MinTemp, t.MaxTemp = true, min(t.MinTemp, e.MinTemp), max(t.MaxTemp, e.MaxTemp)
		t.Peak = max(t.Peak, e.Peak)
	}
}

func fillStanding(r *analytics.UnitReport, u analytics.UnitRow) {
	st := &r.Standing
	start := *u.Commissioned
	end := start + 3652
	st.WarrantyStart, st.WarrantyEnd = &start, &end
	elapsed := float64(st.AsOf.Day() - start)
	st.TermPassed, st.CoveredDays = elapsed/3652, elapsed*u.Coverage
	life := analytics.SpentBy{Measure: analytics.MeasureCycleLife, Spent: *u.Spent, Used: *u.Spent, Limit: 1, Pace: u.Pace, EndsOn: u.EndsOn}
	used := u.Energy.Discharge.Round().KWh()
	cap := analytics.SpentBy{Measure: analytics.MeasureEnergy, Spent: used / 31000, Used: used, Limit: 31000}
	st.Measures = []analytics.SpentBy{life, cap}
	st.Governing = &st.Measures[0]
	r.Ledger.Spent, r.Ledger.Governing, r.Ledger.Measures = u.Spent, analytics.MeasureCycleLife, []analytics.SpentBy{life, cap}
	st.PaceUnknown = "needs 30 covered days"
	st.Verdict = "Too early to tell: fewer than 30 covered days."
	if u.Pace != nil {
		observed := *u.Pace / u.Coverage
		st.PaceObserved, st.PaceUnknown = &observed, ""
		st.Verdict = fmt.Sprintf("On course: %.0f %% of the warranted life is spent while %.0f %% of the term has passed.", *u.Spent*100, st.TermPassed*100)
		if *u.Pace > 1 {
			st.Verdict = fmt.Sprintf("Ahead of its warranty: %.0f %% of the warranted life is spent while only %.0f %% of the term has passed; at this rate it is used up on %s.", *u.Spent*100, st.TermPassed*100, u.EndsOn)
		}
	}
	for _, f := range u.Flags {
		st.Flags = append(st.Flags, analytics.Flag{Kind: f, Title: string(f), Sentence: fmt.Sprintf("A sentence about why the unit is %s, with its numbers.", f)})
	}
}

// Days answers the days of a unit, with a hole of nine days.
func (l *Ledger) Days(_ context.Context, serial analytics.Serial, from, to analytics.Day) ([]analytics.DayCount, error) {
	u, err := l.find(serial)
	if err != nil || u.Last == nil {
		return nil, err
	}
	var out []analytics.DayCount
	for d := max(from, u.First.Day()); d < min(to, u.Last.Day()+1); d++ {
		if d%97 < 9 {
			continue
		}
		share := min(1, 0.7+noise(int(d), 1)*0.6)
		season := math.Cos(float64(d%365-20) / 365 * 2 * math.Pi)
		c := analytics.DayCount{Day: d, Samples: int64(1440 * share), Covered: analytics.Millis(share * float64(analytics.DayLength)),
			HasSoC: true, HasTemp: true, MinSoC: analytics.SoC(60 + noise(int(d), 2)*200), MaxSoC: analytics.SoC(700 + noise(int(d), 3)*300),
			MinTemp: analytics.CentiCelsius(900 - season*1200 - noise(int(d), 4)*300), First: d.Start(), Last: d.Start() + 86_000_000, Closed: map[int]int64{160: 2, 9: 4}}
		c.MaxTemp, c.Checked = c.MinTemp+600, c.Covered
		c.Energy[analytics.ByCounter] = analytics.Flow{Charge: analytics.MicrowattHours(3e9 + noise(int(d), 5)*3e9), Discharge: analytics.MicrowattHours(2.8e9 + noise(int(d), 6)*2.8e9)}
		out = append(out, c)
	}
	return out, nil
}

// Samples yields a sample each two minutes, with a hole of three hours a day,
// and what corrections say instead.
func (l *Ledger) Samples(_ context.Context, serial analytics.Serial, from, to analytics.Instant, yield func(analytics.Sample) error) error {
	u, err := l.find(serial)
	if err != nil || u.Last == nil {
		return err
	}
	if len(l.Corrected[serial])+len(l.Disputed[serial]) == 0 {
		return generate(u, from, to, yield)
	}
	var list []analytics.Sample
	if err := generate(u, from, to, func(s analytics.Sample) error { list = append(list, s); return nil }); err != nil {
		return err
	}
	without := func(from, to analytics.Instant) {
		list = slices.DeleteFunc(list, func(s analytics.Sample) bool { return s.Time >= from && s.Time < to })
	}
	for _, d := range l.Disputed[serial] {
		without(d.At, d.At+1)
	}
	for _, c := range slices.Backward(l.Corrected[serial]) {
		without(c.From, c.To)
		list = append(list, c.Samples...)
	}
	slices.SortFunc(list, func(a, b analytics.Sample) int { return int(a.Time - b.Time) })
	for _, s := range list {
		if s.Time < from || s.Time >= to {
			continue
		}
		if err := yield(s); err != nil {
			return err
		}
	}
	return nil
}

// generate makes up the samples of a unit.
func generate(u analytics.UnitRow, from, to analytics.Instant, yield func(analytics.Sample) error) error {
	const step = analytics.Instant(2 * analytics.Minute)
	for at := max(from, *u.First) / step * step; at < min(to, *u.Last+1); at += step {
		if at < from {
			continue
		}
		hour := float64(int64(at)%int64(analytics.DayLength)) / float64(analytics.Hour)
		if hour > 2 && hour < 5 && at.Day()%2 == 0 {
			continue
		}
		k := int(int64(at) / int64(step))
		sun := math.Max(0, math.Sin((hour-7)/10*math.Pi))
		if hour < 7 || hour > 17 {
			sun = 0
		}
		watts := sun*2300 - 350 - 900*math.Exp(-math.Pow(hour-19, 2)/3) + (noise(k, 1)-0.5)*260
		soc := 150 + 780*math.Exp(-math.Pow(math.Mod(hour+24-16, 24)-0.5, 2)/40)
		s := analytics.Sample{Time: at, Has: analytics.HasSoC | analytics.HasPower | analytics.HasTemp,
			SoC: analytics.SoC(min(1000, soc)), Power: analytics.Milliwatts(watts * 1000), Temp: analytics.CentiCelsius(500 + 500*sun - 800*noise(int(at.Day()), 8))}
		if err := yield(s); err != nil {
			return err
		}
	}
	return nil
}
