package analytics

import (
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
)

// CounterVersion is the version of a serialised Counter or Segment. A state of
// another version must be made anew from the samples.
const CounterVersion = 2

// ErrStateVersion: the serialised state is of another version.
var ErrStateVersion = errors.New("counter state of another version")

// AppendBinary appends the serialised state: a version byte, then varints.
// Equal states give equal bytes.
func (c *Counter) AppendBinary(b []byte) ([]byte, error) {
	w := writer{append(b, CounterVersion)}
	w.bool(c.Samples() > 0)
	if c.Samples() > 0 {
		w.totals(&c.past)
		w.segment(&c.today)
	}
	return w.b, nil
}

// UnmarshalBinary reads what AppendBinary wrote. It returns ErrStateVersion
// for another version and an error for bytes that end early or run on.
func (c *Counter) UnmarshalBinary(b []byte) error {
	if len(b) == 0 {
		return errors.New("counter state: no bytes")
	}
	if b[0] != CounterVersion {
		return fmt.Errorf("%w: have %d, want %d", ErrStateVersion, b[0], CounterVersion)
	}
	r := reader{b: b[1:]}
	*c = Counter{}
	if r.bool() {
		r.totals(&c.past)
		r.segment(&c.today)
	}
	if err := r.end(); err != nil {
		return fmt.Errorf("counter state: %w", err)
	}
	return nil
}

// AppendBinary appends the serialised day: a version byte, then varints. Equal
// days give equal bytes.
func (g *Segment) AppendBinary(b []byte) ([]byte, error) {
	w := writer{append(b, CounterVersion)}
	w.segment(g)
	return w.b, nil
}

// UnmarshalBinary reads what AppendBinary wrote, as that of a Counter does.
func (g *Segment) UnmarshalBinary(b []byte) error {
	if len(b) == 0 || b[0] != CounterVersion {
		return fmt.Errorf("day: %w", ErrStateVersion)
	}
	r := reader{b: b[1:]}
	*g = Segment{}
	r.segment(g)
	if err := r.end(); err != nil {
		return fmt.Errorf("day: %w", err)
	}
	return nil
}

func (w *writer) totals(t *totals) {
	w.int(t.samples)
	if t.samples == 0 {
		return
	}
	w.int(int64(t.first))
	for _, f := range t.energy {
		w.flow(f)
	}
	w.int(int64(t.covered))
	w.int(int64(t.checked))
	w.rainflow(&t.flow)
	w.bins(&t.closed)
	w.tallies(&t.tally)
	w.int(t.curtailed)
}

func (r *reader) totals(t *totals) {
	if t.samples = r.within(0, math.MaxInt64); t.samples == 0 {
		return
	}
	t.first = Instant(r.int())
	for i := range t.energy {
		t.energy[i] = r.flow()
	}
	t.covered = Millis(r.int())
	t.checked = Millis(r.int())
	r.rainflow(&t.flow)
	r.bins(&t.closed)
	r.tallies(&t.tally)
	t.curtailed = r.int()
}

// segment writes a day that holds at least one sample.
func (w *writer) segment(g *Segment) {
	w.int(int64(g.day))
	w.int(g.samples)
	w.int(int64(g.first - g.day.Start()))
	for _, f := range g.energy {
		w.flow(f)
	}
	w.int(int64(g.covered))
	w.int(int64(g.checked))
	w.int(int64(g.link))
	w.bool(g.linkChecked)
	w.rainflow(&g.flow)
	keys := slices.Sorted(maps.Keys(g.closed))
	w.int(int64(len(keys)))
	for _, k := range keys {
		w.int(int64(k))
		w.int(g.closed[k])
	}
	kinds := 0
	for i := range g.tally {
		kinds |= 1 << g.tally[i].kind
	}
	w.int(int64(kinds))
	for i := range g.tally {
		w.tally(&g.tally[i].Tally)
	}
	w.int(g.curtailed)
	w.bool(g.hasSoC)
	if g.hasSoC {
		w.int(int64(g.minSoC))
		w.int(int64(g.maxSoC))
	}
	w.temps(g.hasTemp, g.minTemp, g.maxTemp)
	w.carry(&g.carry, g.day.Start())
}

func (r *reader) segment(g *Segment) {
	g.day = Day(r.within(math.MinInt32, math.MaxInt32))
	g.samples = r.within(1, math.MaxInt64)
	g.first = g.day.Start() + Instant(r.within(0, int64(DayLength)-1))
	for i := range g.energy {
		g.energy[i] = r.flow()
	}
	g.covered = Millis(r.int())
	g.checked = Millis(r.int())
	g.link = Millis(r.within(0, int64(longestLink)))
	g.linkChecked = r.bool()
	r.rainflow(&g.flow)
	if n := r.count(); n > 0 {
		g.closed = make(map[int]int64, min(n, Bins))
		for range n {
			k := int(r.within(0, Bins-1))
			g.closed[k] = r.int()
		}
	}
	kinds := r.within(0, 1<<ExcursionKinds-1)
	for k := range ExcursionKinds {
		if kinds&(1<<k) != 0 {
			t := kindTally{kind: ExcursionKind(k)}
			r.tally(&t.Tally)
			g.tally = append(g.tally, t)
		}
	}
	g.curtailed = r.int()
	if g.hasSoC = r.bool(); g.hasSoC {
		g.minSoC, g.maxSoC = SoC(r.within(0, maxSoC)), SoC(r.within(0, maxSoC))
	}
	r.temps(&g.hasTemp, &g.minTemp, &g.maxTemp)
	r.carry(&g.carry, g.day.Start())
}

