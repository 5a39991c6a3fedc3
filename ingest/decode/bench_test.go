package decode_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"sort"
	"strconv"
	"syscall"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/ingest/decode"
	"fadeledger/ingest/encode"
)

// batch gives n samples of a day of one unit, as a home battery reports them.
func batch(n int) []analytics.Sample {
	samples := make([]analytics.Sample, n)
	for i := range samples {
		samples[i] = analytics.Sample{
			Time: 1767571200000 + analytics.Instant(i)*60_000,
			Has: analytics.HasSoC | analytics.HasPower | analytics.HasTemp | analytics.HasCharge |
				analytics.HasDischarge,
			SoC: analytics.SoC(800 - i%600), Power: analytics.Milliwatts(-1_250_500 + 731*i%2_000_000),
			Temp: analytics.CentiCelsius(1500 + i%900), Charge: analytics.MilliwattHours(4_321_000_000 + 12_345*i),
			Discharge: analytics.MilliwattHours(4_100_000_000 + 11_111*i),
		}
	}
	return samples
}

type discard struct{ n int64 }

func (d *discard) Row(decode.Row) error { d.n++; return nil }
func (d *discard) Problem(p decode.Problem) error {
	return fmt.Errorf("line %d: %s: %s", p.Line, p.Reason, p.Message)
}

// sampleJSON is what a decoder of the standard library fills.
type sampleJSON struct {
	Unit      string   `json:"unit"`
	Time      string   `json:"time"`
	SoC       *float64 `json:"soc_pct"`
	Power     *float64 `json:"power_w"`
	Temp      *float64 `json:"cell_temp_c"`
	Charge    *float64 `json:"charge_kwh"`
	Discharge *float64 `json:"discharge_kwh"`
}

// plainCSV reads the body with encoding/csv and strconv into the same numbers.
func plainCSV(body []byte, out []float64) (int, error) {
	r := csv.NewReader(bytes.NewReader(body))
	r.ReuseRecord = true
	n := 0
	if _, err := r.Read(); err != nil {
		return 0, err
	}
	for {
		rec, err := r.Read()
		if errors.Is(err, io.EOF) {
			return n, nil
		}
		if err != nil {
			return n, err
		}
		at, err := time.Parse(time.RFC3339, rec[1])
		if err != nil {
			return n, err
		}
		out[0] = float64(at.UnixMilli())
		for k, cell := range rec[2:] {
			if out[k+1], err = strconv.ParseFloat(cell, 64); err != nil {
				return n, err
			}
		}
		n++
	}
}

// plainJSON reads the body with encoding/json, line by line.
func plainJSON(body []byte) (int, error) {
	n := 0
	dec := json.NewDecoder(bytes.NewReader(body))
	for {
		var s sampleJSON
		err := dec.Decode(&s)
		if errors.Is(err, io.EOF) {
			return n, nil
		}
		if err != nil {
			return n, err
		}
		if _, err := time.Parse(time.RFC3339, s.Time); err != nil {
			return n, err
		}
		n++
	}
}

const (
	benchSamples = 1000
	benchRounds  = 20
)

// cpuTime gives the processor time that this process has used.
func cpuTime(b *testing.B) time.Duration {
	b.Helper()
	var use syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &use); err != nil {
		b.Fatal(err)
	}
	return time.Duration(use.Utime.Nano() + use.Stime.Nano())
}

// compare runs both ways in turn and reports the median of the ratio of their
// processor times for so many samples: machines are shared, so that only neighbours in time
// compare, and time spent waiting says nothing.
func compare(b *testing.B, samples int, ours, plain func() (int, error)) {
	b.Helper()
	clock := func(f func() (int, error)) time.Duration {
		start := cpuTime(b)
		for range benchRounds {
			if n, err := f(); err != nil || n != samples {
				b.Fatalf("%d samples, %v", n, err)
			}
		}
		return cpuTime(b) - start
	}
	var ratios, each []float64
	for len(ratios) < 15 || len(ratios) < b.N {
		o, p := clock(ours), clock(plain)
		ratios = append(ratios, float64(o)/float64(p))
		each = append(each, float64(o.Nanoseconds())/float64(benchRounds*samples))
	}
	sort.Float64s(ratios)
	sort.Float64s(each)
	b.ReportMetric(ratios[len(ratios)/2], "ratio")
	b.ReportMetric(each[len(each)/2], "ns/sample")
}

