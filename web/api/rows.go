package api

import (
	"strconv"

	"fadeledger/analytics"
)

func dayBody(d *analytics.DayCount) DayBody {
	total := d.Total()
	b := DayBody{
		Day: d.Day.String(), Samples: d.Samples, Covered: d.Covered.Seconds(), Checked: d.Checked.Seconds(),
		Charge: int64(total.Charge.Round()), Discharge: int64(total.Discharge.Round()),
		Closed: make(map[string]int64, len(d.Closed)),
	}
	for bin, n := range d.Closed {
		b.Closed[strconv.Itoa(bin)] = n
	}
	if d.HasSoC {
		low, high := d.MinSoC.Percent(), d.MaxSoC.Percent()
		b.MinSoC, b.MaxSoC = &low, &high
	}
	if d.HasTemp {
		low, high := d.MinTemp.Celsius(), d.MaxTemp.Celsius()
		b.MinTemp, b.MaxTemp = &low, &high
	}
	return b
}

func sampleBody(s analytics.Sample) SampleBody {
	value := func(field analytics.Fields, v float64) *float64 {
		if s.Has&field == 0 {
			return nil
		}
		return &v
	}
	return SampleBody{
		Time:      s.Time.Time(),
		SoC:       value(analytics.HasSoC, s.SoC.Percent()),
		Power:     value(analytics.HasPower, float64(s.Power)/1000),
		Current:   value(analytics.HasCurrent, float64(s.Current)/1000),
		Voltage:   value(analytics.HasVoltage, float64(s.Voltage)/1000),
		Temp:      value(analytics.HasTemp, s.Temp.Celsius()),
		TempMax:   value(analytics.HasTempMax, s.TempMax.Celsius()),
		Charge:    value(analytics.HasCharge, s.Charge.KWh()),
		Discharge: value(analytics.HasDischarge, s.Discharge.KWh()),
	}
}
