package catalog

import (
	"fmt"
	"slices"
	"time"

	"fadeledger/analytics"
)

// Catalogue is what a models.yaml says, in the order of the file.
type Catalogue struct {
	Models []analytics.Model
	Terms  []analytics.Terms

	file       string
	modelLines []int
	termsLines []int
}

// Model finds a model by its name.
func (c *Catalogue) Model(name string) (analytics.Model, bool) {
	for _, m := range c.Models {
		if m.Name == name {
			return m, true
		}
	}
	return analytics.Model{}, false
}

// TermsNamed finds terms by their name.
func (c *Catalogue) TermsNamed(name string) (analytics.Terms, bool) {
	for _, t := range c.Terms {
		if t.Name == name {
			return t, true
		}
	}
	return analytics.Terms{}, false
}

// ParseModels reads a models.yaml; name is the file's name in the problems.
//
// Special cases:
//   - a key without a value or with null counts as absent
//   - max_gap absent: MaxGap is zero, which means analytics.DefaultMaxGap
//   - counted_from_pct absent: nil, which means analytics.DefaultCountedFrom
//   - shallow, efc_basis, start absent: throughput, throughput, commissioned
//   - points and rows are sorted; two at the same place are refused
//   - terms may name a model that the file does not hold: Check settles it
//
// The error is Problems; the Catalogue is empty then.
func ParseModels(name string, data []byte) (c Catalogue, err error) {
	r := &report{file: name}
	// The YAML library panics on some texts that are no YAML; a file from
	// outside must not end the process.
	defer func() {
		if p := recover(); p != nil {
			r.add(0, "", fmt.Sprintf("not readable as YAML: %v", p), "write it like the example in the manual")
			c, err = Catalogue{}, r.err()
		}
	}()
	root := parseRoot(r, data)
	if root == nil {
		return Catalogue{}, r.err()
	}
	c = Catalogue{file: name}
	for _, o := range root.rows("models", byName) {
		c.Models = append(c.Models, readModel(o))
		c.modelLines = append(c.modelLines, o.line)
	}
	for _, o := range root.rows("terms", byName) {
		c.Terms = append(c.Terms, readTerms(o))
		c.termsLines = append(c.termsLines, o.line)
	}
	root.done()
	c.refuseTwins(r)
	if len(r.problems) == 0 && len(c.Models)+len(c.Terms) == 0 {
		r.add(root.line, "", "no models and no terms", "give models, terms, or both")
	}
	if err = r.err(); err != nil {
		return Catalogue{}, err
	}
	return c, nil
}

// refuseTwins reports names that stand twice.
func (c *Catalogue) refuseTwins(r *report) {
	seen := map[string]int{}
	once := func(kind, name string, line int) {
		if name == "" {
			return
		}
		if first, ok := seen[kind+name]; ok {
			r.add(line, fmt.Sprintf("%s[%s].name", kind, name), fmt.Sprintf("stands on line %d too", first), "keep one of both, or name a new edition differently")
			return
		}
		seen[kind+name] = line
	}
	for i, m := range c.Models {
		once("models", m.Name, c.modelLines[i])
	}
	for i, t := range c.Terms {
		once("terms", t.Name, c.termsLines[i])
	}
}

// Limits of what is taken: far above any home battery, far below what would
// overflow a sum of its energy over a life.
const (
	mostEnergy = 1e12 // mWh: 1 GWh
	mostPower  = 1e11 // mW: 100 MW
	mostCharge = 1e9  // mAh: 1 MAh
	mostRate   = 1e8  // µC: 100 C
	coldest    = -27315
	hottest    = 100000
	mostDays   = 36525
)

