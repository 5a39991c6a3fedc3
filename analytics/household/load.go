package household

import (
	"math"

	"fadeledger/analytics"
)

// applianceShare is the part of the load that comes as appliances switched on
// at random; the rest follows the course of the day.
const applianceShare = 0.28

// applianceWh is the mean energy of one use of an appliance: 1.65 kW for
// 50 minutes.
const applianceWh = 1375

// appliance is one that runs now.
type appliance struct {
	watts float64
	until analytics.Instant
}

// load is the household's consumption.
type load struct {
	draws stream
	// shape is the course of a day with mean 1: workday and weekend.
	shape [2][slots + 1]float64
	today *[slots + 1]float64
	// watts is the mean of the smooth part today, starts the mean number of
	// appliances switched on per step.
	meanWatts, watts, startsMean, starts float64
	noise, noiseHold, noiseGain          float64
	running                              [3]appliance
}

func newLoad(c *Config) load {
	l := load{draws: newStream(c.Seed, 'l')}
	wh := float64(c.Habits.DailyLoad) / 1000
	l.meanWatts = wh / 24 * (1 - applianceShare)
	l.startsMean = wh * applianceShare / applianceWh * float64(c.Cadence) / float64(analytics.DayLength)
	l.noiseHold = math.Exp(-float64(c.Cadence) / float64(20*analytics.Minute))
	l.noiseGain = math.Sqrt(1 - l.noiseHold*l.noiseHold)
	early := l.draws.between(-0.8, 0.8)
	hours := float64(c.Climate.East) / float64(analytics.Hour)
	fillShape(&l.shape[0], hours, 7.2+early, 0.75, 19.2+early, 1.55)
	fillShape(&l.shape[1], hours, 10.2+early, 0.9, 19.4+early, 1.3)
	return l
}

// fillShape writes a course with a morning and an evening peak, given by local
// hour and height over the base, scaled to a mean of 1.
func fillShape(shape *[slots + 1]float64, east, morning, morningTop, evening, eveningTop float64) {
	bump := func(hour, at, width float64) float64 {
		d := math.Mod(hour-at+36, 24) - 12
		return math.Exp(-d * d / (2 * width * width))
	}
	sum := 0.0
	for i := range slots {
		h := float64(i)/slots*24 + east
		shape[i] = 0.42 + morningTop*bump(h, morning, 1.1) + eveningTop*bump(h, evening, 2.3) + 0.25*bump(h, 13, 2.5)
		sum += shape[i]
	}
	for i := range slots {
		shape[i] *= slots / sum
	}
	shape[slots] = shape[0]
}

// turn moves to a day; winter runs from -1 to 1.
func (l *load) turn(day analytics.Day, winter float64) {
	l.today = &l.shape[0]
	// 1970-01-01 was a Thursday.
	if weekday := (int(day)%7 + 7 + 4) % 7; weekday == 0 || weekday == 6 {
		l.today = &l.shape[1]
	}
	factor := (1 + 0.18*winter) * max(0.4, 1+0.17*l.draws.normal())
	l.watts, l.starts = l.meanWatts*factor, l.startsMean*factor
}

// step gives the load in watts at an instant, in a slot of the day and x of
// the way to the next.
func (l *load) step(at analytics.Instant, slot int, x float64) float64 {
	l.noise = l.noiseHold*l.noise + l.noiseGain*l.draws.normal()
	course := l.today[slot] + (l.today[slot+1]-l.today[slot])*x
	sum := l.watts * course * max(0.3, 1+0.22*l.noise)
	if l.draws.unit() < l.starts*course {
		l.start(at)
	}
	for i := range l.running {
		if r := &l.running[i]; r.until > at {
			sum += r.watts
		}
	}
	return sum
}

// start switches an appliance on where one of the three places is free.
func (l *load) start(at analytics.Instant) {
	watts := l.draws.between(900, 2400)
	span := analytics.Millis(l.draws.between(20, 80) * float64(analytics.Minute))
	for i := range l.running {
		if l.running[i].until <= at {
			l.running[i] = appliance{watts: watts, until: at + analytics.Instant(span)}
			return
		}
	}
}
