package analytics_test

import (
	"math/rand/v2"
	"testing"

	"fadeledger/analytics"
)

// benchmarkCounter steps a counter over a million samples and reports the time
// for each.
func benchmarkCounter(b *testing.B, keep analytics.Fields) {
	samples := homeSeries(1_000_000, rand.New(rand.NewPCG(60, 1)))
	for i := range samples {
		samples[i] = keepOnly(samples[i], keep)
	}
	m := testModel()
	b.ReportAllocs()
	for b.Loop() {
		var c analytics.Counter
		var out analytics.Effects
		for i := range samples {
			c.Step(m, samples[i], &out)
		}
		if c.Samples() != 1_000_000 {
			b.Fatalf("counted %d samples", c.Samples())
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1e6, "ns/sample")
}

// keepOnly drops the fields of a sample that are not to be kept.
func keepOnly(s analytics.Sample, keep analytics.Fields) analytics.Sample {
	out := analytics.Sample{Time: s.Time, Has: s.Has & keep}
	if out.Has&analytics.HasSoC != 0 {
		out.SoC = s.SoC
	}
	if out.Has&analytics.HasPower != 0 {
		out.Power = s.Power
	}
	if out.Has&analytics.HasTemp != 0 {
		out.Temp = s.Temp
	}
	if out.Has&analytics.HasTempMax != 0 {
		out.TempMax = s.TempMax
	}
	if out.Has&analytics.HasCharge != 0 {
		out.Charge = s.Charge
	}
	if out.Has&analytics.HasDischarge != 0 {
		out.Discharge = s.Discharge
	}
	return out
}

// BenchmarkCounter is the whole count: energy, rainflow, histograms, days and
// excursions, by the basis that the samples offer.
func BenchmarkCounter(b *testing.B) {
	const state = analytics.HasSoC | analytics.HasTemp
	b.Run("counters", func(b *testing.B) {
		benchmarkCounter(b, state|analytics.HasPower|analytics.HasCharge|analytics.HasDischarge)
	})
	b.Run("power", func(b *testing.B) { benchmarkCounter(b, state|analytics.HasPower) })
	b.Run("soc", func(b *testing.B) { benchmarkCounter(b, state) })
}

// BenchmarkRainflow is the cycle count alone.
func BenchmarkRainflow(b *testing.B) {
	samples := homeSeries(1_000_000, rand.New(rand.NewPCG(60, 1)))
	for b.Loop() {
		var r analytics.Rainflow
		var h analytics.HalfCycles
		for i := range samples {
			r.Push(samples[i].SoC, func(bin int) { h[bin] += 2 })
		}
		r.Open(&h)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1e6, "ns/sample")
}

// BenchmarkState writes and reads a typical state.
func BenchmarkState(b *testing.B) {
	c := typicalState(b, 60)
	var buf []byte
	for b.Loop() {
		var err error
		if buf, err = c.AppendBinary(buf[:0]); err != nil {
			b.Fatal(err)
		}
		if err := c.UnmarshalBinary(buf); err != nil {
			b.Fatal(err)
		}
	}
}