func readModel(o *object) analytics.Model {
	m := analytics.Model{Name: o.text("name", true), Chemistry: o.text("chemistry", false)}
	rated, _ := o.quantity("rated", energyScales, want{true, 1, mostEnergy, "the rated energy in kWh, above 0"})
	m.Rated = analytics.MilliwattHours(rated)
	ah, _ := o.quantity("rated", chargeScales, want{false, 1, mostCharge, "the rated capacity in Ah, above 0"})
	m.RatedCharge = analytics.MilliampHours(ah)
	power, _ := o.quantity("max_power", powerScales, want{true, 1, mostPower, "the highest power in kW, above 0"})
	m.MaxPower = analytics.Milliwatts(power)
	m.MaxGap = readGap(o)
	if floor, ok := o.quantity("soc_floor", socScales, want{false, 0, 1000, "a state of charge from 0 to 100 %"}); ok {
		soc := analytics.SoC(floor)
		m.Floor = &soc
	}
	if top, ok := o.quantity("storage_max", tempScales, want{false, coldest, hottest, "a temperature in °C"}); ok {
		temp := analytics.CentiCelsius(top)
		m.StorageMax = &temp
	}
	m.ChargeLimit = readLimit(o, "charge_limit")
	m.DischargeLimit = readLimit(o, "discharge_limit")
	o.done()
	return m
}

func readGap(o *object) analytics.Millis {
	text, _, ok := o.scalar("max_gap")
	if !ok {
		return 0
	}
	d, err := time.ParseDuration(text)
	if err != nil || d < time.Second || d > 24*time.Hour || d%time.Millisecond != 0 {
		o.add(lineOf(o.nodes["max_gap"]), o.at("max_gap"), fmt.Sprintf("%q is not usable", text),
			"give a time with its unit from 1s to 24h, such as 15m, or leave the key out for 15m")
		return 0
	}
	return analytics.Millis(d / time.Millisecond)
}

func readLimit(o *object, key string) analytics.LimitTable {
	type placed struct {
		analytics.LimitRow
		at *object
	}
	var rows []placed
	for _, row := range o.rows(key, byNumber) {
		temp, okTemp := row.quantity("cell_temp", tempScales, want{true, coldest, hottest, "the cell temperature in °C"})
		rate, okRate := row.quantity("c_rate", rateScales, want{true, 0, mostRate, "the highest C-rate, from 0 to 100"})
		row.done()
		if okTemp && okRate {
			rows = append(rows, placed{analytics.LimitRow{Temp: analytics.CentiCelsius(temp), Rate: analytics.MicroC(rate)}, row})
		}
	}
	slices.SortStableFunc(rows, func(a, b placed) int { return int(a.Temp - b.Temp) })
	var table analytics.LimitTable
	for i, row := range rows {
		if i > 0 && row.Temp == rows[i-1].Temp {
			o.add(row.at.line, row.at.path, fmt.Sprintf("a second row for %s °C", formatScaled(int64(row.Temp), 2)), "keep one of both")
		}
		table = append(table, row.LimitRow)
	}
	return table
}

func readTerms(o *object) analytics.Terms {
	t := analytics.Terms{Name: o.text("name", true), Model: o.text("model", true)}
	t.SoldFrom = readDay(o, "sold_from")
	t.Years = o.whole("years", want{true, 1, 100, "the term in whole years, 1 to 100"})
	t.Life = readLife(o)
	limit, _ := o.quantity("energy_cap", energyCaps, want{false, 1, mostEnergy * 1e3, "the energy in MWh, above 0, or leave it out"})
	t.EnergyCap = analytics.MilliwattHours(limit)
	t.EFCCap, _ = o.float("efc_cap", 0, 1e9, false, "a number of cycles above 0, or leave it out")
	t.EFCBasis = analytics.EFCBasis(o.choice("efc_basis", string(analytics.BasisThroughput), string(analytics.BasisDischarge)))
	t.Retained = readRetained(o)
	t.Start = analytics.StartRule(o.choice("start", string(analytics.StartCommissioned), string(analytics.StartShipped)))
	days := want{false, 0, mostDays, "a number of days"}
	t.LongestDelayDays = o.whole("longest_delay_days", days)
	allowance, ok := o.quantity("cold_charge_allowance", energyScales, want{false, 0, mostEnergy, "an energy in kWh"})
	t.ColdChargeAllowance, t.HasColdAllowance = analytics.MilliwattHours(allowance), ok
	t.LongestGapDays = o.whole("longest_gap_days", days)
	t.RegistrationDays = o.whole("registration_days", days)
	t.Remedy = readRemedy(o)
	o.done()
	return t
}

