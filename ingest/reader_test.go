package ingest_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync/atomic"
	"testing"
	"time"
	"unicode/utf8"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/ingest/decode"
)

// envelope is a CSV delivery of the collector c-07.
func envelope(body []byte) ingest.Envelope {
	return ingest.Envelope{
		Delivery:    analytics.Delivery{Stream: "S/1", Sequence: 1, Collector: "c-07"},
		ContentType: "text/csv", Body: body,
	}
}

func read(t *testing.T, r *ingest.Reader, e ingest.Envelope) analytics.Incoming {
	t.Helper()
	in, err := r.Read(t.Context(), e)
	if err != nil {
		t.Fatal(err)
	}
	return in
}

// wantWhole checks that a delivery is refused as a whole, with its bytes.
func wantWhole(t *testing.T, in analytics.Incoming, body []byte, reason string) {
	t.Helper()
	if len(in.Units) != 0 || len(in.Refused) != 1 {
		t.Fatalf("%d units and %d refused rows, want the delivery refused as a whole", len(in.Units), len(in.Refused))
	}
	q := in.Refused[0]
	if q.Reason != reason || q.Line != 0 || !bytes.Equal(q.Raw, body) {
		t.Errorf("reason %q, line %d, %d raw bytes; want %q, 0 and the body's %d", q.Reason, q.Line, len(q.Raw), reason, len(body))
	}
	if q.Message == "" || q.Remedy == "" {
		t.Errorf("message %q and remedy %q, want both", q.Message, q.Remedy)
	}
}

func TestReadSortsByUnit(t *testing.T) {
	t.Parallel()
	body := "unit,time,soc_pct,power_w\n" +
		"HB5-1,2026-03-01T00:00:00Z,50,100\n" +
		"HB5-2,2026-03-01T00:00:00Z,60,-200\n" +
		"HB5-2,2026-03-01T00:01:00Z,300,\n" +
		"HB5-1,2026-03-01T00:01:00Z,51,\n"
	in := read(t, &ingest.Reader{Profiles: &ledger{}}, envelope([]byte(body)))
	if len(in.Units) != 2 || in.Units[0].Serial != "HB5-1" || in.Units[1].Serial != "HB5-2" {
		t.Fatalf("units %+v, want HB5-1 and HB5-2", in.Units)
	}
	first := in.Units[0]
	if len(first.Samples) != 2 || fmt.Sprint(first.Lines) != "[2 5]" {
		t.Errorf("HB5-1 has %d samples on lines %v, want 2 on [2 5]", len(first.Samples), first.Lines)
	}
	if s := first.Samples[1]; s.SoC != 510 || s.Has != analytics.HasSoC {
		t.Errorf("the second sample is %+v, want 51.0 %% and nothing else", s)
	}
	if s := in.Units[1].Samples[0]; s.Power != -200_000 {
		t.Errorf("power %d, want -200,000 mW", s.Power)
	}
	if len(in.Refused) != 1 {
		t.Fatalf("%d refused rows, want 1", len(in.Refused))
	}
	q := in.Refused[0]
	if q.Reason != decode.ReasonSoCOutOfRange || q.Line != 4 || q.Serial != "HB5-2" || q.Field != "soc_pct" ||
		string(q.Raw) != "HB5-2,2026-03-01T00:01:00Z,300," {
		t.Errorf("refused %+v", q)
	}
	if string(in.Header) != "unit,time,soc_pct,power_w" {
		t.Errorf("header %q", in.Header)
	}
}

func TestReadBoundsBatchNames(t *testing.T) {
	t.Parallel()
	r := &ingest.Reader{Profiles: &ledger{}}
	long := strings.Repeat("b", 128)
	seen := map[string]string{}
	for name, batch := range map[string]string{
		"none":                     "",
		"short":                    "march/0001",
		"as long as can be":        long,
		"one more":                 long + "x",
		"one more, another":        long + "y",
		"very long":                strings.Repeat("b", 1<<16),
		"letters cut in two":       strings.Repeat("é", 100),
		"letters cut, one further": "x" + strings.Repeat("é", 100),
	} {
		e := envelope(csv("HB5-1", 0, 1))
		e.Batch = batch
		got := read(t, r, e).Batch
		if len(got) > 128 || !utf8.ValidString(got) {
			t.Errorf("%s: %d bytes, valid %v; want at most 128 of UTF-8", name, len(got), utf8.ValidString(got))
		}
		if len(batch) <= 128 && got != batch {
			t.Errorf("%s: %q became %q", name, batch, got)
		}
		if other, ok := seen[got]; ok {
			t.Errorf("%s and %s have the same name %q", name, other, got)
		}
		seen[got] = name
	}
}

