package block_test

import (
	"testing"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
)

// sevenColumns is what the goals for stored bytes speak of: the time and six
// measurements.
const sevenColumns = analytics.HasSoC | analytics.HasPower | analytics.HasVoltage | analytics.HasTemp |
	analytics.HasCharge | analytics.HasDischarge

// homes makes days of one-minute samples of ordinary households, in spring,
// one series a home.
func homes(t testing.TB, report analytics.Fields, n, days int) [][]analytics.Sample {
	t.Helper()
	end := analytics.Instant(1_777_593_600_000) // 2026-05-01
	fleet, err := household.NewFleet(11, n, end, 40, analytics.Minute)
	if err != nil {
		t.Fatal(err)
	}
	var out [][]analytics.Sample
	for _, home := range fleet.Homes {
		cfg := home.Config
		cfg.Report = report
		cfg.Faults = household.Faults{}
		cfg.Start = end - analytics.Instant(days+1)*analytics.Instant(analytics.DayLength)
		b, err := household.New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		series := make([]analytics.Sample, 0, 1440*days)
		for range 1440 {
			b.Next() // let it settle for a day
		}
		for range 1440 * days {
			series = append(series, b.Next())
		}
		out = append(out, series)
	}
	return out
}
