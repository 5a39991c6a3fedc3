package claim

import (
	"fmt"
	"math/big"

	"fadeledger/analytics"
)

// TestResult is what a capacity test gave, ready to be frozen.
type TestResult struct {
	// RecordSHA256 names the bytes of the record.
	RecordSHA256 string `json:"record_sha256"`
	// Day is the site's day on which the discharge ended.
	Day       Date              `json:"day"`
	Start     analytics.Instant `json:"start_ms"`
	End       analytics.Instant `json:"end_ms"`
	Procedure Procedure         `json:"procedure"`
	// Valid says whether the procedure was held; Faults say where not.
	Valid  bool    `json:"valid"`
	Faults []Fault `json:"faults"`
	// EndedBy is "voltage", "soc" or empty.
	EndedBy string `json:"ended_by"`
	// Energy is what was discharged, Reference what a new unit gives between
	// the same limits by its rating, Expanded the uncertainty of Energy at a
	// coverage factor of 2. All three are 0 without a discharge.
	Energy    analytics.MicrowattHours `json:"energy_uwh"`
	Reference analytics.MicrowattHours `json:"reference_uwh"`
	Expanded  analytics.MicrowattHours `json:"expanded_uwh"`
	// Components are the standard uncertainties that Expanded is made of.
	Components []Component            `json:"components"`
	MeanRate   analytics.MicroC       `json:"mean_rate_micro_c"`
	MinTemp    analytics.CentiCelsius `json:"min_temp_centi_c"`
	MaxTemp    analytics.CentiCelsius `json:"max_temp_centi_c"`
	// Promised is the share of the rated energy in percent promised on Day,
	// nil where the terms or the first day of the warranty are not known;
	// Verdict compares with it and is empty then, and for a test that is not
	// valid.
	Promised *Decimal `json:"promised_pct"`
	Verdict  Verdict  `json:"verdict"`
}

// Fault is a part of the procedure that was not held.
type Fault struct {
	Check    string `json:"check"`
	Sentence string `json:"sentence"`
	Remedy   string `json:"remedy"`
}

// Component is a standard uncertainty of the discharged energy.
type Component struct {
	Source   string                   `json:"source"`
	Standard analytics.MicrowattHours `json:"standard_uwh"`
}

// Verdict says where a measured energy lies against a promised one.
type Verdict string

// The verdicts of a capacity test.
const (
	// Above: the promise is kept, by more than the uncertainty.
	Above Verdict = "above"
	// Inside: the promise lies within the uncertainty; nobody can tell.
	Inside Verdict = "inside the guard band"
	// Below: the promise is broken, by more than the uncertainty.
	Below Verdict = "below"
)

// Tested says what was tested and against what.
type Tested struct {
	Model analytics.Model
	// Terms may be nil, and so may Start, the first day of the warranty.
	Terms *Terms
	Start *Date
	// Day is the site's day on which the test ended.
	Day Date
}

// EvaluateTest works out what a record shows under a procedure.
//
// The energy is the trapezoid of the power from the last sample at rest to the
// first one at the end voltage or state of charge. Where the state of charge
// ended it, the reference is the rated energy less that rest. Nothing is
// corrected for temperature or rate: terms state no corrections, so a test
// outside the procedure's ranges is not valid instead.
//
// The uncertainty is that of the instruments' class. A largest error a is taken
// as rectangular, with a standard uncertainty of a/√3 (JCGM 100:2008, 4.3.7);
// independent components add in quadrature (5.1.2); the expanded uncertainty
// has the coverage factor k = 2 (6.2.1). Clauses cited from memory.
//
// The verdict leaves a guard band as wide as the expanded uncertainty on both
// sides of the promise (JCGM 106:2012, 8.3, cited from memory).
func EvaluateTest(r Record, p Procedure, on Tested) TestResult {
	res := TestResult{RecordSHA256: r.SHA256, Day: on.Day, Procedure: p, Faults: []Fault{}, Components: []Component{}}
	d, fault := findDischarge(r.Samples, p, on.Model)
	if fault != nil {
		res.Faults = append(res.Faults, *fault)
	}
	if d == nil {
		return res
	}
	res.Start, res.End, res.EndedBy = d.samples[0].Time, d.samples[len(d.samples)-1].Time, d.endedBy
	res.Faults = append(res.Faults, d.faults()...)
	res.MinTemp, res.MaxTemp = d.temps()
	res.measure(d)
	res.Valid = len(res.Faults) == 0
	if on.Terms != nil && on.Start != nil && len(on.Terms.Retained) > 0 {
		terms := on.Terms.sorted()
		promised := promisedAt(terms.Retained, ageAt(on.Start.Day(), on.Day.Day()))
		text := decimalOf(promised, shareDigits)
		res.Promised = &text
		if res.Valid {
			res.Verdict = res.against(promised)
		}
	}
	return res
}