func TestReadLines(t *testing.T) {
	t.Parallel()
	r := &ingest.Reader{Profiles: &ledger{}}
	body := []byte("unit,time,soc_pct\nHB5-1,2026-03-01T00:00:00Z,50\nHB5-1,never,50\n")
	for _, c := range []struct {
		name, lines string
		row, bad    int
	}{
		{"not cut", "", 2, 3},
		{"beginning of a file", "1:2", 2, 3},
		{"cut from a file", "1:1000", 1000, 1001},
		{"no header line", "0:7", 8, 9},
		{"farthest line", "1:1073741824", 1 << 30, 1<<30 + 1},
		{"more header lines than lines", "1073741824:5", 2, 3},
		{"too far", "1:1073741825", 2, 3},
		{"too many header lines", "1073741825:1", 2, 3},
		{"above all integers", "1:99999999999999999999999", 2, 3},
		{"negative header", "-1:5", 2, 3},
		{"negative line", "1:-5", 2, 3},
		{"line zero", "1:0", 2, 3},
		{"half", "1:", 2, 3},
		{"words", "one:two", 2, 3},
		{"format verbs", "%d:%d", 2, 3},
		{"long", strings.Repeat("1", 100_000), 2, 3},
	} {
		e := envelope(body)
		e.Lines = c.lines
		in := read(t, r, e)
		if len(in.Units) != 1 || len(in.Refused) != 1 {
			t.Errorf("%s: %d units and %d refused rows, want one of each", c.name, len(in.Units), len(in.Refused))
			continue
		}
		if row, bad := int(in.Units[0].Lines[0]), in.Refused[0].Line; row != c.row || bad != c.bad {
			t.Errorf("%s: lines %d and %d, want %d and %d", c.name, row, bad, c.row, c.bad)
		}
	}
}

func TestReadJSONEnvelope(t *testing.T) {
	t.Parallel()
	r := &ingest.Reader{Profiles: &ledger{}}
	const samples = `"samples":[{"unit":"HB5-1","time":"2026-03-01T00:00:00Z","soc_pct":50}]`
	for _, c := range []struct {
		name, body, header, batch, reason string
	}{
		{"its own collector", `{"collector":"c-07","batch":"01J",` + samples + `}`, "", "01J", ""},
		{"the header names the batch", `{"collector":"c-07","batch":"01J",` + samples + `}`, "H", "H", ""},
		{"no collector", `{"batch":"01J",` + samples + `}`, "", "01J", ""},
		{"another collector", `{"collector":"c-08","batch":"01J",` + samples + `}`, "", "01J", ingest.ReasonCollectorMismatch},
		{"another case", `{"collector":"C-07","batch":"01J",` + samples + `}`, "", "01J", ingest.ReasonCollectorMismatch},
		{"long batch", `{"collector":"c-07","batch":"` + strings.Repeat("z", 500) + `",` + samples + `}`, "", "*", ""},
	} {
		e := envelope([]byte(c.body))
		e.ContentType, e.Batch = "application/json", c.header
		in := read(t, r, e)
		if c.batch == "*" && len(in.Batch) > 128 || c.batch != "*" && in.Batch != c.batch {
			t.Errorf("%s: batch %q, want %q", c.name, in.Batch, c.batch)
		}
		if c.reason != "" {
			wantWhole(t, in, e.Body, c.reason)
		} else if sampleCount(in) != 1 || len(in.Refused) != 0 {
			t.Errorf("%s: %d samples, refused %+v; want 1 and none", c.name, sampleCount(in), in.Refused)
		}
	}
}

func TestReadProfileNotThere(t *testing.T) {
	t.Parallel()
	down := errors.New("no connection")
	broken, brokenHash := kept("time_is: [")
	for _, c := range []struct {
		name, hash string
		profiles   ledger
		reason     string
		err        error
	}{
		{name: "unknown hash", hash: hex.EncodeToString(brokenHash), reason: ingest.ReasonProfileUnknown},
		{name: "no hash at all", hash: "../profile", reason: ingest.ReasonProfileUnknown},
		{
			name: "long and hostile", hash: strings.Repeat("\x00<", 50_000), reason: ingest.ReasonProfileUnknown,
		},
		{
			name: "named profile unreadable", hash: hex.EncodeToString(brokenHash), reason: ingest.ReasonProfileUnreadable,
			profiles: ledger{profileByHash: func(context.Context, []byte) ([]byte, error) { return broken, nil }},
		},
		{
			name: "own profile unreadable", reason: ingest.ReasonProfileUnreadable,
			profiles: ledger{profile: func(context.Context, string) ([]byte, []byte, error) { return broken, brokenHash, nil }},
		},
		{
			name: "database down", err: down,
			profiles: ledger{profile: func(context.Context, string) ([]byte, []byte, error) { return nil, nil, down }},
		},
		{
			name: "database down, named", hash: hex.EncodeToString(brokenHash), err: down,
			profiles: ledger{profileByHash: func(context.Context, []byte) ([]byte, error) { return nil, down }},
		},
	} {
		e := envelope(csv("HB5-1", 0, 2))
		e.ProfileHash = c.hash
		in, err := (&ingest.Reader{Profiles: &c.profiles}).Read(t.Context(), e)
		if !errors.Is(err, c.err) {
			t.Errorf("%s: error %v, want %v", c.name, err, c.err)
			continue
		}
		if c.err == nil {
			wantWhole(t, in, e.Body, c.reason)
			if n := len(in.Refused[0].Message); n > 1000 {
				t.Errorf("%s: a message of %d bytes", c.name, n)
			}
		}
	}
}