func decodeWith(d *decode.Decoder, body []byte) (int, error) {
	var sink discard
	rep, err := d.Decode(context.Background(), bytes.NewReader(body), &sink)
	return int(rep.Accepted), err
}

// BenchmarkCSV compares with encoding/csv and strconv; the goal is 0.18.
func BenchmarkCSV(b *testing.B) {
	body := encode.AppendCSV(nil, "HB5-000017", batch(benchSamples))
	d := decode.New(decode.Options{ContentType: "text/csv"})
	out := make([]float64, 8)
	compare(b, benchSamples, func() (int, error) { return decodeWith(d, body) }, func() (int, error) { return plainCSV(body, out) })
}

// BenchmarkUploads reads deliveries of an hour of one unit each with a Decoder
// that has met a thousand units, and compares as BenchmarkCSV does.
func BenchmarkUploads(b *testing.B) {
	const rows, units = 60, 1000
	d := decode.New(decode.Options{ContentType: "text/csv"})
	var bodies [][]byte
	for i := range units {
		serial := analytics.Serial(fmt.Sprintf("HB5-%06d", i))
		bodies = append(bodies, encode.AppendCSV(nil, serial, batch(benchSamples)[:rows]))
		if _, err := decodeWith(d, bodies[i]); err != nil {
			b.Fatal(err)
		}
	}
	out := make([]float64, 8)
	next := 0
	// many reads as many deliveries as give about benchSamples.
	many := func(read func([]byte) (int, error)) (int, error) {
		for range benchSamples / rows {
			next = (next + 1) % units
			if n, err := read(bodies[next]); err != nil || n != rows {
				return n, err
			}
		}
		return benchSamples / rows * rows, nil
	}
	compare(b, benchSamples/rows*rows,
		func() (int, error) { return many(func(body []byte) (int, error) { return decodeWith(d, body) }) },
		func() (int, error) { return many(func(body []byte) (int, error) { return plainCSV(body, out) }) })
}

// BenchmarkJSON compares with encoding/json; the goal is 0.12.
func BenchmarkJSON(b *testing.B) {
	body := encode.AppendNDJSON(nil, "HB5-000017", batch(benchSamples))
	d := decode.New(decode.Options{ContentType: "application/x-ndjson"})
	compare(b, benchSamples, func() (int, error) { return decodeWith(d, body) }, func() (int, error) { return plainJSON(body) })
}

// BenchmarkCareful reads rows with quotes, which take the careful way.
func BenchmarkCareful(b *testing.B) {
	plain := encode.AppendCSV(nil, "HB5-000017", batch(benchSamples))
	body := bytes.ReplaceAll(plain, []byte("HB5-000017"), []byte(`"HB5-000017"`))
	d := decode.New(decode.Options{})
	out := make([]float64, 8)
	compare(b, benchSamples, func() (int, error) { return decodeWith(d, body) }, func() (int, error) { return plainCSV(body, out) })
}

// A delivery has its own small price; a sample must have none.
func TestSamplesAllocateNothing(t *testing.T) {
	small, large := batch(100), batch(2100)
	bodies := map[string]func([]analytics.Sample) []byte{
		"csv":    func(s []analytics.Sample) []byte { return encode.AppendCSV(nil, "HB5-000017", s) },
		"ndjson": func(s []analytics.Sample) []byte { return encode.AppendNDJSON(nil, "HB5-000017", s) },
		"array": func(s []analytics.Sample) []byte {
			lines := bytes.TrimSpace(encode.AppendNDJSON(nil, "HB5-000017", s))
			return append(append([]byte{'['}, bytes.ReplaceAll(lines, []byte("\n"), []byte(","))...), ']')
		},
		"csv in °F": func(s []analytics.Sample) []byte {
			return bytes.Replace(encode.AppendCSV(nil, "HB5-000017", s), []byte("cell_temp_c"), []byte("cell_temp_f"), 1)
		},
		"csv with quotes": func(s []analytics.Sample) []byte {
			return bytes.ReplaceAll(encode.AppendCSV(nil, "HB5-000017", s), []byte("HB5-000017"), []byte(`"HB5-000017"`))
		},
	}
	for name, body := range bodies {
		d := decode.New(decode.Options{})
		count := func(body []byte) float64 {
			return testing.AllocsPerRun(5, func() {
				if _, err := decodeWith(d, body); err != nil {
					t.Fatal(name, err)
				}
			})
		}
		if few, many := count(body(small)), count(body(large)); many > few {
			t.Errorf("%s: %v allocations for 100 samples, %v for 2100", name, few, many)
		}
	}
}
