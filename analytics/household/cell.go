package household

import (
	"math"

	"fadeledger/analytics"
)

// openCircuit holds the resting voltage of an LFP/graphite cell by state of
// charge in percent. The plateaus and knees follow a public C/30 discharge of a
// 26650 cell at 40 and 60 %; the other rows are its usual shape, from memory.
var openCircuit = [...]struct{ percent, volts float64 }{
	{0, 2.70}, {1, 2.88}, {2, 2.98}, {5, 3.10}, {10, 3.18}, {15, 3.212}, {20, 3.235}, {30, 3.260},
	{40, 3.2716}, {60, 3.2796}, {65, 3.292}, {70, 3.318}, {80, 3.325}, {95, 3.331}, {98, 3.350}, {100, 3.430},
}

// plateau is the nominal voltage of a cell, by which the number of cells in
// series follows from rated energy and rated capacity.
const plateau = 3.2

// pack is the electrical side of a battery: cells in series as one cell.
type pack struct {
	// ocv is the resting voltage of the pack at each 0.1 % of charge.
	ocv [1002]float64
	// resistance is in Ω at 25 °C, new.
	resistance float64
	// ratedWh and ratedAh are as declared; ah is the capacity now.
	ratedWh, ratedAh, ah float64
}

// newPack sizes the pack by the model. A model without rated capacity is taken
// to have 16 cells in series.
func newPack(m *analytics.Model, roundTrip float64) pack {
	p := pack{ratedWh: float64(m.Rated) / 1000, ratedAh: float64(m.RatedCharge) / 1000}
	series := 16.0
	if p.ratedAh > 0 {
		series = math.Max(1, math.Round(p.ratedWh/p.ratedAh/plateau))
	} else {
		p.ratedAh = p.ratedWh / (series * plateau)
	}
	p.ah = p.ratedAh
	row := 0
	for i := range p.ocv {
		x := math.Min(float64(i)/10, 100)
		for row < len(openCircuit)-2 && x > openCircuit[row+1].percent {
			row++
		}
		a, b := openCircuit[row], openCircuit[row+1]
		p.ocv[i] = series * (a.volts + (b.volts-a.volts)*(x-a.percent)/(b.percent-a.percent))
	}
	// At C/4 the terminal voltage is OCV ± I·R, so the energy efficiency of a
	// round trip is (OCV - I·R)/(OCV + I·R).
	p.resistance = series * plateau / (p.ratedAh / 4) * (1 - roundTrip) / (1 + roundTrip)
	return p
}

// rest gives the resting voltage at a state of charge from 0 to 1.
func (p *pack) rest(soc float64) float64 {
	x := soc * 1000
	i := int(x)
	return p.ocv[i] + (p.ocv[i+1]-p.ocv[i])*(x-float64(i))
}

// ohms gives the resistance at a temperature: it rises in the cold, by 2 % per
// kelvin below 25 °C and at most threefold, and with the capacity lost
// (illustrative).
func (p *pack) ohms(celsius float64) float64 {
	cold := min(max(0, (25-celsius)*0.02), 2)
	worn := max(0, 1-p.ah/p.ratedAh)
	return p.resistance * (1 + cold) * (1 + worn)
}

// current solves power = current × (rest + current × ohms) for the current.
func current(watts, rest, ohms float64) float64 {
	root := rest*rest + 4*ohms*watts
	if root <= 0 {
		// More than the pack could ever deliver; the limits keep clear of it.
		return -rest / (2 * ohms)
	}
	return (math.Sqrt(root) - rest) / (2 * ohms)
}
