// Package reference counts the ledger of one unit a second time, from scratch
// and without haste: everything delivered is sorted, every pair of samples is
// looked at with exact rationals, nothing is remembered between two counts.
//
// It shares no code with package analytics, so that both being wrong in the
// same way is unlikely. Quantities are plain integers with the unit in the
// name: Ms is milliseconds since 1970-01-01T00:00:00Z or a span of them, SoC
// is a state of charge in 0.1 %, CentiC is 0.01 °C, MW is milliwatts, MA
// milliamps, MV millivolts, MAh milliamp-hours, MWh milliwatt-hours and UWh
// microwatt-hours.
package reference

// Sample is what one unit reported at one instant. A nil field is absent.
type Sample struct {
	TimeMs int64
	// Rank is the rank of the source; the version of the highest rank counts.
	Rank int
	SoC  *int64
	// TempCentiC is the coldest cell, TempMaxCentiC the hottest.
	TempCentiC, TempMaxCentiC *int64
	// PowerMW and CurrentMA are positive while charging.
	PowerMW, CurrentMA, VoltageMV *int64
	// ChargeMWh and DischargeMWh are lifetime counters.
	ChargeMWh, DischargeMWh *int64
	// PowerIsMean says that the power is the mean over the interval that ends
	// at this sample.
	PowerIsMean bool
}

// Delivered is a sample with the time at which its delivery was stored.
type Delivered struct {
	Sample
	StoredMs int64
}

// Correction is what a person decided about a span of time: within
// [FromMs, ToMs) only its samples count, at most one an instant; samples
// outside the span are ignored. An empty Samples takes the span out.
type Correction struct {
	FromMs, ToMs int64
	Samples      []Sample
}

// LimitRow is one row of a limit table: at this temperature at most this rate,
// in millionths of C.
type LimitRow struct{ TempCentiC, RateMicroC int64 }

// LifePoint is a warranted number of full cycles, in thousandths, at a depth
// in millionths of the full range.
type LifePoint struct{ DepthPPM, MilliCycles int64 }

// Model is everything about a unit's model and terms that the rules need.
type Model struct {
	RatedMWh int64
	// RatedMAh is 0 where it is not known; a current then tells no rate.
	RatedMAh   int64
	MaxPowerMW int64
	// MaxGapMs is 15 min where it is 0.
	MaxGapMs int64
	// FloorSoC and StorageMaxCentiC are nil where there is no such limit.
	FloorSoC, StorageMaxCentiC *int64
	// ChargeLimit and DischargeLimit ascend by temperature; an empty one
	// limits nothing.
	ChargeLimit, DischargeLimit []LimitRow
	// Life ascends by depth; empty where no cycles are warranted by depth.
	Life []LifePoint
	// ShallowSlope carries the slope of the first segment of Life below its
	// first point, instead of constant throughput.
	ShallowSlope bool
	// CountedFromPPM is the shallowest depth that spends life, 2 % (20000)
	// unless the terms say otherwise; 0 counts all.
	CountedFromPPM int64
	// MilliEFCCap is the warranted equivalent full cycles in thousandths,
	// EnergyCapMWh the warranted discharge; 0 where the terms have none.
	MilliEFCCap, EnergyCapMWh int64
	// EFCByDischarge counts the discharge alone as equivalent full cycles.
	EFCByDischarge bool
}

func (m *Model) maxGapMs() int64 {
	if m.MaxGapMs > 0 {
		return m.MaxGapMs
	}
	return 15 * minuteMs
}

// Energy is an energy into and out of the battery.
type Energy struct{ ChargeUWh, DischargeUWh int64 }

func (e Energy) plus(o Energy) Energy {
	return Energy{e.ChargeUWh + o.ChargeUWh, e.DischargeUWh + o.DischargeUWh}
}

// Event is something a counter did that a reader should know. Kind is
// counter-reset or counter-implausible, Field charge_mwh or discharge_mwh.
type Event struct {
	Kind   string
	TimeMs int64
	Field  string
}

// Excursion is one episode over a limit.
type Excursion struct {
	Kind           string
	StartMs, EndMs int64
	// N is the number of samples over the limit.
	N int64
	// MinTempCentiC and MaxTempCentiC are over all samples inside, nil where
	// none has a temperature.
	MinTempCentiC, MaxTempCentiC *int64
	Energy
	// PeakC is the highest rate over the limit in C; 0 for deep-discharge and
	// hot-rest.
	PeakC float64
}

