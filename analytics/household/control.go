package household

import (
	"math"

	"fadeledger/analytics"
)

// controller decides what the battery should do; the management system's
// limits come after it.
type controller struct {
	// reserve is the lowest state of charge in use, 0..1.
	reserve float64
	// cheap says in which slots of the day the grid is cheap.
	cheap       [slots]bool
	cheapTarget float64
	winterOnly  bool
	// period is the time from one trade to the next, 0 for none; buying says
	// that the current trade has not yet turned to discharging.
	period analytics.Instant
	buying bool
	// fullWatts is the largest power.
	fullWatts float64
}

func newController(c *Config) controller {
	k := controller{
		reserve:     float64(c.Habits.Reserve) / 1000,
		cheapTarget: float64(c.Habits.CheapTarget) / 1000,
		winterOnly:  c.Habits.CheapWinterOnly,
		fullWatts:   float64(c.Model.MaxPower) / 1000,
	}
	if c.Habits.TradesPerDay > 0 {
		k.period = analytics.Instant(float64(analytics.DayLength) / c.Habits.TradesPerDay)
	}
	for i := range k.cheap {
		hour := math.Mod(float64(i)/slots*24+float64(c.Climate.East)/float64(analytics.Hour)+24, 24)
		k.cheap[i] = hour >= cheapFrom && hour < cheapTo
	}
	return k
}

// idle is the smallest power in watts that the controller asks for.
const idle = 40

// want gives the power in watts that the habits ask for, positive to charge,
// given the surplus of sun over load; began says that a trade begins.
func (k *controller) want(at analytics.Instant, slot int, winter, soc, surplus float64) (watts float64, began bool) {
	if k.period > 0 {
		buying := at%k.period < k.period/2
		began = buying && !k.buying
		k.buying = buying
		if buying {
			return k.fullWatts, began
		}
		return -k.fullWatts, false
	}
	if k.cheap[slot] && k.cheapTarget > 0 && (!k.winterOnly || winter > 0) {
		if soc < k.cheapTarget {
			// In time for the end of the cheap hours, not faster than needed.
			return max(surplus, 0.6*k.fullWatts), false
		}
		return max(surplus, 0), false
	}
	if math.Abs(surplus) < idle {
		return 0, false
	}
	return surplus, false
}

// guard is the management system: it holds power within the model's limits.
type guard struct {
	model *analytics.Model
	// blind is the fault of ignoring the cold side of the charge table.
	blind bool
	// coldBelow is where the flat part of the charge table begins.
	coldBelow          analytics.CentiCelsius
	hasTable           bool
	maxWatts, fullRate float64
	// taperHours and endHours are the time constants with which the current
	// dies away towards full and towards the reserve; halfStep is half the
	// cadence. All are in hours.
	taperHours, endHours, halfStep float64
}

// margin keeps the limits a little inside the model's, so that rounding of
// what is reported never shows a sound unit above them.
const margin = 0.985

func newGuard(c *Config) guard {
	g := guard{
		model:    &c.Model,
		blind:    c.Faults.ColdCharging,
		maxWatts: float64(c.Model.MaxPower) / 1000,
		fullRate: float64(c.Model.MaxPower) / float64(c.Model.Rated),
		halfStep: float64(c.Cadence) / float64(analytics.Hour) / 2,
	}
	g.coldBelow, _, g.hasTable = c.Model.ChargeLimit.Flat()
	// Constant voltage at the end of charge lets the current die away; it must
	// not die away faster than a step lasts, or the charge would overshoot.
	g.taperHours = max(0.25, g.halfStep)
	g.endHours = max(0.08, g.halfStep)
	return g
}

// chargeRate gives the highest rate allowed for charging at a temperature.
func (g *guard) chargeRate(t analytics.CentiCelsius) float64 {
	if !g.hasTable {
		return g.fullRate
	}
	if g.blind && t < g.coldBelow {
		t = g.coldBelow
	}
	return min(g.fullRate, margin*float64(g.model.ChargeLimit.At(t))/1e6)
}

// dischargeRate gives the highest rate allowed for discharging.
func (g *guard) dischargeRate(t analytics.CentiCelsius) float64 {
	if len(g.model.DischargeLimit) == 0 {
		return g.fullRate
	}
	return min(g.fullRate, margin*float64(g.model.DischargeLimit.At(t))/1e6)
}

// room is what a power is bounded by at one step.
type room struct {
	temp analytics.CentiCelsius
	// up and down are the charge in Ah to full and to the reserve that
	// is left once the current of the step before has run on for half a step.
	up, down   float64
	rest, ohms float64
}

// bound gives the power in whole watts that is within every limit.
func (g *guard) bound(p *pack, watts float64, r room) float64 {
	if watts > 0 {
		if r.up < 0.0004*p.ah {
			return 0
		}
		rate := g.chargeRate(r.temp)
		amps := min(rate*p.ratedAh, r.up/(g.taperHours+g.halfStep))
		watts = min(watts, g.maxWatts, rate*p.ratedWh, amps*(r.rest+amps*r.ohms))
	} else {
		if r.down < 0.0004*p.ah {
			return 0
		}
		rate := g.dischargeRate(r.temp)
		amps := min(rate*p.ratedAh, r.down/(g.endHours+g.halfStep))
		watts = -min(-watts, g.maxWatts, rate*p.ratedWh, amps*(r.rest-amps*r.ohms))
	}
	return math.Trunc(watts)
}
