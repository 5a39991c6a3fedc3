package sim

import (
	"fmt"
	"math/rand/v2"

	"fadeledger/analytics"
)

// Schedule is a run as data.
type Schedule struct {
	// Seed chooses every interleaving.
	Seed       uint64 `json:"seed"`
	Workers    int    `json:"workers"`
	Partitions int    `json:"partitions"`
	Days       int    `json:"days"`
	// Slow is the longest that the database takes for a call, in milliseconds.
	Slow       int             `json:"slow"`
	Collectors []CollectorPlan `json:"collectors"`
	Units      []UnitPlan      `json:"units"`
	Faults     []Fault         `json:"faults"`
	// Skip names deliveries that are left out (Delivery.Name).
	Skip []string `json:"skip,omitempty"`
}

// CollectorPlan is one collector.
type CollectorPlan struct {
	Name string `json:"name"`
	// Rank is the rank of its samples.
	Rank int8 `json:"rank,omitempty"`
	// Receipts: it keeps a delivery until a receipt covers it. Otherwise it
	// forgets it once the broker has stored it.
	Receipts bool `json:"receipts,omitempty"`
	// JSON: it writes lines of JSON, not CSV.
	JSON bool `json:"json,omitempty"`
}

// UnitPlan is one unit and what is reported of it. Shares are in percent.
type UnitPlan struct {
	Serial analytics.Serial `json:"serial"`
	// Seed makes its samples and deliveries.
	Seed  uint64 `json:"seed"`
	Model int    `json:"model"`
	// Cadence is the time between two samples in minutes.
	Cadence int `json:"cadence"`
	// Registered is when the unit becomes known, in minutes after the start,
	// negative for never.
	Registered int `json:"registered"`
	// Collector brings its samples; Second, where not negative, brings other
	// versions of some of them.
	Collector int `json:"collector"`
	Second    int `json:"second"`
	// Counters: its samples carry lifetime counters.
	Counters bool `json:"counters,omitempty"`
	// Late deliveries come hours or days after their time, Again is the share
	// of deliveries that repeat rows, Dispute of those that contradict earlier
	// rows, Future of those with a row of a wrong clock, Bad of those with a
	// row that cannot be read, and Poison of those that cannot be counted.
	Late    int `json:"late,omitempty"`
	Again   int `json:"again,omitempty"`
	Dispute int `json:"dispute,omitempty"`
	Future  int `json:"future,omitempty"`
	Bad     int `json:"bad,omitempty"`
	Poison  int `json:"poison,omitempty"`
}

// FaultKind names what goes wrong, or what somebody does.
type FaultKind string

// The faults. Those that name a Call wait for the next one.
const (
	// Kill ends worker Target for For seconds: at once, or at a Call.
	Kill FaultKind = "kill"
	// Pause stops worker Target for For seconds, at once or at a Call.
	Pause FaultKind = "pause"
	// Cut ends the connection to the database at a Call: before a commit it is
	// lost, after it the commit has happened and nobody knows.
	Cut FaultKind = "cut"
	// Refuse makes the next commit fail, and says so.
	Refuse FaultKind = "refuse"
	// DatabaseDown ends all transactions; the database is back after For
	// seconds.
	DatabaseDown FaultKind = "database-down"
	// Backup copies the database, Restore puts the copy back.
	Backup  FaultKind = "backup"
	Restore FaultKind = "restore"
	// Outdate makes all stored states ones of another version.
	Outdate FaultKind = "outdate"
	// BrokerDown restarts the broker: it is back after For seconds and has
	// forgotten message ids.
	BrokerDown FaultKind = "broker-down"
	// TailLost takes the last N deliveries of the stream, which gives their
	// sequences to others.
	TailLost FaultKind = "tail-lost"
	// StreamLost makes a new, empty stream.
	StreamLost FaultKind = "stream-lost"
	// ConsumerLost makes a new consumer of partition Target.
	ConsumerLost FaultKind = "consumer-lost"
	// AcksLost loses the next N acknowledgements, StoredLost the next N
	// answers to collectors.
	AcksLost   FaultKind = "acks-lost"
	StoredLost FaultKind = "stored-lost"
	// Withhold makes the next N deliveries come For seconds late: who took them
	// first hangs.
	Withhold FaultKind = "withhold"
	// Early makes everything that is not acknowledged come again at once.
	Early FaultKind = "early"
	// Resend makes collector Target send all that it keeps, Recut cut it anew
	// into a new series.
	Resend FaultKind = "resend"
	Recut  FaultKind = "recut"
	// Share gives partitions to workers anew, some to several.
	Share FaultKind = "share"
	// Trim removes from the stream what is counted.
	Trim FaultKind = "trim"
	// Correct makes a correction of unit Target over the For seconds before.
	Correct FaultKind = "correct"
	// Release brings back what can be brought back, by N at once.
	Release FaultKind = "release"
)