func readDay(o *object, key string) analytics.Day {
	text := o.text(key, true)
	if text == "" {
		return 0
	}
	day, err := parseDay(text)
	if err != nil {
		o.add(lineOf(o.nodes[key]), o.at(key), err.Error(), dayRemedy)
	}
	return day
}

func readLife(o *object) analytics.CycleLife {
	life := analytics.CycleLife{}
	at := map[float64]*object{}
	for _, row := range o.rows("cycle_life", byNumber) {
		depth, okDepth := readDepth(row)
		cycles, okCycles := row.float("cycles", 0, 1e9, false, "a number of cycles above 0")
		if !row.has("cycles") {
			row.add(row.line, row.at("cycles"), "missing", "give the number of cycles")
		}
		row.done()
		if !okDepth || !okCycles {
			continue
		}
		if first, ok := at[depth]; ok {
			o.add(row.line, row.path, fmt.Sprintf("the depth of line %d again", first.line), "keep one of both")
			continue
		}
		at[depth] = row
		life.Points = append(life.Points, analytics.LifePoint{Depth: depth, Cycles: cycles})
	}
	slices.SortFunc(life.Points, func(a, b analytics.LifePoint) int {
		if a.Depth < b.Depth {
			return -1
		}
		return 1
	})
	life.Shallow = analytics.Shallow(o.choice("shallow", string(analytics.ShallowThroughput), string(analytics.ShallowSlope)))
	if from, ok := o.float("counted_from_pct", 0, 100, true, "a depth from 0 to 100 %"); ok {
		life.CountedFromPct = &from
	}
	return life
}

// readDepth gives depth_pct as float64(pct)/100, so that 80 is the same 0.8
// as everywhere else; depth_frac is taken as it stands.
func readDepth(row *object) (float64, bool) {
	pct, okPct := row.float("depth_pct", 0, 100, false, "a depth above 0 and up to 100 %")
	frac, okFrac := row.float("depth_frac", 0, 1, false, "a depth above 0 and up to 1")
	switch hasPct, hasFrac := row.has("depth_pct"), row.has("depth_frac"); {
	case hasPct && hasFrac:
		row.add(row.line, row.at("depth_frac"), "given as depth_pct too", "keep one of both")
		return 0, false
	case !hasPct && !hasFrac:
		row.add(row.line, row.at("depth_pct"), "missing", "give the depth of discharge in percent")
	case hasFrac:
		return frac, okFrac
	}
	return pct / 100, okPct
}

func readRetained(o *object) []analytics.RetainedPoint {
	var points []analytics.RetainedPoint
	seen := map[int]int{}
	for _, row := range o.rows("retained_capacity", byNumber) {
		year := row.whole("year", want{true, 0, 100, "a year from 0 to 100"})
		pct := readPct(row)
		row.done()
		refuseYear(row, seen, year)
		points = append(points, analytics.RetainedPoint{Year: year, Pct: pct})
	}
	slices.SortStableFunc(points, func(a, b analytics.RetainedPoint) int { return a.Year - b.Year })
	return points
}

func readRemedy(o *object) []analytics.RemedyStep {
	var steps []analytics.RemedyStep
	seen := map[int]int{}
	for _, row := range o.rows("remedy", byNumber) {
		year := row.whole("through_year", want{true, 1, 100, "a warranty year from 1 to 100"})
		pct := readPct(row)
		row.done()
		refuseYear(row, seen, year)
		steps = append(steps, analytics.RemedyStep{ThroughYear: year, Pct: pct})
	}
	slices.SortStableFunc(steps, func(a, b analytics.RemedyStep) int { return a.ThroughYear - b.ThroughYear })
	return steps
}

func readPct(row *object) float64 {
	pct, ok := row.float("pct", 0, 100, true, "a share from 0 to 100 %")
	if !ok && !row.has("pct") {
		row.add(row.line, row.at("pct"), "missing", "give a share from 0 to 100 %")
	}
	return pct
}

func refuseYear(row *object, seen map[int]int, year int) {
	if first, ok := seen[year]; ok {
		row.add(row.line, row.path, fmt.Sprintf("the year of line %d again", first), "keep one of both")
		return
	}
	seen[year] = row.line
}
