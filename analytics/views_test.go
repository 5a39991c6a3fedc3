package analytics_test

import (
	"testing"

	"fadeledger/analytics"
)

func TestDeliveryTally(t *testing.T) {
	sum := analytics.DeliveryTally{Read: 5, Accepted: 5}
	sum.Add(analytics.DeliveryTally{Read: 10, Accepted: 4, Duplicates: 3, Disputed: 1, Superseded: 1, Quarantined: 1})
	want := analytics.DeliveryTally{Read: 15, Accepted: 9, Duplicates: 3, Disputed: 1, Superseded: 1, Quarantined: 1}
	if sum != want || !sum.Balanced() {
		t.Errorf("sum %+v, balanced %v, want %+v, balanced", sum, sum.Balanced(), want)
	}
	for name, off := range map[string]analytics.DeliveryTally{
		"lost row":     {Read: 1},
		"row too much": {Accepted: 1},
		"two fates":    {Read: 1, Duplicates: 1, Quarantined: 1},
	} {
		if off.Balanced() {
			t.Errorf("%s: %+v is balanced", name, off)
		}
	}
}

// TestQuantities reads quantities for display.
func TestQuantities(t *testing.T) {
	for name, pair := range map[string][2]float64{
		"energy":      {analytics.MilliwattHours(1_500_000).KWh(), 1.5},
		"temperature": {analytics.CentiCelsius(-1005).Celsius(), -10.05},
		"charge":      {analytics.SoC(505).Percent(), 50.5},
		"rate":        {analytics.MicroC(250_000).C(), 0.25},
		"instant":     {analytics.Instant(1_500).Seconds(), 1.5},
		"span":        {analytics.Millis(90_500).Seconds(), 90.5},
		"duration":    {analytics.Millis(90_500).Duration().Seconds(), 90.5},
	} {
		if pair[0] != pair[1] {
			t.Errorf("%s: %v, want %v", name, pair[0], pair[1])
		}
	}
	for b, want := range []string{"counter", "power", "soc"} {
		if got := analytics.Basis(b).String(); got != want {
			t.Errorf("basis %d: %q, want %q", b, got, want)
		}
	}
}