// Fault is one fault.
type Fault struct {
	// At is when, in seconds after the start.
	At   int       `json:"at"`
	Kind FaultKind `json:"kind"`
	// Target is a worker, partition, collector or unit; N a number, For a time
	// in seconds, as the kind says.
	Target int `json:"target,omitempty"`
	N      int `json:"n,omitempty"`
	For    int `json:"for,omitempty"`
	// Call is the call that it waits for, such as commit; After says that the
	// call has happened by then.
	Call  string `json:"call,omitempty"`
	After bool   `json:"after,omitempty"`
}

// calls are those at which a worker can be hit.
var calls = []string{
	"begin", "lock", "recorded", "samples", "others", "days", "day-before", "corrections", "release", "write", "commit",
	"pull", "ack",
}

// Random makes the schedule of a seed.
func Random(seed uint64) Schedule {
	r := rand.New(rand.NewPCG(seed, 0x5c4ed))
	s := Schedule{Seed: seed, Workers: 1 + r.IntN(3), Partitions: 1 + r.IntN(3), Days: 1 + r.IntN(3)}
	// With a stream that may lose what it stored, collectors have to keep it.
	lossy := r.IntN(2) == 0
	for i := range 1 + r.IntN(3) {
		s.Collectors = append(s.Collectors, CollectorPlan{
			Name: fmt.Sprintf("c-%d", i), Receipts: lossy || r.IntN(3) == 0, JSON: r.IntN(3) == 0,
		})
	}
	s.Collectors = append(s.Collectors, CollectorPlan{Name: "meter", Rank: 1, Receipts: lossy || r.IntN(2) == 0, JSON: r.IntN(2) == 0})
	for i := range 2 + r.IntN(3) {
		s.Units = append(s.Units, randomUnit(r, i, len(s.Collectors), s.Days))
	}
	s.Slow = []int{50, 300, 3000}[r.IntN(3)]
	list := workload(&s)
	restores := r.IntN(5) == 0 // most faults are restores of a backup
	for range 4 + r.IntN(14) {
		// Most often when something is on its way.
		at := r.IntN(s.Days*24*3600 + 7200)
		if r.IntN(4) > 0 {
			at = int((list[r.IntN(len(list))].at-start)/second) + r.IntN(180)
		}
		if restores && r.IntN(4) == 0 {
			s.Faults = append(s.Faults, backUp(r, at)...)
			continue
		}
		s.Faults = append(s.Faults, randomFaults(r, &s, at, lossy)...)
	}
	return s
}

func randomUnit(r *rand.Rand, i, collectors, days int) UnitPlan {
	share := func(n int) int {
		if r.IntN(3) == 0 {
			return 0
		}
		return r.IntN(n)
	}
	u := UnitPlan{
		Serial: analytics.Serial(fmt.Sprintf("SN%03d", i+1)), Seed: r.Uint64(), Model: r.IntN(2),
		Cadence: []int{8, 12, 20, 30, 60}[r.IntN(5)], Collector: r.IntN(collectors - 1), Second: -1,
		Counters: r.IntN(2) == 0, Late: share(50), Again: share(40), Dispute: share(40), Future: share(20), Bad: share(20),
	}
	if r.IntN(3) == 0 {
		u.Second = collectors - 1
		if r.IntN(3) == 0 {
			u.Second = r.IntN(collectors)
		}
	}
	switch r.IntN(8) {
	case 0:
		u.Registered = r.IntN(days * 24 * 60)
	case 1:
		if i > 0 {
			u.Registered = -1
		}
	case 2:
		u.Poison = r.IntN(15)
	}
	return u
}

