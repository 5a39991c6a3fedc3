package analytics

import "math/bits"

// Thresholds of the limit check.
const (
	// restRate is the rate up to which a battery rests, 0.02 C.
	restRate MicroC = 20_000
	// rateMargin is added to the allowed rate before a sample is over it.
	rateMargin MicroC = 10_000
	// rateWindow is the least age of the sample that a rate by state of
	// charge is taken against.
	rateWindow = 10 * Minute
	// episodeJoin is the longest time between two samples over the limit
	// that always joins them into one episode.
	episodeJoin = 10 * Minute
)

// rate is a C-rate as the fraction num/den in C, with its direction: +1 while
// charging, −1 while discharging, 0 at rest.
type rate struct {
	num, den uint64
	dir      int8
	known    bool
}

func signed(v int64) int8 {
	switch {
	case v > 0:
		return 1
	case v < 0:
		return -1
	}
	return 0
}

// above reports whether the rate is above limit = a/b in MicroC plus margin,
// exactly.
func (r rate) above(a, b int64, margin MicroC) bool {
	// num/den > (a/b + margin) / 1e6  ⇔  num × b × 1e6 > den × (a + margin × b)
	lh, ll := bits.Mul64(r.num, uint64(b)*1_000_000)
	rh, rl := bits.Mul64(r.den, uint64(a+int64(margin)*b))
	return lh > rh || lh == rh && ll > rl
}

// micro gives the rate rounded to a MicroC, for display.
func (r rate) micro() MicroC {
	hi, lo := bits.Mul64(r.num, 1_000_000)
	if hi >= r.den {
		return 1<<62 - 1
	}
	q, rest := bits.Div64(hi, lo, r.den)
	if rest >= r.den-rest {
		q++
	}
	return MicroC(q)
}

// socPoint is a state of charge that a later rate may be taken against.
type socPoint struct {
	at  Instant
	soc SoC
}

// rateOf finds the C-rate of a sample by the best basis it offers: current,
// power, counters, state of charge.
func rateOf(m *Model, before *Sample, p pair, s *Sample, window []socPoint) rate {
	if s.Has&HasCurrent != 0 && m.RatedCharge > 0 {
		return rate{magnitude(int64(s.Current)), uint64(m.RatedCharge), signed(int64(s.Current)), true}
	}
	if w, ok := powerOf(s); ok {
		return rate{magnitude(w.value), uint64(m.Rated) * uint64(w.scale), signed(w.value), true}
	}
	if before != nil && p.known && p.basis == ByCounter && p.charge.event == "" && p.discharge.event == "" {
		if elapsed := Millis(s.Time - before.Time); elapsed <= m.Gap() {
			top := max(p.charge.energy, p.discharge.energy)
			return rate{uint64(top) * uint64(Hour), uint64(m.Rated) * uint64(elapsed),
				signed(int64(p.charge.energy - p.discharge.energy)), true}
		}
	}
	if s.Has&HasSoC == 0 {
		return rate{}
	}
	// The window begins with the newest sample that was old enough before, so
	// the one sought is near its front.
	old := -1
	for old+1 < len(window) && Millis(s.Time-window[old+1].at) >= rateWindow {
		old++
	}
	if old >= 0 {
		age := Millis(s.Time - window[old].at)
		return rate{uint64(rangeOf(s.SoC, window[old].soc)) * uint64(Hour), 1000 * uint64(age),
			signed(int64(s.SoC - window[old].soc)), true}
	}
	return rate{}
}

// side says where a temperature lies against the flat part of a table.
type side int8

const (
	cold side = iota - 1
	flat
	hot
)

// judgement is what a limit table says of one sample.
type judgement struct {
	kind    ExcursionKind
	over    bool
	allowed MicroC
}

// sideOf tells on which side of the flat part a sample is, and by which
// temperature: the coldest cell decides cold, the hottest hot.
func sideOf(t LimitTable, s *Sample) (side, CentiCelsius) {
	low, high, _ := t.Flat()
	if s.Temp < low {
		return cold, s.Temp
	}
	top := s.Temp
	if s.Has&HasTempMax != 0 {
		top = max(s.Temp, s.TempMax)
	}
	if top > high {
		return hot, top
	}
	return flat, s.Temp
}

// rateKind names the excursion by direction and side.
func rateKind(charging bool, where side) ExcursionKind {
	if charging {
		return [...]ExcursionKind{ColdCharge, ChargeRate, HotCharge}[where+1]
	}
	return [...]ExcursionKind{ColdDischarge, DischargeRate, HotDischarge}[where+1]
}

// judge checks a sample with a known rate and temperature against the table of
// its direction; ok is false where there is nothing to check against.
func judge(m *Model, s *Sample, r rate) (j judgement, ok bool) {
	table := m.ChargeLimit
	if r.dir < 0 {
		table = m.DischargeLimit
	}
	if r.dir == 0 || len(table) == 0 {
		return judgement{}, false
	}
	where, temp := sideOf(table, s)
	num, den := table.at(temp)
	j.kind = rateKind(r.dir > 0, where)
	j.allowed = MicroC(num / den)
	j.over = r.above(0, 1, restRate) && r.above(num, den, rateMargin)
	return j, true
}
