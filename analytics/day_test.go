package analytics_test

import (
	"encoding/json"
	"reflect"
	"testing"

	"fadeledger/analytics"
	"pgregory.net/rapid"
)

// TestDays: a pair and a closed cycle belong to the day of their later sample,
// covered and checked time are split at midnight.
func TestDays(t *testing.T) {
	m := testModel()
	// Rates come from the state of charge. Two pairs of 15 minutes can be
	// checked, the second with five of them before midnight.
	a := analytics.Count(m, []analytics.Sample{
		at(day-20*minute, soc(500), coldest(2000)),
		at(day-5*minute, soc(600), coldest(2500)),
		at(day+10*minute, soc(400), coldest(1500), hottest(2600)),
		at(day+20*minute, soc(550)),
		at(day+30*minute, soc(300)),
		at(3*day, soc(700)), // confirms 300, which closes 400 to 550
	})
	want := []analytics.DayCount{
		{
			Day: 0, Samples: 2, Covered: 20 * analytics.Minute, Checked: 20 * analytics.Minute,
			Energy: only(analytics.BySoC, 1_000_000_000, 0), HasSoC: true, MinSoC: 500, MaxSoC: 600,
			HasTemp: true, MinTemp: 2000, MaxTemp: 2500, First: day - 20*minute, Last: day - 5*minute,
		},
		{
			Day: 1, Samples: 3, Covered: 30 * analytics.Minute, Checked: 10 * analytics.Minute,
			Energy: only(analytics.BySoC, 1_500_000_000, 4_500_000_000), HasSoC: true, MinSoC: 300, MaxSoC: 550,
			HasTemp: true, MinTemp: 1500, MaxTemp: 2600, First: day + 10*minute, Last: day + 30*minute,
		},
		{Day: 3, Samples: 1, Closed: map[int]int64{30: 2}, HasSoC: true, MinSoC: 700, MaxSoC: 700, First: 3 * day, Last: 3 * day},
	}
	got := a.AllDays()
	if !reflect.DeepEqual(got, want) {
		t.Errorf("days:\ngot  %+v\nwant %+v", got, want)
	}
}

// TestDayOfClosedCycle: the day of the sample that confirmed it.
func TestDayOfClosedCycle(t *testing.T) {
	a := analytics.Count(testModel(), []analytics.Sample{
		at(day-4*minute, soc(100)), at(day-3*minute, soc(500)), at(day-2*minute, soc(300)),
		at(day-minute, soc(800)), at(day, soc(700)),
	})
	days := a.AllDays()
	if len(days) != 2 || len(days[0].Closed) != 0 || !reflect.DeepEqual(days[1].Closed, map[int]int64{40: 2}) {
		t.Errorf("days %+v, want the cycle of 20 %% on the second day", days)
	}
}

// TestDaysAddUp: the days hold neither more nor less than the whole count, and
// no day is checked for longer than it is covered.
func TestDaysAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := testModel()
		m.MaxGap = rapid.SampledFrom([]analytics.Millis{0, analytics.Minute, 50 * analytics.Hour}).Draw(t, "gap")
		walk := drawWalk(t, 40)
		a := analytics.Count(m, walk)
		var samples int64
		var covered, checked analytics.Millis
		var energy [analytics.Bases]analytics.Flow
		days := a.AllDays()
		for i, d := range days {
			samples += d.Samples
			covered += d.Covered
			checked += d.Checked
			var total analytics.Flow
			for b, f := range d.Energy {
				energy[b].Add(f)
				total.Add(f)
			}
			if d.Total() != total {
				t.Fatalf("day %v: total %v, bases sum up to %v", d.Day, d.Total(), total)
			}
			if d.Checked > d.Covered || d.Covered > analytics.DayLength {
				t.Fatalf("day %v: covered %v, checked %v", d.Day, d.Covered.Duration(), d.Checked.Duration())
			}
			if i > 0 && d.Day <= days[i-1].Day {
				t.Fatalf("day %v comes after %v", d.Day, days[i-1].Day)
			}
		}
		c := &a.Counter
		if samples != c.Samples() || covered != c.Covered() || checked != c.Checked() || energy != c.Energy() {
			t.Fatalf("days sum up to %d, %v, %v, %v; the count is %d, %v, %v, %v", samples, covered, checked, energy,
				c.Samples(), c.Covered(), c.Checked(), c.Energy())
		}
	})
}

// TestStepRefusesDisorder: a sample that is not newer is a mistake of the caller.
func TestStepRefusesDisorder(t *testing.T) {
	for name, second := range map[string]analytics.Instant{"same": 5, "older": 4} {
		t.Run(name, func(t *testing.T) {
			defer func() {
				if recover() == nil {
					t.Error("Step takes it")
				}
			}()
			analytics.Count(testModel(), []analytics.Sample{at(5), at(second)})
		})
	}
}

func TestInstantDay(t *testing.T) {
	for when, want := range map[analytics.Instant]string{
		0: "1970-01-01", -1: "1969-12-31", -day: "1969-12-31", -day - 1: "1969-12-30",
		day - 1: "1970-01-01", day: "1970-01-02", 19_782 * day: "2024-02-29",
	} {
		if got := when.Day().String(); got != want {
			t.Errorf("Instant(%d).Day() = %s, want %s", when, got, want)
		}
	}
	if _, err := analytics.ParseDay("2023-02-29"); err == nil {
		t.Error("ParseDay takes 2023-02-29")
	}
}

// TestLedgerJSON writes a small ledger in full.
func TestLedgerJSON(t *testing.T) {
	m := testModel()
	a := analytics.Count(m, []analytics.Sample{
		at(1500, soc(1000), charged(9_000), discharged(0)),
		at(1500+minute, soc(200), charged(0), discharged(1_000)),
		at(1500+2*minute, soc(49), power(0)),
	})
	terms := &analytics.Terms{Name: "ten years", EnergyCap: 1_000_000_000}
	l := analytics.LedgerOf(m, terms, &a.Counter, a.Excursions, a.Events, analytics.Versions{Duplicates: 1, Conflicts: 2, Superseded: 3})
	l.Unit, l.Measures = "L-1", nil
	b, err := json.Marshal(l)
	if err != nil {
		t.Fatal(err)
	}
	// 95.1 % by state of charge: 151 of 1,000 for the second pair, 1.51 kWh.
	const want = `{"unit":"L-1","model":"Larch 10","terms":"ten years","samples":3,"duplicates":1,"conflicts":2,"superseded":3,` +
		`"first":1.5,"last":121.5,"half_cycles":{"190":1},"spent":0.001511,"governing":"energy",` +
		`"charge_mwh":0,"discharge_mwh":1511000,"energy_by_basis":{"counter":[0,1000],"power":[0,0],"soc":[0,1510000]},` +
		`"efc":0.07555,"covered_s":120,"elapsed_s":120,"checked_s":0,` +
		`"events":[["counter-reset",61.5,"charge_mwh"]],` +
		`"excursions":[{"kind":"deep-discharge","start":121.5,"end":121.5,"n":1,"min_temp_c":null,"max_temp_c":null,` +
		`"charge_mwh":0,"discharge_mwh":0,"ending":"open"}]}`
	if string(b) != want {
		t.Errorf("got  %s\nwant %s", b, want)
	}
	var zero analytics.Counter
	empty, err := json.Marshal(analytics.LedgerOf(m, nil, &zero, nil, nil, analytics.Versions{}).HalfCycles)
	if err != nil || string(empty) != "{}" {
		t.Errorf("no half cycles: %s, %v", empty, err)
	}
}
