package webtest

import (
	"context"
	"slices"

	"fadeledger/analytics"
)

// fillBooks adds what disagrees, what was corrected and what somebody has to
// look at.
func (l *Ledger) fillBooks() {
	now := analytics.InstantOf(Now)
	l.Way.Holes = []analytics.Receipt{{Collector: "c-02", Series: "2026-11-24T06", Through: 13, Last: 41, Holes: [][2]int64{{14, 17}, {30, 30}}, At: now - 90_000}}
	cleared := now - 3_000_000
	l.Way.Alarms = []analytics.Alarm{
		{ID: 12, Kind: analytics.AlarmFilling, Subject: "TELEMETRY", Message: "the stream holds 9.2 of 10 GiB; give it more room or start another worker",
			RaisedAt: now - 7_200_000, LastAt: now - 60_000, Times: 118},
		{ID: 9, Kind: analytics.AlarmRolledBack, Subject: "TELEMETRY", Message: "the stream ended at 90011 and began again at 89400",
			RaisedAt: now - 90_000_000, LastAt: now - 90_000_000, Times: 1, ClearedAt: &cleared, ClearedBy: "M. Aalto"},
	}
	l.Way.Balance = analytics.Balance{AsOf: now, Collectors: 4, Rows: l.Way.Tally.Read, Taken: l.Way.Tally.Accepted + l.Way.Tally.Disputed,
		Known: l.Way.Tally.Accepted + l.Way.Tally.Disputed, Counting: l.Way.Tally.Accepted, Others: l.Way.Tally.Disputed}
	if len(l.Rows) == 0 || l.Rows[0].Last == nil {
		return
	}
	u := l.Rows[0]
	if i := slices.IndexFunc(l.Rows, func(u analytics.UnitRow) bool { return u.Serial == Disputed }); i >= 0 {
		u = l.Rows[i]
	}
	l.fillUnitBooks(u)
}

// Disputed is the unit of a fleet of at least three that has disputes and
// corrections.
const Disputed = analytics.Serial("HB5-20491")

func (l *Ledger) fillUnitBooks(u analytics.UnitRow) {
	now := analytics.InstantOf(Now)
	at := now - 7_200_000
	sample := func(at analytics.Instant, soc analytics.SoC, power analytics.Milliwatts) analytics.Sample {
		return analytics.Sample{Time: at, Has: analytics.HasSoC | analytics.HasPower | analytics.HasTemp, SoC: soc, Power: power, Temp: 1210}
	}
	version := func(s analytics.Sample, collector string, sequence uint64, line int32) analytics.Version {
		return analytics.Version{Sample: s, Disputed: true, Collector: collector, Sequence: sequence, Line: line, StoredAt: s.Time + 60_000}
	}
	l.Disputed = map[analytics.Serial][]analytics.Dispute{u.Serial: {
		{Serial: u.Serial, At: at, Versions: []analytics.Version{
			version(sample(at, 642, -412_000), "c-01", 90031, 88), version(sample(at, 648, 412_000), "rooftop_gw", 90034, 12)}},
		{Serial: u.Serial, At: at - 600_000, Versions: []analytics.Version{
			{Sample: sample(at-600_000, 700, 0), Disputed: true}, version(sample(at-600_000, 700, 1_000), "rooftop_gw", 90020, 3)}},
	}}
	from := at - 90_000_000
	l.Corrected = map[analytics.Serial][]analytics.Correction{u.Serial: {
		{ID: 7, Serial: u.Serial, From: from, To: from + 3_600_000, By: "M. Aalto", Why: "the gateway's clock ran an hour ahead", At: now - 40_000_000,
			Samples: []analytics.Sample{sample(from+60_000, 500, 300_000), sample(from+120_000, 502, 310_000)}},
		{ID: 3, Serial: u.Serial, From: from - 90_000_000, To: from - 86_400_000, By: "J. Oksanen", Why: "bench test, not in service", At: now - 80_000_000},
	}}
	old := version(sample(from+60_000, 510, 300_000), "c-01", 89001, 4)
	old.Disputed = false
	gone := version(sample(from+180_000, 505, 290_000), "c-01", 89001, 6)
	gone.Disputed = false
	l.Others = map[analytics.Serial][]analytics.Version{u.Serial: {old, gone}}
	l.Places = map[analytics.Serial][]analytics.Stay{u.Serial: {
		{Since: now - 30*analytics.Instant(analytics.DayLength), Stack: u.Stack, Site: u.Site, Position: u.Position},
		{Stack: "ST-900", Site: "quarry-road-07", Position: 2},
	}}
}

// Disputes answers the disputes of a unit.
func (l *Ledger) Disputes(_ context.Context, serial analytics.Serial, limit int) ([]analytics.Dispute, error) {
	_, err := l.find(serial)
	list := l.Disputed[serial]
	return list[:min(limit, len(list))], err
}

// Versions answers the versions that do not count, those in dispute included.
func (l *Ledger) Versions(_ context.Context, serial analytics.Serial, from, to analytics.Instant, limit int) ([]analytics.Version, error) {
	_, err := l.find(serial)
	var list []analytics.Version
	add := func(v analytics.Version) {
		if v.Time >= from && v.Time < to && len(list) < limit {
			list = append(list, v)
		}
	}
	for _, v := range l.Others[serial] {
		add(v)
	}
	for _, d := range slices.Backward(l.Disputed[serial]) {
		for _, v := range d.Versions {
			add(v)
		}
	}
	return list, err
}

// Corrections answers the corrections of a unit.
func (l *Ledger) Corrections(_ context.Context, serial analytics.Serial) ([]analytics.Correction, error) {
	_, err := l.find(serial)
	return l.Corrected[serial], err
}

// Stays answers where a unit was.
func (l *Ledger) Stays(_ context.Context, serial analytics.Serial) ([]analytics.Stay, error) {
	_, err := l.find(serial)
	return l.Places[serial], err
}

// Receipt answers the receipt of a series that has holes, and an empty one of
// every other.
func (l *Ledger) Receipt(_ context.Context, collector, series string) (analytics.Receipt, error) {
	for _, r := range l.Way.Holes {
		if r.Collector == collector && r.Series == series {
			return r, l.Err
		}
	}
	return analytics.Receipt{Collector: collector, Series: series, Holes: [][2]int64{}}, l.Err
}

// correct takes a correction in: what it settles is no longer disputed.
func (l *Ledger) correct(c analytics.Correction) {
	within := func(at analytics.Instant) bool { return at >= c.From && at < c.To }
	for _, d := range l.Disputed[c.Serial] {
		for _, v := range d.Versions {
			if v.Disputed = false; within(d.At) {
				l.Others[c.Serial] = append(l.Others[c.Serial], v)
			}
		}
	}
	l.Disputed[c.Serial] = slices.DeleteFunc(slices.Clone(l.Disputed[c.Serial]), func(d analytics.Dispute) bool { return within(d.At) })
	l.Corrected[c.Serial] = append([]analytics.Correction{c}, l.Corrected[c.Serial]...)
}

func (l *Ledger) clear(id int64, by string) {
	now := analytics.InstantOf(Now)
	for i := range l.Way.Alarms {
		if a := &l.Way.Alarms[i]; a.ID == id {
			a.ClearedAt, a.ClearedBy = &now, by
		}
	}
}
