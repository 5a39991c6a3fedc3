package analytics_test

import (
	"testing"

	"fadeledger/analytics"
	"pgregory.net/rapid"
)

const (
	second = analytics.Instant(analytics.Second)
	minute = analytics.Instant(analytics.Minute)
	hour   = analytics.Instant(analytics.Hour)
	day    = analytics.Instant(analytics.DayLength)
)

// field sets one field of a sample and marks it as present.
type field func(*analytics.Sample)

// at builds a sample from the fields that it carries.
func at(t analytics.Instant, fields ...field) analytics.Sample {
	s := analytics.Sample{Time: t}
	for _, set := range fields {
		set(&s)
	}
	return s
}

func soc(v analytics.SoC) field {
	return func(s *analytics.Sample) { s.Has, s.SoC = s.Has|analytics.HasSoC, v }
}

func power(v analytics.Milliwatts) field {
	return func(s *analytics.Sample) { s.Has, s.Power = s.Has|analytics.HasPower, v }
}

func current(v analytics.Milliamps) field {
	return func(s *analytics.Sample) { s.Has, s.Current = s.Has|analytics.HasCurrent, v }
}

func voltage(v analytics.Millivolts) field {
	return func(s *analytics.Sample) { s.Has, s.Voltage = s.Has|analytics.HasVoltage, v }
}

// coldest is the temperature of the coldest cell.
func coldest(v analytics.CentiCelsius) field {
	return func(s *analytics.Sample) { s.Has, s.Temp = s.Has|analytics.HasTemp, v }
}

// hottest is the temperature of the hottest cell.
func hottest(v analytics.CentiCelsius) field {
	return func(s *analytics.Sample) { s.Has, s.TempMax = s.Has|analytics.HasTempMax, v }
}

func charged(v analytics.MilliwattHours) field {
	return func(s *analytics.Sample) { s.Has, s.Charge = s.Has|analytics.HasCharge, v }
}

func discharged(v analytics.MilliwattHours) field {
	return func(s *analytics.Sample) { s.Has, s.Discharge = s.Has|analytics.HasDischarge, v }
}

func rank(v int8) field { return func(s *analytics.Sample) { s.Rank = v } }

// mean marks power (or current and voltage) as the mean since the sample before.
func mean(s *analytics.Sample) { s.Has |= analytics.PowerIsMean }

// testModel is an invented battery of 10 kWh, 200 Ah and 5 kW. Its round
// numbers make rates easy: 1 C is 10 kW, or 200 A, or 100 % in an hour.
func testModel() *analytics.Model {
	floor, store := analytics.SoC(50), analytics.CentiCelsius(6000)
	return &analytics.Model{
		Name: "Larch 10", Chemistry: "LFP",
		Rated: 10_000_000, RatedCharge: 200_000, MaxPower: 5_000_000,
		Floor: &floor, StorageMax: &store,
		ChargeLimit: analytics.LimitTable{
			{Temp: 0, Rate: 100_000}, {Temp: 1000, Rate: 500_000},
			{Temp: 4500, Rate: 500_000}, {Temp: 5500, Rate: 100_000},
		},
		DischargeLimit: analytics.LimitTable{
			{Temp: -2000, Rate: 200_000}, {Temp: 0, Rate: 800_000},
			{Temp: 4500, Rate: 800_000}, {Temp: 5500, Rate: 200_000},
		},
	}
}

// encode gives the bytes of a state: equal states give equal bytes.
func encode(t rapid.TB, c *analytics.Counter) []byte {
	t.Helper()
	b, err := c.AppendBinary(nil)
	if err != nil {
		t.Fatalf("AppendBinary: %v", err)
	}
	return b
}

// decode reads a state back.
func decode(t testing.TB, b []byte) *analytics.Counter {
	t.Helper()
	c := new(analytics.Counter)
	if err := c.UnmarshalBinary(b); err != nil {
		t.Fatalf("UnmarshalBinary: %v", err)
	}
	return c
}
