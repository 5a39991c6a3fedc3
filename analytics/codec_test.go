package analytics_test

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"reflect"
	"testing"

	"fadeledger/analytics"
	"pgregory.net/rapid"
)

// TestStateRoundTrip: on walks with any fields, a state that is written and
// read after every sample goes on exactly like one that never was.
func TestStateRoundTrip(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		m := testModel()
		walk := drawWalk(rt, 30)
		var kept, read analytics.Counter
		var keptOut, readOut analytics.Effects
		for _, s := range walk {
			b := encode(t, &kept)
			if again := encode(t, decode(t, b)); !bytes.Equal(b, again) {
				rt.Fatalf("state changes when it is read: %x and %x", b, again)
			}
			read = *decode(t, encode(t, &read))
			kept.Step(m, s, &keptOut)
			read.Step(m, s, &readOut)
		}
		if !bytes.Equal(encode(t, &kept), encode(t, &read)) {
			rt.Fatal("state differs after reading it in between")
		}
		if !reflect.DeepEqual(readable(keptOut), readable(readOut)) {
			rt.Fatalf("effects differ after reading in between:\n%+v\n%+v", keptOut, readOut)
		}
		sameReadings(rt, &kept, &read)
	})
}

// readable gives effects as they can be compared.
func readable(e analytics.Effects) []any {
	return []any{analytics.DaysOf(e.Days), e.Excursions, e.Events}
}

// sameReadings compares everything that can be read from two states.
func sameReadings(t *rapid.T, a, b *analytics.Counter) {
	read := func(c *analytics.Counter) []any {
		today, ok := c.Today()
		return []any{
			c.Samples(), c.First(), c.Last(), c.Covered(), c.Checked(), c.Energy(), c.Total(), c.HalfCycles(),
			c.Tallies(), c.Curtailed(), c.OpenExcursions(), analytics.DaysOf([]analytics.Segment{today}), ok,
		}
	}
	if x, y := read(a), read(b); !reflect.DeepEqual(x, y) {
		t.Fatalf("readings differ:\n%+v\n%+v", x, y)
	}
}

func TestStateEmpty(t *testing.T) {
	var c analytics.Counter
	b := encode(t, &c)
	if want := []byte{analytics.CounterVersion, 0}; !bytes.Equal(b, want) {
		t.Errorf("zero value: %x, want %x", b, want)
	}
	if got := decode(t, b).Samples(); got != 0 {
		t.Errorf("samples %d, want 0", got)
	}
	kept, err := c.AppendBinary([]byte("ab"))
	if err != nil || string(kept[:2]) != "ab" || !bytes.Equal(kept[2:], b) {
		t.Errorf("appended to ab: %q, %v", kept, err)
	}
}

func TestStateVersion(t *testing.T) {
	c := typicalState(t, 2)
	b := encode(t, c)
	for v := range 256 {
		if v == analytics.CounterVersion {
			continue
		}
		b[0] = byte(v)
		var got analytics.Counter
		if err := got.UnmarshalBinary(b); !errors.Is(err, analytics.ErrStateVersion) {
			t.Fatalf("version %d: %v, want ErrStateVersion", v, err)
		}
	}
	var got analytics.Counter
	if err := got.UnmarshalBinary(nil); err == nil || errors.Is(err, analytics.ErrStateVersion) {
		t.Errorf("no bytes: %v, want another error", err)
	}
}

// TestStateTruncated: no beginning of a state, and no state with a byte more,
// passes for one.
func TestStateTruncated(t *testing.T) {
	b := encode(t, busyState(t))
	for n := range b {
		if err := new(analytics.Counter).UnmarshalBinary(b[:n]); err == nil {
			t.Errorf("first %d of %d bytes are taken", n, len(b))
		}
	}
	for _, more := range []byte{0, 1, 0x80, 0xff} {
		if err := new(analytics.Counter).UnmarshalBinary(append(bytes.Clone(b), more)); err == nil {
			t.Errorf("a byte %#x more is taken", more)
		}
	}
}

// TestStateImpossible: bytes that say what no count can lead to are refused.
func TestStateImpossible(t *testing.T) {
	if err := new(analytics.Counter).UnmarshalBinary([]byte{analytics.CounterVersion, 2, 1}); err == nil {
		t.Error("a state of -1 samples is taken")
	}
	// The stack 0, 2000 in tenths of a percent has a depth that has no bin.
	c := analytics.Count(testModel(), []analytics.Sample{at(0, soc(0)), at(minute, soc(1000)), at(2*minute, soc(0))}).Counter
	b := encode(t, &c)
	stack := binary.AppendVarint(binary.AppendVarint([]byte{4}, 0), 1000) // two points
	if bytes.Count(b, stack) != 1 {
		t.Fatalf("stack %x is not once in %x", stack, b)
	}
	deeper := binary.AppendVarint(binary.AppendVarint([]byte{4}, 0), 2000)
	if err := new(analytics.Counter).UnmarshalBinary(bytes.Replace(b, stack, deeper, 1)); err == nil {
		t.Error("a turning point at 200 % is taken")
	}
}