// randomFaults gives one fault, or several that belong together.
func randomFaults(r *rand.Rand, s *Schedule, now int, lossy bool) []Fault {
	f := Fault{At: now}
	seconds := func(n int) int { return 1 + r.IntN(n) }
	at := func() { f.Call, f.After = calls[r.IntN(len(calls))], r.IntN(2) == 0 }
	switch n := r.IntN(100); {
	case n < 12:
		f.Kind, f.Target, f.For = Kill, r.IntN(s.Workers), seconds(300)
		if r.IntN(3) > 0 {
			at()
		}
	case n < 18:
		f.Kind, f.Target, f.For = Pause, r.IntN(s.Workers), seconds(400)
		at()
	case n < 32:
		f.Kind = Cut
		if at(); r.IntN(2) == 0 || f.Call == "pull" || f.Call == "ack" {
			f.Call = "commit"
		}
	case n < 35:
		f.Kind = Refuse
	case n < 38:
		return outage(r, s, now, lossy)
	case n < 45:
		return backUp(r, now)
	case n < 47:
		f.Kind = Outdate
	case n < 51:
		f.Kind, f.For = BrokerDown, seconds(900)
		if r.IntN(2) == 0 {
			f.For = seconds(5 * 3600)
		}
	case n < 59:
		f.Kind, f.N = TailLost, 1+r.IntN(6)
		if n == 58 {
			f.Kind = StreamLost
		}
		if !lossy {
			f.Kind = Early
		}
	case n < 60:
		f.Kind, f.Target = ConsumerLost, r.IntN(s.Partitions)
	case n < 64:
		f.Kind, f.N, f.For = Withhold, 1+r.IntN(3), seconds(3*3600)
		if r.IntN(2) == 0 {
			return []Fault{f, {At: now + r.IntN(f.For), Kind: Trim}}
		}
	case n < 67:
		f.Kind, f.N = AcksLost, 1+r.IntN(5)
	case n < 70:
		f.Kind, f.N = StoredLost, 1+r.IntN(4)
	case n < 75:
		f.Kind = Early
	case n < 80:
		f.Kind, f.Target = Resend, r.IntN(len(s.Collectors))
	case n < 83:
		f.Kind, f.Target = Recut, r.IntN(len(s.Collectors))
	case n < 86:
		f.Kind = Share
	case n < 89:
		f.Kind = Trim
	case n < 96:
		f.Kind, f.Target, f.N, f.For = Correct, r.IntN(len(s.Units)), r.IntN(100), seconds(30*3600)
	default:
		f.Kind, f.N = Release, 1+r.IntN(2)
	}
	return []Fault{f}
}

// outage gives a long time in which nothing is counted, and what else happens
// in it.
func outage(r *rand.Rand, s *Schedule, now int, lossy bool) []Fault {
	long := 60 + r.IntN(4*3600)
	list := []Fault{{At: now, Kind: DatabaseDown, For: long}}
	if r.IntN(2) == 0 {
		list = nil
		for w := range s.Workers {
			list = append(list, Fault{At: now, Kind: Kill, Target: w, For: long})
		}
	}
	for range r.IntN(3) {
		f := Fault{At: now + r.IntN(long), Kind: []FaultKind{Recut, Resend, BrokerDown, Trim}[r.IntN(4)], For: 1 + r.IntN(300), Target: r.IntN(len(s.Collectors))}
		if lossy && r.IntN(2) == 0 {
			f.Kind, f.N, f.For = TailLost, 1+r.IntN(8), 0
			if r.IntN(4) == 0 {
				f.Kind = StreamLost
			}
		}
		list = append(list, f)
	}
	return list
}

// backUp gives a backup and one or two restores of it. Often something waits
// unacknowledged all the while, and what is acknowledged lies above it.
func backUp(r *rand.Rand, at int) []Fault {
	after := 5 + r.IntN(180)
	if r.IntN(3) > 0 {
		after = 300 + r.IntN(6*3600)
	}
	list := []Fault{{At: at, Kind: Backup}, {At: at + after, Kind: Restore, For: r.IntN(120)}}
	if r.IntN(3) > 0 {
		list = append(list, Fault{At: at - r.IntN(60), Kind: Withhold, N: 1 + r.IntN(2), For: after + r.IntN(3*3600)})
	}
	if r.IntN(3) == 0 {
		list = append(list, Fault{At: at + after + 5 + r.IntN(3600), Kind: Restore, For: r.IntN(120)})
	}
	return list
}
