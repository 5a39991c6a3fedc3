package rig

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"fadeledger/ingest/broker"
	"fadeledger/store"
)

// Confirmer tells how far the deliveries of a series are safe: everything from
// 1 through the answer may be forgotten by its collector.
type Confirmer interface {
	Confirm(ctx context.Context, collector, series string) (through int64, err error)
}

// stored confirms what the broker has answered for.
type stored struct {
	mu     sync.Mutex
	series map[string]*numbers
}

// numbers is a set of numbers from 1 of which a beginning is complete.
type numbers struct {
	through int64
	beyond  map[int64]bool
}

func (n *numbers) add(number int64) {
	if n.beyond == nil {
		n.beyond = map[int64]bool{}
	}
	n.beyond[number] = true
	for n.beyond[n.through+1] {
		n.through++
		delete(n.beyond, n.through)
	}
}

func (s *stored) note(collector, series string, number int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.series == nil {
		s.series = map[string]*numbers{}
	}
	key := collector + " " + series
	if s.series[key] == nil {
		s.series[key] = &numbers{}
	}
	s.series[key].add(number)
}

// Confirm gives how far the broker has answered.
func (s *stored) Confirm(_ context.Context, collector, series string) (int64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if n := s.series[collector+" "+series]; n != nil {
		return n.through, nil
	}
	return 0, nil
}

// recorded confirms what the database has recorded, which it is asked itself.
type recorded struct{ db *store.DB }

// Confirm gives how far the records reach without a hole.
func (r recorded) Confirm(ctx context.Context, collector, series string) (int64, error) {
	list, err := r.db.Batches(ctx, collector, series+"/")
	if err != nil {
		return 0, fmt.Errorf("confirm %s of %s: %w", series, collector, err)
	}
	var have numbers
	for _, d := range list {
		number, err := strconv.ParseInt(strings.TrimPrefix(d.Batch, series+"/"), 10, 64)
		if err == nil {
			have.add(number)
		}
	}
	return have.through, nil
}

// Receipts confirms by the service's receipts, asked for over NATS: a request
// to receipts.<collector> that names the series is answered by how far
// everything is committed.
type Receipts struct {
	Conn *nats.Conn
	// Within bounds one request; 0 means two seconds.
	Within time.Duration
}

// Confirm asks once.
func (r Receipts) Confirm(ctx context.Context, collector, series string) (int64, error) {
	within := r.Within
	if within <= 0 {
		within = 2 * time.Second
	}
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	receipt, err := broker.AskReceipt(ctx, r.Conn, collector, series)
	return receipt.Through, err
}
