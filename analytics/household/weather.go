package household

import (
	"math"

	"fadeledger/analytics"
)

// Climate is where a home stands, in numbers. Temperatures are in °C.
type Climate struct {
	Name string
	// Latitude is in degrees, north positive.
	Latitude float64
	// East is the local time ahead of UTC; the sun is highest at local noon.
	East analytics.Millis
	// MeanAir is the yearly mean of the air temperature, YearSwing and
	// DaySwing half the difference between summer and winter and between
	// afternoon and night, Unrest the deviation of the weather from that.
	MeanAir, YearSwing, DaySwing, Unrest float64
	// Clear is the mean share of clear-sky sunshine that comes through, 0..1.
	Clear float64
}

// The invented climates.
var (
	Coast    = Climate{Name: "coast", Latitude: 41, East: analytics.Hour, MeanAir: 14.5, YearSwing: 7, DaySwing: 3.5, Unrest: 2.2, Clear: 0.68}
	Plain    = Climate{Name: "plain", Latitude: 45, East: analytics.Hour, MeanAir: 11.5, YearSwing: 11, DaySwing: 5.5, Unrest: 3, Clear: 0.62}
	Highland = Climate{Name: "highland", Latitude: 47, East: analytics.Hour, MeanAir: 5.5, YearSwing: 11.5, DaySwing: 6, Unrest: 3.5, Clear: 0.66}
)

// Climates lists the invented climates.
func Climates() []Climate { return []Climate{Coast, Plain, Highland} }

// slots is the number of table entries in a day, five minutes each. Between
// them a step reads by linear interpolation.
const slots = 288

const slotLength = analytics.DayLength / slots

// yearDays is the mean length of a year in days.
const yearDays = 365.2425

// sky is the weather of one UTC day: what is precomputed once a day so that a
// sample needs no trigonometry.
type sky struct {
	climate Climate
	seed    uint64
	// cosHour is the cosine of the sun's hour angle in each slot, warmth the
	// daily course of the air from -1 to 1.
	cosHour, warmth [slots + 1]float64
	// panel is the output of a clear day per watt of array, air the air
	// temperature, per slot.
	panel, air [slots + 1]float64
	// through is the day's share of clear-sky sunshine, winter runs from -1
	// at midsummer to 1 at midwinter.
	through, winter float64
	// cloud and front are today's states of two first-order processes; the
	// next ones are tomorrow's.
	cloud, front, nextCloud, nextFront float64
	day                                analytics.Day
	known                              bool
}

// Cloud and air masses persist from day to day with these correlations.
const (
	cloudHold = 0.55
	frontHold = 0.80
)

func newSky(c Climate, seed uint64) *sky {
	s := &sky{climate: c, seed: seed}
	for i := range s.cosHour {
		local := float64(i)/slots*24 + float64(c.East)/float64(analytics.Hour)
		s.cosHour[i] = math.Cos(2 * math.Pi * (local - 12) / 24)
		s.warmth[i] = math.Cos(2 * math.Pi * (local - 15) / 24)
	}
	return s
}

// turn moves to a day. Weather is a function of seed and day, so that homes
// that share a seed share their weather whenever they began.
func (s *sky) turn(day analytics.Day) {
	if s.known && day == s.day+1 {
		s.cloud, s.front = s.nextCloud, s.nextFront
	} else {
		// What is older than 40 days has no weight left.
		s.cloud, s.front = 0, 0
		for d := day - 40; d <= day; d++ {
			s.cloud, s.front = s.follow(d)
		}
	}
	s.day, s.known = day, true
	cloud, front := s.cloud, s.front
	s.nextCloud, s.nextFront = s.follow(day + 1)
	s.cloud, s.front = cloud, front
	s.fill()
}

// follow gives both processes on a day from their state on the day before.
func (s *sky) follow(day analytics.Day) (cloud, front float64) {
	bits := mix(s.seed, uint64(int64(day)))
	cloud = cloudHold*s.cloud + math.Sqrt(1-cloudHold*cloudHold)*bell(bits)
	front = frontHold*s.front + math.Sqrt(1-frontHold*frontHold)*bell(finalise(bits))
	return cloud, front
}

// fill computes the day's tables.
func (s *sky) fill() {
	c := &s.climate
	year := 2 * math.Pi * math.Mod(float64(s.day), yearDays) / yearDays
	// The coldest day is about 20 days into the year in the north.
	s.winter = math.Cos(year - 2*math.Pi*20/yearDays)
	if c.Latitude < 0 {
		s.winter = -s.winter
	}
	// Winter is the cloudier half of the year.
	mean := c.Clear - 0.13*s.winter
	s.through = min(max(mean+0.26*s.cloud, 0.1), 1)
	tomorrow := min(max(mean+0.26*s.nextCloud, 0.1), 1)
	declination := -23.44 * math.Pi / 180 * math.Cos(year+2*math.Pi*10/yearDays)
	sun := newSun(c.Latitude, declination)
	for i := range s.panel {
		x := float64(i) / slots
		swing := c.DaySwing * (0.45 + 0.8*(s.through+(tomorrow-s.through)*x))
		front := s.front + (s.nextFront-s.front)*x
		s.air[i] = c.MeanAir - c.YearSwing*s.winter + c.Unrest*front + swing*s.warmth[i]
		s.panel[i] = sun.panel(s.cosHour[i])
	}
}

// sun gives the output of a panel that faces the equator at a tilt of 35°.
type sun struct {
	// The sine of the sun's elevation is up + out·cos(hour angle), the cosine
	// of its angle to the panel the same with the latitude less the tilt.
	up, out, panelUp, panelOut float64
}

func newSun(latitude, declination float64) sun {
	phi := latitude * math.Pi / 180
	tilted := phi - math.Copysign(35*math.Pi/180, latitude)
	sin, cos := math.Sincos(declination)
	return sun{
		up: math.Sin(phi) * sin, out: math.Cos(phi) * cos,
		panelUp: math.Sin(tilted) * sin, panelOut: math.Cos(tilted) * cos,
	}
}

// panel gives the power per watt of array under a clear sky. The extinction
// exp(-0.057/sin h) is that of Haurwitz (B. Haurwitz, Insolation in relation to
// cloudiness and cloud density, 1945; from memory).
func (s sun) panel(cosHour float64) float64 {
	height := s.up + s.out*cosHour
	if height <= 0.01 {
		return 0
	}
	facing := max(0, s.panelUp+s.panelOut*cosHour)
	const efficiency = 0.86
	return efficiency * 1.098 * math.Exp(-0.057/height) * (0.9*facing + 0.1*height)
}
