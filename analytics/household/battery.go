package household

import (
	"fmt"
	"math"

	"fadeledger/analytics"
)

// Battery is one home's battery at its newest sample. It is made by New.
type Battery struct {
	cfg        Config
	sky        *sky
	load       load
	controller controller
	guard      guard
	pack       pack
	thermal    thermal
	ageing     Ageing
	// first is the pack's capacity when new, in Ah.
	first float64
	// arrayWatts is the peak of the panels, hours the length of a step.
	arrayWatts, hours float64

	// at is the instant of the newest sample, or of the first to come while
	// begun is false.
	at       analytics.Instant
	begun    bool
	dayStart analytics.Instant
	// flicker is the passing of clouds within a day, a first-order process of
	// deviation 1 whatever the cadence.
	draws                             stream
	flicker, flickerHold, flickerGain float64
	// The state at the terminals: charge 0..1, W, A, V, positive to charge.
	soc, watts, amps, volts float64
	// Energies at the terminals since Start, in mWh, and how much of them
	// was before the newest counter reset.
	charged, discharged, coldCharged float64
	chargedBefore, dischargedBefore  float64
	stress                           stress

	// Faults, as far as they have come.
	tally                 faultTally
	nextOutage, nextReset int
	inOutage, inSilence   bool
	samples, withheld     int64
	// held is what a stuck sensor repeats.
	held analytics.Sample
}

// stress collects what a day does to the cells: sums over n steps, extremes,
// and charge and time at work.
type stress struct {
	n, temp, soc     float64
	low, high        float64
	chargedAh        float64
	workAh, workHour float64
}

// New gives the battery of a home before its first sample.
//
// It fails where the configuration makes no sense.
func New(cfg Config) (*Battery, error) {
	if err := cfg.Validate(); err != nil {
		return nil, fmt.Errorf("household %s: %w", cfg.Serial, err)
	}
	cfg = cfg.withDefaults()
	b := &Battery{cfg: cfg, sky: newSky(cfg.Climate, cfg.WeatherSeed), at: cfg.Start}
	b.load = newLoad(&b.cfg)
	b.controller = newController(&b.cfg)
	b.guard = newGuard(&b.cfg)
	b.pack = newPack(&b.cfg.Model, roundTrip)
	b.thermal = newThermal(cfg.Placement, cfg.Cadence, b.pack.ratedWh)
	b.draws = newStream(cfg.Seed, 's')
	b.flickerHold = math.Exp(-float64(cfg.Cadence) / float64(25*analytics.Minute))
	b.flickerGain = math.Sqrt(1 - b.flickerHold*b.flickerHold)
	b.arrayWatts = float64(cfg.Array) / 1000
	b.hours = float64(cfg.Cadence) / float64(analytics.Hour)
	made := newStream(cfg.Seed, 'b')
	// Cells leave the works a little above what is declared.
	b.first = b.pack.ratedAh * made.between(1.0, 1.03)
	b.pack.ah = b.first
	b.soc = made.between(0.3, 0.6)
	return b, nil
}

// Next yields the next sample: the first at Config.Start, then one at every
// cadence, without end. Fields that are not reported are absent. A sample is
// yielded even where a fault keeps it from being heard; Heard tells.
//
// The energy of a step is the trapezoid of the powers at its ends, charging
// and discharging apart, so that counters and power agree.
func (b *Battery) Next() analytics.Sample {
	if b.begun {
		b.at += analytics.Instant(b.cfg.Cadence)
	}
	if day := b.at.Day(); !b.begun || b.at >= b.dayStart+analytics.Instant(analytics.DayLength) {
		b.turn(day)
	}
	slot := int((b.at - b.dayStart) / analytics.Instant(slotLength))
	x := float64(b.at-b.dayStart-analytics.Instant(slot)*analytics.Instant(slotLength)) / float64(slotLength)
	b.step(slot, x)
	b.begun = true
	return b.report()
}

// Heard reports whether the newest sample reaches anybody: whether it is
// neither in an outage nor in the unit's final silence.
func (b *Battery) Heard() bool { return !b.inOutage && !b.inSilence }

// Config gives the configuration with defaults filled in.
func (b *Battery) Config() Config { return b.cfg }

// turn begins a day: the cells age by the day before, weather and load move on.
func (b *Battery) turn(day analytics.Day) {
	b.dayStart = day.Start()
	b.sky.turn(day)
	b.load.turn(day, b.sky.winter)
	b.age()
}

