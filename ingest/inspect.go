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

// Inspect reads a delivery and keeps nothing of it.
func (r *Reader) Inspect(ctx context.Context, e Envelope) (Inspection, error) {
	p, err := r.profile(ctx, e)
	if err != nil {
		return Inspection{}, err
	}
	report, err := r.decode(ctx, e, p, nothing{})
	var refused *decode.Refused
	if errors.As(err, &refused) {
		return Inspection{Quarantined: map[string]int64{refused.Reason: 1}}, nil
	}
	if err != nil {
		return Inspection{}, err
	}
	i := Inspection{Samples: report.Accepted, Quarantined: report.Problems}
	for _, n := range report.Notes {
		i.Notes = append(i.Notes, n.String())
	}
	return i, nil
}

// nothing is a sink that keeps nothing.
type nothing struct{}

func (nothing) Row(decode.Row) error         { return nil }
func (nothing) Problem(decode.Problem) error { return nil }
