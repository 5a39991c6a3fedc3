package ingest_test

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"testing"

	"fadeledger/analytics"
	"fadeledger/ingest"
)

// TestInspectAgreesWithRead compares what a publisher is told with what is
// counted later.
func TestInspectAgreesWithRead(t *testing.T) {
	t.Parallel()
	broken, brokenHash := kept("time_is: [")
	r := &ingest.Reader{Profiles: &ledger{profile: func(_ context.Context, collector string) ([]byte, []byte, error) {
		if collector == "broken" {
			return broken, brokenHash, nil
		}
		return nil, nil, nil
	}}}
	const sample = `{"unit":"HB5-1","time":"2026-03-01T00:00:00Z","soc_pct":50}`
	for _, c := range []struct {
		name, collector, kind, encoding string
		body                            []byte
		samples                         int64
		rows                            int64 // quarantined
	}{
		{"good", "c-07", "text/csv", "", csv("HB5-1", 0, 30), 30, 0},
		{"packed", "c-07", "text/csv", "gzip", pack(t, csv("HB5-1", 0, 30)), 30, 0},
		{"not packed", "c-07", "text/csv", "gzip", csv("HB5-1", 0, 30), 0, 1},
		{
			"several reasons", "c-07", "text/csv", "",
			[]byte("unit,time,soc_pct,extra\nHB5-1,2026-03-01T00:00:00Z,50,1\nHB5-1,never,50,1\nHB5-1,2026-03-01T00:01:00Z,300,1\n" +
				"HB5-1,2026-03-01T00:02:00Z,400,1\n,2026-03-01T00:01:00Z,30,1\nHB5-1,2026-03-01 00:01,30,1\n"),
			1, 5,
		},
		{"no rows", "c-07", "text/csv", "", []byte("unit,time,soc_pct\n"), 0, 0},
		{"empty", "c-07", "text/csv", "", []byte("\n"), 0, 1},
		{"web page", "c-07", "", "", []byte("<!doctype html><html></html>"), 0, 1},
		{"JSON lines", "c-07", "application/x-ndjson", "", []byte(sample + "\n{}\n[]\n"), 1, 2},
		{"envelope", "c-07", "application/json", "", []byte(`{"collector":"c-07","samples":[` + sample + `,{"unit":7}]}`), 1, 1},
		{"envelope of another", "c-08", "application/json", "", []byte(`{"collector":"c-07","samples":[` + sample + `]}`), 0, 1},
		{"profile unreadable", "broken", "text/csv", "", csv("HB5-1", 0, 30), 0, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			e := ingest.Envelope{
				Delivery:    analytics.Delivery{Collector: c.collector},
				ContentType: c.kind, ContentEncoding: c.encoding, Body: c.body,
			}
			in := read(t, r, e)
			reasons, notes := map[string]int64{}, []string{}
			for _, q := range in.Refused {
				reasons[q.Reason]++
			}
			for _, n := range in.Notes {
				notes = append(notes, n.Text)
			}
			got, err := r.Inspect(t.Context(), e)
			if err != nil {
				t.Fatal(err)
			}
			if got.Samples != c.samples || sampleCount(in) != int(c.samples) {
				t.Errorf("%d samples inspected and %d read, want %d", got.Samples, sampleCount(in), c.samples)
			}
			if !maps.Equal(got.Quarantined, reasons) || int64(len(in.Refused)) != c.rows {
				t.Errorf("quarantined %v inspected and %v read, want %d rows", got.Quarantined, reasons, c.rows)
			}
			if c.samples > 0 && fmt.Sprint(got.Notes) != fmt.Sprint(notes) {
				t.Errorf("notes %q inspected and %q read", got.Notes, notes)
			}
		})
	}
}

// TestInspectUnknownProfile: whoever is still there to ask is told at once.
func TestInspectUnknownProfile(t *testing.T) {
	t.Parallel()
	_, hash := kept("rank: 1")
	e := envelope(csv("HB5-1", 0, 1))
	e.ProfileHash = hex.EncodeToString(hash)
	if _, err := (&ingest.Reader{Profiles: &ledger{}}).Inspect(t.Context(), e); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("error %v, want %v", err, analytics.ErrNotFound)
	}
}
