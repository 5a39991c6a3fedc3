package block_test

import (
	"errors"
	"math/rand/v2"
	"slices"
	"testing"

	"fadeledger/analytics"
	"fadeledger/store/block"
)

// minutes makes a day-like series of one-minute samples with seven fields.
func minutes(seed uint64, n int) []analytics.Sample {
	rng := rand.New(rand.NewPCG(seed, 7))
	out := make([]analytics.Sample, n)
	soc, power, temp := 500.0, 0.0, 1800.0
	var charge, discharge analytics.MilliwattHours = 4_000_000, 3_900_000
	for i := range out {
		power = power*0.9 + rng.NormFloat64()*120
		soc = min(1000, max(50, soc+power/3000))
		temp += rng.NormFloat64() * 4
		watts := analytics.Milliwatts(int64(power) * 1000)
		if watts > 0 {
			charge += analytics.MilliwattHours(watts / 60)
		} else {
			discharge -= analytics.MilliwattHours(watts / 60)
		}
		out[i] = analytics.Sample{
			Time: analytics.Instant(1767225600000 + int64(i)*60000),
			Has: analytics.HasSoC | analytics.HasPower | analytics.HasVoltage | analytics.HasTemp |
				analytics.HasCharge | analytics.HasDischarge,
			SoC: analytics.SoC(soc), Power: watts, Voltage: analytics.Millivolts(51200 + power/10),
			Temp: analytics.CentiCelsius(temp), Charge: charge, Discharge: discharge,
		}
	}
	return out
}

// wild makes samples with any fields, values and spacing.
func wild(seed uint64, n int) []analytics.Sample {
	rng := rand.New(rand.NewPCG(seed, 8))
	out := make([]analytics.Sample, n)
	at := rng.Int64N(1 << 41)
	for i := range out {
		at += 1 + rng.Int64N(1<<uint(rng.IntN(40)))
		s := analytics.Sample{Time: analytics.Instant(at), Has: analytics.Fields(rng.IntN(1 << 9)), Rank: int8(rng.IntN(5) - 2)}
		if s.Has&analytics.HasSoC != 0 {
			s.SoC = analytics.SoC(rng.IntN(1001))
		}
		if s.Has&analytics.HasPower != 0 {
			s.Power = analytics.Milliwatts(rng.Int64N(1<<40) - 1<<39)
		}
		if s.Has&analytics.HasCurrent != 0 {
			s.Current = analytics.Milliamps(rng.Int64N(1<<30) - 1<<29)
		}
		if s.Has&analytics.HasVoltage != 0 {
			s.Voltage = analytics.Millivolts(rng.Int64N(1 << 30))
		}
		if s.Has&analytics.HasTemp != 0 {
			s.Temp = analytics.CentiCelsius(rng.IntN(20000) - 8000)
		}
		if s.Has&analytics.HasTempMax != 0 {
			s.TempMax = analytics.CentiCelsius(rng.IntN(20000) - 8000)
		}
		if s.Has&analytics.HasCharge != 0 {
			s.Charge = analytics.MilliwattHours(rng.Int64N(1 << 50))
		}
		if s.Has&analytics.HasDischarge != 0 {
			s.Discharge = analytics.MilliwattHours(rng.Int64N(1 << 50))
		}
		out[i] = s
	}
	return out
}

func TestRoundTrip(t *testing.T) {
	for _, n := range []int{0, 1, 2, 59, 64, 65, 66, 129, 1440, 5000} {
		for seed := range uint64(20) {
			for name, samples := range map[string][]analytics.Sample{"minutes": minutes(seed, n), "wild": wild(seed, n)} {
				got, err := block.Unpack(nil, block.Pack(nil, samples))
				if err != nil || !slices.Equal(got, samples) {
					t.Fatalf("%s, seed %d, %d samples: read back %d samples, %v", name, seed, n, len(got), err)
				}
			}
		}
	}
}

// TestBytesPerSample holds what the goals for stored bytes leave to a body:
// the row, its key and the index entry around an hour take some 90 bytes.
func TestBytesPerSample(t *testing.T) {
	for _, c := range []struct {
		name   string
		report analytics.Fields
		n      int
		most   float64
	}{
		{"hour, six measurements", sevenColumns, 60, 2.8},
		{"day, six measurements", sevenColumns, 1440, 2.3},
		{"hour, all eight measurements", analytics.Measured, 60, 3.9},
		{"day, all eight measurements", analytics.Measured, 1440, 3.3},
	} {
		bytes, samples := 0, 0
		for _, s := range homes(t, c.report, 20, 3) {
			for i := 0; i+c.n <= len(s); i += c.n {
				bytes += len(block.Pack(nil, s[i:i+c.n]))
				samples += c.n
			}
		}
		per := float64(bytes) / float64(samples)
		t.Logf("%s: %.2f bytes a sample", c.name, per)
		if per > c.most {
			t.Errorf("%s: %.2f bytes a sample, want at most %.1f", c.name, per, c.most)
		}
	}
}

func TestCorruptBlocksAreRefused(t *testing.T) {
	for _, n := range []int{60, 1440} {
		good := block.Pack(nil, minutes(1, n))
		for cut := range len(good) {
			if _, err := block.Unpack(nil, good[:cut]); !errors.Is(err, block.ErrCorrupt) {
				t.Fatalf("%d samples cut at byte %d: %v", n, cut, err)
			}
		}
		if _, err := block.Unpack(nil, append(slices.Clone(good), 0)); !errors.Is(err, block.ErrCorrupt) {
			t.Errorf("%d samples with a byte behind: %v", n, err)
		}
	}
	if _, err := block.Unpack(nil, []byte{1, 0, 1}); !errors.Is(err, block.ErrCorrupt) {
		t.Errorf("other version: %v", err)
	}
}

func FuzzUnpack(f *testing.F) {
	f.Add(block.Pack(nil, minutes(1, 10)))
	f.Add(block.Pack(nil, minutes(1, 200)))
	f.Fuzz(func(t *testing.T, b []byte) {
		samples, err := block.Unpack(nil, b)
		if err != nil {
			return
		}
		again, err := block.Unpack(nil, block.Pack(nil, samples))
		if err != nil || !slices.Equal(again, samples) {
			t.Fatalf("packed again: %v", err)
		}
	})
}

func BenchmarkPack(b *testing.B) {
	for name, n := range map[string]int{"hour": 60, "day": 1440} {
		samples := homes(b, analytics.Measured, 1, 1)[0][:n]
		var p block.Packer
		b.Run(name+"/pack", func(b *testing.B) {
			var dst []byte
			for b.Loop() {
				dst = p.Pack(dst[:0], samples)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/sample")
			b.ReportMetric(float64(len(dst))/float64(n), "B/sample")
		})
		body := p.Pack(nil, samples)
		b.Run(name+"/unpack", func(b *testing.B) {
			var dst []analytics.Sample
			for b.Loop() {
				dst, _ = p.Unpack(dst[:0], body)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/sample")
		})
	}
}
