package rig

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"fadeledger/analytics"
	"fadeledger/cmd/drill/proxy"
)

// Kind names a fault.
type Kind string

// The kinds of faults. Target is the number of a worker or collector, modulo
// how many there are.
const (
	// KillWorker kills a worker by SIGKILL and starts it again after For;
	// ReplaceWorker asks it to end by SIGTERM instead.
	KillWorker    Kind = "kill-worker"
	ReplaceWorker Kind = "replace-worker"
	// PauseWorker stops a worker by SIGSTOP and lets it go on after For.
	PauseWorker Kind = "pause-worker"
	// StealWork stops the worker that was handed the latest delivery, ends its
	// connections to the database, so that another takes its partitions over,
	// and lets it go on after For with what it holds: the same deliveries are
	// with two.
	StealWork Kind = "steal-work"
	// KillBroker and KillPostgres kill the process (the postmaster) by SIGKILL
	// and start it again on the same files after For.
	KillBroker   Kind = "kill-broker"
	KillPostgres Kind = "kill-postgres"
	// KillBackend kills a server process of a worker's connection by SIGKILL,
	// after which Postgres restarts all of them; EndBackend terminates one
	// connection.
	KillBackend Kind = "kill-backend"
	EndBackend  Kind = "end-backend"
	// SpoilDatabase, SpoilDelivery and SpoilCollection set Rules for For on
	// the way between a worker and Postgres, a worker and the broker, a
	// collector and the broker.
	SpoilDatabase   Kind = "spoil-database"
	SpoilDelivery   Kind = "spoil-delivery"
	SpoilCollection Kind = "spoil-collection"
	// CutDatabase, CutDelivery and CutCollection end all connections on that
	// way, by RST.
	CutDatabase   Kind = "cut-database"
	CutDelivery   Kind = "cut-delivery"
	CutCollection Kind = "cut-collection"
	// HideCommits lets Count COMMITs of deliveries be done while the worker
	// loses its connection instead of the answer; LoseCommits cuts it before
	// they reach the server. Both wait For for them to come.
	HideCommits Kind = "hide-commits"
	LoseCommits Kind = "lose-commits"
	// LoseAcks loses acknowledgements of a worker, LosePubAcks the broker's
	// answers to a collector, a share of Rules or all, for For.
	LoseAcks    Kind = "lose-acks"
	LosePubAcks Kind = "lose-pub-acks"
	// RewindBroker kills the broker, puts back a copy of its files that was
	// made Back before, and starts it: the end of the stream is lost and its
	// sequences are used again. Only where collectors go by what is counted.
	RewindBroker Kind = "rewind-broker"
	// DropConsumer deletes the consumer of partition Target.
	DropConsumer Kind = "drop-consumer"
	// SkewClock lets a collector's clock be wrong by Skew for For.
	SkewClock Kind = "skew-clock"
	// RestartCollector lets a collector forget how it had cut what is not
	// confirmed: it sends that again in other batches under another series.
	RestartCollector Kind = "restart-collector"
)

// Span is a time in milliseconds of a schedule.
type Span int64

// Duration gives the span as a time.Duration.
func (s Span) Duration() time.Duration { return time.Duration(s) * time.Millisecond }

// Fault is something that goes wrong at a time after the first delivery.
type Fault struct {
	At     Span         `json:"at_ms"`
	Kind   Kind         `json:"kind"`
	Target int          `json:"target,omitempty"`
	For    Span         `json:"for_ms,omitempty"`
	Back   Span         `json:"back_ms,omitempty"`
	Skew   Span         `json:"skew_ms,omitempty"`
	Count  int          `json:"count,omitempty"`
	Rules  *proxy.Rules `json:"rules,omitempty"`
}

// Confirmation says when a collector lets go of a batch.
type Confirmation string

// The confirmations.
const (
	// ByStored goes by the broker's answer to the publish.
	ByStored Confirmation = "stored"
	// ByCounted goes by what the database has committed.
	ByCounted Confirmation = "counted"
)

