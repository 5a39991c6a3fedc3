package analytics_test

import (
	"encoding/json"
	"reflect"
	"testing"

	"fadeledger/analytics"
)

// Samples at −5 °C, where charging is not allowed: over the limit, at rest, and
// discharging as is allowed there.
func cold(t analytics.Instant, fields ...field) analytics.Sample {
	return at(t, append([]field{coldest(-500), power(600_000)}, fields...)...)
}

func idle(t analytics.Instant) analytics.Sample { return at(t, coldest(-500), power(0)) }

func TestEpisodesJoin(t *testing.T) {
	type span struct {
		start, end analytics.Instant
		samples    int64
		ending     analytics.Ending
	}
	short := testModel()
	short.MaxGap = 5 * analytics.Minute
	m := testModel()
	tests := []struct {
		name    string
		m       *analytics.Model
		samples []analytics.Sample
		want    []span
	}{
		{"one sample, zero length", m, []analytics.Sample{cold(0)}, []span{{0, 0, 1, analytics.EndOpen}}},
		{"one sample among others", m, []analytics.Sample{idle(0), cold(minute), idle(2 * minute)},
			[]span{{minute, minute, 1, analytics.EndStopped}}},
		{"consecutive at the longest gap", m, []analytics.Sample{cold(0), cold(15 * minute)},
			[]span{{0, 15 * minute, 2, analytics.EndOpen}}},
		{"consecutive past the longest gap", m, []analytics.Sample{cold(0), cold(15*minute + 1)},
			[]span{{0, 0, 1, analytics.EndUnseen}, {15*minute + 1, 15*minute + 1, 1, analytics.EndOpen}}},
		{"ten minutes with one between", m, []analytics.Sample{cold(0), idle(5 * minute), cold(10 * minute)},
			[]span{{0, 10 * minute, 2, analytics.EndOpen}}},
		{"ten minutes and 1 ms with one between", m, []analytics.Sample{cold(0), idle(5 * minute), cold(10*minute + 1)},
			[]span{{0, 0, 1, analytics.EndStopped}, {10*minute + 1, 10*minute + 1, 1, analytics.EndOpen}}},
		{"between at ten minutes and 1 ms", m, []analytics.Sample{cold(0), idle(10*minute + 1), cold(11 * minute)},
			[]span{{0, 0, 1, analytics.EndStopped}, {11 * minute, 11 * minute, 1, analytics.EndOpen}}},
		{"chain longer than ten minutes", m,
			[]analytics.Sample{cold(0), idle(6 * minute), cold(9 * minute), idle(12 * minute), cold(18 * minute), idle(40 * minute)},
			[]span{{0, 18 * minute, 3, analytics.EndUnseen}}},
		{"short gap, consecutive within ten minutes", short, []analytics.Sample{cold(0), cold(10 * minute)},
			[]span{{0, 10 * minute, 2, analytics.EndOpen}}},
		{"short gap, past ten minutes", short, []analytics.Sample{cold(0), cold(10*minute + 1)},
			[]span{{0, 0, 1, analytics.EndUnseen}, {10*minute + 1, 10*minute + 1, 1, analytics.EndOpen}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []span
			for _, e := range episodesOf(tt.m, tt.samples...) {
				got = append(got, span{e.Start, e.End, e.Samples, e.Ending})
			}
			if !reflect.DeepEqual(got, tt.want) {
				t.Errorf("got %v, want %v", got, tt.want)
			}
		})
	}
}

