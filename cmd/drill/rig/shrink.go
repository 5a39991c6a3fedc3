package rig

import (
	"context"
	"slices"
)

// shrinkTries is how often a smaller schedule is played before it is taken for
// sound: real processes do not repeat exactly.
const shrinkTries = 5

// Shrink drops faults, and then units, days and collectors, while the failure
// stays, and gives the smallest schedule found. It plays up to five times per
// step and stops when ctx ends. A run that cannot be played counts as sound.
func Shrink(ctx context.Context, cfg Config, s Schedule, failing func(Result) bool) Schedule {
	return shrink(ctx, s, func(candidate Schedule) bool {
		for range shrinkTries {
			if ctx.Err() != nil {
				return false
			}
			if r, err := Run(ctx, cfg, candidate); err == nil && failing(r) {
				return true
			}
		}
		return false
	})
}

// shrink is Shrink over any way to tell whether a schedule fails.
func shrink(ctx context.Context, s Schedule, fails func(Schedule) bool) Schedule {
	for i := 0; i < len(s.Faults) && ctx.Err() == nil; {
		smaller := s
		smaller.Faults = slices.Delete(slices.Clone(s.Faults), i, i+1)
		if fails(smaller) {
			s = smaller
		} else {
			i++
		}
	}
	for _, step := range []func(*Workload) bool{
		func(w *Workload) bool { w.Units /= 2; return w.Units > 0 },
		func(w *Workload) bool { w.Days--; return w.Days > 0 },
		func(w *Workload) bool { w.Collectors--; return w.Collectors > 0 },
		func(w *Workload) bool { w.Workers--; return w.Workers > 0 },
		func(w *Workload) bool { return drop(&w.Hostile) },
		func(w *Workload) bool { return drop(&w.Future) },
		func(w *Workload) bool { return drop(&w.Superseded) },
		func(w *Workload) bool { return drop(&w.Disputed) },
		func(w *Workload) bool { return drop(&w.Twice) },
		func(w *Workload) bool { return drop(&w.Copies) },
		func(w *Workload) bool { return drop(&w.Late) },
	} {
		for ctx.Err() == nil {
			smaller := s
			if !step(&smaller.Workload) || !fails(smaller) {
				break
			}
			s = smaller
		}
	}
	return s
}

// drop takes a share away and reports whether there was one.
func drop(share *float64) bool {
	had := *share > 0
	*share = 0
	return had
}
