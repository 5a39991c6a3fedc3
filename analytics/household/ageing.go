package household

import "math"

// Ageing is the capacity that a cell has lost, by the model of Naumann et al.
// for a commercial LFP/graphite cell: calendar ageing (M. Naumann et al.,
// J. Energy Storage 17 (2018) 153-169) and cycle ageing (M. Naumann et al.,
// J. Power Sources 451 (2020) 227666), added up. The coefficients are as other
// publications quote them. The zero value is a new cell.
//
// Under changing conditions the losses continue by virtual time: the stress of
// the next step acts from the time at which it alone would have caused the
// loss so far. Equal steps of equal stress therefore add up exactly.
type Ageing struct {
	// Calendar and Cycle are the shares of the first capacity lost by either.
	Calendar, Cycle float64
}

// gasConstant is in J/(mol K).
const gasConstant = 8.3144598

// Rest ages the cell for a time in seconds at a cell temperature in °C and a
// mean state of charge from 0 to 1.
func (a *Ageing) Rest(seconds, celsius, soc float64) {
	a.Calendar = carryOn(a.Calendar, calendarStress(celsius, soc), seconds)
}

// Run ages the cell by full equivalent cycles (charge throughput over
// capacity) at a depth of discharge from 0 to 1 and a mean C-rate of charge
// and discharge.
func (a *Ageing) Run(fullCycles, depth, rate float64) {
	a.Cycle = carryOn(a.Cycle, cycleStress(depth, rate), fullCycles)
}

// Left is the share of the first capacity that is left, at least 0.
func (a *Ageing) Left() float64 { return math.Max(0, 1-a.Calendar-a.Cycle) }

// carryOn continues the loss k·sqrt(x) by a step of x.
func carryOn(loss, k, step float64) float64 {
	if step <= 0 {
		return loss
	}
	done := loss / k
	return k * math.Sqrt(done*done+step)
}

// calendarStress is the loss per square root of a second.
func calendarStress(celsius, soc float64) float64 {
	kelvin := celsius + 273.15
	x := soc - 0.5
	return 1.2571e-5 * math.Exp(-17126/gasConstant*(1/kelvin-1/298.15)) * (2.8575*x*x*x + 0.60225)
}

// cycleStress is the loss per square root of a full equivalent cycle.
func cycleStress(depth, rate float64) float64 {
	x := depth - 0.6
	return (4.0253*x*x*x + 1.0923) * (0.0630*rate + 0.0971) / 100
}
