package rig

import (
	"math/rand/v2"
	"slices"
	"time"

	"fadeledger/cmd/drill/proxy"
)

// Bounds of random schedules: a run is to take some fifteen seconds, or twenty
// where a worker stands still for longer than its lease.
const (
	publishSeconds = 7.0
	firstFaultAt   = 1200
	lastFaultAt    = 6200
	leastKinds     = 3
	mostFaults     = 7
)

// weights say how often a kind is drawn.
var weights = []struct {
	kind   Kind
	weight int
}{
	{KillWorker, 6}, {KillBroker, 3}, {KillPostgres, 2}, {KillBackend, 2}, {EndBackend, 2}, {PauseWorker, 3},
	{StealWork, 2}, {ReplaceWorker, 2}, {SpoilDatabase, 3}, {SpoilDelivery, 3}, {SpoilCollection, 3}, {CutDatabase, 2},
	{CutDelivery, 2}, {CutCollection, 2}, {HideCommits, 5}, {LoseCommits, 2}, {LoseAcks, 3}, {LosePubAcks, 3},
	{RewindBroker, 3}, {DropConsumer, 3}, {SkewClock, 2}, {RestartCollector, 3},
}

// Random gives the schedule of a seed: three to seven faults of at least three
// kinds.
func Random(seed uint64) Schedule {
	r := rand.New(rand.NewPCG(seed, 0x5c4ed))
	s := Schedule{Seed: seed, Workload: randomWorkload(r)}
	faults := leastKinds + r.IntN(mostFaults-leastKinds+1)
	kinds := map[Kind]bool{}
	for len(s.Faults) < faults {
		kind := drawKind(r)
		// The last draws must still bring enough kinds.
		if kinds[kind] && len(kinds)+faults-len(s.Faults) <= leastKinds {
			continue
		}
		kinds[kind] = true
		s.Faults = append(s.Faults, randomFault(r, kind))
	}
	slices.SortStableFunc(s.Faults, func(a, b Fault) int { return int(a.At - b.At) })
	if s.rewinds() || r.IntN(3) == 0 {
		s.Workload.Confirm = ByCounted
	}
	return s
}

func drawKind(r *rand.Rand) Kind {
	total := 0
	for _, w := range weights {
		total += w.weight
	}
	n := r.IntN(total)
	for _, w := range weights {
		if n -= w.weight; n < 0 {
			return w.kind
		}
	}
	panic("unreachable")
}

func randomWorkload(r *rand.Rand) Workload {
	share := func(most float64) float64 {
		if r.IntN(3) == 0 {
			return 0
		}
		return float64(1+r.IntN(20)) / 20 * most
	}
	latency := Span(0)
	if r.IntN(2) == 0 {
		latency = Span(2 + r.IntN(20))
	}
	return Workload{
		DatabaseLatency: latency,
		Units:           6 + r.IntN(5), Days: 3, CadenceMinutes: []int{5, 10, 15}[r.IntN(3)],
		Collectors: 2 + r.IntN(3), Workers: 2 + r.IntN(2), Partitions: 2 + r.IntN(4),
		Batch: 4 + r.IntN(12), Gather: 30 + r.IntN(300), Seconds: publishSeconds,
		Resets: r.IntN(3), Copies: share(0.1), Late: share(0.3), Twice: share(0.2),
		Disputed: share(0.1), Superseded: share(0.1), Hostile: share(0.1), Future: share(0.1),
		FreshIDs: r.IntN(2) == 0, SyncLater: r.IntN(2) == 0, Confirm: ByStored,
	}
}

func randomFault(r *rand.Rand, kind Kind) Fault {
	between := func(lo, hi int) Span { return Span(lo + r.IntN(hi-lo+1)) }
	f := Fault{At: between(firstFaultAt, lastFaultAt), Kind: kind, Target: r.IntN(6)}
	switch kind {
	case KillWorker, ReplaceWorker, KillBroker, KillPostgres:
		f.For = between(0, 1500)
	case PauseWorker:
		f.For = between(100, 4000)
	case StealWork:
		// A lease that is not renewed holds for ten seconds, and others look
		// every two.
		f.At, f.For = between(firstFaultAt, 3000), between(12_500, 14_000)
	case SpoilDatabase, SpoilDelivery, SpoilCollection:
		f.For, f.Rules = between(300, 2500), randomRules(r)
	case HideCommits, LoseCommits:
		f.For, f.Count = 2500, 1+r.IntN(3)
	case LoseAcks, LosePubAcks:
		f.For, f.Rules = between(500, 2500), &proxy.Rules{LoseAcks: 1, LosePubAcks: 1}
		if r.IntN(2) == 0 {
			f.Rules = &proxy.Rules{LoseAcks: 0.4, LosePubAcks: 0.4}
		}
	case RewindBroker:
		f.At = max(f.At, 2500)
		f.Back, f.For = between(300, 1800), between(0, 800)
	case SkewClock:
		f.For = between(800, 3000)
		f.Skew = []Span{-7_200_000, -900_000, 240_000, 3_600_000, 86_400_000}[r.IntN(5)]
	}
	return f
}

// randomRules draws one way in which a network is bad.
func randomRules(r *rand.Rand) *proxy.Rules {
	ms := func(lo, hi int) time.Duration { return time.Duration(lo+r.IntN(hi-lo)) * time.Millisecond }
	switch r.IntN(8) {
	case 0:
		return &proxy.Rules{Latency: ms(5, 120), Jitter: ms(1, 80)}
	case 1:
		return &proxy.Rules{BytesPerSecond: 20_000 + r.IntN(200_000)}
	case 2:
		return &proxy.Rules{Slice: 1 + r.IntN(200), Latency: ms(1, 10)}
	case 3:
		return &proxy.Rules{DropToServer: true}
	case 4:
		return &proxy.Rules{DropToClient: true}
	case 5:
		return &proxy.Rules{HoldToServer: true, HoldToClient: r.IntN(2) == 0}
	case 6:
		return &proxy.Rules{CutAfter: 1 + r.Int64N(40_000), Reset: r.IntN(2) == 0}
	default:
		return &proxy.Rules{Refuse: true, CutAfter: 1 + r.Int64N(2000), Reset: true}
	}
}
