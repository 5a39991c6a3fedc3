package household

import (
	"math"

	"fadeledger/analytics"
)

// housing says how a placement ties the cells to the air (invented numbers).
type housing struct {
	// indoor is the temperature that the building pulls towards, share the
	// part that the outside air has.
	indoor, share float64
	// room is the lag of the surroundings behind the air, cells the lag of
	// the cells behind their surroundings, both in hours.
	room, cells float64
}

func housingOf(p analytics.Placement) housing {
	switch p {
	case analytics.Garage:
		return housing{indoor: 13, share: 0.72, room: 9, cells: 5}
	case analytics.ExteriorWall:
		return housing{indoor: 16, share: 0.93, room: 1.5, cells: 4.5}
	case analytics.Outdoor:
		return housing{indoor: 10, share: 1, room: 0.5, cells: 4}
	}
	return housing{indoor: 20, share: 0.18, room: 18, cells: 6}
}

// perWatt is the rise of the cells over their surroundings in kelvin per watt
// of loss and per kWh of rated energy, in the steady state.
const perWatt = 0.55

// thermal follows the temperature of surroundings and cells by two first-order
// lags.
type thermal struct {
	housing
	roomGain, cellGain float64
	kelvinPerWatt      float64
	// around is the temperature of the surroundings; ambient is the part of
	// the cells' temperature that comes from there, rise the part that comes
	// from their own losses.
	around, ambient, rise float64
}

func newThermal(p analytics.Placement, step analytics.Millis, ratedWh float64) thermal {
	h := housingOf(p)
	hours := float64(step) / float64(analytics.Hour)
	return thermal{
		housing:       h,
		roomGain:      1 - math.Exp(-hours/h.room),
		cellGain:      1 - math.Exp(-hours/h.cells),
		kelvinPerWatt: perWatt / (ratedWh / 1000),
	}
}

// settle starts in equilibrium with the air.
func (t *thermal) settle(air float64) {
	t.around = t.indoor + (air-t.indoor)*t.share
	t.ambient, t.rise = t.around, 0
}

// step follows the air and a loss in watts over one step.
func (t *thermal) step(air, loss float64) {
	t.around += (t.indoor + (air-t.indoor)*t.share - t.around) * t.roomGain
	t.ambient += (t.around - t.ambient) * t.cellGain
	t.rise += (loss*t.kelvinPerWatt - t.rise) * t.cellGain
}

// coldest and hottest are the extremes over the cells: those in the middle
// keep more of their own heat than those at the edge.
func (t *thermal) coldest() float64 { return t.ambient + 0.85*t.rise }
func (t *thermal) hottest() float64 { return t.ambient + 1.15*t.rise + 0.7 }