// carry writes what a day with a sample leaves to the next one.
func (w *writer) carry(c *carry, from Instant) {
	w.sample(c.last, from)
	w.int(int64(len(c.window)))
	at, soc := c.last.Time, c.last.SoC
	for i := len(c.window) - 1; i >= 0; i-- {
		p := c.window[i]
		w.int(int64(at - p.at))
		w.int(int64(soc - p.soc))
		at, soc = p.at, p.soc
	}
	open := 0
	for k, e := range c.open {
		if e != nil {
			open |= 1 << k
		}
	}
	w.int(int64(open))
	for _, e := range c.open {
		if e != nil {
			w.episode(e)
		}
	}
}

func (r *reader) carry(c *carry, from Instant) {
	c.known = true
	c.last = r.sample(from)
	if c.last.Time.Day() != from.Day() {
		r.err = errors.Join(r.err, errors.New("the last sample is of another day"))
	}
	n := r.count()
	at, soc := c.last.Time, c.last.SoC
	for range n {
		at -= Instant(r.int())
		soc = r.socFrom(soc, -1)
		c.window = append(c.window, socPoint{at, soc})
	}
	slices.Reverse(c.window)
	open := r.within(0, 1<<ExcursionKinds-1)
	for k := range c.open {
		if open&(1<<k) != 0 {
			c.open[k] = r.episode(ExcursionKind(k))
		}
	}
}

type writer struct{ b []byte }

func (w *writer) int(v int64) { w.b = binary.AppendVarint(w.b, v) }

func (w *writer) bool(v bool) {
	if v {
		w.int(1)
	} else {
		w.int(0)
	}
}

func (w *writer) flow(f Flow) { w.int(int64(f.Charge)); w.int(int64(f.Discharge)) }

func (w *writer) sample(s Sample, from Instant) {
	w.int(int64(s.Time - from))
	w.int(int64(s.Has))
	for i, v := range s.values() {
		if s.Has&(1<<i) != 0 {
			w.int(v)
		}
	}
}

// values gives the measurements in the order of their presence bits.
func (s *Sample) values() [8]int64 {
	return [8]int64{
		int64(s.SoC), int64(s.Power), int64(s.Current), int64(s.Voltage),
		int64(s.Temp), int64(s.TempMax), int64(s.Charge), int64(s.Discharge),
	}
}

func (s *Sample) setValues(v [8]int64) {
	s.SoC, s.Power, s.Current, s.Voltage = SoC(v[0]), Milliwatts(v[1]), Milliamps(v[2]), Millivolts(v[3])
	s.Temp, s.TempMax = CentiCelsius(v[4]), CentiCelsius(v[5])
	s.Charge, s.Discharge = MilliwattHours(v[6]), MilliwattHours(v[7])
}

func (w *writer) rainflow(f *Rainflow) {
	w.bool(f.seen)
	w.int(int64(f.dir))
	w.int(int64(f.last))
	w.int(int64(len(f.stack)))
	var before SoC
	for _, s := range f.stack {
		w.int(int64(s - before))
		before = s
	}
}

func (w *writer) bins(h *HalfCycles) {
	n := 0
	for _, v := range h {
		if v != 0 {
			n++
		}
	}
	w.int(int64(n))
	before := 0
	for k, v := range h {
		if v != 0 {
			w.int(int64(k - before))
			w.int(v)
			before = k
		}
	}
}

func (w *writer) temps(has bool, low, high CentiCelsius) {
	w.bool(has)
	if has {
		w.int(int64(low))
		w.int(int64(high))
	}
}

// tallies writes which kinds there are, and those.
func (w *writer) tallies(list *[ExcursionKinds]Tally) {
	kinds := 0
	for k := range list {
		if list[k].Episodes != 0 {
			kinds |= 1 << k
		}
	}
	w.int(int64(kinds))
	for k := range list {
		if list[k].Episodes != 0 {
			w.tally(&list[k])
		}
	}
}

func (w *writer) tally(t *Tally) {
	w.int(t.Episodes)
	w.int(t.Samples)
	w.int(int64(t.Charge))
	w.int(int64(t.Discharge))
	w.int(int64(t.Time))
	w.int(int64(t.Peak))
	w.int(int64(t.First))
	w.int(int64(t.Last - t.First))
	w.temps(t.HasTemp, t.MinTemp, t.MaxTemp)
}

