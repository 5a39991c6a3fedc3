package ingest_test

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/ingest"
)

// withProfile is a reader for collectors that all have the same profile.
func withProfile(text string) *ingest.Reader {
	body, hash := kept(text)
	return &ingest.Reader{Profiles: &ledger{profile: func(context.Context, string) ([]byte, []byte, error) {
		if text == "" {
			return nil, nil, nil
		}
		return body, hash, nil
	}}}
}

// held makes what the ledger holds of a delivery that was refused in part.
func held(t *testing.T, r *ingest.Reader, e ingest.Envelope) []analytics.Held {
	t.Helper()
	in := read(t, r, e)
	out := make([]analytics.Held, len(in.Refused))
	for i, q := range in.Refused {
		q.ID, q.Collector, q.Sequence, q.Batch, q.StoredAt = int64(100+i), e.Collector, e.Sequence, in.Batch, e.StoredAt
		out[i] = analytics.Held{Quarantined: q, ContentType: in.ContentType, ContentEncoding: in.ContentEncoding, Header: in.Header}
	}
	return out
}

// onlyOnce is a ledger that knows what it has taken, as the real one does.
func onlyOnce(taken *[]analytics.Incoming) *ledger {
	known := map[string]bool{}
	return &ledger{take: func(_ context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
		out := countAll(in)
		for i := range in {
			*taken = append(*taken, in[i])
			key := fmt.Sprint(in[i].Stream, in[i].Sequence, in[i].Hash)
			if known[key] {
				out[i] = analytics.DeliveryTally{}
			}
			known[key] = true
		}
		return out, nil
	}}
}

const localTimes = "unit,time,soc_pct\nHB5-1,2026-03-01T00:00:00Z,50\nHB5-1,2026-03-01 02:01,51\nHB5-1,2026-03-01 02:02,300\n"

// wantReleased checks what identifies a released row in the ledger.
func wantReleased(t *testing.T, in analytics.Incoming, h analytics.Held) {
	t.Helper()
	if in.Stream != analytics.ReleaseStream || in.Sequence != uint64(h.ID) || in.Collector != h.Collector ||
		in.Batch != h.Batch || in.StoredAt != h.StoredAt || !reflect.DeepEqual(in.Releases, []int64{h.ID}) || in.Hash == [16]byte{} {
		t.Errorf("released as %+v with releases %v and hash %x, want row %d of %s", in.Delivery, in.Releases, in.Hash, h.ID, h.Collector)
	}
}

func TestRelease(t *testing.T) {
	t.Parallel()
	csvOf := envelope([]byte(localTimes))
	csvOf.Batch, csvOf.StoredAt = "march", 1_772_323_200_000
	jsonOf := csvOf
	jsonOf.ContentType, jsonOf.Body = "application/x-ndjson", []byte(`{"unit":"HB5-1","time":"2026-03-01 02:01","soc_pct":51}`+"\n")
	packed := csvOf
	packed.ContentEncoding, packed.Body = "gzip", pack(t, []byte(localTimes))
	unknown := analytics.Held{Quarantined: analytics.Quarantined{
		ID: 7, Collector: "c-07", Batch: "b", Line: 12, Serial: "HB5-9", StoredAt: 5, Reason: analytics.ReasonUnknownUnit, Rows: 3,
	}, Samples: []analytics.Sample{{Time: 1, Has: analytics.HasSoC, SoC: 10}, {Time: 2}, {Time: 3}}}
	for _, c := range []struct {
		name    string
		row     analytics.Held
		profile string // at the release
		samples int
		line    int32
		refused int // rows that are held anew
	}{
		{"samples that could not be counted", unknown, "time_is: [", 3, 12, 0},
		{"raw row with its header", held(t, withProfile(""), csvOf)[0], "zone: Europe/Helsinki", 1, 3, 0},
		{"raw JSON row", held(t, withProfile(""), jsonOf)[0], "zone: Europe/Helsinki", 1, 1, 0},
		{"whole delivery", held(t, withProfile("time_is: ["), csvOf)[0], "zone: Europe/Helsinki", 2, 2, 1},
		{"whole packed delivery", held(t, withProfile("time_is: ["), packed)[0], "zone: Europe/Helsinki", 2, 2, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			var taken []analytics.Incoming
			r := &ingest.Releaser{Ledger: onlyOnce(&taken), Reader: withProfile(c.profile)}
			done, err := r.Release(t.Context(), []analytics.Held{c.row})
			if err != nil {
				t.Fatal(err)
			}
			if done.Rows != 1 || done.Samples != c.samples || done.Kept != 0 || len(done.Problems) != 0 || len(taken) != 1 {
				t.Fatalf("%+v in %d transactions, want 1 row with %d samples in 1", done, len(taken), c.samples)
			}
			wantReleased(t, taken[0], c.row)
			u := taken[0].Units[0]
			if len(u.Samples) != c.samples || len(u.Lines) != c.samples || u.Lines[0] != c.line || len(taken[0].Refused) != c.refused {
				t.Errorf("%d samples on lines %v and %d refused, want %d from line %d on and %d",
					len(u.Samples), u.Lines, len(taken[0].Refused), c.samples, c.line, c.refused)
			}
			again, err := r.Release(t.Context(), []analytics.Held{c.row})
			if err != nil || again.Samples != 0 || len(again.Problems) != 0 {
				t.Errorf("released twice: %+v, %v; want no further sample", again, err)
			}
			if len(taken) != 2 || !reflect.DeepEqual(taken[0], taken[1]) {
				t.Errorf("released twice, the delivery differs:\n%+v", taken)
			}
		})
	}
}

