package sim

import "slices"

// Shrink gives a smaller schedule that still fails: without the faults, units
// and deliveries that it does not need, and with as few workers as will do.
// failing is asked about every candidate; the schedule itself must fail.
func Shrink(s Schedule, failing func(Schedule) bool) Schedule {
	for {
		before := size(&s)
		s = dropping(s, len(s.Faults), failing, func(s *Schedule, from, to int) {
			s.Faults = slices.Delete(slices.Clone(s.Faults), from, to)
		})
		s = withoutUnits(s, failing)
		s = withoutDeliveries(s, failing)
		s = simpler(s, failing)
		if size(&s) == before {
			return s
		}
	}
}

// size counts what a schedule consists of.
func size(s *Schedule) int {
	return len(s.Faults) + len(s.Units) + len(workload(s)) + s.Workers + s.Partitions + s.Days
}

// dropping leaves out runs of n things, long ones first, as long as it fails.
func dropping(s Schedule, n int, failing func(Schedule) bool, drop func(s *Schedule, from, to int)) Schedule {
	for run := max(1, n/2); run >= 1; run /= 2 {
		for from := 0; from < n; {
			candidate := s
			to := min(n, from+run)
			if drop(&candidate, from, to); failing(candidate) {
				s, n = candidate, n-(to-from)
				continue
			}
			from = to
		}
	}
	return s
}

// withoutUnits silences units. They stay in the list, since faults and ids go
// by their place in it; those behind the last that reports go.
func withoutUnits(s Schedule, failing func(Schedule) bool) Schedule {
	for len(s.Units) > 1 {
		candidate := s
		candidate.Units = s.Units[:len(s.Units)-1]
		if !failing(candidate) {
			break
		}
		s = candidate
	}
	return s
}

func withoutDeliveries(s Schedule, failing func(Schedule) bool) Schedule {
	list := workload(&s)
	return dropping(s, len(list), failing, func(c *Schedule, from, to int) {
		// What is left follows from the schedule: names are never reused.
		list := workload(c)
		c.Skip = slices.Clone(c.Skip)
		for _, d := range list[from:to] {
			c.Skip = append(c.Skip, d.name)
		}
	})
}

// simpler tries smaller numbers.
func simpler(s Schedule, failing func(Schedule) bool) Schedule {
	for _, change := range []func(*Schedule){
		func(c *Schedule) { c.Workers = 1 },
		func(c *Schedule) { c.Workers = max(1, c.Workers-1) },
		func(c *Schedule) { c.Partitions = 1 },
		func(c *Schedule) { c.Days = max(1, c.Days-1) },
	} {
		candidate := s
		if change(&candidate); size(&candidate) < size(&s) && failing(candidate) {
			s = candidate
		}
	}
	return s
}
