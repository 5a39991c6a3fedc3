package webtest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"fadeledger/analytics"
)

// Trail keeps entries in memory, chained as they have to be. Err, where set, is
// answered to every question.
type Trail struct {
	mu      sync.Mutex
	Entries []analytics.TrailEntry
	// Heads are what the last check was held against, Faults what it finds.
	Heads  []analytics.TrailHead
	Faults []string
	Err    error
	// Full is answered to Record alone.
	Full error
}

// Record appends what the principal did.
func (t *Trail) Record(ctx context.Context, deed analytics.Deed, object, detail string) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := errors.Join(t.Err, t.Full); err != nil {
		return err
	}
	p := analytics.PrincipalOf(ctx)
	e := analytics.TrailEntry{Number: int64(len(t.Entries) + 1), At: analytics.InstantOf(Now), Who: p.Name, Kind: p.Kind, Role: p.Role, Organisation: p.Organisation,
		Address: p.Address, Deed: deed, Object: object, Detail: detail}
	e.Body = fmt.Sprintf(`{"deed":%q,"number":%d,"object":%q}`, deed, e.Number, object)
	if n := len(t.Entries); n > 0 {
		e.Previous = t.Entries[n-1].Hash
	}
	e.Hash = analytics.ChainHash(e.Previous, []byte(e.Body))
	t.Entries = append(t.Entries, e)
	return nil
}

// Trail answers the newest that a filter chooses.
func (t *Trail) Trail(_ context.Context, f analytics.TrailFilter) ([]analytics.TrailEntry, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	var list []analytics.TrailEntry
	for _, e := range slices.Backward(t.Entries) {
		if (f.Who == "" || f.Who == e.Who) && (f.Deed == "" || f.Deed == e.Deed) && strings.HasPrefix(e.Object, f.Object) &&
			(f.Before == 0 || e.Number < f.Before) && len(list) < f.Limit {
			list = append(list, e)
		}
	}
	return list, t.Err
}

// TrailEntries yields all from a number on.
func (t *Trail) TrailEntries(_ context.Context, from int64, yield func(analytics.TrailEntry) error) error {
	t.mu.Lock()
	list := slices.Clone(t.Entries)
	t.mu.Unlock()
	for _, e := range list {
		if e.Number < from {
			continue
		}
		if err := yield(e); err != nil {
			return err
		}
	}
	return t.Err
}

// CheckTrail answers the newest entry and the faults that are set.
func (t *Trail) CheckTrail(_ context.Context, heads []analytics.TrailHead) (analytics.TrailCheck, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.Heads = heads
	c := analytics.TrailCheck{Entries: int64(len(t.Entries)), Faults: t.Faults}
	if n := len(t.Entries); n > 0 {
		c.Head = analytics.TrailHead{Number: t.Entries[n-1].Number, Hash: t.Entries[n-1].Hash}
	}
	return c, t.Err
}