func TestReleaseGivesTheRowsContent(t *testing.T) {
	t.Parallel()
	rows := held(t, withProfile(""), envelope([]byte(localTimes)))
	var taken []analytics.Incoming
	r := &ingest.Releaser{Ledger: onlyOnce(&taken), Reader: withProfile("zone: Europe/Helsinki\nrank: 3")}
	if _, err := r.Release(t.Context(), rows[:1]); err != nil {
		t.Fatal(err)
	}
	// Helsinki is two hours ahead of UTC in winter.
	want := analytics.Sample{Time: 1_772_323_260_000, Has: analytics.HasSoC, Rank: 3, SoC: 510}
	if got := taken[0].Units[0]; got.Serial != "HB5-1" || got.Samples[0] != want {
		t.Errorf("released %+v, want %+v of HB5-1", got, want)
	}
}

func TestReleaseKeeps(t *testing.T) {
	t.Parallel()
	rows := held(t, withProfile(""), envelope([]byte(localTimes)))
	whole := held(t, withProfile("time_is: ["), envelope([]byte("neither header nor rows\n")))[0]
	cut := rows[0]
	cut.Raw = nil
	samples := analytics.Held{Quarantined: analytics.Quarantined{ID: 9, Serial: "HB5-9", Message: "the unit is not registered"}, Samples: make([]analytics.Sample, 2)}
	for _, c := range []struct {
		name, profile string
		row           analytics.Held
		err           error // of the ledger
		problem       string
	}{
		{"still no zone", "", rows[0], nil, "a local time"},
		{"still out of range", "zone: Europe/Helsinki", rows[1], nil, "300"},
		{"profile unreadable, row", "time_is: [", rows[0], nil, "profile"},
		{"profile unreadable, whole", "time_is: [", whole, nil, "profile"},
		{"whole, still no telemetry", "", whole, nil, "row 100: "},
		{"row without its bytes", "", cut, nil, "row 100: "},
		{"reason still holds", "", samples, fmt.Errorf("release: %w", analytics.ErrStillHeld), "the unit is not registered"},
	} {
		t.Run(c.name, func(t *testing.T) {
			calls := 0
			l := &ledger{take: func(_ context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
				calls++
				if c.err != nil && in[0].Releases[0] == c.row.ID {
					return nil, c.err
				}
				return countAll(in), nil
			}}
			// What follows a row that is kept comes back all the same.
			good := analytics.Held{Quarantined: analytics.Quarantined{ID: 8, Serial: "HB5-8", Line: 1}, Samples: make([]analytics.Sample, 1)}
			r := &ingest.Releaser{Ledger: l, Reader: withProfile(c.profile)}
			done, err := r.Release(t.Context(), []analytics.Held{c.row, good})
			if err != nil {
				t.Fatal(err)
			}
			if done.Kept != 1 || done.Rows != 1 || done.Samples != 1 || len(done.Problems) != 1 {
				t.Fatalf("%+v, want one row kept and the other released", done)
			}
			if p := done.Problems[0]; !strings.Contains(p, c.problem) || !strings.HasPrefix(p, fmt.Sprintf("row %d: ", c.row.ID)) {
				t.Errorf("problem %q, want row %d and %q in it", p, c.row.ID, c.problem)
			}
			if want := map[bool]int{true: 2, false: 1}[c.err != nil]; calls != want {
				t.Errorf("the ledger was asked %d times, want %d", calls, want)
			}
		})
	}
}

func TestReleaseStopsAtErrors(t *testing.T) {
	t.Parallel()
	down := errors.New("no connection")
	rows := []analytics.Held{
		{Quarantined: analytics.Quarantined{ID: 1, Serial: "HB5-8"}, Samples: make([]analytics.Sample, 4)},
		{Quarantined: analytics.Quarantined{ID: 2, Collector: "c-07", Line: 3, Raw: []byte("HB5-1,2026-03-01T00:00:00Z,50")}, Header: []byte("unit,time,soc_pct")},
	}
	check := func(t *testing.T, r *ingest.Releaser, ctx context.Context, want error) {
		t.Helper()
		done, err := r.Release(ctx, rows)
		if !errors.Is(err, want) || !strings.Contains(fmt.Sprint(err), "row 2") {
			t.Errorf("error %v, want %v and the row in it", err, want)
		}
		if done.Rows != 1 || done.Samples != 4 || done.Kept != 0 {
			t.Errorf("%+v, want what was released before", done)
		}
	}
	t.Run("ledger", func(t *testing.T) {
		check(t, &ingest.Releaser{Reader: withProfile(""), Ledger: &ledger{
			take: func(_ context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
				if in[0].Sequence == 2 {
					return nil, down
				}
				return countAll(in), nil
			},
		}}, t.Context(), down)
	})
	t.Run("profile", func(t *testing.T) {
		check(t, &ingest.Releaser{Ledger: &ledger{}, Reader: &ingest.Reader{Profiles: &ledger{
			profile: func(context.Context, string) ([]byte, []byte, error) { return nil, nil, down },
		}}}, t.Context(), down)
	})
	t.Run("context ended", func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		l := &ledger{take: func(_ context.Context, in []analytics.Incoming) ([]analytics.DeliveryTally, error) {
			cancel()
			return countAll(in), nil
		}}
		check(t, &ingest.Releaser{Ledger: l, Reader: withProfile("")}, ctx, context.Canceled)
	})
}
