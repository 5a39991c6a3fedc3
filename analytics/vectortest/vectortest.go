// Package vectortest loads the repository's test vectors, for the tests of any
// package that counts, stores or answers.
package vectortest

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"

	"fadeledger/analytics"
)

// Vector is invented telemetry with the results of an independent
// implementation of the counting rules.
type Vector struct {
	Name  string
	Model struct {
		Name           string
		RatedWh        float64      `json:"rated_wh"`
		RatedAh        float64      `json:"rated_ah"`
		MaxPowerW      float64      `json:"max_power_w"`
		MaxGapS        int64        `json:"max_gap_s"`
		FloorSoC       int16        `json:"floor_soc"`
		StorageMaxC    float64      `json:"storage_max_c"`
		ChargeTable    [][2]float64 `json:"charge_table"`
		DischargeTable [][2]float64 `json:"discharge_table"`
	}
	Terms struct {
		Points         [][2]float64
		Shallow        string
		CountedFromPct float64 `json:"counted_from_pct"`
	}
	Samples []struct {
		T            int64
		SoC          *int16
		PowerMW      *int64   `json:"power_mw"`
		ChargeMWh    *int64   `json:"charge_mwh"`
		DischargeMWh *int64   `json:"discharge_mwh"`
		TempC        *float64 `json:"temp_c"`
	}
	Expect map[string]json.RawMessage
}

// Load reads every vector of the repository.
func Load(t testing.TB) []Vector {
	t.Helper()
	_, here, _, _ := runtime.Caller(0)
	paths, err := filepath.Glob(filepath.Join(filepath.Dir(here), "..", "..", "testdata", "vectors", "*.json"))
	if err != nil || len(paths) < 7 {
		t.Fatalf("test vectors: found %d, %v", len(paths), err)
	}
	out := make([]Vector, len(paths))
	for i, p := range paths {
		b, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(b, &out[i]); err != nil {
			t.Fatalf("%s: %v", p, err)
		}
	}
	return out
}

// AnalyticsModel gives the model of the vector.
func (v *Vector) AnalyticsModel() *analytics.Model {
	floor := analytics.SoC(v.Model.FloorSoC)
	store := analytics.CentiCelsius(math.Round(v.Model.StorageMaxC * 100))
	table := func(rows [][2]float64) (t analytics.LimitTable) {
		for _, r := range rows {
			t = append(t, analytics.LimitRow{
				Temp: analytics.CentiCelsius(math.Round(r[0] * 100)),
				Rate: analytics.MicroC(math.Round(r[1] * 1e6)),
			})
		}
		return t
	}
	return &analytics.Model{
		Name:           v.Model.Name,
		Rated:          analytics.MilliwattHours(math.Round(v.Model.RatedWh * 1000)),
		RatedCharge:    analytics.MilliampHours(math.Round(v.Model.RatedAh * 1000)),
		MaxPower:       analytics.Milliwatts(math.Round(v.Model.MaxPowerW * 1000)),
		MaxGap:         analytics.Millis(v.Model.MaxGapS) * analytics.Second,
		Floor:          &floor,
		StorageMax:     &store,
		ChargeLimit:    table(v.Model.ChargeTable),
		DischargeLimit: table(v.Model.DischargeTable),
	}
}

// AnalyticsTerms gives the terms of the vector.
func (v *Vector) AnalyticsTerms() *analytics.Terms {
	life := analytics.CycleLife{Shallow: analytics.Shallow(v.Terms.Shallow), CountedFromPct: &v.Terms.CountedFromPct}
	for _, p := range v.Terms.Points {
		life.Points = append(life.Points, analytics.LifePoint{Depth: p[0], Cycles: p[1]})
	}
	return &analytics.Terms{Name: "vector terms", Life: life}
}

// Deliveries gives the samples in the order of their delivery.
func (v *Vector) Deliveries() []analytics.Sample {
	out := make([]analytics.Sample, len(v.Samples))
	for i, x := range v.Samples {
		s := analytics.Sample{Time: analytics.Instant(x.T * 1000)}
		if x.SoC != nil {
			s.Has, s.SoC = s.Has|analytics.HasSoC, analytics.SoC(*x.SoC)
		}
		if x.PowerMW != nil {
			s.Has, s.Power = s.Has|analytics.HasPower, analytics.Milliwatts(*x.PowerMW)
		}
		if x.ChargeMWh != nil {
			s.Has, s.Charge = s.Has|analytics.HasCharge, analytics.MilliwattHours(*x.ChargeMWh)
		}
		if x.DischargeMWh != nil {
			s.Has, s.Discharge = s.Has|analytics.HasDischarge, analytics.MilliwattHours(*x.DischargeMWh)
		}
		if x.TempC != nil {
			s.Has, s.Temp = s.Has|analytics.HasTemp, analytics.CentiCelsius(math.Round(*x.TempC*100))
		}
		out[i] = s
	}
	return out
}

// Ledger counts the samples, which may come in any order.
func (v *Vector) Ledger(samples []analytics.Sample) analytics.Ledger {
	var set analytics.SampleSet
	for _, s := range samples {
		set.Add(s)
	}
	r := set.Resolve()
	m := v.AnalyticsModel()
	a := analytics.Count(m, r.Counting)
	return analytics.LedgerOf(m, v.AnalyticsTerms(), &a.Counter, a.Excursions, a.Events,
		analytics.Versions{Duplicates: r.Duplicates, Conflicts: r.Conflicts, Superseded: r.Superseded})
}

// Compare checks every key that the vector expects, integers exactly and
// numbers with a fraction to 1e-12 relative.
func (v *Vector) Compare(t testing.TB, l analytics.Ledger) {
	t.Helper()
	b, err := json.Marshal(l)
	if err != nil {
		t.Fatal(err)
	}
	v.CompareJSON(t, b)
}

// CompareJSON checks the JSON of a ledger; got may carry more keys.
func (v *Vector) CompareJSON(t testing.TB, b []byte, except ...string) {
	t.Helper()
	var got map[string]any
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	if len(v.Expect) < 10 {
		t.Fatalf("%s: expects only %d keys", v.Name, len(v.Expect))
	}
	for key, raw := range v.Expect {
		if slices.Contains(except, key) {
			continue
		}
		var want any
		if err := json.Unmarshal(raw, &want); err != nil {
			t.Fatal(err)
		}
		if err := same(want, got[key], key); err != nil {
			t.Errorf("%s: %v", v.Name, err)
		}
	}
}

// same reports where got differs from want; got may carry more keys.
func same(want, got any, path string) error {
	switch w := want.(type) {
	case map[string]any:
		g, ok := got.(map[string]any)
		if !ok {
			return fmt.Errorf("%s: got %v", path, got)
		}
		if path == "half_cycles" && len(w) != len(g) {
			return fmt.Errorf("%s: got %v, want %v", path, g, w)
		}
		for k, x := range w {
			if err := same(x, g[k], path+"."+k); err != nil {
				return err
			}
		}
	case []any:
		g, ok := got.([]any)
		if !ok || len(g) != len(w) {
			return fmt.Errorf("%s: got %v, want %v", path, got, want)
		}
		for i := range w {
			if err := same(w[i], g[i], fmt.Sprintf("%s[%d]", path, i)); err != nil {
				return err
			}
		}
	case float64:
		g, ok := got.(float64)
		if !ok || math.Abs(g-w) > 1e-12*math.Abs(w) {
			return fmt.Errorf("%s: got %v, want %v", path, got, want)
		}
	default:
		if got != want {
			return fmt.Errorf("%s: got %v, want %v", path, got, want)
		}
	}
	return nil
}