// scaled is a profile whose state of charge is under a header and in a scale of
// its own.
func scaled(header, scale string) string {
	return fmt.Sprintf("fields:\n  soc_pct:\n    from: %s\n    scale: %s\n", header, scale)
}

func TestReadNoticesChangedProfile(t *testing.T) {
	t.Parallel()
	first, firstHash := kept(scaled("x", "1"))
	second, secondHash := kept(scaled("x", "0.1"))
	var changed atomic.Bool
	r := &ingest.Reader{Profiles: &ledger{
		profile: func(context.Context, string) ([]byte, []byte, error) {
			if changed.Load() {
				return second, secondHash, nil
			}
			return first, firstHash, nil
		},
		profileByHash: func(_ context.Context, hash []byte) ([]byte, error) {
			switch {
			case bytes.Equal(hash, firstHash):
				return first, nil
			case bytes.Equal(hash, secondHash):
				return second, nil
			}
			return nil, analytics.ErrNotFound
		},
	}}
	own := envelope([]byte("unit,time,x\nHB5-1,2026-03-01T00:00:00Z,50\n"))
	soc := func(e ingest.Envelope) analytics.SoC { return read(t, r, e).Units[0].Samples[0].SoC }
	if got := soc(own); got != 500 {
		t.Fatalf("state of charge %d, want 500 by the first profile", got)
	}
	changed.Store(true)
	for hash, want := range map[string]analytics.SoC{string(firstHash): 500, string(secondHash): 50} {
		named := own
		named.ProfileHash = hex.EncodeToString([]byte(hash))
		if got := soc(named); got != want {
			t.Errorf("state of charge %d by the profile that the delivery names, want %d", got, want)
		}
	}
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	late := time.After(5 * time.Second) // the profile is looked up every second
	for soc(own) != 50 {
		select {
		case <-tick.C:
		case <-late:
			t.Fatal("the changed profile is not noticed")
		}
	}
}

// TestReadReusesDecoders reads deliveries of several kinds in turns: what a
// decoder keeps from one must not show in the next.
func TestReadReusesDecoders(t *testing.T) {
	t.Parallel()
	profiles := map[string]string{"whole": scaled("x", "1"), "tenth": scaled("x", "0.1"), "other": scaled("y", "1")}
	r := &ingest.Reader{Profiles: &ledger{profile: func(_ context.Context, collector string) ([]byte, []byte, error) {
		body, hash := kept(profiles[collector])
		if len(body) == 0 {
			return nil, nil, nil
		}
		return body, hash, nil
	}}}
	want := map[string]analytics.Sample{
		"whole": {Has: analytics.HasSoC, SoC: 200}, "tenth": {Has: analytics.HasSoC, SoC: 20},
		"other": {Has: analytics.HasSoC, SoC: 300}, "plain": {Has: analytics.HasSoC, SoC: 400},
	}
	for round := range 5 {
		for collector, w := range want {
			unit := fmt.Sprintf("HB5-%s%d", collector, round)
			e := envelope(fmt.Appendf(nil, "unit,time,x,y,soc_pct\n%s,2026-03-01T00:00:00Z,20,30,40\n", unit))
			if collector == "whole" || collector == "tenth" {
				e.Body = fmt.Appendf(nil, "unit,time,x\n%s,2026-03-01T00:00:00Z,20\n", unit)
			}
			if collector == "other" {
				e.Body = fmt.Appendf(nil, "unit,y,time\n%s,30,2026-03-01T00:00:00Z\n", unit)
			}
			e.Collector = collector
			in := read(t, r, e)
			w.Time = analytics.InstantOf(time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC))
			if len(in.Units) != 1 || string(in.Units[0].Serial) != unit || in.Units[0].Samples[0] != w {
				t.Errorf("round %d, %s: %+v, want %+v of %s", round, collector, in.Units, w, unit)
			}
			// A refused delivery in between leaves nothing behind.
			bad := e
			bad.Body = append([]byte("unit,unit\n"), e.Body...)
			wantWhole(t, read(t, r, bad), bad.Body, decode.ReasonColumnTwice)
		}
	}
}

