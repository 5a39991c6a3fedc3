package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/semaphore"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/ingest/broker"
	"fadeledger/ingest/profile"
	"fadeledger/store"
	"fadeledger/web/api"
)

// intake hands deliveries that came over HTTP to the broker.
type intake struct {
	publisher *broker.Publisher
	db        *store.DB
	reader    *ingest.Reader
	reading   *semaphore.Weighted
	identity  string
}

// inspections is how many bodies are looked into at once.
const inspections = 2

func (s *services) newIntake() *intake {
	return &intake{
		publisher: s.publisher, db: s.web, reader: &ingest.Reader{Profiles: s.web},
		reading: semaphore.NewWeighted(inspections), identity: s.identity,
	}
}

// Publish looks into the body to tell the sender what will become of it, and
// stores it as it came.
func (i *intake) Publish(ctx context.Context, e api.Envelope) (api.Receipt, error) {
	if len(e.Body) > broker.MaxBodyBytes {
		return api.Receipt{}, fmt.Errorf("%w: %d bytes, at most %d; send it in parts", api.ErrTooLarge, len(e.Body), broker.MaxBodyBytes)
	}
	hash, err := i.profileHash(ctx, e)
	if err != nil {
		return api.Receipt{}, err
	}
	found, err := i.inspect(ctx, ingest.Envelope{
		Delivery:    analytics.Delivery{Collector: e.Collector},
		ContentType: e.ContentType, ContentEncoding: e.ContentEncoding, ProfileHash: hash, Body: e.Body,
	})
	if err != nil {
		return api.Receipt{}, err
	}
	ack, err := i.publisher.Publish(ctx, e.Collector, broker.Message{
		ContentType: e.ContentType, ContentEncoding: e.ContentEncoding, ID: e.MessageID,
		Batch: e.Batch, Profile: hash, Lines: e.Lines, Series: e.Series, Number: e.Number, Body: e.Body,
	})
	switch {
	case errors.Is(err, broker.ErrCollector), errors.Is(err, broker.ErrMessage), errors.Is(err, broker.ErrTooLarge):
		return api.Receipt{}, fmt.Errorf("%w: %w", analytics.ErrInvalid, err)
	case err != nil:
		return api.Receipt{}, err
	}
	return api.Receipt{
		Stream: i.identity, Sequence: ack.Sequence, AlreadyStored: ack.Duplicate,
		Samples: &found.Samples, Quarantined: found.Quarantined, Notes: found.Notes,
	}, nil
}

func (i *intake) inspect(ctx context.Context, e ingest.Envelope) (ingest.Inspection, error) {
	if err := i.reading.Acquire(ctx, 1); err != nil {
		return ingest.Inspection{}, err
	}
	defer i.reading.Release(1)
	found, err := i.reader.Inspect(ctx, e)
	if errors.Is(err, analytics.ErrNotFound) {
		return found, fmt.Errorf("%w: the profile %.64q is not kept; set it for the collector first", analytics.ErrInvalid, e.ProfileHash)
	}
	return found, err
}

// profileHash names the profile that a delivery is to be read by, so that a
// change of the collector's profile does not change deliveries on their way.
func (i *intake) profileHash(ctx context.Context, e api.Envelope) (string, error) {
	if e.Profile != "" {
		return e.Profile, nil
	}
	_, hash, err := i.db.Profile(ctx, e.Collector)
	return hex.EncodeToString(hash), err
}

// streamState asks the broker.
type streamState struct{ services *services }

// Stream tells the state of the stream.
func (s streamState) Stream(ctx context.Context) (analytics.StreamState, error) {
	return broker.State(ctx, s.services.stream)
}

// keeper changes what is in quarantine and how collectors are read.
type keeper struct {
	db *store.DB
}

// Bounds of one release.
const (
	// releaseAtOnce is how many rows are read at once.
	releaseAtOnce = 500
	// releaseFor is how long a release by reason goes on: rows that still
	// cannot be counted must not keep it from those behind them.
	releaseFor = 10 * time.Second
)

