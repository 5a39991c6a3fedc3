package analytics

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
)

// CounterVersion is the version of a serialised Counter. A state of another
// version must be made anew from the samples.
const CounterVersion = 1

// ErrStateVersion: the serialised state is of another version.
var ErrStateVersion = errors.New("counter state of another version")

// AppendBinary appends the serialised state: a version byte, then varints.
// Equal states give equal bytes.
func (c *Counter) AppendBinary(b []byte) ([]byte, error) {
	w := writer{append(b, CounterVersion)}
	w.int(c.samples)
	if c.samples == 0 {
		return w.b, nil
	}
	w.int(int64(c.first))
	w.sample(c.last)
	w.rainflow(&c.flow)
	w.bins(&c.closed)
	for _, f := range c.energy {
		w.flow(f)
	}
	w.int(int64(c.covered))
	w.int(int64(c.checked))
	w.int(c.curtailed)
	for k := range c.open {
		w.tally(&c.tally[k])
		w.episode(c.open[k])
	}
	w.int(int64(len(c.window)))
	at, soc := c.last.Time, c.last.SoC
	for i := len(c.window) - 1; i >= 0; i-- {
		p := c.window[i]
		w.int(int64(at - p.at))
		w.int(int64(soc - p.soc))
		at, soc = p.at, p.soc
	}
	w.day(&c.day)
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
	*c = Counter{samples: r.within(0, math.MaxInt64)}
	if c.samples > 0 {
		r.counter(c)
	}
	if r.err == nil && len(r.b) > 0 {
		r.err = errors.New("bytes after the end")
	}
	if r.err != nil {
		return fmt.Errorf("counter state: %w", r.err)
	}
	return nil
}

func (r *reader) counter(c *Counter) {
	c.first = Instant(r.int())
	c.last = r.sample()
	r.rainflow(&c.flow)
	r.bins(&c.closed)
	for i := range c.energy {
		c.energy[i] = r.flow()
	}
	c.covered = Millis(r.int())
	c.checked = Millis(r.int())
	c.curtailed = r.int()
	for k := range c.open {
		r.tally(&c.tally[k])
		c.open[k] = r.episode(ExcursionKind(k))
	}
	n := r.count()
	at, soc := c.last.Time, c.last.SoC
	for range n {
		at -= Instant(r.int())
		soc = r.socFrom(soc, -1)
		c.window = append(c.window, socPoint{at, soc})
	}
	slices.Reverse(c.window)
	c.day, c.dayHasCount = r.day(), true
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

func (w *writer) sample(s Sample) {
	w.int(int64(s.Time))
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

func (w *writer) tally(t *Tally) {
	w.int(t.Episodes)
	if t.Episodes == 0 {
		return
	}
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
	w.bool(e != nil)
	if e == nil {
		return
	}
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

func (w *writer) day(d *DayCount) {
	w.int(int64(d.Day))
	w.int(d.Samples)
	w.int(int64(d.Covered))
	w.int(int64(d.Checked))
	for _, f := range d.Energy {
		w.flow(f)
	}
	keys := make([]int, 0, len(d.Closed))
	for k := range d.Closed {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	w.int(int64(len(keys)))
	for _, k := range keys {
		w.int(int64(k))
		w.int(d.Closed[k])
	}
	w.bool(d.HasSoC)
	w.int(int64(d.MinSoC))
	w.int(int64(d.MaxSoC))
	w.temps(d.HasTemp, d.MinTemp, d.MaxTemp)
	w.int(int64(d.First - d.Day.Start()))
	w.int(int64(d.Last - d.Day.Start()))
}

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

func (r *reader) sample() Sample {
	s := Sample{Time: Instant(r.int()), Has: Fields(r.int())}
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

func (r *reader) tally(t *Tally) {
	if t.Episodes = r.int(); t.Episodes == 0 {
		return
	}
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
	if !r.bool() {
		return nil
	}
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

func (r *reader) day() DayCount {
	d := DayCount{Day: Day(r.int()), Samples: r.int(), Covered: Millis(r.int()), Checked: Millis(r.int())}
	for i := range d.Energy {
		d.Energy[i] = r.flow()
	}
	if n := r.count(); n > 0 {
		d.Closed = make(map[int]int64, n)
		for range n {
			k := int(r.within(0, Bins-1))
			d.Closed[k] = r.int()
		}
	}
	d.HasSoC = r.bool()
	d.MinSoC, d.MaxSoC = SoC(r.int()), SoC(r.int())
	r.temps(&d.HasTemp, &d.MinTemp, &d.MaxTemp)
	d.First = d.Day.Start() + Instant(r.int())
	d.Last = d.Day.Start() + Instant(r.int())
	return d
}

// AppendBinary appends the serialised day: a version byte, then varints.
func (d *DayCount) AppendBinary(b []byte) ([]byte, error) {
	w := writer{append(b, CounterVersion)}
	w.day(d)
	return w.b, nil
}

// UnmarshalBinary reads what AppendBinary wrote.
func (d *DayCount) UnmarshalBinary(b []byte) error {
	if len(b) == 0 || b[0] != CounterVersion {
		return fmt.Errorf("day count: %w", ErrStateVersion)
	}
	r := reader{b: b[1:]}
	*d = r.day()
	if r.err == nil && len(r.b) > 0 {
		r.err = errors.New("bytes after the end")
	}
	if r.err != nil {
		return fmt.Errorf("day count: %w", r.err)
	}
	return nil
}
