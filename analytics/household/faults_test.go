package household

import (
	"encoding/json"
	"testing"

	"fadeledger/analytics"
)

// The faulty unit is compared with a sound one of the same seed, sample by
// sample, and what differs is counted apart from the truth.

func TestSignFlip(t *testing.T) {
	c := sound()
	from := c.Start + analytics.Instant(3*analytics.DayLength) + 60_000
	c.Faults.SignFlip = &from
	good, bad := mustNew(t, sound()), mustNew(t, c)
	var wrong int64
	for range 10 * 288 {
		a, z := good.Next(), bad.Next()
		if z.Time >= from {
			wrong++
			a.Power, a.Current = -a.Power, -a.Current
		}
		if a != z {
			t.Fatalf("want %+v, got %+v", a, z)
		}
	}
	truth := bad.Truth()
	f := truth.Fault(SignFlip)
	if f.Samples != wrong || f.Since != from+240_000 || len(truth.Faults) != 1 {
		t.Errorf("%+v, want %d samples since %d", truth.Faults, wrong, from+240_000)
	}
}

func TestCounterResets(t *testing.T) {
	c := sound()
	day := analytics.Instant(analytics.DayLength)
	c.Faults.Resets = []analytics.Instant{c.Start - day, c.Start + 5*day + 1, c.Start + 20*day, c.Start + 90*day}
	good, bad := mustNew(t, sound()), mustNew(t, c)
	var falls int64
	var before, base analytics.Sample
	for i, z := range draw(bad, 40) {
		a := good.Next()
		if i > 0 && z.Charge < before.Charge {
			falls++
			base = a
			if z.Charge != 0 || z.Discharge != 0 {
				t.Errorf("begins at %d and %d", z.Charge, z.Discharge)
			}
		}
		// Rounding down to a Wh may differ by one.
		if d := a.Charge - base.Charge - z.Charge; d < -1000 || d > 1000 {
			t.Fatalf("sample %d: %d since the reset, want %d", i, z.Charge, a.Charge-base.Charge)
		}
		before = z
	}
	truth := bad.Truth()
	if f := truth.Fault(CounterReset); f.Times != falls || falls != 2 || f.Since != c.Start+5*day+300_000 {
		t.Errorf("%+v, saw %d falls", f, falls)
	}
	if want := good.Truth(); truth.Charge != want.Charge || truth.Discharge != want.Discharge {
		t.Errorf("true energies %d and %d, want %d and %d", truth.Charge, truth.Discharge, want.Charge, want.Discharge)
	}
}

func TestStuckSensor(t *testing.T) {
	tests := map[string]analytics.Millis{"for two days": 2 * analytics.DayLength, "for good": 0}
	for name, length := range tests {
		t.Run(name, func(t *testing.T) {
			c := sound()
			from := c.Start + analytics.Instant(analytics.DayLength)
			c.Faults.Stuck = &Stuck{Fields: analytics.HasTemp | analytics.HasTempMax, Span: Span{from, length}}
			good, bad := mustNew(t, sound()), mustNew(t, c)
			var held analytics.Sample
			var repeated int64
			for _, z := range draw(bad, 6) {
				a := good.Next()
				if z.Time >= from && (length == 0 || z.Time < from+analytics.Instant(length)) {
					repeated++
					a.Temp, a.TempMax = held.Temp, held.TempMax
				} else {
					held = a
				}
				if a != z {
					t.Fatalf("want %+v, got %+v", a, z)
				}
			}
			truth := bad.Truth()
			if f := truth.Fault(StuckSensor); f.Samples != repeated || f.Since != from {
				t.Errorf("%+v, want %d samples since %d", f, repeated, from)
			}
		})
	}
}

func TestEverySensorCanStick(t *testing.T) {
	for f := analytics.HasSoC; f <= analytics.HasDischarge; f <<= 1 {
		c := sound()
		c.Faults.Stuck = &Stuck{Fields: f, Span: Span{From: c.Start + 1}}
		good, bad := mustNew(t, sound()), mustNew(t, c)
		held := bad.Next()
		good.Next()
		moved := false
		for range 2 * 288 {
			a, z := good.Next(), bad.Next()
			moved = moved || a != z
			copyFields(&a, &held, f)
			if a != z {
				t.Fatalf("field %b: want %+v, got %+v", f, a, z)
			}
		}
		if !moved {
			t.Errorf("field %b never differed from a sound one", f)
		}
	}
}

