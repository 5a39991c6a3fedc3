package ingest

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"

	"fadeledger/analytics"
	"fadeledger/ingest/decode"
)

// Releaser brings rows back from quarantine: it reads them again, by the
// profile that their collector has now, and counts what can be counted.
type Releaser struct {
	Ledger Ledger
	Reader *Reader
}

// Released says what became of rows that were to be released.
type Released struct {
	// Rows came back, Samples with them; Kept could still not be read and
	// stay, for the reasons that Problems tells.
	Rows, Samples, Kept int
	Problems            []string
}

// Release brings the rows back, each in a transaction of its own. Releasing a
// row twice changes nothing.
func (r *Releaser) Release(ctx context.Context, rows []analytics.Held) (Released, error) {
	var done Released
	for i := range rows {
		in, problem, err := r.read(ctx, &rows[i])
		if err != nil {
			return done, fmt.Errorf("release row %d: %w", rows[i].ID, err)
		}
		if problem != "" {
			done.Kept++
			done.Problems = append(done.Problems, fmt.Sprintf("row %d: %s", rows[i].ID, problem))
			continue
		}
		tallies, err := r.Ledger.Take(ctx, []analytics.Incoming{in})
		if errors.Is(err, analytics.ErrStillHeld) {
			done.Kept++
			done.Problems = append(done.Problems, fmt.Sprintf("row %d: the reason still holds: %s", rows[i].ID, rows[i].Message))
			continue
		}
		if err != nil {
			return done, fmt.Errorf("release row %d: %w", rows[i].ID, err)
		}
		done.Rows++
		done.Samples += int(tallies[0].Accepted)
	}
	return done, nil
}

// read makes a delivery of a row; problem says why it cannot be read still.
func (r *Releaser) read(ctx context.Context, h *analytics.Held) (in analytics.Incoming, problem string, err error) {
	e := Envelope{
		Delivery:    analytics.Delivery{Stream: analytics.ReleaseStream, Sequence: uint64(h.ID), Collector: h.Collector, Batch: h.Batch, StoredAt: h.StoredAt},
		ContentType: h.ContentType, ContentEncoding: h.ContentEncoding, Body: h.Raw,
	}
	switch {
	case len(h.Samples) > 0:
		in = analytics.Incoming{Delivery: e.Delivery, ContentType: h.ContentType, Header: h.Header}
		in.Units = []analytics.UnitSamples{{
			Serial: h.Serial, Samples: h.Samples, Lines: slices.Repeat([]int32{int32(h.Line)}, len(h.Samples)),
		}}
	case h.Line == 0:
		if in, err = r.Reader.Read(ctx, e); err != nil {
			return in, "", err
		}
		if len(in.Units) == 0 && len(in.Refused) == 1 && in.Refused[0].Line == 0 {
			return in, in.Refused[0].Message, nil
		}
	default:
		if in, problem, err = r.row(ctx, e, h); err != nil || problem != "" {
			return in, problem, err
		}
	}
	in.Releases = []int64{h.ID}
	sum := sha256.Sum256(fmt.Appendf(nil, "release %d", h.ID))
	copy(in.Hash[:], sum[:])
	return in, "", nil
}

func (r *Releaser) row(ctx context.Context, e Envelope, h *analytics.Held) (in analytics.Incoming, problem string, err error) {
	p, err := r.Reader.profile(ctx, e)
	if errors.Is(err, errProfile) {
		return in, err.Error(), nil
	}
	if err != nil {
		return in, "", err
	}
	row, bad, err := decode.Again(ctx, h.Header, h.Raw, decode.Options{ContentType: h.ContentType, Profile: p})
	if ctx.Err() != nil {
		return in, "", ctx.Err()
	}
	if err != nil {
		return in, err.Error(), nil
	}
	if bad != nil {
		return in, bad.Message, nil
	}
	in = analytics.Incoming{Delivery: e.Delivery, ContentType: h.ContentType, Header: h.Header}
	in.Units = []analytics.UnitSamples{{Serial: row.Serial, Samples: []analytics.Sample{row.Sample}, Lines: []int32{int32(h.Line)}}}
	return in, "", nil
}
