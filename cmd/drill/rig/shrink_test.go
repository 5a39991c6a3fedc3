package rig

import (
	"context"
	"testing"
)

func TestShrinkKeepsWhatTheFailureNeeds(t *testing.T) {
	t.Parallel()
	s := Random(5)
	s.Workload.Units, s.Workload.Hostile = 8, 0.1
	s.Faults = []Fault{{Kind: KillWorker}, {Kind: HideCommits, At: 1}, {Kind: KillBroker}, {Kind: PauseWorker, At: 2}}
	played := 0
	got := shrink(t.Context(), s, func(c Schedule) bool {
		played++
		kinds := map[Kind]bool{}
		for _, f := range c.Faults {
			kinds[f.Kind] = true
		}
		return kinds[HideCommits] && kinds[PauseWorker] && c.Workload.Units >= 3 && c.Workload.Days >= 2
	})
	if len(got.Faults) != 2 || got.Faults[0].Kind != HideCommits || got.Faults[1].Kind != PauseWorker {
		t.Errorf("the faults left are %+v", got.Faults)
	}
	if w := got.Workload; w.Units != 4 || w.Days != 2 || w.Collectors != 1 || w.Hostile != 0 || w.Late != 0 {
		t.Errorf("the workload left is %+v", w)
	}
	if len(s.Faults) != 4 || played > 40 {
		t.Errorf("the schedule itself has %d faults left, %d plays", len(s.Faults), played)
	}
}

func TestShrinkEndsWithItsContext(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	s := Random(3)
	if got := shrink(ctx, s, func(Schedule) bool { return true }); len(got.Faults) != len(s.Faults) {
		t.Errorf("%d faults of %d are left", len(got.Faults), len(s.Faults))
	}
}
