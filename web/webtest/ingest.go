package webtest

import (
	"context"

	"fadeledger/analytics"
)

func (l *Ledger) fillIngest() {
	now := analytics.InstantOf(Now)
	names := []string{"c-01", "c-02", "c-07", "rooftop_gw"}
	l.Way = analytics.IngestSummary{AsOf: now, Recounts: 14,
		Quarantine: []analytics.ReasonCount{{Reason: "unknown-unit", Rows: 212}, {Reason: "conflicting-sample", Rows: 18}, {Reason: "bad-number", Rows: 7}}}
	l.Way.Notes = []analytics.CollectorNote{{
		Collector: names[0], Code: "sign-flipped", Detail: "HB5-20417", Deliveries: 3, FirstAt: now - 3_600_000, LastAt: now - 60_000,
		Text: "unit HB5-20417: the state of charge falls while it charges, as if the sign were flipped; if it is, say so in the profile",
	}}
	for k := range 60 {
		t := tally(int64(4000+noise(k, 1)*3000), k)
		l.Way.Rate = append(l.Way.Rate, analytics.RateBin{At: now - analytics.Instant(60-k)*60_000, Deliveries: 4, Tally: t})
	}
	for k := range 80 {
		t := tally(int64(400+noise(k, 2)*3000), k)
		at := now - analytics.Instant(k)*15_000
		l.Delivered = append(l.Delivered, analytics.Delivery{Stream: "TELEMETRY", Sequence: uint64(90210 - k), Collector: names[k%4],
			StoredAt: at, CountedAt: at + analytics.Instant(40+noise(k, 3)*3000), Tally: t})
		l.Way.Tally.Add(t)
	}
	l.Way.Deliveries = int64(len(l.Delivered))
	for k, name := range names {
		c := analytics.CollectorRow{Collector: name, Deliveries: 20, LastStoredAt: now - analytics.Instant(k)*15_000}
		for i := k; i < len(l.Delivered); i += 4 {
			c.Tally.Add(l.Delivered[i].Tally)
		}
		l.Way.Collectors = append(l.Way.Collectors, c)
	}
	for k := range 30 {
		l.Quarantined = append(l.Quarantined, analytics.Quarantined{ID: int64(500 - k), Collector: names[k%4], Sequence: uint64(90210 - k), Line: 2 + k*7,
			Field: "soc_pct", Reason: l.Way.Quarantine[k%3].Reason, Message: "soc_pct 104.2 is not within 0 to 100",
			Remedy: "check the scale in the collector's profile, then release the row", Serial: "HB5-20417",
			Raw: []byte("HB5-20417,2026-11-24T12:00:00Z,104.2,-512,3.4\r\n"), StoredAt: now - analytics.Instant(k)*60_000})
	}
}

func tally(read int64, k int) analytics.DeliveryTally {
	t := analytics.DeliveryTally{Read: read}
	if k%9 == 0 {
		t.Duplicates = read / 20
	}
	if k%17 == 3 {
		t.Quarantined = 11
	}
	if k%40 == 5 {
		t.Disputed = 2
	}
	t.Accepted = read - t.Duplicates - t.Quarantined - t.Disputed
	return t
}

// Ingest answers the state of the way in.
func (l *Ledger) Ingest(context.Context) (analytics.IngestSummary, error) { return l.Way, l.Err }

// Deliveries answers those below a sequence.
func (l *Ledger) Deliveries(_ context.Context, before uint64, limit int) ([]analytics.Delivery, error) {
	var out []analytics.Delivery
	for _, d := range l.Delivered {
		if (before == 0 || d.Sequence < before) && len(out) < limit {
			out = append(out, d)
		}
	}
	return out, l.Err
}

// Quarantine answers rows of a reason below an ID.
func (l *Ledger) Quarantine(_ context.Context, reason string, after int64, limit int) ([]analytics.Quarantined, error) {
	var out []analytics.Quarantined
	for _, q := range l.Quarantined {
		if (reason == "" || q.Reason == reason) && (after == 0 || q.ID < after) && len(out) < limit {
			out = append(out, q)
		}
	}
	return out, l.Err
}

// Stream is a broker that answers a fixed state.
type Stream struct {
	State analytics.StreamState
	Err   error
}

// Stream answers the state.
func (s Stream) Stream(context.Context) (analytics.StreamState, error) { return s.State, s.Err }