// against compares with a promised share of the rated energy in percent.
func (t *TestResult) against(promised *big.Rat) Verdict {
	want := new(big.Rat).Mul(rounded(promised), ratio(int64(t.Reference), 100))
	energy, band := ratio(int64(t.Energy), 1), ratio(int64(t.Expanded), 1)
	switch {
	case new(big.Rat).Sub(energy, band).Cmp(want) >= 0:
		return Above
	case new(big.Rat).Add(energy, band).Cmp(want) < 0:
		return Below
	}
	return Inside
}

// retainedPct gives the discharged energy in percent of the reference.
func (t *TestResult) retainedPct() *big.Rat {
	return ratio(int64(t.Energy)*100, int64(t.Reference))
}

// discharge is the part of a record from the last sample at rest to the end.
type discharge struct {
	p       Procedure
	m       analytics.Model
	before  []analytics.Sample // up to and with the first of samples
	samples []analytics.Sample
	endedBy string
}

// findDischarge cuts the discharge out of a record. Without one it gives nil
// and the fault; with one that did not reach its end, both.
func findDischarge(all []analytics.Sample, p Procedure, m analytics.Model) (*discharge, *Fault) {
	from := -1
	for i := range all {
		if rateAt(&all[i], m) < -p.Rate/2 {
			from = i
			break
		}
	}
	if from < 0 {
		return nil, &Fault{"discharge", "The record shows no discharge at the rate of the test.", "record the whole test, with power negative while discharging"}
	}
	if from > 0 {
		from--
	}
	d := &discharge{p: p, m: m, before: all[:from+1]}
	for i := from; i < len(all); i++ {
		s := &all[i]
		d.samples = all[from : i+1]
		switch {
		case i == from:
		case p.EndVoltage > 0 && s.Has&analytics.HasVoltage != 0 && s.Voltage <= p.EndVoltage:
			d.endedBy = "voltage"
			return d, nil
		case s.SoC <= p.EndSoC:
			d.endedBy = "soc"
			return d, nil
		case i > from+1 && rateAt(s, m) > -p.RestRate:
			return d, notEnded("The discharge stopped before its end, at a charge level of " + tenths(int64(s.SoC)) + " %.")
		}
	}
	return d, notEnded("The record stops before the end of the discharge.")
}

func notEnded(sentence string) *Fault {
	return &Fault{"end", sentence, "repeat the test and go on until the end; where the unit switches itself off every time, say so with the claim"}
}

// milliwatts gives the power of a sample, from voltage and current where it
// carries none.
func milliwatts(s *analytics.Sample) int64 {
	if s.Has&analytics.HasPower != 0 {
		return int64(s.Power)
	}
	return int64(s.Voltage) * int64(s.Current) / 1000
}

// rateAt gives the power over the rated energy, negative while discharging.
func rateAt(s *analytics.Sample, m analytics.Model) analytics.MicroC {
	if m.Rated <= 0 {
		return 0
	}
	return analytics.MicroC(milliwatts(s) * 1_000_000 / int64(m.Rated))
}

