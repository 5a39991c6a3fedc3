package decode

import "fadeledger/analytics"

// trend is what one delivery shows of one unit as a whole. A single row tells
// little of a wrong unit or sign; hours of them do. What it finds is told as a
// note and never mended, and nothing is kept out of the count for it: a
// battery may be empty for a day, and a person decides.
type trend struct {
	serial analytics.Serial
	// last is the sample before of those that are followed; first and end bound
	// their time.
	last       analytics.Sample
	first, end analytics.Instant
	samples    int64
	// against and along sum the changes of state of charge, in 0.1 %, that went
	// against and along with the sign of power or current; today those of one UTC
	// day, so that a flip in the middle of a long file shows.
	against, along  int64
	today           dayFlow
	flippedDay      bool
	socLow, socHigh analytics.SoC
	tempLow         analytics.CentiCelsius
	hasSoC, hasTemp bool
	// moved is the energy of power over time in mW·s, counted that of the
	// lifetime counters over the same pairs in mWh; a step back voids it.
	moved, counted int64
	countersBack   bool
	// power and product sum |P| and |U·I|, in mW, of samples that carry both.
	power, product, both int64
	// socStill and tempStill follow a value that does not change.
	socStill, tempStill still
}

// dayFlow is what goes against and along with the sign in one UTC day.
type dayFlow struct {
	day            analytics.Day
	against, along int64
}

func (f *dayFlow) flipped() bool {
	return f.against >= flipEvidence && f.against > flipShare*f.along
}

// still is since when a value has not changed, and what has moved, in mW·s.
type still struct {
	since analytics.Instant
	moved int64
	stuck bool
}

// What is worth a note. Common practice, no source.
const (
	// flipEvidence is the least change of state of charge against the sign, in
	// 0.1 %, and flipShare how many times it must outweigh the change along it.
	flipEvidence = 50
	flipShare    = 4
	// pairGap bounds the pairs that are evidence of anything. Samples less than
	// thinGap behind the one before are passed over: what shows, shows in a
	// sample every few minutes, and rows come by the million.
	pairGap = analytics.Hour
	thinGap = 4 * analytics.Minute
	// looksSpan is how long a whole unit must look wrong.
	looksSpan = 24 * analytics.Hour
	// fractionMost and fractionMoves: a state of charge that moves, and never
	// above 1.0 %, is a fraction.
	fractionMost, fractionMoves analytics.SoC = 10, 2
	// fahrenheitLow: cells that never are below this are not at 45 °C all day.
	fahrenheitLow analytics.CentiCelsius = 4500
	// unitRatio is how far two ways to the same quantity are apart when one is
	// off by a thousand, losses and rough sampling aside.
	unitRatio = 50
	// powerPairs and powerLeast (mW) are the samples that must carry power,
	// voltage and current, and their mean by the larger way.
	powerPairs, powerLeast = 20, 50_000
	// energyLeast is the energy, in mWh, that must have moved by the larger way.
	energyLeast = 1_000_000
	// socStillSpan and tempStillSpan are how long a value may stay while
	// energyLeast moves. Cells in a heated room do keep their temperature for
	// hours, to the tenth of a degree.
	socStillSpan, tempStillSpan = 6 * analytics.Hour, 12 * analytics.Hour
	// sumMost keeps the sums of endless files from overflowing.
	sumMost = 1 << 60
)

// follow takes a sample of the unit.
func (t *trend) follow(x *analytics.Sample) {
	t.samples++
	if t.samples == 1 {
		t.first, t.end = x.Time, x.Time
		t.socStill.since, t.tempStill.since = x.Time, x.Time
	} else {
		t.pair(&t.last, x)
		t.first, t.end = min(t.first, x.Time), max(t.end, x.Time)
	}
	if x.Has&analytics.HasSoC != 0 {
		if !t.hasSoC {
			t.hasSoC, t.socLow, t.socHigh = true, x.SoC, x.SoC
		}
		t.socLow, t.socHigh = min(t.socLow, x.SoC), max(t.socHigh, x.SoC)
	}
	if x.Has&analytics.HasTemp != 0 {
		if !t.hasTemp {
			t.hasTemp, t.tempLow = true, x.Temp
		}
		t.tempLow = min(t.tempLow, x.Temp)
	}
	const all = analytics.HasPower | analytics.HasVoltage | analytics.HasCurrent
	if x.Has&all == all && t.power < sumMost && t.product < sumMost {
		t.both++
		t.power += magnitude64(int64(x.Power))
		t.product += magnitude64(int64(x.Voltage)*int64(x.Current)) / 1000
	}
	t.last = *x
}

