// Package webtest holds a ledger made up for the tests of the pages: a small
// fleet whose numbers look like a fleet's but are counted from nothing. Only
// tests may import it.
package webtest

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"fadeledger/analytics"
)

// Now is the instant at which the made-up fleet stands.
var Now = time.Date(2026, 11, 24, 14, 30, 0, 0, time.UTC)

// Ledger answers from memory. The zero value is an empty fleet; Fleet gives
// one with units. Err, where set, is answered to every question.
type Ledger struct {
	Rows        []analytics.UnitRow
	Summary     analytics.FleetSummary
	Way         analytics.IngestSummary
	Delivered   []analytics.Delivery
	Quarantined []analytics.Quarantined
	// Disputed, Corrected, Others and Places are answered by unit.
	Disputed  map[analytics.Serial][]analytics.Dispute
	Corrected map[analytics.Serial][]analytics.Correction
	Others    map[analytics.Serial][]analytics.Version
	Places    map[analytics.Serial][]analytics.Stay
	Err       error
	// Asked keeps the filters of all lists that were asked for. It is not
	// guarded: a test that looks at it asks one question at a time.
	Asked []analytics.UnitFilter
}

// noise is a repeatable number in [0, 1) for a pair of indices.
func noise(a, b int) float64 {
	v := math.Sin(float64(a)*12.9898+float64(b)*78.233) * 43758.5453
	return v - math.Floor(v)
}

// Fleet makes n units.
func Fleet(n int) *Ledger {
	l := &Ledger{}
	for i := range n {
		l.Rows = append(l.Rows, row(i))
	}
	l.Summary = summary(l.Rows)
	l.fillIngest()
	l.fillBooks()
	return l
}

func row(i int) analytics.UnitRow {
	now := analytics.InstantOf(Now)
	model, rated := "HB-5", 5.2
	if i%3 == 1 {
		model, rated = "HB-10", 10.4
	}
	commissioned := now.Day() - analytics.Day(20+noise(i, 1)*1500)
	u := analytics.UnitRow{Unit: analytics.Unit{
		Serial: analytics.Serial(fmt.Sprintf("%s-%05d", strings.ReplaceAll(model, "-", ""), 20417+i*37)), Model: model,
		Stack: fmt.Sprintf("ST-%03d", i/2), Site: fmt.Sprintf("birch-lane-%02d", 1+i/4), Commissioned: &commissioned,
		Terms: model + " home 2026", Position: 1 + i%2,
	}}
	if i%19 == 7 {
		u.Terms, u.Commissioned = "", nil
	}
	if i%23 == 11 {
		return u
	}
	elapsed := float64(now.Day() - commissioned)
	first, last := commissioned.Start(), now-analytics.Instant(noise(i, 2)*600_000)
	if i%11 == 4 {
		last = now - analytics.Instant(noise(i, 3)*float64(20*analytics.DayLength))
	}
	u.First, u.Last, u.Samples = &first, &last, int64(elapsed*1440*0.9)
	u.Coverage = 0.55 + 0.45*math.Sqrt(noise(i, 4))
	u.EFC = elapsed * (0.35 + noise(i, 5)*0.7)
	u.Energy.Discharge = analytics.MicrowattHours(u.EFC * rated * 0.96 * 1e9)
	u.Energy.Charge = analytics.MicrowattHours(u.EFC * rated * 1.04 * 1e9)
	if u.Terms != "" {
		setPace(&u, i, elapsed)
	}
	if i%6 == 2 {
		u.ColdEpisodes = 1 + int64(noise(i, 7)*40)
		u.ColdCharge = analytics.MicrowattHours(noise(i, 8) * 9e9)
		coldest := analytics.CentiCelsius(-100 - noise(i, 9)*1400)
		u.ColdestCharge = &coldest
		u.Flags = append(u.Flags, analytics.FlagCold)
	}
	if now-last > analytics.Instant(2*analytics.DayLength) {
		u.Flags = append(u.Flags, analytics.FlagSilent)
	}
	if u.Coverage < 0.62 {
		u.Flags = append(u.Flags, analytics.FlagThin)
	}
	return u
}

