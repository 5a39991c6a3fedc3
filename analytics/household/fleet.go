package household

import (
	"fmt"

	"fadeledger/analytics"
)

// Fleet is an invented fleet: its models, terms, sites and homes.
type Fleet struct {
	Models []analytics.Model
	Terms  []analytics.Terms
	Sites  []analytics.Site
	Homes  []Home
	// End is the instant up to which it has lived.
	End analytics.Instant
	// seed also fixes how its collectors deliver.
	seed uint64
}

// Home is one unit of a fleet, where it reports and how it behaves.
type Home struct {
	Unit analytics.Unit
	// Collector is the one through which the unit's site reports.
	Collector string
	Role      Role
	Config    Config
}

// Role says what is unusual about a home.
type Role string

// The roles. Of fifty units in a row, three are heavy, four cold, three
// silent, two gappy, two new, two reset their counters, one has a stuck
// sensor, and the rest are ordinary.
const (
	RoleOrdinary Role = "ordinary"
	RoleHeavy    Role = "heavy"
	RoleCold     Role = "cold"
	RoleSilent   Role = "silent"
	RoleGappy    Role = "gappy"
	RoleNew      Role = "new"
	RoleReset    Role = "reset"
	RoleStuck    Role = "stuck"
)

// deck is the number of units over which the roles are dealt out.
const deck = 50

var dealt = []struct {
	role  Role
	count int
}{{RoleHeavy, 3}, {RoleCold, 4}, {RoleSilent, 3}, {RoleGappy, 2}, {RoleNew, 2}, {RoleReset, 2}, {RoleStuck, 1}}

// sitesPerCollector is how many sites in a row report through one collector.
const sitesPerCollector = 7

// NewFleet invents a fleet of so many units that has at most days of history
// before end, sampled at a cadence. Every unit's history begins on the day it
// is commissioned, within those days.
//
// The same arguments give the same fleet, and unit i is the same whatever the
// number of units. It fails where a size is below 1 or the cadence is out of
// the range of Config.
func NewFleet(seed uint64, units int, end analytics.Instant, days int, cadence analytics.Millis) (*Fleet, error) {
	if units < 1 || days < 1 {
		return nil, fmt.Errorf("fleet: %d units over %d days: both must be at least 1", units, days)
	}
	if err := validCadence(cadence); err != nil {
		return nil, fmt.Errorf("fleet: %w", err)
	}
	f := &Fleet{Models: Models(), Terms: EditionsOfTerms(), End: end, seed: seed}
	p := planner{seed: seed, end: end, days: days, cadence: cadence, fleet: f}
	for first, number := 0, 1; first < units; number++ {
		site := p.site(number, first)
		f.Sites = append(f.Sites, site.Site)
		for place := 1; place <= site.size && len(f.Homes) < units; place++ {
			home := p.home(site, len(f.Homes), place)
			if err := home.Config.Validate(); err != nil {
				return nil, fmt.Errorf("fleet: unit %s: %w", home.Unit.Serial, err)
			}
			f.Homes = append(f.Homes, home)
		}
		first += site.size
	}
	return f, nil
}

// Collectors lists the fleet's collectors in order.
func (f *Fleet) Collectors() []string {
	var names []string
	for i := range f.Homes {
		// Homes of one collector are neighbours.
		if c := f.Homes[i].Collector; len(names) == 0 || names[len(names)-1] != c {
			names = append(names, c)
		}
	}
	return names
}

// Feed gives the feed of one of the fleet's collectors, with its own seed where
// cfg has none. It fails for a collector without homes.
func (f *Fleet) Feed(cfg FeedConfig) (*Feed, error) {
	var batteries []*Battery
	for i := range f.Homes {
		if f.Homes[i].Collector != cfg.Collector {
			continue
		}
		b, err := New(f.Homes[i].Config)
		if err != nil {
			return nil, fmt.Errorf("feed of %s: %w", cfg.Collector, err)
		}
		batteries = append(batteries, b)
	}
	if len(batteries) == 0 {
		return nil, fmt.Errorf("feed of %s: no unit reports through this collector", cfg.Collector)
	}
	if cfg.Seed == 0 {
		cfg.Seed = f.seed
		for _, letter := range []byte(cfg.Collector) {
			cfg.Seed = mix(cfg.Seed, uint64(letter))
		}
	}
	return NewFeed(cfg, batteries...)
}

// roleOf deals the role of the unit at an index.
func roleOf(seed uint64, index int) Role {
	var roles [deck]Role
	n := 0
	for _, d := range dealt {
		for range d.count {
			roles[n] = d.role
			n++
		}
	}
	for ; n < deck; n++ {
		roles[n] = RoleOrdinary
	}
	draws := newStream(seed, 'r', uint64(index/deck))
	for i := deck - 1; i > 0; i-- {
		j := draws.below(i + 1)
		roles[i], roles[j] = roles[j], roles[i]
	}
	return roles[index%deck]
}
