package sim

import (
	"context"
	"slices"

	"fadeledger/analytics"
)

// changed gives deliveries with changed samples.
func changed(in []analytics.Incoming, change func(d *analytics.Incoming, serial analytics.Serial, s *analytics.Sample)) []analytics.Incoming {
	out := slices.Clone(in)
	for i := range out {
		d := &out[i]
		d.Units = slices.Clone(d.Units)
		for j := range d.Units {
			u := &d.Units[j]
			u.Samples = slices.Clone(u.Samples)
			for k := range u.Samples {
				change(d, u.Serial, &u.Samples[k])
			}
		}
	}
	return out
}

// drop makes a sample one that is known already, if any is: it is then told as
// a duplicate and nothing of it is kept.
func (t *tables) drop(serial analytics.Serial, s *analytics.Sample) {
	u := t.of(serial)
	if u == nil {
		return
	}
	if known := u.samples(-1<<62, 1<<62); len(known) > 0 {
		*s = known[len(known)-1]
	}
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
	return changed(in, func(_ *analytics.Incoming, serial analytics.Serial, s *analytics.Sample) {
		u := c.db.t.of(serial)
		if u == nil {
			return
		}
		if there := u.samples(s.Time, s.Time+1); len(there) > 0 && there[0].Rank == s.Rank {
			*s = there[0]
		}
	})
}

func lateDropped(c *client, in []analytics.Incoming) []analytics.Incoming {
	return changed(in, func(_ *analytics.Incoming, serial analytics.Serial, s *analytics.Sample) {
		if u := c.db.t.of(serial); u != nil && u.ledger.Newest != nil && s.Time < *u.ledger.Newest {
			c.db.t.drop(serial, s)
		}
	})
}

// watermarkPoisoned drops what is far behind the newest time that was ever seen.
func watermarkPoisoned(s *seams) {
	const lateness = 12 * hour
	newest := map[analytics.Serial]analytics.Instant{}
	s.take = func(c *client, in []analytics.Incoming) []analytics.Incoming {
		return changed(in, func(d *analytics.Incoming, serial analytics.Serial, s *analytics.Sample) {
			newest[serial] = max(newest[serial], s.Time)
			if s.Time < newest[serial]-lateness {
				c.db.t.drop(serial, s)
			}
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
func releaseByFirst(c *client, in []analytics.Incoming) []analytics.Incoming {
	return changed(in, func(d *analytics.Incoming, serial analytics.Serial, s *analytics.Sample) {
		if d.Stream == analytics.ReleaseStream && s.Time > d.StoredAt+analytics.Instant(analytics.FutureSkew) {
			c.db.t.drop(serial, s)
		}
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
	return changed(in, func(_ *analytics.Incoming, _ analytics.Serial, s *analytics.Sample) { s.Rank = 0 })
}

func rankInverted(_ *client, in []analytics.Incoming) []analytics.Incoming {
	return changed(in, func(_ *analytics.Incoming, _ analytics.Serial, s *analytics.Sample) { s.Rank = -s.Rank })
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
