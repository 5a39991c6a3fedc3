package webtest

import (
	"context"
	"fmt"

	"fadeledger/analytics"
)

// Upkeep keeps the corrections and alarms that it was handed, and reads a file
// of samples as one sample for each line below the first. Err, where set, is
// answered to every question.
type Upkeep struct {
	Made    []analytics.Correction
	Cleared map[int64]string
	Samples []analytics.Sample
	// Read keeps the collectors that files were read for.
	Read []string
	Err  error
}

// Correct keeps the correction and gives it a number.
func (u *Upkeep) Correct(_ context.Context, c analytics.Correction) (analytics.Correction, error) {
	if u.Err != nil {
		return c, u.Err
	}
	c.ID, c.At = int64(len(u.Made)+40), analytics.InstantOf(Now)
	u.Made = append(u.Made, c)
	return c, nil
}

// ReadSamples answers the samples that are set.
func (u *Upkeep) ReadSamples(_ context.Context, _ analytics.Serial, collector, _ string, body []byte) ([]analytics.Sample, error) {
	u.Read = append(u.Read, collector)
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
	return nil
}
