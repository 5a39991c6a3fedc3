package sim

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"

	"fadeledger/analytics"
	"fadeledger/ingest/encode"
)

const (
	minute = analytics.Instant(analytics.Minute)
	second = analytics.Instant(analytics.Second)
	hour   = analytics.Instant(analytics.Hour)
)

// start is when every run begins.
var start = analytics.Day(20_520).Start()

// row is one row of a delivery: a sample of a unit, or a text that is none.
type row struct {
	serial analytics.Serial
	sample analytics.Sample
	bad    bool
}

// delivery is what a collector is to send at a time.
type delivery struct {
	name      string
	collector int
	at        analytics.Instant
	rows      []row
}

// poisonVoltage marks a row at which counting panics.
const poisonVoltage = 66_666

func (r *row) poison() bool { return !r.bad && r.sample.Voltage == poisonVoltage }

// workload gives what all units report, in order of time.
func workload(s *Schedule) []delivery {
	var all []delivery
	for i := range s.Units {
		w := &reporting{plan: &s.Units[i], s: s, r: rand.New(rand.NewPCG(s.Units[i].Seed, 7))}
		w.report()
		all = append(all, w.out...)
	}
	all = slices.DeleteFunc(all, func(d delivery) bool { return slices.Contains(s.Skip, d.name) })
	slices.SortStableFunc(all, func(a, b delivery) int { return cmp.Compare(a.at, b.at) })
	return all
}

// reporting makes the deliveries of one unit.
type reporting struct {
	plan *UnitPlan
	s    *Schedule
	r    *rand.Rand
	out  []delivery
	sent []analytics.Sample

	soc, charge, discharge int64
	power                  int64
	temp                   int64
}

func (w *reporting) report() {
	w.soc, w.temp, w.charge, w.discharge = 300+w.r.Int64N(500), w.r.Int64N(2500)-500, w.r.Int64N(1<<30), w.r.Int64N(1<<30)
	at := start + analytics.Instant(w.r.IntN(60))*minute
	end := start + analytics.Instant(w.s.Days)*analytics.Instant(analytics.DayLength)
	var held []delivery // waits to be sent in reverse
	for n := 0; at < end; n++ {
		rows := w.piece(&at, 4+w.r.IntN(20))
		d := w.deliver(fmt.Sprintf("%s/%d", w.plan.Serial, n), w.plan.Collector, at+minute, rows)
		switch {
		case len(held) > 0 && w.r.IntN(3) > 0, len(held) == 0 && w.chance(w.plan.Late/2):
			held = append(held, d)
		default:
			for i, h := range slices.Backward(held) {
				h.at = at + analytics.Instant(len(held)-i)*minute
				w.out = append(w.out, h)
			}
			held = nil
			if w.chance(w.plan.Late) {
				d.at += analytics.Instant(w.r.IntN(36*60)) * minute
			}
			w.out = append(w.out, d)
		}
		if w.plan.Second >= 0 && w.r.IntN(2) == 0 {
			w.second(n, at, rows)
		}
		if w.r.IntN(12) == 0 {
			at += analytics.Instant(w.r.IntN(10)) * hour // nothing is measured
		}
	}
	w.out = append(w.out, held...)
}

func (w *reporting) chance(percent int) bool { return w.r.IntN(100) < percent }

// piece measures n samples.
func (w *reporting) piece(at *analytics.Instant, n int) []row {
	rows := make([]row, 0, n+4)
	for range n {
		w.live()
		s := w.measure(*at)
		rows = append(rows, row{serial: w.plan.Serial, sample: s})
		w.sent = append(w.sent, s)
		*at += analytics.Instant(w.plan.Cadence)*minute + analytics.Instant(w.r.IntN(20_000))
	}
	return rows
}

// live lets the unit work until its next sample.
func (w *reporting) live() {
	if w.r.IntN(4) == 0 || w.power == 0 {
		w.power = w.r.Int64N(6_000_000) - 3_000_000
	}
	moved := w.power * int64(w.plan.Cadence) / 60 // mWh
	w.soc += moved / 5_200
	if w.soc < 10 || w.soc > 990 {
		w.soc, w.power = min(max(w.soc, 10), 990), -w.power
	}
	w.charge += max(moved, 0)
	w.discharge -= min(moved, 0)
	w.temp += w.r.Int64N(301) - 150
	w.temp = min(max(w.temp, -2200), 6200)
	if w.r.IntN(60) == 0 {
		w.charge, w.discharge = 0, w.r.Int64N(5000) // the meter was changed
	}
}

// measure reads the unit.
func (w *reporting) measure(at analytics.Instant) analytics.Sample {
	s := analytics.Sample{Time: at, Rank: w.s.Collectors[w.plan.Collector].Rank}
	if w.r.IntN(10) > 0 {
		s.Has, s.SoC = s.Has|analytics.HasSoC, analytics.SoC(w.soc)
	}
	switch w.r.IntN(8) {
	case 0:
		s.Has |= analytics.HasVoltage | analytics.HasCurrent
		s.Voltage, s.Current = analytics.Millivolts(51_200), analytics.Milliamps(w.power/51)
	case 1:
	default:
		s.Has, s.Power = s.Has|analytics.HasPower, analytics.Milliwatts(w.power)
	}
	if w.r.IntN(8) > 0 {
		s.Has, s.Temp = s.Has|analytics.HasTemp, analytics.CentiCelsius(w.temp)
	}
	if w.plan.Counters && w.r.IntN(12) > 0 {
		s.Has |= analytics.HasCharge | analytics.HasDischarge
		s.Charge, s.Discharge = analytics.MilliwattHours(w.charge), analytics.MilliwattHours(w.discharge)
		if w.r.IntN(40) == 0 {
			s.Charge, s.Discharge = 0, 0 // a glitch: the next one is right again
		}
	}
	if s.Has == 0 {
		s.Has, s.SoC = analytics.HasSoC, analytics.SoC(w.soc)
	}
	return s
}