func (w *writer) episode(e *episode) {
	x := &e.seen
	w.int(int64(x.Start))
	w.int(int64(x.End - x.Start))
	w.int(x.Samples)
	w.temps(x.HasTemp, x.MinTemp, x.MaxTemp)
	w.int(int64(x.Peak))
	w.int(int64(x.AllowedAtPeak))
	w.flow(Flow{x.Charge, x.Discharge})
	w.int(int64(x.Ending))
	w.flow(e.waiting)
	w.int(e.waitSamples)
	w.temps(e.waitHasTemp, e.waitMin, e.waitMax)
}

// longestLink bounds the gap across midnight that a model may call covered.
const longestLink = 400 * DayLength

// maxSoC is the full state of charge: no difference exceeds it.
const maxSoC = 1000

type reader struct {
	b   []byte
	err error
}

func (r *reader) int() int64 {
	if r.err != nil {
		return 0
	}
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.err = errors.New("ends early")
		return 0
	}
	r.b = r.b[n:]
	return v
}

// within reads a number from low to high.
func (r *reader) within(low, high int64) int64 {
	v := r.int()
	if v < low || v > high {
		r.err = errors.Join(r.err, fmt.Errorf("%d is not within %d to %d", v, low, high))
		return low
	}
	return v
}

// socFrom reads a state of charge as its difference from another, times sign.
func (r *reader) socFrom(other SoC, sign int64) SoC {
	v := int64(other) + sign*r.within(-maxSoC, maxSoC)
	if v < 0 || v > maxSoC {
		r.err = errors.Join(r.err, errors.New("state of charge out of range"))
		return 0
	}
	return SoC(v)
}

// count reads a length that the remaining bytes can hold.
func (r *reader) count() int {
	n := r.int()
	if n < 0 || n > int64(len(r.b)) {
		r.err = errors.Join(r.err, errors.New("impossible length"))
		return 0
	}
	return int(n)
}

func (r *reader) bool() bool { return r.int() != 0 }

func (r *reader) flow() Flow { return Flow{MicrowattHours(r.int()), MicrowattHours(r.int())} }

func (r *reader) sample(from Instant) Sample {
	s := Sample{Time: from + Instant(r.int()), Has: Fields(r.int())}
	var v [8]int64
	for i := range v {
		if s.Has&(1<<i) != 0 {
			v[i] = r.int()
		}
	}
	s.setValues(v)
	return s
}

func (r *reader) rainflow(f *Rainflow) {
	f.seen = r.bool()
	f.dir = int8(r.within(-1, 1))
	f.last = SoC(r.within(0, maxSoC))
	var before SoC
	for range r.count() {
		before = r.socFrom(before, 1)
		f.stack = append(f.stack, before)
	}
}

func (r *reader) bins(h *HalfCycles) {
	k := int64(0)
	for range r.count() {
		k += r.int()
		n := r.int()
		if k < 0 || k >= Bins {
			r.err = errors.Join(r.err, errors.New("depth bin out of range"))
			return
		}
		h[k] = n
	}
}

func (r *reader) temps(has *bool, low, high *CentiCelsius) {
	if *has = r.bool(); *has {
		*low, *high = CentiCelsius(r.int()), CentiCelsius(r.int())
	}
}

func (r *reader) tallies(list *[ExcursionKinds]Tally) {
	kinds := r.within(0, 1<<ExcursionKinds-1)
	for k := range list {
		if kinds&(1<<k) != 0 {
			r.tally(&list[k])
		}
	}
}

func (r *reader) tally(t *Tally) {
	t.Episodes = r.within(1, math.MaxInt64)
	t.Samples = r.int()
	t.Charge = MicrowattHours(r.int())
	t.Discharge = MicrowattHours(r.int())
	t.Time = Millis(r.int())
	t.Peak = MicroC(r.int())
	t.First = Instant(r.int())
	t.Last = t.First + Instant(r.int())
	r.temps(&t.HasTemp, &t.MinTemp, &t.MaxTemp)
}

func (r *reader) episode(kind ExcursionKind) *episode {
	e := &episode{seen: Excursion{Kind: kind}}
	x := &e.seen
	x.Start = Instant(r.int())
	x.End = x.Start + Instant(r.int())
	x.Samples = r.int()
	r.temps(&x.HasTemp, &x.MinTemp, &x.MaxTemp)
	x.Peak = MicroC(r.int())
	x.AllowedAtPeak = MicroC(r.int())
	f := r.flow()
	x.Charge, x.Discharge = f.Charge, f.Discharge
	x.Ending = Ending(r.within(0, int64(EndUnseen)))
	e.waiting = r.flow()
	e.waitSamples = r.int()
	r.temps(&e.waitHasTemp, &e.waitMin, &e.waitMax)
	return e
}

// end gives the error of reading, or of bytes that are left.
func (r *reader) end() error {
	if r.err == nil && len(r.b) > 0 {
		r.err = errors.New("bytes after the end")
	}
	return r.err
}
