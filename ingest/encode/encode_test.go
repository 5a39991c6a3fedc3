package encode_test

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"testing"

	"fadeledger/analytics"
	"fadeledger/ingest/decode"
	"fadeledger/ingest/encode"
	"fadeledger/ingest/profile"
)

type rows struct{ got []decode.Row }

func (r *rows) Row(row decode.Row) error { r.got = append(r.got, row); return nil }
func (r *rows) Problem(p decode.Problem) error {
	return fmt.Errorf("line %d: %s %s: %s", p.Line, p.Field, p.Reason, p.Message)
}

// randomSample draws any sample that the decoder takes.
func randomSample(rng *rand.Rand) analytics.Sample {
	// Some samples carry every field, some none.
	s := analytics.Sample{Has: analytics.Fields(rng.Uint32()) & analytics.Measured}
	s.Time = analytics.Instant(1_262_304_000_000 + rng.Int64N(2_800_000_000_000))
	if rng.IntN(2) == 0 {
		s.Time -= s.Time % 1000
	}
	within := func(lo, hi int64) int64 {
		switch rng.IntN(8) {
		case 0:
			return lo
		case 1:
			return hi
		case 2:
			return min(hi, max(lo, rng.Int64N(3)-1))
		}
		return lo + rng.Int64N(hi-lo+1)
	}
	set := func(f analytics.Fields, put func()) {
		if s.Has&f != 0 {
			put()
		}
	}
	set(analytics.HasSoC, func() { s.SoC = analytics.SoC(within(0, 1000)) })
	set(analytics.HasPower, func() { s.Power = analytics.Milliwatts(within(-2e9, 2e9)) })
	set(analytics.HasCurrent, func() { s.Current = analytics.Milliamps(within(-1e7, 1e7)) })
	set(analytics.HasVoltage, func() { s.Voltage = analytics.Millivolts(within(0, 2e6)) })
	set(analytics.HasTemp, func() { s.Temp = analytics.CentiCelsius(within(-6000, 12000)) })
	set(analytics.HasTempMax, func() { s.TempMax = analytics.CentiCelsius(within(-6000, 12000)) })
	set(analytics.HasCharge, func() { s.Charge = analytics.MilliwattHours(within(0, 1e15)) })
	set(analytics.HasDischarge, func() { s.Discharge = analytics.MilliwattHours(within(0, 1e15)) })
	return s
}

func TestRoundTripGivesTheSameSamples(t *testing.T) {
	t.Parallel()
	// Exactly -40 and 85 °C would be taken for sensor defaults.
	opt := decode.Options{Profile: &profile.Profile{KeepSensorDefaults: true}}
	forms := map[string]func([]byte, analytics.Serial, []analytics.Sample) []byte{
		"csv": encode.AppendCSV, "ndjson": encode.AppendNDJSON,
	}
	for name, form := range forms {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			opt := opt
			if opt.ContentType = "text/csv"; name == "ndjson" {
				opt.ContentType = "application/x-ndjson"
			}
			rng := rand.New(rand.NewPCG(26, uint64(len(name))))
			for round := range 300 {
				samples := make([]analytics.Sample, rng.IntN(40))
				for i := range samples {
					samples[i] = randomSample(rng)
				}
				body := form(nil, "HB5-000017", samples)
				var sink rows
				rep, err := decode.Decode(context.Background(), bytes.NewReader(body), opt, &sink)
				if len(samples) == 0 && name == "ndjson" {
					continue
				}
				if err != nil || rep.Accepted != int64(len(samples)) {
					t.Fatalf("round %d: accepted %d of %d, %v\n%s", round, rep.Accepted, len(samples), err, body)
				}
				for i, row := range sink.got {
					if row.Serial != "HB5-000017" || row.Sample != samples[i] {
						t.Fatalf("round %d sample %d: got %+v, want %+v\n%s", round, i, row.Sample, samples[i], body)
					}
				}
			}
		})
	}
}

func TestEncodedFormIsReadable(t *testing.T) {
	t.Parallel()
	samples := []analytics.Sample{
		{Time: 1767571200000, Has: analytics.HasSoC | analytics.HasPower, SoC: 503, Power: -1250500},
		{Time: 1767571260250, Has: analytics.HasTemp, Temp: -5},
	}
	const wantCSV = "unit,time,soc_pct,power_w,cell_temp_c\n" +
		"HB5-1,2026-01-05T00:00:00Z,50.3,-1250.5,\n" +
		"HB5-1,2026-01-05T00:01:00.250Z,,,-0.05\n"
	if got := string(encode.AppendCSV(nil, "HB5-1", samples)); got != wantCSV {
		t.Errorf("CSV:\n%s\nwant:\n%s", got, wantCSV)
	}
	const wantJSON = `{"unit":"HB5-1","time":"2026-01-05T00:00:00Z","soc_pct":50.3,"power_w":-1250.5}` + "\n" +
		`{"unit":"HB5-1","time":"2026-01-05T00:01:00.250Z","cell_temp_c":-0.05}` + "\n"
	if got := string(encode.AppendNDJSON(nil, "HB5-1", samples)); got != wantJSON {
		t.Errorf("NDJSON:\n%s\nwant:\n%s", got, wantJSON)
	}
}