func pack(t *testing.T, body []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	w, err := gzip.NewWriterLevel(&out, gzip.BestSpeed)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Write(body); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// TestReadRefusesWhatUnpacksTooFar needs the delivery refused as a whole though
// many of its rows were good.
func TestReadRefusesWhatUnpacksTooFar(t *testing.T) {
	t.Parallel()
	const head = "unit,time,soc_pct,note\n"
	random := rand.New(rand.NewPCG(1, 2))
	var wide strings.Builder
	wide.WriteString(head)
	for wide.Len() < 33<<20 {
		fmt.Fprintf(&wide, "HB5-1,2026-03-01T00:00:00Z,50,%016x%s\n", random.Uint64(), strings.Repeat("n", 300))
	}
	const row = "HB5-1,2026-03-01T00:00:00Z,50,\n"
	many := []byte(head + strings.Repeat(row, 500_001))
	for _, c := range []struct {
		name, encoding, reason string
		body                   []byte
	}{
		{"bomb", "gzip", decode.ReasonUnpackRatio, pack(t, []byte(head+strings.Repeat(row, 300_000)))},
		{"bomb that nothing announces", "", decode.ReasonUnpackRatio, pack(t, []byte(head+strings.Repeat(row, 300_000)))},
		{"large", "gzip", decode.ReasonUnpackedTooBig, pack(t, []byte(wide.String()))},
		{"too many rows", "", decode.ReasonTooManyRows, many},
		{"cut", "gzip", decode.ReasonPackedTruncated, pack(t, csv("HB5-1", 0, 1000))[:500]},
	} {
		t.Run(c.name, func(t *testing.T) {
			e := envelope(c.body)
			e.ContentEncoding = c.encoding
			wantWhole(t, read(t, &ingest.Reader{Profiles: &ledger{}}, e), c.body, c.reason)
		})
	}
	in := read(t, &ingest.Reader{Profiles: &ledger{}}, envelope(many[:len(many)-len(row)]))
	if n := sampleCount(in); n != 500_000 {
		t.Errorf("%d samples, want all 500,000 of the largest delivery", n)
	}
}

func TestReadHash(t *testing.T) {
	t.Parallel()
	_, hash := kept("unit: HB5-1")
	r := &ingest.Reader{Profiles: &ledger{profileByHash: func(context.Context, []byte) ([]byte, error) { return []byte("rank: 1"), nil }}}
	base := func() ingest.Envelope {
		e := envelope(csv("HB5-1", 0, 2))
		e.Batch = "b"
		return e
	}
	seen := map[[16]byte]string{}
	for name, change := range map[string]func(e *ingest.Envelope){
		"nothing":            func(*ingest.Envelope) {},
		"body":               func(e *ingest.Envelope) { e.Body = csv("HB5-1", 0, 3) },
		"batch":              func(e *ingest.Envelope) { e.Batch = "c" },
		"profile":            func(e *ingest.Envelope) { e.ProfileHash = hex.EncodeToString(hash) },
		"type":               func(e *ingest.Envelope) { e.ContentType = "" },
		"encoding":           func(e *ingest.Envelope) { e.ContentEncoding = "gzip" },
		"collector":          func(e *ingest.Envelope) { e.Collector = "c-08" },
		"type to encoding":   func(e *ingest.Envelope) { e.ContentType, e.ContentEncoding = "", "text/csv" },
		"body's first byte":  func(e *ingest.Envelope) { e.Batch, e.Body = "bu", e.Body[1:] },
		"long batch":         func(e *ingest.Envelope) { e.Batch = strings.Repeat("b", 200) + "1" },
		"long batch's end":   func(e *ingest.Envelope) { e.Batch = strings.Repeat("b", 200) + "2" },
		"refused as a whole": func(e *ingest.Envelope) { e.Body = []byte("<html>") },
	} {
		e := base()
		change(&e)
		got := read(t, r, e).Hash
		if other, ok := seen[got]; ok {
			t.Errorf("%q and %q changed: the hashes are equal", name, other)
		}
		seen[got] = name
		if again := read(t, r, e).Hash; again != got {
			t.Errorf("%q changed: read twice, the hashes differ", name)
		}
		e.Sequence, e.StoredAt = 99, 12345
		if moved := read(t, r, e).Hash; moved != got {
			t.Errorf("%q changed: the hash depends on the place in the stream", name)
		}
	}
}

func TestReadEndsWithContext(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	r := &ingest.Reader{Profiles: &ledger{}}
	e := envelope(csv("HB5-1", 0, 20_000))
	if in, err := r.Read(ctx, e); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, refused %+v; want the context's error", err, in.Refused)
	}
	if n := sampleCount(read(t, r, e)); n != 20_000 {
		t.Errorf("%d samples afterwards, want 20,000", n)
	}
}