// TestEpisodeContent: energies are those of the pairs inside, temperatures
// those of all samples inside, between the limits too; what comes before and
// after does not count.
func TestEpisodeContent(t *testing.T) {
	m := testModel()
	samples := []analytics.Sample{
		at(0, coldest(-3000), power(0)),
		at(minute, coldest(-500), power(600_000)),
		at(2*minute, coldest(-400), hottest(700), power(1_200_000)), // 15 Wh
		at(3*minute, coldest(-900), power(-1_200_000)),              // 5 Wh in, 5 Wh out
		at(4*minute, coldest(-600), power(600_000)),                 // 10/6 in 1/3, 20/3 out 2/3
		at(5*minute, coldest(-3000), power(0)),
		at(6*minute, coldest(3000), power(0)),
	}
	a := analytics.Count(m, samples)
	// 0.6 kW over a third of a minute / 2 = 1666.67 mWh; 1.2 kW over two thirds / 2 = 6666.67 mWh.
	want := analytics.Excursion{
		Kind: analytics.ColdCharge, Start: minute, End: 4 * minute, Samples: 3,
		HasTemp: true, MinTemp: -900, MaxTemp: 700,
		Peak: 120_000, AllowedAtPeak: 0,
		Charge: 15_000_000 + 5_000_000 + 1_667_000, Discharge: 5_000_000 + 6_667_000,
		Ending: analytics.EndStopped,
	}
	if open := a.Counter.OpenExcursions(); len(open) != 1 || open[0] != want {
		t.Errorf("open: got %+v\nwant %+v", open, want)
	}
	if got := want.Length(); got != 3*analytics.Minute {
		t.Errorf("length %v, want 3 min", got.Duration())
	}
	tally := a.Counter.Tallies()[analytics.ColdCharge]
	wantTally := analytics.Tally{
		Episodes: 1, Samples: 3, Charge: want.Charge, Discharge: want.Discharge, Time: 3 * analytics.Minute,
		HasTemp: true, MinTemp: -900, MaxTemp: 700, Peak: 120_000, First: minute, Last: 4 * minute,
	}
	if tally != wantTally {
		t.Errorf("tally: got %+v\nwant %+v", tally, wantTally)
	}
	b, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	const text = `{"kind":"cold-charge","start":60,"end":240,"n":3,"min_temp_c":-9,"max_temp_c":7,` +
		`"charge_mwh":21667,"discharge_mwh":11667,"peak_c_rate":0.12,"allowed_c_rate":0,"ending":"stopped"}`
	if string(b) != text {
		t.Errorf("as JSON: got %s\nwant %s", b, text)
	}
}

// TestEpisodeEnergyAcrossGap: counters are differenced across any gap, so the
// pair belongs to an episode that a long gap of the model joins.
func TestEpisodeEnergyAcrossGap(t *testing.T) {
	m := testModel()
	m.MaxGap = 5 * analytics.Minute
	got := episodesOf(m, cold(0, charged(0), discharged(9)), cold(10*minute, charged(80_000), discharged(10)))
	if len(got) != 1 || got[0].Charge != 80_000_000 || got[0].Discharge != 1_000 {
		t.Errorf("got %+v, want one episode of 80 Wh in and 1 mWh out", got)
	}
}

func TestEndings(t *testing.T) {
	m := testModel()
	tests := []struct {
		name  string
		first analytics.Sample
		next  *analytics.Sample
		want  analytics.Ending
	}{
		{"no later sample", at(0, coldest(500), power(4_000_000)), nil, analytics.EndOpen},
		{"rate brought down", at(0, coldest(500), power(4_000_000)),
			ptr(at(minute, coldest(500), power(3_000_000))), analytics.EndWithinLimit},
		{"rate just above rest", at(0, coldest(500), power(4_000_000)),
			ptr(at(minute, coldest(500), power(200_001))), analytics.EndWithinLimit},
		{"rate fell to rest", at(0, coldest(500), power(4_000_000)),
			ptr(at(minute, coldest(500), power(200_000))), analytics.EndStopped},
		{"direction changed", at(0, coldest(500), power(4_000_000)),
			ptr(at(minute, coldest(500), power(-3_000_000))), analytics.EndStopped},
		{"warmed up", at(0, coldest(500), power(4_000_000)),
			ptr(at(minute, coldest(1000), power(4_000_000))), analytics.EndLeft},
		{"cooled to another kind", at(0, coldest(5000), power(4_000_000)),
			ptr(at(minute, coldest(500), power(4_000_000))), analytics.EndLeft},
		{"gap", at(0, coldest(500), power(4_000_000)),
			ptr(at(15*minute+1, coldest(500), power(3_000_000))), analytics.EndUnseen},
		{"at the longest gap", at(0, coldest(500), power(4_000_000)),
			ptr(at(15*minute, coldest(500), power(3_000_000))), analytics.EndWithinLimit},
		{"no rate", at(0, coldest(500), power(4_000_000)), ptr(at(minute, coldest(500))), analytics.EndUnseen},
		{"no temperature", at(0, coldest(500), power(4_000_000)), ptr(at(minute, power(3_000_000))), analytics.EndUnseen},
		{"discharge brought down", at(0, coldest(-1000), power(-6_000_000)),
			ptr(at(minute, coldest(-1000), power(-1_000_000))), analytics.EndWithinLimit},
		{"discharge turned to charge", at(0, coldest(-1000), power(-6_000_000)),
			ptr(at(minute, coldest(-1000), power(100_000))), analytics.EndStopped},
		{"flat part, brought down", at(0, coldest(2000), power(6_000_000)),
			ptr(at(minute, coldest(2000), power(5_000_000))), analytics.EndWithinLimit},
		{"deep discharge left", at(0, soc(40)), ptr(at(minute, soc(50))), analytics.EndLeft},
		{"deep discharge without soc", at(0, soc(40)), ptr(at(minute, power(0))), analytics.EndUnseen},
		{"hot rest left", at(0, coldest(6001)), ptr(at(minute, coldest(6000))), analytics.EndLeft},
		{"hot rest without temperature", at(0, coldest(6001)), ptr(at(minute, soc(500))), analytics.EndUnseen},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			samples := []analytics.Sample{tt.first}
			if tt.next != nil {
				samples = append(samples, *tt.next)
			}
			if got := endingOfFirst(episodesOf(m, samples...)); got != tt.want.String() {
				t.Fatalf("while it may go on: got %s, want %v", got, tt.want)
			}
			if tt.next == nil {
				return
			}
			// What comes later does not change how it ended.
			samples = append(samples, at(20*minute, soc(500)), at(2*hour, soc(500)))
			if got := endingOfFirst(analytics.Count(m, samples).Excursions); got != tt.want.String() {
				t.Errorf("for good: got %s, want %v", got, tt.want)
			}
		})
	}
}