// faults checks that the procedure was held.
func (d *discharge) faults() []Fault {
	var out []Fault
	if f := d.full(); f != nil {
		out = append(out, *f)
	}
	if f := d.held(); f != nil {
		out = append(out, *f)
	}
	if low, high := d.temps(); low < d.p.MinTemp || high > d.p.MaxTemp {
		out = append(out, Fault{"temperature",
			fmt.Sprintf("The cells were between %s and %s °C; the test is for %s to %s °C.", celsius(low), celsius(high), celsius(d.p.MinTemp), celsius(d.p.MaxTemp)),
			"repeat the test where the cells keep to that range"})
	}
	for i := 1; i < len(d.samples); i++ {
		if wait := analytics.Millis(d.samples[i].Time - d.samples[i-1].Time); wait > d.p.MaxGap {
			out = append(out, Fault{"gap",
				fmt.Sprintf("Nothing was recorded for %s after %s.", spell(wait), stamp(d.samples[i-1].Time)),
				"repeat the test and record at least every " + spell(d.p.MaxGap)})
			break
		}
	}
	return out
}

// full checks that the unit was full and had rested.
func (d *discharge) full() *Fault {
	i := len(d.before) - 1
	if soc := d.before[i].SoC; soc < d.p.Full {
		return &Fault{"full", fmt.Sprintf("The discharge began at a charge level of %s %%, below %s %%.", tenths(int64(soc)), tenths(int64(d.p.Full))), "charge the unit fully and repeat the test"}
	}
	begin := d.before[i].Time
	for i > 0 && d.resting(i-1) && analytics.Millis(d.before[i].Time-d.before[i-1].Time) <= d.p.MaxGap {
		i--
	}
	if rested := analytics.Millis(begin - d.before[i].Time); rested < d.p.Rest {
		return &Fault{"rest", fmt.Sprintf("The record shows %s of rest while full before the discharge, less than %s.", spell(rested), spell(d.p.Rest)), "let the unit rest while it is full, record the rest, and repeat the test"}
	}
	return nil
}

func (d *discharge) resting(i int) bool {
	s := &d.before[i]
	rate := rateAt(s, d.m)
	return s.SoC >= d.p.Full && rate <= d.p.RestRate && rate >= -d.p.RestRate
}

// held checks that the rate was held between the ramps.
func (d *discharge) held() *Fault {
	tolerance := int64(d.p.Rate) * d.p.RateTolerance / 1_000_000
	first, last := d.samples[0].Time, d.samples[len(d.samples)-1].Time
	var outside, looked analytics.Millis
	for i := 1; i < len(d.samples); i++ {
		a, b := &d.samples[i-1], &d.samples[i]
		if analytics.Millis(a.Time-first) < d.p.Ramp || analytics.Millis(last-b.Time) < d.p.Ramp {
			continue
		}
		span := analytics.Millis(b.Time - a.Time)
		looked += span
		if off := int64(-rateAt(b, d.m) - d.p.Rate); off > tolerance || off < -tolerance {
			outside += span
		}
	}
	if int64(outside)*1_000_000 <= int64(looked)*d.p.MostOutside {
		return nil
	}
	return &Fault{"rate",
		fmt.Sprintf("For %s %% of the time the power was off by more than %s %% from %s %% of the rated energy per hour.",
			fixed(ratio(int64(outside)*100, int64(looked)), 1), scaled(d.p.RateTolerance, 10_000), scaled(int64(d.p.Rate), 10_000)),
		"repeat the test with a steady power"}
}

// temps gives the coldest and the hottest cell during the discharge.
func (d *discharge) temps() (low, high analytics.CentiCelsius) {
	for i := range d.samples {
		s := &d.samples[i]
		top := s.Temp
		if s.Has&analytics.HasTempMax != 0 {
			top = max(top, s.TempMax)
		}
		if i == 0 {
			low, high = s.Temp, top
		}
		low, high = min(low, s.Temp), max(high, top)
	}
	return low, high
}