// Workload is what is delivered while things go wrong. Shares are of
// deliveries unless they say otherwise.
type Workload struct {
	Units          int `json:"units"`
	Days           int `json:"days"`
	CadenceMinutes int `json:"cadence_minutes"`
	// End is the day after the last sample, as 2006-01-02; Run fills in
	// today's where it is empty.
	End        string `json:"end,omitempty"`
	Collectors int    `json:"collectors"`
	Workers    int    `json:"workers"`
	Partitions int    `json:"partitions"`
	// Batch is the number of samples in a delivery, Gather the number that
	// fills a transaction of the worker.
	Batch  int `json:"batch"`
	Gather int `json:"gather"`
	// Seconds is the time over which the deliveries are spread.
	Seconds float64 `json:"seconds"`
	// DatabaseLatency delays everything between workers and Postgres until the
	// last fault is over: in long transactions more goes wrong.
	DatabaseLatency Span `json:"database_latency_ms,omitempty"`
	// Resets is how many units lose their counters in the middle.
	Resets int     `json:"resets"`
	Copies float64 `json:"copies"`
	Late   float64 `json:"late"`
	// Twice is the share of deliveries whose samples also come through another
	// collector.
	Twice float64 `json:"twice"`
	// Disputed and Superseded are the shares of deliveries of which a sample
	// comes again with other content, from a source of the same rank and of a
	// higher one.
	Disputed   float64 `json:"disputed"`
	Superseded float64 `json:"superseded"`
	// Hostile is the share with rows that cannot be counted, or that are
	// nothing but an attack; Future the share with rows from the future.
	Hostile float64 `json:"hostile"`
	Future  float64 `json:"future"`
	// FreshIDs: what is sent again carries another message id.
	FreshIDs bool `json:"fresh_ids"`
	// SyncLater: the broker answers before it syncs.
	SyncLater bool         `json:"sync_later"`
	Confirm   Confirmation `json:"confirm"`
}

// Schedule is one run: a workload and what goes wrong meanwhile.
type Schedule struct {
	Seed     uint64   `json:"seed"`
	Workload Workload `json:"workload"`
	Faults   []Fault  `json:"faults"`
}

// Validate reports the first thing that cannot be played.
func (s Schedule) Validate() error {
	w := s.Workload
	switch {
	case w.Units < 1 || w.Days < 1 || w.CadenceMinutes < 1 || w.Batch < 1 || w.Seconds <= 0:
		return errors.New("schedule: units, days, cadence, batch and seconds must be positive")
	case w.DatabaseLatency < 0:
		return errors.New("schedule: the latency of the database must not be negative")
	case w.Collectors < 1 || w.Workers < 1 || w.Partitions < 1 || w.Gather < 1:
		return errors.New("schedule: collectors, workers, partitions and gather must be positive")
	case w.Confirm != ByStored && w.Confirm != ByCounted:
		return fmt.Errorf("schedule: confirm %q is neither %q nor %q", w.Confirm, ByStored, ByCounted)
	}
	if w.End != "" {
		if _, err := analytics.ParseDay(w.End); err != nil {
			return fmt.Errorf("schedule: end: %w", err)
		}
	}
	for i, f := range s.Faults {
		if strikes[f.Kind] == nil {
			return fmt.Errorf("schedule: fault %d: unknown kind %q", i+1, f.Kind)
		}
		if f.At < 0 || f.For < 0 || f.Back < 0 || f.Target < 0 {
			return fmt.Errorf("schedule: fault %d: spans and targets must not be negative", i+1)
		}
		if f.Kind == RewindBroker && w.Confirm != ByCounted {
			return fmt.Errorf("schedule: fault %d: a rewind loses what was stored, so collectors must go by what is counted", i+1)
		}
		spoils := f.Kind == SpoilDatabase || f.Kind == SpoilDelivery || f.Kind == SpoilCollection
		if spoils && f.Rules == nil {
			return fmt.Errorf("schedule: fault %d: %s needs rules", i+1, f.Kind)
		}
	}
	return nil
}

// rewinds reports whether the broker loses the end of its stream.
func (s Schedule) rewinds() bool {
	for _, f := range s.Faults {
		if f.Kind == RewindBroker {
			return true
		}
	}
	return false
}

// JSON writes the schedule for people and for Load.
func (s Schedule) JSON() []byte {
	b, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		panic(err) // numbers and texts alone
	}
	return append(b, '\n')
}

// Load reads a schedule from a file and validates it.
func Load(path string) (Schedule, error) {
	var s Schedule
	b, err := os.ReadFile(path)
	if err != nil {
		return s, fmt.Errorf("load schedule: %w", err)
	}
	if err := json.Unmarshal(b, &s); err != nil {
		return s, fmt.Errorf("load schedule %s: %w", path, err)
	}
	return s, s.Validate()
}

// save writes the schedule into a folder under the name of its seed.
func (s Schedule) save(folder string) (string, error) {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return "", fmt.Errorf("keep schedule: %w", err)
	}
	path := filepath.Join(folder, fmt.Sprintf("seed-%d.json", s.Seed))
	if err := os.WriteFile(path, s.JSON(), 0o644); err != nil {
		return "", fmt.Errorf("keep schedule: %w", err)
	}
	return path, nil
}
