package analytics_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"fadeledger/analytics"
)

// vector is invented telemetry with the results of an independent
// implementation of the counting rules.
type vector struct {
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

func loadVectors(t testing.TB) []vector {
	t.Helper()
	paths, err := filepath.Glob("../testdata/vectors/*.json")
	if err != nil || len(paths) < 7 {
		t.Fatalf("test vectors: found %d, %v", len(paths), err)
	}
	out := make([]vector, len(paths))
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

func (v *vector) model() *analytics.Model {
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

func (v *vector) terms() *analytics.Terms {
	life := analytics.CycleLife{Shallow: analytics.Shallow(v.Terms.Shallow), CountedFromPct: &v.Terms.CountedFromPct}
	for _, p := range v.Terms.Points {
		life.Points = append(life.Points, analytics.LifePoint{Depth: p[0], Cycles: p[1]})
	}
	return &analytics.Terms{Name: "vector terms", Life: life}
}

func (v *vector) samples() []analytics.Sample {
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

func (v *vector) ledger(samples []analytics.Sample) analytics.Ledger {
	var set analytics.SampleSet
	for _, s := range samples {
		set.Add(s)
	}
	r := set.Resolve()
	m := v.model()
	a := analytics.Count(m, r.Counting)
	return analytics.LedgerOf(m, v.terms(), &a.Counter, a.Excursions, a.Events,
		analytics.Versions{Duplicates: r.Duplicates, Conflicts: r.Conflicts, Superseded: r.Superseded})
}

// compare checks every key that the vector expects, integers exactly and
// numbers with a fraction to 1e-12 relative.
func (v *vector) compare(t *testing.T, l analytics.Ledger) {
	t.Helper()
	b, err := json.Marshal(l)
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	if len(v.Expect) < 10 {
		t.Fatalf("%s: expects only %d keys", v.Name, len(v.Expect))
	}
	for key, raw := range v.Expect {
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

func TestVectors(t *testing.T) {
	for _, v := range loadVectors(t) {
		t.Run(v.Name, func(t *testing.T) { v.compare(t, v.ledger(v.samples())) })
	}
}

func TestVectorsInAnyOrder(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, v := range loadVectors(t) {
		samples := v.samples()
		for range 3 {
			rng.Shuffle(len(samples), func(i, j int) { samples[i], samples[j] = samples[j], samples[i] })
			v.compare(t, v.ledger(samples))
		}
	}
}

// TestVectorsThroughStates serialises the state at random places and goes on
// from the bytes: any split of the series must give the same ledger.
func TestVectorsThroughStates(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, v := range loadVectors(t) {
		var set analytics.SampleSet
		for _, s := range v.samples() {
			set.Add(s)
		}
		r := set.Resolve()
		m := v.model()
		var c analytics.Counter
		var out analytics.Effects
		largest := 0
		for _, s := range r.Counting {
			if rng.IntN(5) == 0 {
				b, err := c.AppendBinary(nil)
				if err != nil {
					t.Fatal(err)
				}
				largest = max(largest, len(b))
				c = analytics.Counter{}
				if err := c.UnmarshalBinary(b); err != nil {
					t.Fatal(err)
				}
				again, _ := c.AppendBinary(nil)
				if string(again) != string(b) {
					t.Fatalf("%s: state changes when it is read and written again", v.Name)
				}
			}
			c.Step(m, s, &out)
		}
		v.compare(t, analytics.LedgerOf(m, v.terms(), &c, out.Excursions, out.Events,
			analytics.Versions{Duplicates: r.Duplicates, Conflicts: r.Conflicts}))
		t.Logf("%s: largest state %d bytes", v.Name, largest)
		if largest > 512 {
			t.Errorf("%s: state of %d bytes, want at most 512", v.Name, largest)
		}
	}
}
