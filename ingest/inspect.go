package ingest

import (
	"context"
	"errors"

	"fadeledger/ingest/decode"
)

// Inspection says what a delivery holds, as far as the delivery alone tells.
type Inspection struct {
	Samples     int64
	Quarantined map[string]int64 // rows by reason; 1 where all of it is refused
	Notes       []string
}

// Inspect reads a delivery and keeps nothing of it. What it finds is what Read
// would, but for a profile that is not kept: that is analytics.ErrNotFound, since
// whoever sends the delivery is still there to be told.
func (r *Reader) Inspect(ctx context.Context, e Envelope) (Inspection, error) {
	p, err := r.profile(ctx, e)
	if errors.Is(err, errProfile) {
		return refusedWhole(ReasonProfileUnreadable), nil
	}
	if err != nil {
		return Inspection{}, err
	}
	report, err := r.decode(ctx, e, p, nothing{})
	var refused *decode.Refused
	if errors.As(err, &refused) {
		return refusedWhole(refused.Reason), nil
	}
	if err != nil {
		return Inspection{}, err
	}
	if report.Collector != "" && report.Collector != e.Collector {
		return refusedWhole(ReasonCollectorMismatch), nil
	}
	i := Inspection{Samples: report.Accepted, Quarantined: report.Problems}
	for _, n := range report.Notes {
		i.Notes = append(i.Notes, n.String())
	}
	return i, nil
}

func refusedWhole(reason string) Inspection {
	return Inspection{Quarantined: map[string]int64{reason: 1}}
}

// nothing is a sink that keeps nothing.
type nothing struct{}

func (nothing) Row(decode.Row) error         { return nil }
func (nothing) Problem(decode.Problem) error { return nil }