func setPace(u *analytics.UnitRow, i int, elapsed float64) {
	p := 0.35 + 0.95*math.Pow(noise(i, 6), 1.4)
	spent := p * elapsed / 3652
	u.Spent, u.Governing = &spent, analytics.MeasureCycleLife
	if elapsed < 30 {
		return
	}
	u.Pace = &p
	ends := *u.Commissioned + analytics.Day(3652/p)
	u.EndsOn = &ends
	if p > 1 {
		u.Flags = append(u.Flags, analytics.FlagAhead)
	}
}

func summary(rows []analytics.UnitRow) analytics.FleetSummary {
	s := analytics.FleetSummary{AsOf: analytics.InstantOf(Now), Flagged: map[analytics.FlagKind]int64{}}
	for k := range 10 {
		s.Pace = append(s.Pace, analytics.PaceBin{From: float64(k) / 5, To: float64(k+1) / 5})
	}
	s.Pace = append(s.Pace, analytics.PaceBin{From: 2})
	sites := map[string]bool{}
	for _, u := range rows {
		s.Units++
		sites[u.Site] = true
		s.Energy.Add(u.Energy)
		s.EFC += u.EFC
		s.Samples += u.Samples
		for _, f := range u.Flags {
			s.Flagged[f]++
		}
		if u.Last != nil {
			s.Reporting++
			s.MeanCoverage += u.Coverage
		}
		if u.Pace == nil {
			s.PaceUnknown++
			continue
		}
		s.Pace[min(int(*u.Pace*5), len(s.Pace)-1)].Units++
	}
	s.Sites, s.Stacks = int64(len(sites)), (s.Units+1)/2
	if s.Reporting > 0 {
		s.MeanCoverage /= float64(s.Reporting)
	}
	return s
}

// Fleet answers the summary.
func (l *Ledger) Fleet(context.Context) (analytics.FleetSummary, error) { return l.Summary, l.Err }

// Units answers a page; the cursor is the number of units before it.
func (l *Ledger) Units(_ context.Context, f analytics.UnitFilter) (analytics.UnitPage, error) {
	l.Asked = append(l.Asked, f)
	if l.Err != nil {
		return analytics.UnitPage{}, l.Err
	}
	start := 0
	if f.After != "" {
		var err error
		if start, err = strconv.Atoi(f.After); err != nil {
			return analytics.UnitPage{}, fmt.Errorf("cursor %q: %w", f.After, analytics.ErrInvalid)
		}
	}
	var found []analytics.UnitRow
	for _, u := range l.Rows {
		if strings.HasPrefix(string(u.Serial), f.Serial) && (f.Site == "" || f.Site == u.Site) &&
			(f.Model == "" || f.Model == u.Model) && (f.Flag == "" || slices.Contains(u.Flags, f.Flag)) {
			found = append(found, u)
		}
	}
	slices.SortStableFunc(found, func(a, b analytics.UnitRow) int { return order(f, a, b) })
	end := min(start+f.Limit, len(found))
	page := analytics.UnitPage{Units: found[min(start, end):end]}
	if end < len(found) {
		page.Next = strconv.Itoa(end)
	}
	return page, nil
}

func order(f analytics.UnitFilter, a, b analytics.UnitRow) int {
	d := 0
	switch f.Sort {
	case analytics.SortSerial:
		d = strings.Compare(string(a.Serial), string(b.Serial))
	case analytics.SortEFC:
		d = cmpFloat(b.EFC, a.EFC)
	default:
		switch {
		case a.Pace == nil || b.Pace == nil:
			if a.Pace == b.Pace {
				return 0
			}
			if a.Pace == nil {
				return 1
			}
			return -1
		default:
			d = cmpFloat(*b.Pace, *a.Pace)
		}
	}
	if f.Ascending {
		return -d
	}
	return d
}

func cmpFloat(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
