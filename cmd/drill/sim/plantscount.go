package sim

import (
	"context"
	"slices"

	"fadeledger/analytics"
	"fadeledger/store/book"
)

// wrongCarryTx gives the day before the one that is asked for.
type wrongCarryTx struct{ *transaction }

func (tx *wrongCarryTx) DayBefore(ctx context.Context, unit int32, day analytics.Day) (*analytics.Segment, error) {
	g, err := tx.transaction.DayBefore(ctx, unit, day)
	if err != nil || g == nil {
		return g, err
	}
	return tx.transaction.DayBefore(ctx, unit, g.Day())
}

// noCarryTx gives states whose open day knows nothing of the day before.
type noCarryTx struct{ *transaction }

func (tx *noCarryTx) Lock(ctx context.Context, serials []analytics.Serial) ([]book.Unit, error) {
	list, err := tx.transaction.Lock(ctx, serials)
	for i := range list {
		u := &list[i]
		var c analytics.Counter
		if c.UnmarshalBinary(u.State) != nil {
			continue
		}
		today, ok := c.Today()
		if !ok {
			continue
		}
		samples := tx.db.t.units[u.ID].samples(today.Day().Start(), (today.Day() + 1).Start())
		if len(samples) == 0 {
			continue
		}
		c = c.Recounted(analytics.CountDay(u.Model, nil, samples, &analytics.Effects{}))
		if u.State, err = c.AppendBinary(nil); err != nil {
			return nil, err
		}
	}
	return list, err
}

// localDays counts the complete days that a transaction wrote from one in the
// morning to one in the morning.
func localDays(tx *transaction) {
	t := tx.db.t.clone()
	for _, d := range tx.changes.Days {
		u := t.units[d.Unit].clone()
		g := d.Segment.Day()
		samples := u.samples(g.Start()+hour, (g+1).Start()+hour)
		i := slices.IndexFunc(u.days, func(r dayRow) bool { return r.day == g })
		if i < 0 || len(samples) == 0 || samples[0].Time.Day() != g {
			continue
		}
		list, err := u.segments()
		if err != nil {
			continue
		}
		var before *analytics.Segment
		if i > 0 {
			before = &list[i-1]
		}
		if before != nil && before.Day() >= g {
			continue
		}
		local := analytics.CountDay(u.model, before, samples, &analytics.Effects{})
		if u.days[i].body, err = local.AppendBinary(nil); err == nil {
			t.units[d.Unit] = u
		}
	}
	tx.db.t = t
}

// unorderedTx gives days in another order.
type unorderedTx struct{ *transaction }

func (tx *unorderedTx) Days(ctx context.Context, unit int32) ([]analytics.Segment, error) {
	list, err := tx.transaction.Days(ctx, unit)
	slices.Reverse(list)
	return list, err
}

// plausibleTx believes every increment of a counter.
type plausibleTx struct{ *transaction }

func (tx *plausibleTx) Lock(ctx context.Context, serials []analytics.Serial) ([]book.Unit, error) {
	list, err := tx.transaction.Lock(ctx, serials)
	for i := range list {
		model := *list[i].Model
		model.MaxPower = 1 << 40
		list[i].Model = &model
	}
	return list, err
}

// staleTx takes a state of another version for an empty one.
type staleTx struct{ *transaction }

func (tx *staleTx) Lock(ctx context.Context, serials []analytics.Serial) ([]book.Unit, error) {
	list, err := tx.transaction.Lock(ctx, serials)
	for i := range list {
		if u := &list[i]; len(u.State) > 0 && u.State[0] != analytics.CounterVersion {
			u.State = nil
		}
	}
	return list, err
}

// floatSum sums the days in kWh.
func floatSum(u *unitTable, l *analytics.Ledger) {
	days, err := u.segments()
	counter, err2 := u.counter()
	if err != nil || err2 != nil {
		return
	}
	if today, ok := counter.Today(); ok {
		days = append(days, today)
	}
	var charge, discharge float32
	for i := range days {
		f := days[i].Total()
		charge += float32(f.Charge) / 1e9
		discharge += float32(f.Discharge) / 1e9
	}
	l.Charge, l.Discharge = analytics.MilliwattHours(float64(charge)*1e6), analytics.MilliwattHours(float64(discharge)*1e6)
}

// resetNegative takes off what a counter fell by.
func resetNegative(u *unitTable, l *analytics.Ledger) {
	for _, e := range l.Events {
		if e.Kind != analytics.CounterReset {
			continue
		}
		samples := u.samples(-1<<62, e.At+1)
		if n := len(samples); n > 1 && e.Field == "charge_mwh" {
			l.Charge += samples[n-1].Charge - samples[n-2].Charge
		}
	}
}
