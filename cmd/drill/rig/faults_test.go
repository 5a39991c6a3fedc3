package rig

import (
	"testing"

	"fadeledger/cmd/drill/proxy"
)

// steady is a workload with a little of everything, handed over in some
// seconds.
func steady(workers int, confirm Confirmation) Workload {
	return Workload{
		Units: 4, Days: 3, CadenceMinutes: 10, Collectors: 2, Workers: workers, Partitions: 3, Batch: 6, Gather: 60, Seconds: 6,
		Resets: 1, Copies: 0.05, Late: 0.1, Twice: 0.05, Disputed: 0.05, Superseded: 0.05, Hostile: 0.05, Future: 0.05,
		Confirm: confirm,
	}
}

// TestFaultsStrike plays every kind of fault at a time when it must have its
// effect, which is measured: by the status that a killed process leaves, by the
// state of a stopped one, by what a proxy counted, by the sequences of the
// stream.
func TestFaultsStrike(t *testing.T) {
	tested := map[Kind]bool{}
	for _, c := range []struct {
		name    string
		confirm Confirmation
		workers int
		faults  []Fault
		// shows checks what the faults left in the result.
		shows func(t *testing.T, r Result)
	}{
		{"commits", ByStored, 1, []Fault{
			{At: 1000, Kind: HideCommits, For: 4000, Count: 2},
			{At: 2000, Kind: LoseCommits, For: 4000, Count: 1},
			{At: 4500, Kind: KillWorker, For: 200},
		}, func(*testing.T, Result) {}},
		{"two workers", ByStored, 2, []Fault{
			{At: 2500, Kind: StealWork, For: 13_500},
			{At: 1000, Kind: PauseWorker, For: 500, Target: 1},
			{At: 2200, Kind: ReplaceWorker, For: 100, Target: 1},
		}, func(t *testing.T, r Result) {
			if r.Shared == 0 {
				t.Error("no delivery was handed to two workers")
			}
		}},
		{"database", ByStored, 1, []Fault{
			{At: 1500, Kind: SpoilDatabase, For: 700, Rules: &proxy.Rules{Latency: 20e6, Jitter: 10e6}},
			{At: 2400, Kind: CutDatabase},
			{At: 3000, Kind: EndBackend},
			{At: 3600, Kind: KillBackend},
			{At: 5000, Kind: KillPostgres, For: 300},
		}, func(*testing.T, Result) {}},
		{"broker", ByStored, 1, []Fault{
			{At: 1000, Kind: SpoilDelivery, For: 700, Rules: &proxy.Rules{HoldToServer: true, HoldToClient: true}},
			{At: 2000, Kind: CutDelivery},
			{At: 3600, Kind: DropConsumer, Target: 1},
			{At: 4400, Kind: KillBroker, For: 200},
			{At: 4700, Kind: LoseAcks, For: 2000},
		}, func(t *testing.T, r Result) {
			if r.Again == 0 {
				t.Error("no delivery was handed out again for a lost acknowledgement")
			}
		}},
		{"collectors", ByCounted, 2, []Fault{
			{At: 500, Kind: LosePubAcks, For: 1000, Target: 0},
			{At: 800, Kind: SkewClock, For: 1000, Target: 1, Skew: 3_600_000},
			{At: 1700, Kind: SpoilCollection, For: 600, Target: 1, Rules: &proxy.Rules{DropToServer: true}},
			{At: 1900, Kind: RestartCollector, Target: 0},
			{At: 2500, Kind: CutCollection, Target: 0},
			{At: 4800, Kind: RewindBroker, Back: 900, For: 100},
		}, func(t *testing.T, r Result) {
			if r.Resent == 0 || r.Reused == 0 {
				t.Errorf("%d deliveries were sent again and %d sequences used again", r.Resent, r.Reused)
			}
		}},
	} {
		for _, f := range c.faults {
			tested[f.Kind] = true
		}
		t.Run(c.name, func(t *testing.T) {
			r := play(t, config(t), Schedule{Seed: 11, Workload: steady(c.workers, c.confirm), Faults: c.faults})
			for _, s := range r.Strikes {
				if !s.Struck {
					t.Errorf("%s had no effect: %s", s.Fault.Kind, s.What)
				}
				t.Logf("%s: %s", s.Fault.Kind, s.What)
			}
			if len(r.Strikes) != len(c.faults) {
				t.Errorf("%d strikes of %d faults", len(r.Strikes), len(c.faults))
			}
			c.shows(t, r)
		})
	}
	for kind := range strikes {
		if !tested[kind] {
			t.Errorf("%s is not tested", kind)
		}
	}
}
