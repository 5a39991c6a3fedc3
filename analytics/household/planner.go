package household

import (
	"fmt"
	"strings"

	"fadeledger/analytics"
)

// planner invents sites and homes one after the other. What it invents for a
// site or a unit depends on their numbers alone.
type planner struct {
	seed    uint64
	end     analytics.Instant
	days    int
	cadence analytics.Millis
	fleet   *Fleet
}

// plannedSite is a site and what its homes share.
type plannedSite struct {
	analytics.Site
	number, size int
	climate      Climate
	weather      uint64
	collector    string
	model        analytics.Model
	// age is how many days ago the site was commissioned.
	age int
	// arrayPerKWh and loadPerKWh are per kWh of rated energy, so that units
	// of both sizes work about equally hard.
	arrayPerKWh, loadPerKWh float64
	cheapTarget             analytics.SoC
	winterOnly              bool
}

var (
	installers = [...]string{"north-bench", "valley", "lowline", "harbour"}
	placements = [...]analytics.Placement{
		analytics.DwellingStorage, analytics.Garage, analytics.Garage, analytics.ExteriorWall, analytics.Outdoor,
	}
)

// site invents the site with a number from 1 whose first unit has an index.
func (p *planner) site(number, first int) plannedSite {
	draws := newStream(p.seed, 'S', uint64(number))
	s := plannedSite{number: number, size: 1 + draws.below(5)/2}
	s.Name = fmt.Sprintf("site-%04d", number)
	// A fixed offset and a code that no country has: nothing real is meant.
	s.Zone, s.Country = "Etc/GMT-1", "XA"
	s.Installer = installers[draws.below(len(installers))]
	s.Placement = placements[draws.below(len(placements))]
	s.climate = [...]Climate{Coast, Coast, Plain, Plain, Highland}[draws.below(5)]
	s.model = p.fleet.Models[0]
	if draws.unit() < 0.35 {
		s.model = p.fleet.Models[1]
	}
	s.collector = fmt.Sprintf("c-%02d", 1+(number-1)/sitesPerCollector)
	share := 1 - 0.1*draws.unit()
	if draws.unit() < 0.4 {
		share = draws.between(0.3, 0.95)
	}
	s.arrayPerKWh = draws.between(0.8, 2)
	s.loadPerKWh = draws.between(1.1, 3.4)
	if draws.unit() < 0.3 {
		// Heated or driven by electricity.
		s.loadPerKWh = draws.between(4, 6.5)
	}
	if draws.unit() < 0.62 {
		s.cheapTarget = analytics.SoC(draws.between(450, 980))
		s.winterOnly = draws.unit() < 0.35
	}
	share = p.suit(&s, first, share)
	s.age = max(1, int(share*float64(p.days)))
	s.Region = s.climate.Name
	s.weather = mix(p.seed, 'W', uint64(s.climate.Latitude*100))
	return s
}

// suit changes a site for the roles of its units, the first of which has an
// index, and gives the share of the history that it needs: cold and heavy
// units need most of a year to show.
func (p *planner) suit(s *plannedSite, first int, share float64) float64 {
	for i := range s.size {
		switch roleOf(p.seed, first+i) {
		case RoleCold:
			s.climate = Highland
			s.Placement = [...]analytics.Placement{analytics.Garage, analytics.ExteriorWall}[s.number%2]
			s.Installer = installers[0]
			s.cheapTarget, s.winterOnly = 800, false
			share = max(share, 0.95)
		case RoleHeavy:
			share = max(share, 0.7)
		}
	}
	return share
}

// home invents the unit with an index from 0 at a place from 1 in its stack.
func (p *planner) home(s plannedSite, index, place int) Home {
	draws := newStream(p.seed, 'U', uint64(index))
	h := Home{Collector: s.collector, Role: roleOf(p.seed, index)}
	age := s.age
	if h.Role == RoleNew {
		age = min(5+draws.below(21), p.days)
	}
	commissioned := p.end.Day() - analytics.Day(age)
	shipped := commissioned - analytics.Day(8+draws.below(60))
	h.Unit = analytics.Unit{
		Serial:       analytics.Serial(fmt.Sprintf("%s-%06d", strings.ReplaceAll(s.model.Name, "-", ""), index+1)),
		Model:        s.model.Name,
		Stack:        fmt.Sprintf("stack-%04d", s.number),
		Site:         s.Name,
		Shipped:      &shipped,
		Commissioned: &commissioned,
		Terms:        p.edition(s.model.Name, shipped),
		Position:     place,
	}
	kWh := s.model.Rated.KWh()
	h.Config = Config{
		Seed: mix(p.seed, 'H', uint64(index)), WeatherSeed: s.weather,
		Serial: h.Unit.Serial, Model: s.model,
		Start:   p.start(commissioned, &draws),
		Cadence: p.cadence, Climate: s.climate, Placement: s.Placement,
		Array: analytics.Milliwatts(s.arrayPerKWh * kWh * 1e6),
		Habits: Habits{
			DailyLoad:   analytics.MilliwattHours(s.loadPerKWh * kWh * 1e6 * draws.between(0.9, 1.1)),
			CheapTarget: s.cheapTarget, CheapWinterOnly: s.winterOnly,
		},
	}
	p.behave(&h, &draws)
	return h
}

// start gives the instant of the first sample: in the working hours of the day
// of commissioning, at the unit's own phase within the cadence, and before the
// end of the fleet's history.
func (p *planner) start(commissioned analytics.Day, draws *stream) analytics.Instant {
	at := commissioned.Start() + analytics.Instant(draws.between(7, 16)*float64(analytics.Hour))
	phase := analytics.Instant(draws.unit()*min(float64(p.cadence), 60e3)/1000) * 1000
	return at - at%analytics.Instant(p.cadence) + phase
}

// edition names the newest terms of a model that were sold on a day, the
// oldest where none were.
func (p *planner) edition(model string, sold analytics.Day) string {
	name := ""
	for _, t := range p.fleet.Terms {
		if t.Model == model && (name == "" || t.SoldFrom <= sold) {
			name = t.Name
		}
	}
	return name
}

// behave gives a home what its role makes unusual, and everybody a few short
// outages a year.
func (p *planner) behave(h *Home, draws *stream) {
	c, faults := &h.Config, &h.Config.Faults
	life := float64(p.end - c.Start)
	at := func(low, high float64) analytics.Instant {
		return c.Start + analytics.Instant(draws.between(low, high)*life)
	}
	faults.Outages = RandomOutages(c.Seed, c.Start+analytics.Instant(analytics.Hour), p.end, 3, analytics.Hour, 40*analytics.Hour)
	switch h.Role {
	case RoleHeavy:
		c.Habits.TradesPerDay = draws.between(1.95, 2.5)
	case RoleCold:
		faults.ColdCharging = true
	case RoleSilent:
		silent := p.end - analytics.Instant(draws.between(10, 40)*float64(analytics.DayLength))
		silent = max(silent, c.Start+analytics.Instant(life/2))
		faults.Silent = &silent
	case RoleGappy:
		faults.Outages = RandomOutages(c.Seed, c.Start+analytics.Instant(analytics.Hour), p.end, 14, 8*analytics.DayLength, 50*analytics.DayLength)
	case RoleReset:
		for low := 0.15; low < 0.8; low += 0.3 {
			faults.Resets = append(faults.Resets, at(low, low+0.25))
		}
	case RoleStuck:
		faults.Stuck = &Stuck{Fields: analytics.HasTemp | analytics.HasTempMax, Span: Span{From: at(0.6, 0.85)}}
	}
}