// endingOfFirst gives the ending of the episode that starts at 0.
func endingOfFirst(episodes []analytics.Excursion) string {
	for _, e := range episodes {
		if e.Start == 0 {
			return e.Ending.String()
		}
	}
	return "no episode"
}

func ptr[T any](v T) *T { return &v }

// TestCurtailed counts the cold-charge episodes that ended within the limit,
// the one that may still go on included.
func TestCurtailed(t *testing.T) {
	over := func(t analytics.Instant) analytics.Sample { return at(t, coldest(500), power(4_000_000)) }
	within := func(t analytics.Instant) analytics.Sample { return at(t, coldest(500), power(3_000_000)) }
	a := analytics.Count(testModel(), []analytics.Sample{
		over(0), within(minute), within(11 * minute), // first, complete
		over(20 * minute), idle(21 * minute), idle(35 * minute), // second, stopped
		over(40 * minute), within(41 * minute), // third, may go on
	})
	if got := a.Counter.Curtailed(); got != 2 {
		t.Errorf("curtailed %d, want 2", got)
	}
	if got := decode(t, encode(t, &a.Counter)).Curtailed(); got != 2 {
		t.Errorf("curtailed %d after reading the state back, want 2", got)
	}
	if got := a.Counter.Tallies()[analytics.ColdCharge].Episodes; got != 3 {
		t.Errorf("episodes %d, want 3", got)
	}
	a.Counter.Step(testModel(), over(42*minute), &a.Effects)
	if got := a.Counter.Curtailed(); got != 1 {
		t.Errorf("curtailed %d after the third went on, want 1", got)
	}
}

// TestPeak keeps the highest rate and what was allowed at that sample.
func TestPeak(t *testing.T) {
	got := episodesOf(testModel(),
		at(0, coldest(0), power(4_000_000)),
		at(minute, coldest(500), power(4_500_000)),
		at(2*minute, coldest(750), power(4_500_000)),
		at(3*minute, coldest(250), power(4_400_000)))
	if len(got) != 1 || got[0].Peak != 450_000 || got[0].AllowedAtPeak != 300_000 {
		t.Errorf("got %+v, want a peak of 0.45 C against 0.3 C", got)
	}
}

func TestNames(t *testing.T) {
	for k := range analytics.ExcursionKinds {
		kind := analytics.ExcursionKind(k)
		if got, ok := analytics.ParseExcursionKind(kind.String()); !ok || got != kind {
			t.Errorf("kind %d %q reads back as %d, %v", k, kind, got, ok)
		}
	}
	for e := analytics.EndOpen; e <= analytics.EndUnseen; e++ {
		if got, ok := analytics.ParseEnding(e.String()); !ok || got != e {
			t.Errorf("ending %d %q reads back as %d, %v", e, e, got, ok)
		}
	}
	if _, ok := analytics.ParseExcursionKind("cold"); ok {
		t.Error(`"cold" reads as a kind`)
	}
	if _, ok := analytics.ParseEnding(""); ok {
		t.Error("nothing reads as an ending")
	}
}