// pair takes two samples that follow each other in the delivery.
func (t *trend) pair(a, b *analytics.Sample) {
	both := a.Has & b.Has
	gap := analytics.Millis(b.Time - a.Time)
	if gap <= 0 || gap > pairGap {
		t.socStill.begin(b.Time)
		t.tempStill.begin(b.Time)
		return
	}
	if sign := flowSign(b); sign != 0 && both&analytics.HasSoC != 0 && sign == flowSign(a) {
		t.turn(b.Time.Day(), int64(b.SoC-a.SoC)*sign)
	}
	energy := int64(0)
	if b.Has&analytics.HasPower != 0 && t.moved < sumMost {
		energy = int64(b.Power) * int64(gap) / 1000
		t.moved += magnitude64(energy)
		if both&(analytics.HasCharge|analytics.HasDischarge) == analytics.HasCharge|analytics.HasDischarge {
			in, out := int64(b.Charge-a.Charge), int64(b.Discharge-a.Discharge)
			t.countersBack = t.countersBack || in < 0 || out < 0
			t.counted += in + out
		}
	}
	t.rest(a, b, energy)
}

// turn takes a change of state of charge, negative when it goes against the
// sign.
func (t *trend) turn(day analytics.Day, change int64) {
	if day != t.today.day {
		t.flippedDay = t.flippedDay || t.today.flipped()
		t.today = dayFlow{day: day}
	}
	if change >= 0 {
		t.along += change
		t.today.along += change
	} else {
		t.against -= change
		t.today.against -= change
	}
}

// rest follows the values that stay as they are, with the energy between two
// samples. A full battery stays full while it charges on, and an empty one empty.
func (t *trend) rest(a, b *analytics.Sample, energy int64) {
	both := a.Has & b.Has
	if both&analytics.HasSoC == 0 || a.SoC != b.SoC {
		t.socStill.begin(b.Time)
	} else if !(b.SoC == 1000 && energy > 0 || b.SoC == 0 && energy < 0) {
		t.socStill.rest(b.Time, energy, socStillSpan)
	}
	if both&analytics.HasTemp == 0 || a.Temp != b.Temp {
		t.tempStill.begin(b.Time)
	} else {
		t.tempStill.rest(b.Time, energy, tempStillSpan)
	}
}

func (s *still) begin(at analytics.Instant) { s.since, s.moved = at, 0 }

func (s *still) rest(at analytics.Instant, energy int64, span analytics.Millis) {
	s.moved += magnitude64(energy)
	if analytics.Millis(at-s.since) > span && s.moved/3600 >= energyLeast {
		s.stuck = true
	}
}

// flowSign gives the sign of power, or of current where there is no power.
func flowSign(x *analytics.Sample) int64 {
	flow := int64(0)
	switch {
	case x.Has&analytics.HasPower != 0:
		flow = int64(x.Power)
	case x.Has&analytics.HasCurrent != 0:
		flow = int64(x.Current)
	}
	switch {
	case flow > 0:
		return 1
	case flow < 0:
		return -1
	}
	return 0
}

func magnitude64(v int64) int64 {
	if v < 0 {
		return -v
	}
	return v
}

// flipped reports a state of charge that moves against the sign, altogether or
// for a day.
func (t *trend) flipped() bool {
	whole := dayFlow{against: t.against, along: t.along}
	return t.flippedDay || t.today.flipped() || whole.flipped()
}

// looks lists what the unit's values look like.
func (t *trend) looks() (codes []NoteCode) {
	day := analytics.Millis(t.end-t.first) >= looksSpan
	if day && t.hasSoC && t.socHigh <= fractionMost && t.socHigh-t.socLow >= fractionMoves {
		codes = append(codes, NoteSoCLooksFraction)
	}
	if day && t.hasTemp && t.tempLow > fahrenheitLow {
		codes = append(codes, NoteTempLooksFahrenheit)
	}
	if t.both >= powerPairs && max(t.power, t.product)/t.both >= powerLeast && farApart(t.power, t.product) {
		codes = append(codes, NotePowerDisagrees)
	}
	moved := t.moved / 3600
	if !t.countersBack && max(moved, t.counted) >= energyLeast && farApart(moved, t.counted) {
		codes = append(codes, NoteCountersDisagree)
	}
	if t.socStill.stuck || t.tempStill.stuck {
		codes = append(codes, NoteValueStuck)
	}
	return codes
}

// farApart reports two positive sums of which one is unitRatio times the other.
func farApart(a, b int64) bool {
	return a > 0 && b > 0 && max(a, b)/unitRatio >= min(a, b)
}