// age lets the cells age by the stress collected since the last call.
func (b *Battery) age() {
	s := &b.stress
	if s.n > 0 {
		seconds := s.n * b.hours * 3600
		b.ageing.Rest(seconds, s.temp/s.n, s.soc/s.n)
		if s.workHour > 0 {
			rate := s.workAh / s.workHour / b.pack.ah
			b.ageing.Run(s.chargedAh/b.pack.ah, s.high-s.low, rate)
		}
		b.pack.ah = b.first * b.ageing.Left()
	}
	b.stress = stress{low: b.soc, high: b.soc}
}

// step moves everything to b.at: in a slot of the day, x of the way to the next.
func (b *Battery) step(slot int, x float64) {
	sky := b.sky
	air := sky.air[slot] + (sky.air[slot+1]-sky.air[slot])*x
	ohms := b.pack.ohms(b.thermal.coldest())
	if b.begun {
		b.thermal.step(air, b.amps*b.amps*ohms)
	} else {
		b.thermal.settle(air)
	}
	b.flicker = b.flickerHold*b.flicker + b.flickerGain*b.draws.normal()
	sun := sky.panel[slot] + (sky.panel[slot+1]-sky.panel[slot])*x
	// Passing clouds show most on days that are neither clear nor overcast.
	through := min(max(sky.through+1.1*sky.through*(1-sky.through)*b.flicker, 0.05), 1)
	surplus := b.arrayWatts*sun*through - b.load.step(b.at, slot, x)
	want, began := b.controller.want(b.at, slot, sky.winter, b.soc, surplus)
	if began {
		b.tally.happen(heavyAt, b.at)
	}
	b.move(want, ohms)
}

// move bounds the wanted power and lets charge and energy flow over the step
// that ends at b.at.
func (b *Battery) move(want, ohms float64) {
	before, amps := b.watts, b.amps
	run := amps * b.hours / 2
	if !b.begun {
		run = 0
	}
	rest := b.pack.rest(b.soc)
	b.watts = b.guard.bound(&b.pack, want, room{
		temp: deciCelsius(b.thermal.coldest()),
		up:   (1-b.soc)*b.pack.ah - run,
		down: (b.soc-b.controller.reserve)*b.pack.ah + run,
		rest: rest, ohms: ohms,
	})
	b.amps = current(b.watts, rest, ohms)
	b.volts = rest + b.amps*ohms
	tooCold := b.overInCold()
	if tooCold {
		b.tally.show(coldAt, b.at)
	}
	if !b.begun {
		return
	}
	run += b.amps * b.hours / 2
	b.soc = min(max(b.soc+run/b.pack.ah, 0), 1)
	in, out := trapezoid(before, b.watts)
	b.charged += in * b.hours * 1000
	b.discharged += out * b.hours * 1000
	if tooCold {
		b.coldCharged += in * b.hours * 1000
	}
	b.strain(run)
}

// strain collects the stress of a step, in which so much charge went in, on
// the cells.
func (b *Battery) strain(ah float64) {
	s := &b.stress
	s.n++
	s.temp += b.thermal.ambient + b.thermal.rise
	s.soc += b.soc
	s.low, s.high = min(s.low, b.soc), max(s.high, b.soc)
	if ah != 0 {
		s.workAh += math.Abs(ah)
		s.workHour += b.hours
		s.chargedAh += max(ah, 0)
	}
}

// overInCold reports whether the battery charges faster than the charge table
// allows below its flat part, by what is reported: more than 0.02 C, and more
// than 0.01 C above the table.
func (b *Battery) overInCold() bool {
	if b.amps <= 0 || !b.guard.hasTable {
		return false
	}
	t := deciCelsius(b.thermal.coldest())
	if t >= b.guard.coldBelow {
		return false
	}
	rate := float64(centiAmps(b.amps)) * 1000 / b.pack.ratedAh
	return rate > 20_000 && rate > float64(b.cfg.Model.ChargeLimit.At(t))+10_000
}

// trapezoid gives the mean charging and the mean discharging power, both
// positive, of a straight line from a to z, split at its zero crossing.
func trapezoid(a, z float64) (in, out float64) {
	switch {
	case a >= 0 && z >= 0:
		return (a + z) / 2, 0
	case a <= 0 && z <= 0:
		return 0, -(a + z) / 2
	case a > 0:
		return a * a / (a - z) / 2, z * z / (a - z) / 2
	default:
		return z * z / (z - a) / 2, a * a / (z - a) / 2
	}
}
