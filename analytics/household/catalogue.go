package household

import "fadeledger/analytics"

// Models gives the two invented models.
func Models() []analytics.Model {
	return []analytics.Model{
		{
			Name: "HB-5", Chemistry: "LFP", Rated: 5_200_000, RatedCharge: 101_600, MaxPower: 2_600_000,
			MaxGap: 15 * analytics.Minute, Floor: ptr(analytics.SoC(30)), StorageMax: ptr(analytics.CentiCelsius(5500)),
			ChargeLimit:    table([2]int{-12, 50}, [2]int{0, 200}, [2]int{12, 500}, [2]int{44, 500}, [2]int{54, 50}),
			DischargeLimit: table([2]int{-20, 500}, [2]int{50, 500}, [2]int{58, 100}),
		},
		{
			Name: "HB-10", Chemistry: "LFP", Rated: 10_400_000, RatedCharge: 203_200, MaxPower: 4_600_000,
			MaxGap: 15 * analytics.Minute, Floor: ptr(analytics.SoC(30)), StorageMax: ptr(analytics.CentiCelsius(5500)),
			ChargeLimit:    table([2]int{-10, 50}, [2]int{0, 150}, [2]int{10, 450}, [2]int{45, 450}, [2]int{55, 50}),
			DischargeLimit: table([2]int{-20, 450}, [2]int{50, 450}, [2]int{58, 100}),
		},
	}
}

// EditionsOfTerms gives two editions of terms for each of Models, in order of
// model and date.
func EditionsOfTerms() []analytics.Terms {
	edition := func(name, model string, from int, points []analytics.LifePoint, capWh, allowance analytics.MilliwattHours, gap int) analytics.Terms {
		return analytics.Terms{
			Name: name, Model: model, SoldFrom: yearStart(from), Years: 10,
			Life:      analytics.CycleLife{Points: points, Shallow: analytics.ShallowThroughput},
			EnergyCap: capWh, EFCBasis: analytics.BasisThroughput,
			Retained:            []analytics.RetainedPoint{{Year: 0, Pct: 100}, {Year: 10, Pct: 70}},
			Start:               analytics.StartCommissioned,
			LongestDelayDays:    180,
			ColdChargeAllowance: allowance,
			HasColdAllowance:    true,
			LongestGapDays:      gap,
			RegistrationDays:    90,
			Remedy:              []analytics.RemedyStep{{ThroughYear: 5, Pct: 100}, {ThroughYear: 10, Pct: 50}},
		}
	}
	life := func(at80, at95 float64) []analytics.LifePoint {
		return []analytics.LifePoint{{Depth: 0.80, Cycles: at80}, {Depth: 0.95, Cycles: at95}}
	}
	return []analytics.Terms{
		edition("HB-5 home 2022", "HB-5", 2022, life(8000, 5800), 0, 8e6, 90),
		edition("HB-5 home 2026", "HB-5", 2026, life(9000, 6200), 31e9, 5e6, 60),
		edition("HB-10 home 2022", "HB-10", 2022, life(8000, 5800), 0, 16e6, 90),
		edition("HB-10 home 2026", "HB-10", 2026, life(9000, 6200), 62e9, 10e6, 60),
	}
}

// table makes a limit table of rows of temperature in °C and rate in 0.001 C.
func table(rows ...[2]int) analytics.LimitTable {
	var t analytics.LimitTable
	for _, r := range rows {
		t = append(t, analytics.LimitRow{Temp: analytics.CentiCelsius(r[0] * 100), Rate: analytics.MicroC(r[1] * 1000)})
	}
	return t
}

// yearStart gives the first day of a year from 1970 to 2100.
func yearStart(year int) analytics.Day {
	y := year - 1970
	return analytics.Day(365*y + (y+1)/4)
}

func ptr[T any](v T) *T { return &v }