func TestOutagesAndSilence(t *testing.T) {
	c := sound()
	hour := analytics.Instant(analytics.Hour)
	silent := c.Start + 30*24*hour
	c.Faults.Outages = []Span{
		{c.Start - 3*hour, 4 * analytics.Hour},
		{c.Start + 50*hour, 7 * analytics.Hour},
		{c.Start + 57*hour, 2 * analytics.Hour},
		{c.Start + 100*hour + 1, 2 * analytics.Minute}, // between two samples
		{c.Start + 200*hour, 100 * analytics.Hour},
	}
	c.Faults.Silent = &silent
	good, bad := mustNew(t, sound()), mustNew(t, c)
	var inOutage, inSilence int64
	for range 40 * 288 {
		a, z := good.Next(), bad.Next()
		if a != z {
			t.Fatal("an outage changed a sample")
		}
		within := false
		for _, o := range c.Faults.Outages {
			within = within || z.Time >= o.From && z.Time < o.From+analytics.Instant(o.Length)
		}
		if z.Time >= silent {
			inSilence++
		} else if within {
			inOutage++
		}
		if bad.Heard() != (!within && z.Time < silent) {
			t.Fatalf("heard %v at %v", bad.Heard(), z.Time.Time())
		}
	}
	truth := bad.Truth()
	if f := truth.Fault(Outage); f.Samples != inOutage || f.Times != 4 || f.Since != c.Start {
		t.Errorf("%+v, want %d samples in 4 outages", f, inOutage)
	}
	if f := truth.Fault(Silence); f.Samples != inSilence || f.Since != silent {
		t.Errorf("%+v, want %d samples since %d", f, inSilence, silent)
	}
	if truth.Withheld != inOutage+inSilence || truth.Samples != 40*288 {
		t.Errorf("%d withheld of %d", truth.Withheld, truth.Samples)
	}
}

func TestColdCharging(t *testing.T) {
	c := sound()
	c.Climate, c.Habits.CheapTarget = Highland, 800
	obedient := mustNew(t, c)
	draw(obedient, 60)
	if truth := obedient.Truth(); truth.ColdCharge != 0 || len(truth.Faults) != 0 {
		t.Errorf("a sound unit charged %d mWh in the cold", truth.ColdCharge)
	}
	c.Faults.ColdCharging = true
	blind := mustNew(t, c)
	low, _, _ := c.Model.ChargeLimit.Flat()
	var over int64
	var since analytics.Instant
	for _, s := range draw(blind, 60) {
		rate := float64(s.Current) / float64(c.Model.RatedCharge) * 1e6
		if s.Temp < low && rate > 20_000 && rate > float64(c.Model.ChargeLimit.At(s.Temp))+10_000 {
			if over == 0 {
				since = s.Time
			}
			over++
		}
	}
	truth := blind.Truth()
	if f := truth.Fault(ColdCharging); f.Samples != over || over < 100 || f.Since != since {
		t.Errorf("%+v, saw %d since %d", f, over, since)
	}
	if kwh := truth.ColdCharge.KWh(); kwh < 5 || kwh > truth.Charge.KWh() {
		t.Errorf("%.1f kWh in the cold of %.1f", kwh, truth.Charge.KWh())
	}
}

func TestHeavyCycling(t *testing.T) {
	c := sound()
	c.Habits.TradesPerDay = 2
	c.Placement = analytics.DwellingStorage
	b := mustNew(t, c)
	var series []analytics.SoC
	for _, s := range draw(b, 100) {
		series = append(series, s.SoC)
	}
	h := halfCycles(series)
	var deep int64
	for bin, n := range h {
		if analytics.BinDepth(bin) >= 0.9 {
			deep += n
		}
	}
	truth := b.Truth()
	if f := truth.Fault(HeavyCycling); f.Times != 200 || deep < 396 || deep > 400 {
		t.Errorf("%+v with %d deep half cycles, want 200 trades and twice as many", f, deep)
	}
}

func TestRandomOutages(t *testing.T) {
	from, to := instant(2020, 1, 1, 0), instant(2026, 1, 1, 0)
	spans := RandomOutages(3, from, to, 10, analytics.Hour, 4*analytics.DayLength)
	if n := len(spans); n < 40 || n > 80 {
		t.Errorf("%d outages in six years, want about 60 less the time in them", n)
	}
	c := sound()
	c.Faults.Outages = spans
	if err := c.Validate(); err != nil {
		t.Error(err)
	}
	for _, s := range spans {
		if s.From < from || s.From >= to || s.Length < analytics.Hour || s.Length > 4*analytics.DayLength {
			t.Errorf("outage %+v is out of bounds", s)
		}
	}
	if got := RandomOutages(3, from, to, 0, 1, 2); got != nil {
		t.Errorf("no outages a year gave %v", got)
	}
}

func TestTruthAsJSON(t *testing.T) {
	c := sound()
	c.Faults.Resets = []analytics.Instant{c.Start + 600_000}
	b := mustNew(t, c)
	draw(b, 2)
	text, err := json.Marshal(b.Truth())
	if err != nil {
		t.Fatal(err)
	}
	var back Truth
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	if back.Fault(CounterReset) != b.Truth().Fault(CounterReset) || back.Charge != b.Truth().Charge || back.Serial != c.Serial {
		t.Errorf("came back as %+v", back)
	}
}