// TestDayRoundTrip: a day is written and read back whole; no beginning of its
// bytes, no other version and no byte more passes for one.
func TestDayRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := analytics.Count(testModel(), drawWalk(t, 30))
		var read []analytics.Segment
		for _, g := range a.Segments() {
			b := encodeDay(t, &g)
			var got analytics.Segment
			if err := got.UnmarshalBinary(b); err != nil || !bytes.Equal(encodeDay(t, &got), b) {
				t.Fatalf("got %+v, %v, want %+v", got, err, g)
			}
			read = append(read, got)
			for n := range b {
				if err := got.UnmarshalBinary(b[:n]); err == nil {
					t.Fatalf("first %d of %d bytes are taken", n, len(b))
				}
			}
			if err := got.UnmarshalBinary(append(bytes.Clone(b), 0)); err == nil {
				t.Fatal("a byte more is taken")
			}
			b[0]++
			if err := got.UnmarshalBinary(b); !errors.Is(err, analytics.ErrStateVersion) {
				t.Fatalf("another version: %v, want ErrStateVersion", err)
			}
		}
		if got, want := analytics.DaysOf(read), a.AllDays(); !reflect.DeepEqual(got, want) {
			t.Fatalf("days read back:\n%+v\nwant\n%+v", got, want)
		}
	})
}

func encodeDay(t rapid.TB, g *analytics.Segment) []byte {
	b, err := g.AppendBinary(nil)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// busyState has seen every field and kind, and holds open episodes.
func busyState(t testing.TB) *analytics.Counter {
	t.Helper()
	m := testModel()
	a := analytics.Count(m, []analytics.Sample{
		at(0, soc(500), coldest(2000), power(6_000_000), charged(5), discharged(6)),
		at(minute, soc(510), coldest(5000), hottest(5200), power(4_500_000), current(1), voltage(2)),
		at(2*minute, soc(505), coldest(-500), power(900_000)),
		at(3*minute, soc(515), coldest(6100), power(0)),
		at(4*minute, soc(40), coldest(-2500), power(-900_000), charged(9), discharged(9)),
		at(5*minute, soc(45), coldest(-600), hottest(-100), power(900_000), mean),
		at(6*minute, soc(30), coldest(-600), power(800_000), charged(9), discharged(9)),
	})
	if len(a.Counter.OpenExcursions()) < 5 {
		t.Fatalf("busy state holds only %v", a.Counter.OpenExcursions())
	}
	return &a.Counter
}

// typicalState counts an invented home for some days at one sample a minute:
// sun by day, a load at night, cells that follow the season, a noisy last digit.
func typicalState(t testing.TB, days int) *analytics.Counter {
	t.Helper()
	m := testModel()
	var c analytics.Counter
	var out analytics.Effects
	for _, s := range homeSeries(days*24*60, rand.New(rand.NewPCG(60, 1))) {
		c.Step(m, s, &out)
		out = analytics.Effects{}
	}
	return &c
}

// homeSeries is n minutes of an invented home with every field.
func homeSeries(n int, rng *rand.Rand) []analytics.Sample {
	samples := make([]analytics.Sample, n)
	energy, in, out := 5e6, 0.0, 0.0 // mWh
	start := analytics.Instant(19_000) * day
	for i := range samples {
		clock := i % (24 * 60)
		watt := -400 - 900*rng.Float64()
		if clock > 9*60 && clock < 16*60 {
			watt = 3000*rng.Float64() - 300
		}
		step := watt * 1000 / 60
		if e := energy + step; e < 6e5 || e > 9.9e6 {
			watt, step = 0, 0
		}
		energy += step
		in, out = in+max(step, 0), out+max(-step, 0)
		temp := analytics.CentiCelsius(1500 + 10*(i/1440) + clock/4)
		samples[i] = at(start+analytics.Instant(i)*minute,
			soc(analytics.SoC(energy/1e4)+analytics.SoC(rng.IntN(2))), power(analytics.Milliwatts(watt*1000)),
			current(analytics.Milliamps(watt*1000/51)), voltage(51_200), coldest(temp), hottest(temp+150),
			charged(analytics.MilliwattHours(in)), discharged(analytics.MilliwattHours(out)))
	}
	return samples
}

// TestStateSize: the state of a typical unit after 60 days at one sample a
// minute is at most 256 bytes.
func TestStateSize(t *testing.T) {
	c := typicalState(t, 60)
	h := c.HalfCycles()
	var deepest int
	for k, n := range h {
		if n > 0 {
			deepest = k
		}
	}
	if c.Samples() != 60*24*60 || deepest < 100 {
		t.Fatalf("not a typical unit: %d samples, deepest bin %d", c.Samples(), deepest)
	}
	b := encode(t, c)
	t.Logf("state of %d samples: %d bytes", c.Samples(), len(b))
	if len(b) > 256 {
		t.Errorf("state has %d bytes, want at most 256", len(b))
	}
}

// FuzzState reads any bytes: they give an error or a state that can be read,
// written and stepped on.
func FuzzState(f *testing.F) {
	var empty analytics.Counter
	f.Add(encode(f, &empty))
	f.Add(encode(f, busyState(f)))
	f.Add(encode(f, typicalState(f, 2)))
	f.Add([]byte{analytics.CounterVersion})
	f.Fuzz(func(t *testing.T, b []byte) {
		var c analytics.Counter
		if err := c.UnmarshalBinary(b); err != nil {
			return
		}
		c.HalfCycles()
		c.Tallies()
		c.Curtailed()
		for _, e := range c.OpenExcursions() {
			if _, err := json.Marshal(e); err != nil {
				t.Fatalf("open episode: %v", err)
			}
		}
		written := encode(t, &c)
		if again := encode(t, decode(t, written)); !bytes.Equal(written, again) {
			t.Fatalf("written %x, read and written again %x", written, again)
		}
		if c.Samples() < 0 {
			t.Fatalf("%d samples", c.Samples())
		}
		if next := c.Last().Time + minute; c.Samples() > 0 && next > c.Last().Time {
			var out analytics.Effects
			c.Step(testModel(), at(next, soc(500), coldest(500), power(1000)), &out)
			c.HalfCycles()
		}
	})
}
