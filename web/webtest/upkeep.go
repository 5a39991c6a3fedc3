package webtest

import (
	"context"
	"fmt"

	"fadeledger/analytics"
	"fadeledger/web/api"
)

// Upkeep keeps the corrections and alarms that it was handed. A file that says
// "bad" cannot be read; every other one holds Samples. Err, where set, is
// answered to every question.
type Upkeep struct {
	// Ledger, where set, is given the corrections and alarms.
	Ledger  *Ledger
	Made    []analytics.Correction
	Cleared map[int64]string
	Samples []analytics.Sample
	// Read keeps the collectors that files were read for, Kinds their content
	// types and Bodies what was in them.
	Read, Kinds, Bodies []string
	Err                 error
}

// Correct keeps the correction and gives it a number.
func (u *Upkeep) Correct(_ context.Context, c analytics.Correction) (analytics.Correction, error) {
	if u.Err != nil {
		return c, u.Err
	}
	c.ID, c.At = int64(len(u.Made)+40), analytics.InstantOf(Now)
	u.Made = append(u.Made, c)
	if u.Ledger != nil {
		u.Ledger.correct(c)
	}
	return c, nil
}

// ReadSamples answers the samples that are set.
func (u *Upkeep) ReadSamples(_ context.Context, _ analytics.Serial, collector, contentType string, body []byte) ([]analytics.Sample, error) {
	u.Read, u.Kinds, u.Bodies = append(u.Read, collector), append(u.Kinds, contentType), append(u.Bodies, string(body))
	if string(body) == "bad" {
		return nil, fmt.Errorf("line 1, field time: no such column; name it in the head of the file: %w", analytics.ErrInvalid)
	}
	return u.Samples, u.Err
}

// ClearAlarm keeps who has seen to an alarm, once for each.
func (u *Upkeep) ClearAlarm(_ context.Context, id int64, by string) error {
	if u.Err != nil {
		return u.Err
	}
	if _, twice := u.Cleared[id]; twice {
		return fmt.Errorf("alarm %d: %w", id, analytics.ErrNotFound)
	}
	if u.Cleared == nil {
		u.Cleared = map[int64]string{}
	}
	u.Cleared[id] = by
	if u.Ledger != nil {
		u.Ledger.clear(id, by)
	}
	return nil
}

// Release says that three rows left quarantine and one stayed.
func (u *Upkeep) Release(context.Context, []int64, string) (api.Release, error) {
	return api.Release{Rows: 3, Samples: 2, Kept: 1}, u.Err
}

// SetProfile answers the same hash for every profile.
func (u *Upkeep) SetProfile(context.Context, string, []byte) (string, error) {
	return "5d41402abc4b2a76", u.Err
}

// Batches knows no batch.
func (u *Upkeep) Batches(context.Context, string, string) ([]analytics.Delivery, error) {
	return nil, u.Err
}