// deliver puts rows into a delivery, with whatever else gets into it.
func (w *reporting) deliver(name string, collector int, at analytics.Instant, rows []row) delivery {
	rows = slices.Clone(rows)
	add := func(s analytics.Sample) {
		rows = slices.Insert(rows, w.r.IntN(len(rows)+1), row{serial: w.plan.Serial, sample: s})
	}
	earlier := func() analytics.Sample {
		// Most often of the last day, so that days are still open.
		return w.sent[max(0, len(w.sent)-1-w.r.IntN(min(len(w.sent), 80)))]
	}
	if w.chance(w.plan.Again) {
		for range 1 + w.r.IntN(4) {
			add(earlier())
		}
	}
	if w.chance(w.plan.Dispute) {
		add(w.other(earlier()))
	}
	if w.chance(w.plan.Future) {
		s := earlier()
		s.Time += analytics.Instant(20+w.r.IntN(20*60)) * minute
		add(s)
	}
	if w.chance(w.plan.Bad) {
		rows = slices.Insert(rows, w.r.IntN(len(rows)+1), row{serial: w.plan.Serial, bad: true})
	}
	if w.chance(w.plan.Poison) {
		s := earlier()
		s.Time, s.Has, s.Voltage = s.Time+1, s.Has|analytics.HasVoltage, poisonVoltage
		add(s)
	}
	return delivery{name: name, collector: collector, at: at, rows: rows}
}

// other gives a contradiction of a sample.
func (w *reporting) other(s analytics.Sample) analytics.Sample {
	s.Has, s.SoC = s.Has|analytics.HasSoC, analytics.SoC(10+w.r.IntN(980))
	return s
}

// second lets the second collector tell of some of the same instants.
func (w *reporting) second(n int, at analytics.Instant, rows []row) {
	rank := w.s.Collectors[w.plan.Second].Rank
	var own []row
	for _, x := range rows {
		if w.r.IntN(2) == 0 {
			continue
		}
		if x.sample.Rank = rank; w.r.IntN(3) > 0 {
			x.sample.Has, x.sample.Temp = x.sample.Has|analytics.HasTemp, analytics.CentiCelsius(w.temp+w.r.Int64N(100))
		}
		own = append(own, x)
	}
	if len(own) == 0 {
		return
	}
	w.out = append(w.out, delivery{
		name: fmt.Sprintf("%s/%d-second", w.plan.Serial, n), collector: w.plan.Second,
		at: at + analytics.Instant(w.r.IntN(12*60))*minute, rows: own,
	})
}

// unreadable is a row that nobody can read, in CSV and in JSON.
func unreadable(serial analytics.Serial, json bool, columns int) string {
	if json {
		return fmt.Sprintf(`{"unit":%q,"time":"yesterday at noon","soc_pct":50}`, serial)
	}
	line := string(serial) + ",yesterday at noon"
	for range columns {
		line += ","
	}
	return line
}

// body writes a delivery as its collector does.
func body(rows []row, json bool) []byte {
	if json {
		var b []byte
		for i := range rows {
			if r := &rows[i]; r.bad {
				b = append(b, unreadable(r.serial, true, 0)...)
			} else {
				b = r.sample.AppendJSON(b, r.serial)
			}
			b = append(b, '\n')
		}
		return b
	}
	const columns = 7
	has := analytics.Measured &^ analytics.HasTempMax
	b := encode.AppendHeader(nil, has)
	for i := range rows {
		if r := &rows[i]; r.bad {
			b = append(append(b, unreadable(r.serial, false, columns)...), '\n')
		} else {
			b = encode.AppendRows(b, r.serial, []analytics.Sample{r.sample}, has)
		}
	}
	return b
}

// models are those of the units.
func models() []*analytics.Model {
	floor, hot := analytics.SoC(30), analytics.CentiCelsius(5500)
	first := &analytics.Model{
		Name: "Alder 5", Chemistry: "LFP", Rated: 5_200_000, RatedCharge: 101_600, MaxPower: 2_600_000, Floor: &floor, StorageMax: &hot,
		ChargeLimit: analytics.LimitTable{
			{Temp: -1200, Rate: 50_000}, {Temp: 0, Rate: 200_000}, {Temp: 1200, Rate: 500_000}, {Temp: 4400, Rate: 500_000}, {Temp: 5400, Rate: 50_000},
		},
		DischargeLimit: analytics.LimitTable{{Temp: -2000, Rate: 500_000}, {Temp: 5000, Rate: 500_000}, {Temp: 5800, Rate: 100_000}},
	}
	second := *first
	second.Name, second.MaxGap, second.RatedCharge = "Alder 5 slow", 45*analytics.Minute, 0
	return []*analytics.Model{first, &second}
}

// terms are those of all units.
func terms() *analytics.Terms {
	return &analytics.Terms{
		Name: "Alder home", Model: "Alder 5", Years: 10, EnergyCap: 31_000_000_000,
		Life: analytics.CycleLife{Points: []analytics.LifePoint{{Depth: 0.80, Cycles: 9000}, {Depth: 0.95, Cycles: 6200}}},
	}
}