// Release brings rows back by their ids, or those of a reason, oldest first.
func (k *keeper) Release(ctx context.Context, ids []int64, reason string) (api.Release, error) {
	releaser := &ingest.Releaser{Ledger: k.db, Reader: &ingest.Reader{Profiles: k.db}}
	var sum api.Release
	add := func(rows []analytics.Held) error {
		done, err := releaser.Release(ctx, rows)
		sum.Rows += done.Rows
		sum.Samples += done.Samples
		sum.Kept += done.Kept
		sum.Problems = append(sum.Problems, done.Problems[:min(len(done.Problems), max(0, problemsTold-len(sum.Problems)))]...)
		return err
	}
	if len(ids) > 0 {
		rows, err := k.db.HeldByID(ctx, ids)
		if err == nil {
			err = add(rows)
		}
		return sum, err
	}
	until := time.Now().Add(releaseFor)
	for after := int64(0); time.Now().Before(until); {
		rows, err := k.db.HeldByReason(ctx, reason, after, releaseAtOnce)
		if err == nil {
			err = add(rows)
		}
		if err != nil || len(rows) == 0 {
			return sum, err
		}
		after = rows[len(rows)-1].ID
	}
	return sum, nil
}

// problemsTold bounds the problems that a release tells.
const problemsTold = 50

// SetProfile checks a profile and makes it the collector's.
func (k *keeper) SetProfile(ctx context.Context, collector string, body []byte) (string, error) {
	if err := broker.CheckCollector(collector); err != nil {
		return "", fmt.Errorf("%w: %w", analytics.ErrInvalid, err)
	}
	if len(bytes.TrimSpace(body)) > 0 {
		if _, err := profile.Parse("profile", body); err != nil {
			return "", fmt.Errorf("%w: %w", analytics.ErrInvalid, err)
		}
	}
	hash, err := k.db.SetProfile(ctx, collector, bytes.TrimSpace(body))
	return hex.EncodeToString(hash[:]), err
}

// Batches lists what was counted of a collector's batches.
func (k *keeper) Batches(ctx context.Context, collector, prefix string) ([]analytics.Delivery, error) {
	return k.db.Batches(ctx, collector, prefix)
}

// Correct makes a correction.
func (k *keeper) Correct(ctx context.Context, c analytics.Correction) (analytics.Correction, error) {
	return k.db.Correct(ctx, c)
}

// ReadSamples reads a file of one unit's samples, all of it or nothing.
func (k *keeper) ReadSamples(ctx context.Context, serial analytics.Serial, collector, contentType string, body []byte) ([]analytics.Sample, error) {
	if collector == "" {
		collector = "correction"
	}
	in, err := (&ingest.Reader{Profiles: k.db}).Read(ctx, ingest.Envelope{
		Delivery: analytics.Delivery{Collector: collector}, ContentType: contentType, Body: body,
	})
	if err != nil {
		return nil, err
	}
	if len(in.Refused) > 0 {
		return nil, fmt.Errorf("%w: %s", analytics.ErrInvalid, problemsOf(in.Refused))
	}
	var samples []analytics.Sample
	for _, u := range in.Units {
		if u.Serial != serial {
			line := int32(0)
			if len(u.Lines) > 0 {
				line = u.Lines[0]
			}
			return nil, fmt.Errorf("%w: line %d: the samples are of unit %s; give those of unit %s alone", analytics.ErrInvalid, line, u.Serial, serial)
		}
		samples = u.Samples
	}
	slices.SortStableFunc(samples, func(a, b analytics.Sample) int { return cmp.Compare(a.Time, b.Time) })
	return samples, nil
}

// rowsTold bounds the rows that an error tells of.
const rowsTold = 5

// problemsOf says what is wrong with rows, and what helps.
func problemsOf(rows []analytics.Quarantined) string {
	var told []string
	for _, q := range rows[:min(len(rows), rowsTold)] {
		where := "the file"
		if q.Line > 0 {
			where = strings.TrimSuffix(fmt.Sprintf("line %d, %s", q.Line, q.Field), ", ")
		}
		told = append(told, fmt.Sprintf("%s: %s; %s", where, q.Message, q.Remedy))
	}
	if more := len(rows) - len(told); more > 0 {
		told = append(told, fmt.Sprintf("and %d rows more", more))
	}
	return strings.Join(told, " | ")
}

// ClearAlarm notes who has seen to an alarm.
func (k *keeper) ClearAlarm(ctx context.Context, id int64, by string) error {
	return k.db.ClearAlarm(ctx, id, by)
}
