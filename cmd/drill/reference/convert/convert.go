// Package convert takes the words of package analytics to those of the
// reference, and compares what both counted.
package convert

import (
	"math"

	"fadeledger/analytics"
	"fadeledger/cmd/drill/reference"
)

// Sample gives a sample in the reference's words.
func Sample(s analytics.Sample) reference.Sample {
	field := func(has analytics.Fields, v int64) *int64 {
		if s.Has&has == 0 {
			return nil
		}
		return &v
	}
	return reference.Sample{
		TimeMs:        int64(s.Time),
		Rank:          int(s.Rank),
		SoC:           field(analytics.HasSoC, int64(s.SoC)),
		TempCentiC:    field(analytics.HasTemp, int64(s.Temp)),
		TempMaxCentiC: field(analytics.HasTempMax, int64(s.TempMax)),
		PowerMW:       field(analytics.HasPower, int64(s.Power)),
		CurrentMA:     field(analytics.HasCurrent, int64(s.Current)),
		VoltageMV:     field(analytics.HasVoltage, int64(s.Voltage)),
		ChargeMWh:     field(analytics.HasCharge, int64(s.Charge)),
		DischargeMWh:  field(analytics.HasDischarge, int64(s.Discharge)),
		PowerIsMean:   s.Has&analytics.PowerIsMean != 0,
	}
}

// Samples gives samples in the reference's words.
func Samples(samples []analytics.Sample) []reference.Sample {
	out := make([]reference.Sample, len(samples))
	for i, s := range samples {
		out[i] = Sample(s)
	}
	return out
}

// Delivered gives the samples of one delivery with the time of its storing.
func Delivered(samples []analytics.Sample, stored analytics.Instant) []reference.Delivered {
	out := make([]reference.Delivered, len(samples))
	for i, s := range samples {
		out[i] = reference.Delivered{Sample: Sample(s), StoredMs: int64(stored)}
	}
	return out
}

// Model gives a model and its terms in the reference's words. Terms may be
// nil: then nothing is warranted.
func Model(m *analytics.Model, t *analytics.Terms) *reference.Model {
	out := &reference.Model{
		RatedMWh:       int64(m.Rated),
		RatedMAh:       int64(m.RatedCharge),
		MaxPowerMW:     int64(m.MaxPower),
		MaxGapMs:       int64(m.MaxGap),
		ChargeLimit:    rows(m.ChargeLimit),
		DischargeLimit: rows(m.DischargeLimit),
	}
	if m.Floor != nil {
		floor := int64(*m.Floor)
		out.FloorSoC = &floor
	}
	if m.StorageMax != nil {
		most := int64(*m.StorageMax)
		out.StorageMaxCentiC = &most
	}
	if t == nil {
		return out
	}
	for _, p := range t.Life.Points {
		out.Life = append(out.Life, reference.LifePoint{
			DepthPPM:    int64(math.Round(p.Depth * 1e6)),
			MilliCycles: int64(math.Round(p.Cycles * 1000)),
		})
	}
	out.ShallowSlope = t.Life.Shallow == analytics.ShallowSlope
	out.CountedFromPPM = 20_000
	if t.Life.CountedFromPct != nil {
		out.CountedFromPPM = int64(math.Round(*t.Life.CountedFromPct * 10_000))
	}
	out.MilliEFCCap = int64(math.Round(t.EFCCap * 1000))
	out.EnergyCapMWh = int64(t.EnergyCap)
	out.EFCByDischarge = t.EFCBasis == analytics.BasisDischarge
	return out
}

func rows(table analytics.LimitTable) []reference.LimitRow {
	var out []reference.LimitRow
	for _, r := range table {
		out = append(out, reference.LimitRow{TempCentiC: int64(r.Temp), RateMicroC: int64(r.Rate)})
	}
	return out
}

// Corrections gives corrections, in the order of their making, in the
// reference's words.
func Corrections(made []analytics.Correction) []reference.Correction {
	out := make([]reference.Correction, len(made))
	for i, c := range made {
		out[i] = reference.Correction{FromMs: int64(c.From), ToMs: int64(c.To), Samples: Samples(c.Samples)}
	}
	return out
}
