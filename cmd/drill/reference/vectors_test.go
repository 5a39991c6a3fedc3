package reference_test

import (
	"encoding/json"
	"math/rand/v2"
	"testing"

	"fadeledger/analytics/vectortest"
	"fadeledger/cmd/drill/reference"
	"fadeledger/cmd/drill/reference/convert"
)

// answer writes a result with the keys that the vectors expect.
func answer(t *testing.T, r reference.Result) []byte {
	t.Helper()
	mwh := func(uwh int64) int64 {
		if uwh < 0 {
			t.Errorf("an energy of %d µWh", uwh)
		}
		return (uwh + 500) / 1000
	}
	both := func(e reference.Energy) [2]int64 { return [2]int64{mwh(e.ChargeUWh), mwh(e.DischargeUWh)} }
	events, excursions := [][3]any{}, []map[string]any{}
	for _, e := range r.Events {
		events = append(events, [3]any{e.Kind, e.TimeMs / 1000, e.Field})
	}
	for _, e := range r.Excursions {
		x := map[string]any{
			"kind": e.Kind, "start": e.StartMs / 1000, "end": e.EndMs / 1000, "n": e.N,
			"charge_mwh": mwh(e.ChargeUWh), "discharge_mwh": mwh(e.DischargeUWh),
		}
		if e.MinTempCentiC != nil {
			x["min_temp_c"], x["max_temp_c"] = float64(*e.MinTempCentiC)/100, float64(*e.MaxTempCentiC)/100
		}
		excursions = append(excursions, x)
	}
	total := r.Total()
	b, err := json.Marshal(map[string]any{
		"samples": r.Samples, "duplicates": r.Duplicates, "conflicts": r.Conflicts,
		"half_cycles": r.HalfCycles, "spent": r.SpentLife, "efc": r.EFC,
		"charge_mwh": mwh(total.ChargeUWh), "discharge_mwh": mwh(total.DischargeUWh),
		"energy_by_basis": map[string]any{"counter": both(r.Counter), "power": both(r.Power), "soc": both(r.BySoC)},
		"covered_s":       float64(r.CoveredMs) / 1000, "elapsed_s": float64(r.ElapsedMs) / 1000,
		"events": events, "excursions": excursions,
	})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestVectors counts the invented telemetry in the order of its delivery and
// shuffled, and wants exactly what the vectors expect.
func TestVectors(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, v := range vectortest.Load(t) {
		t.Run(v.Name, func(t *testing.T) {
			samples := v.Deliveries()
			m := convert.Model(v.AnalyticsModel(), v.AnalyticsTerms())
			for range 2 {
				r := reference.Count(m, convert.Delivered(samples, samples[len(samples)-1].Time+1e12), nil)
				v.CompareJSON(t, answer(t, r))
				for _, difference := range convert.Compare(v.Ledger(samples), r) {
					t.Error(difference)
				}
				rng.Shuffle(len(samples), func(i, j int) { samples[i], samples[j] = samples[j], samples[i] })
			}
		})
	}
}