// DayResult is what one UTC day adds. Pairs and closed cycles belong to the
// day of the sample that ends or confirms them; covered time is split at
// midnight.
type DayResult struct {
	Samples, CoveredMs int64
	Energy
	// Closed counts the half cycles of closed cycles by depth bin.
	Closed map[int]int64
}

// Result is the ledger of a unit.
type Result struct {
	// Samples counts the instants that count; Duplicates the delivered rows
	// equal in every field and in rank to one already known; Conflicts the
	// instants in dispute; Superseded the distinct versions that a higher
	// rank or a correction outdid; Future the delivered rows that lay more
	// than 10 min after the storing of their delivery.
	Samples, Duplicates, Conflicts, Superseded, Future int64
	// FirstMs and LastMs are valid when Samples is not 0.
	FirstMs, LastMs int64
	// HalfCycles counts closed cycles and residue by depth bin of 0.5 %.
	HalfCycles map[int]int64
	// Counter, Power and BySoC are the energies by basis.
	Counter, Power, BySoC Energy
	CoveredMs, ElapsedMs  int64
	// Events ascend by time, charge before discharge.
	Events []Event
	// Excursions ascend by start, then by kind.
	Excursions []Excursion
	// Days is by days since 1970-01-01 and holds the days with a sample or
	// covered time.
	Days map[int32]DayResult
	// EFC are equivalent full cycles, of throughput or, where the terms say
	// so, of discharge.
	EFC float64
	// SpentLife, SpentEFC and SpentEnergy are the shares of each measure that
	// the terms warrant, nil where they do not.
	SpentLife, SpentEFC, SpentEnergy *float64
}

// Total gives the energy over all bases.
func (r *Result) Total() Energy { return r.Counter.plus(r.Power).plus(r.BySoC) }

const (
	minuteMs = int64(60_000)
	hourMs   = 60 * minuteMs
	dayMs    = 24 * hourMs
)

// dayOf gives the UTC day of an instant, also before 1970.
func dayOf(ms int64) int32 {
	d := ms / dayMs
	if ms%dayMs < 0 {
		d--
	}
	return int32(d)
}

// Count counts a unit: what was delivered, in any order, under the corrections
// in the order of their making.
func Count(m *Model, delivered []Delivered, corrections []Correction) Result {
	r := Result{HalfCycles: map[int]int64{}, Days: map[int32]DayResult{}}
	samples := settle(&r, delivered, corrections)
	r.Samples = int64(len(samples))
	if len(samples) > 0 {
		r.FirstMs, r.LastMs = samples[0].TimeMs, samples[len(samples)-1].TimeMs
		r.ElapsedMs = r.LastMs - r.FirstMs
	}
	for _, s := range samples {
		r.day(s.TimeMs, func(d *DayResult) { d.Samples++ })
	}
	pairs := make([]pair, 0, len(samples))
	for i := 1; i < len(samples); i++ {
		p := m.pair(samples[i-1], samples[i])
		pairs = append(pairs, p)
		r.addPair(m, p)
	}
	r.addCycles(samples)
	r.Excursions = m.excursions(samples, pairs)
	r.addSpent(m)
	return r
}

// day changes the entry of the day that an instant falls in.
func (r *Result) day(ms int64, change func(*DayResult)) {
	d := r.Days[dayOf(ms)]
	change(&d)
	r.Days[dayOf(ms)] = d
}

// addPair adds the energy, the events and the covered time of a pair.
func (r *Result) addPair(m *Model, p pair) {
	switch p.basis {
	case basisCounter:
		r.Counter = r.Counter.plus(p.energy)
	case basisPower:
		r.Power = r.Power.plus(p.energy)
	case basisSoC:
		r.BySoC = r.BySoC.plus(p.energy)
	}
	r.Events = append(r.Events, p.events...)
	r.day(p.to.TimeMs, func(d *DayResult) { d.Energy = d.Energy.plus(p.energy) })
	if p.lengthMs() > m.maxGapMs() {
		return
	}
	r.CoveredMs += p.lengthMs()
	for at := p.from.TimeMs; at < p.to.TimeMs; {
		end := min((int64(dayOf(at))+1)*dayMs, p.to.TimeMs)
		r.day(at, func(d *DayResult) { d.CoveredMs += end - at })
		at = end
	}
}
