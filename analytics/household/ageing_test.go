package household

import (
	"math"
	"testing"
)

const year = 365.25 * 86400

// The expected values were computed by an independent script from the formulas
// that Ageing cites (Naumann et al. 2018 and 2020), with R = 8.3144598; they
// are given to five places.
func TestCalendarAgeing(t *testing.T) {
	tests := map[string]struct {
		seconds, celsius, soc, want float64
	}{
		"a year at 25 °C and half charge":          {year, 25, 0.5, 0.04253},
		"ten years at 25 °C and half charge":       {10 * year, 25, 0.5, 0.13449},
		"ten years at 25 °C, full":                 {10 * year, 25, 1, 0.21426},
		"ten years at 40 °C and half charge":       {10 * year, 40, 0.5, 0.18725},
		"885 days at 40 °C, full":                  {885 * 86400, 40, 1, 0.14684},
		"no time at all":                           {0, 40, 1, 0},
		"time that runs backwards changes nothing": {-1, 40, 1, 0},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			var a Ageing
			a.Rest(tt.seconds, tt.celsius, tt.soc)
			if math.Abs(a.Calendar-tt.want) > 6e-6 {
				t.Errorf("lost %.6f, want %.5f", a.Calendar, tt.want)
			}
			if got := a.Left(); got != 1-a.Calendar {
				t.Errorf("left %v, want %v", got, 1-a.Calendar)
			}
		})
	}
}

func TestCycleAgeing(t *testing.T) {
	tests := map[string]struct {
		fullCycles, depth, rate, want float64
	}{
		"3650 at full depth and C/2":   {3650, 1, 0.5, 0.10488},
		"3650 at 80 % and C/2":         {3650, 0.8, 0.5, 0.08737},
		"1000 at 80 % and 1C":          {1000, 0.8, 1, 0.05693},
		"3650 at 20 % depth and C/4":   {3650, 0.2, 0.25, 0.05691},
		"no cycle changes nothing":     {0, 1, 1, 0},
		"a flat day changes nothing":   {0, 0, 0, 0},
		"negative throughput is no go": {-3, 1, 1, 0},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			var a Ageing
			a.Run(tt.fullCycles, tt.depth, tt.rate)
			if math.Abs(a.Cycle-tt.want) > 6e-6 {
				t.Errorf("lost %.6f, want %.5f", a.Cycle, tt.want)
			}
		})
	}
}

func TestAgeingByVirtualTime(t *testing.T) {
	t.Run("from 25 °C and 50 % to 35 °C and 80 %", func(t *testing.T) {
		var a Ageing
		a.Rest(1e7, 25, 0.5)
		k := calendarStress(35, 0.8)
		if virtual := (a.Calendar / k) * (a.Calendar / k); math.Abs(virtual-5018413.98) > 0.01 {
			t.Errorf("virtual time %.2f s, want 5018413.98", virtual)
		}
		a.Rest(1e7, 35, 0.8)
		if math.Abs(a.Calendar-0.04141669) > 5e-9 {
			t.Errorf("lost %.8f, want 0.04141669", a.Calendar)
		}
	})
	t.Run("many equal steps are one long step", func(t *testing.T) {
		var once, often Ageing
		once.Rest(year, 20, 0.7)
		once.Run(300, 0.9, 0.3)
		for range 1000 {
			often.Rest(year/1000, 20, 0.7)
			often.Run(0.3, 0.9, 0.3)
		}
		if d := math.Abs(once.Left() - often.Left()); d > 1e-12 {
			t.Errorf("differ by %g", d)
		}
	})
	t.Run("the temperature factor from 25 to 35 °C", func(t *testing.T) {
		if r := calendarStress(35, 0.5) / calendarStress(25, 0.5); math.Abs(r-1.25131) > 5e-6 {
			t.Errorf("factor %.6f, want 1.25131", r)
		}
	})
	t.Run("a cell that has lost more than all has nothing left", func(t *testing.T) {
		if got := (&Ageing{Calendar: 0.7, Cycle: 0.6}).Left(); got != 0 {
			t.Errorf("left %v", got)
		}
	})
}
