package rig

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
)

// meter is the collector whose samples outrank those of the others.
const meter = "c-meter"

// meterRank is its rank, meterProfile what says so.
const (
	meterRank    = 1
	meterProfile = "rank: 1\n"
)

// rows is what a delivery is to hold before it is cut into a body.
type rows struct {
	readings []household.Reading
	future   []household.Reading
	// bad is how many rows that cannot be read go with it; attack, if not
	// empty, makes it a delivery that is nothing but that attack.
	bad    int
	attack string
}

// plan is what all collectors will hand over, in order.
type plan struct {
	fleet *household.Fleet
	// names are the collectors in order; of each, its deliveries.
	names      []string
	deliveries map[string][]rows
}

// newPlan invents a fleet and cuts its samples into deliveries by the shares of
// the workload. The same schedule gives the same plan, apart from the times of
// rows from the future, which are taken from now on.
func newPlan(s Schedule, now time.Time) (*plan, error) {
	w := s.Workload
	end, err := analytics.ParseDay(w.End)
	if err != nil {
		return nil, fmt.Errorf("plan: %w", err)
	}
	cadence := analytics.Millis(w.CadenceMinutes) * analytics.Minute
	fleet, err := household.NewFleet(s.Seed, w.Units, end.Start(), w.Days, cadence)
	if err != nil {
		return nil, fmt.Errorf("plan: %w", err)
	}
	p := &plan{fleet: fleet, deliveries: map[string][]rows{}}
	resetCounters(fleet, w.Resets)
	chance := rand.New(rand.NewPCG(s.Seed, 0x91a2))
	for c := range w.Collectors {
		name := fmt.Sprintf("c-%02d", c+1)
		p.names = append(p.names, name)
		list, err := p.feed(s, name, c)
		if err != nil {
			return nil, err
		}
		p.deliveries[name] = list
	}
	if w.Superseded > 0 {
		p.names = append(p.names, meter)
	}
	p.spoil(w, chance, now)
	return p, nil
}

// resetCounters lets the counters of the first units begin anew in the middle
// of their history.
func resetCounters(fleet *household.Fleet, units int) {
	for i := range min(units, len(fleet.Homes)) {
		c := &fleet.Homes[i].Config
		middle := c.Start + (fleet.End-c.Start)/2
		c.Faults.Resets = append(c.Faults.Resets, middle)
		slices.Sort(c.Faults.Resets)
	}
}

// feed gives the deliveries of every unit that reports through a collector.
func (p *plan) feed(s Schedule, name string, number int) ([]rows, error) {
	w := s.Workload
	var batteries []*household.Battery
	for i := number; i < len(p.fleet.Homes); i += w.Collectors {
		b, err := household.New(p.fleet.Homes[i].Config)
		if err != nil {
			return nil, fmt.Errorf("plan: %w", err)
		}
		batteries = append(batteries, b)
	}
	feed, err := household.NewFeed(household.FeedConfig{
		Collector: name, Seed: s.Seed*31 + uint64(number), Batch: w.Batch, Until: p.fleet.End,
		CopyShare: w.Copies, LateShare: w.Late,
	}, batteries...)
	if err != nil {
		return nil, fmt.Errorf("plan: %w", err)
	}
	var list []rows
	for d, ok := feed.Next(); ok; d, ok = feed.Next() {
		list = append(list, rows{readings: slices.Clone(d.Readings)})
	}
	return list, nil
}

// spoil adds what makes deliveries difficult: versions, second ways, hostile
// rows, rows from the future.
func (p *plan) spoil(w Workload, chance *rand.Rand, now time.Time) {
	collectors := slices.Clone(p.names)
	for _, name := range collectors {
		if name == meter {
			continue
		}
		for i := range len(p.deliveries[name]) { // not those added meanwhile
			d := p.deliveries[name][i]
			hit := func(share float64) bool { return chance.Float64() < share }
			pick := func() household.Reading { return d.readings[chance.IntN(len(d.readings))] }
			if len(d.readings) == 0 {
				continue
			}
			if hit(w.Twice) {
				p.slip(collectors[chance.IntN(w.Collectors)], chance, rows{readings: d.readings})
			}
			if hit(w.Disputed) {
				p.slip(collectors[chance.IntN(w.Collectors)], chance, rows{readings: []household.Reading{another(pick(), chance)}})
			}
			if hit(w.Superseded) {
				p.slip(meter, chance, rows{readings: []household.Reading{another(pick(), chance)}})
			}
			if hit(w.Future) {
				r := pick()
				r.Time = analytics.InstantOf(now.Add(2*time.Hour + time.Duration(chance.Int64N(int64(48*time.Hour)))))
				p.deliveries[name][i].future = append(p.deliveries[name][i].future, r)
			}
			if !hit(w.Hostile) {
				continue
			}
			if chance.IntN(2) == 0 {
				p.deliveries[name][i].bad = 1 + chance.IntN(3)
			} else {
				p.slip(name, chance, rows{attack: attacks[chance.IntN(len(attacks))].name})
			}
		}
	}
}

// slip puts a delivery somewhere among those of a collector.
func (p *plan) slip(collector string, chance *rand.Rand, d rows) {
	list := p.deliveries[collector]
	at := chance.IntN(len(list) + 1)
	p.deliveries[collector] = slices.Insert(list, at, d)
}

// another gives a version of a sample with other content.
func another(r household.Reading, chance *rand.Rand) household.Reading {
	r.Has |= analytics.HasVoltage
	r.Voltage = analytics.Millivolts(40_000 + chance.IntN(20_000))
	return r
}
