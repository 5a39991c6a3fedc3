package sim

import (
	"context"
	"slices"

	"fadeledger/analytics"
)

// filtered gives deliveries without the samples that are not wanted.
func filtered(in []analytics.Incoming, wanted func(d *analytics.Incoming, serial analytics.Serial, s *analytics.Sample) bool) []analytics.Incoming {
	out := slices.Clone(in)
	for i := range out {
		d := &out[i]
		d.Units = slices.Clone(d.Units)
		for j := range d.Units {
			old := d.Units[j]
			n := analytics.UnitSamples{Serial: old.Serial}
			for k := range old.Samples {
				s := old.Samples[k]
				if !wanted(d, old.Serial, &s) {
					continue
				}
				n.Samples = append(n.Samples, s)
				if k < len(old.Lines) {
					n.Lines = append(n.Lines, old.Lines[k])
				}
			}
			d.Units[j] = n
		}
	}
	return out
}

// of finds a unit by its serial, nil if it is not registered.
func (t *tables) of(serial analytics.Serial) *unitTable {
	for _, u := range t.units {
		if u.serial == serial {
			return u
		}
	}
	return nil
}

func firstWins(c *client, in []analytics.Incoming) []analytics.Incoming {
	return filtered(in, func(_ *analytics.Incoming, serial analytics.Serial, s *analytics.Sample) bool {
		u := c.db.t.of(serial)
		if u == nil {
			return true
		}
		there := u.samples(s.Time, s.Time+1)
		return len(there) == 0 || there[0].Rank != s.Rank
	})
}

func lateDropped(c *client, in []analytics.Incoming) []analytics.Incoming {
	return filtered(in, func(_ *analytics.Incoming, serial analytics.Serial, s *analytics.Sample) bool {
		u := c.db.t.of(serial)
		return u == nil || u.ledger.Newest == nil || s.Time >= *u.ledger.Newest
	})
}

// watermarkPoisoned drops what is far behind the newest time that was ever seen.
func watermarkPoisoned(s *seams) {
	const lateness = 3 * hour
	newest := map[analytics.Serial]analytics.Instant{}
	s.take = func(_ *client, in []analytics.Incoming) []analytics.Incoming {
		return filtered(in, func(d *analytics.Incoming, serial analytics.Serial, s *analytics.Sample) bool {
			newest[serial] = max(newest[serial], s.Time)
			return s.Time > newest[serial]-lateness
		})
	}
}

func futureByClock(c *client, in []analytics.Incoming) []analytics.Incoming {
	out := slices.Clone(in)
	for i := range out {
		out[i].StoredAt = c.db.m.now
	}
	return out
}

// releaseByFirst counts released rows as if they were those of a delivery long
// ago.
func releaseByFirst(_ *client, in []analytics.Incoming) []analytics.Incoming {
	return filtered(in, func(d *analytics.Incoming, _ analytics.Serial, s *analytics.Sample) bool {
		return d.Stream != analytics.ReleaseStream || s.Time <= d.StoredAt+analytics.Instant(analytics.FutureSkew)
	})
}

func refusedDropped(_ *client, in []analytics.Incoming) []analytics.Incoming {
	out := slices.Clone(in)
	for i := range out {
		out[i].Refused = nil
	}
	return out
}

func rankIgnored(_ *client, in []analytics.Incoming) []analytics.Incoming {
	return filtered(in, func(_ *analytics.Incoming, _ analytics.Serial, s *analytics.Sample) bool {
		s.Rank = 0
		return true
	})
}

func rankInverted(_ *client, in []analytics.Incoming) []analytics.Incoming {
	return filtered(in, func(_ *analytics.Incoming, _ analytics.Serial, s *analytics.Sample) bool {
		s.Rank = -s.Rank
		return true
	})
}

// lastWinsTx forgets what the versions of the transaction contradict.
type lastWinsTx struct{ *transaction }

// contradicted reports that the transaction brings another version.
func (tx *lastWinsTx) contradicted(unit int32, s *analytics.Sample) bool {
	serial := tx.db.t.units[unit].serial
	for i := range tx.in {
		for _, u := range tx.in[i].Units {
			if u.Serial == serial && slices.ContainsFunc(u.Samples, func(o analytics.Sample) bool { return o.Time == s.Time && o != *s && o.Rank == s.Rank }) {
				return true
			}
		}
	}
	return false
}

func (tx *lastWinsTx) Samples(ctx context.Context, unit int32, from, to analytics.Instant, yield func(analytics.Sample) error) error {
	return tx.transaction.Samples(ctx, unit, from, to, func(s analytics.Sample) error {
		if tx.contradicted(unit, &s) {
			return nil
		}
		return yield(s)
	})
}

// noCorrectionsTx knows of no correction while it counts deliveries.
type noCorrectionsTx struct{ *transaction }

func (tx *noCorrectionsTx) Corrections(ctx context.Context, unit int32, from, to analytics.Instant) ([]analytics.Correction, error) {
	list, err := tx.transaction.Corrections(ctx, unit, from, to)
	if tx.in != nil {
		list = nil
	}
	return list, err
}
