package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"runtime/metrics"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/ingest/decode"
)

const (
	mebibyte = 1 << 20
	gibibyte = 1 << 30
	// mostHeap is how much more memory than before anything hostile may take,
	// garbage not yet collected included.
	mostHeap = 64 * mebibyte
)

// heapPeak gives the largest size of the heap's objects while f runs, above
// that before.
func heapPeak(f func()) uint64 {
	sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	now := func() uint64 {
		metrics.Read(sample)
		return sample[0].Value.Uint64()
	}
	runtime.GC()
	before := now()
	peak, stop, done := before, make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for tick := time.NewTicker(2 * time.Millisecond); ; {
			peak = max(peak, now())
			select {
			case <-stop:
				tick.Stop()
				return
			case <-tick.C:
			}
		}
	}()
	f()
	close(stop)
	<-done
	return peak - before
}

// takes runs f, logs what it took and fails above the bound.
func takes(t *testing.T, bound uint64, f func()) {
	t.Helper()
	start := time.Now()
	peak := heapPeak(f)
	t.Logf("%.1f MiB of heap at most, %.1f s", float64(peak)/mebibyte, time.Since(start).Seconds())
	if peak > bound {
		t.Errorf("%d bytes of heap, want at most %d", peak, bound)
	}
}

// asFile gives a file that holds what r gives, and keeps nothing of it.
func asFile(t *testing.T, r io.Reader) *os.File {
	t.Helper()
	from, to, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { from.Close() })
	go func() {
		// Whoever reads may stop before the end.
		_, _ = io.Copy(to, r)
		to.Close()
	}()
	return from
}

// asPath is asFile for what opens files by name.
func asPath(t *testing.T, r io.Reader) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "file")
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	go func() {
		to, err := os.OpenFile(path, os.O_WRONLY, 0)
		if err != nil {
			return
		}
		_, _ = io.Copy(to, r)
		to.Close()
	}()
	return path
}

// bomb is a gibibyte of one line over and over in a megabyte of gzip: the same
// packed mebibytes over and over.
func bomb(t *testing.T, line string) func() io.Reader {
	t.Helper()
	const part = 32 * mebibyte
	pack := func(r io.Reader) []byte {
		var out bytes.Buffer
		z, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
		if err == nil {
			_, err = io.Copy(z, r)
		}
		if err == nil {
			err = z.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
		return out.Bytes()
	}
	head := pack(strings.NewReader("unit,time,soc_pct,remark\n"))
	body := pack(io.LimitReader(&endless{text: line}, part/int64(len(line))*int64(len(line))))
	return func() io.Reader {
		readers := []io.Reader{bytes.NewReader(head)}
		for range gibibyte / part {
			readers = append(readers, bytes.NewReader(body))
		}
		return io.MultiReader(readers...)
	}
}

// noProfiles has the profile of no collector.
type noProfiles struct{}

func (noProfiles) Profile(context.Context, string) (body, hash []byte, err error) {
	return nil, nil, nil
}

func (noProfiles) ProfileByHash(context.Context, []byte) ([]byte, error) {
	return nil, analytics.ErrNotFound
}

// delivered reads a delivery as a worker does and gives why it is refused.
func delivered(t *testing.T, contentType string, body []byte) string {
	t.Helper()
	in, err := (&ingest.Reader{Profiles: noProfiles{}}).Read(t.Context(), ingest.Envelope{ContentType: contentType, Body: body})
	if err != nil || len(in.Units) != 0 || len(in.Refused) != 1 {
		t.Fatalf("%d units, %d refused, %v", len(in.Units), len(in.Refused), err)
	}
	return in.Refused[0].Reason
}

// decoded reads with the limits of an offline count.
func decoded(t *testing.T, r io.Reader) (decode.Report, error) {
	t.Helper()
	return decode.Decode(t.Context(), r, offlineLimits(), none{})
}

// refusedFor fails unless a delivery is refused for a reason.
func refusedFor(t *testing.T, err error, reason string) {
	t.Helper()
	var refused *decode.Refused
	if !errors.As(err, &refused) || refused.Reason != reason {
		t.Errorf("got %v, want %s", err, reason)
	}
}

// cutAll cuts a file as load does; it gives the bytes of all pieces.
func cutAll(t *testing.T, r io.Reader) (pieces int, size int64, err error) {
	t.Helper()
	err = cutFile(asFile(t, r), 0, func(p piece) error {
		if len(p.body) > wholeBytes {
			t.Errorf("piece of %d bytes", len(p.body))
		}
		pieces++
		size += int64(len(p.body))
		return nil
	})
	return pieces, size, err
}

// offline counts what comes through a pipe as the command does.
func offline(t *testing.T, r io.Reader) error {
	t.Helper()
	return countFile(t, asPath(t, r))
}

func countFile(t *testing.T, path string) error {
	t.Helper()
	cmd := countCmd{
		Files: []string{path}, Models: filepath.Join(testdata, "catalogue", "models.yaml"),
		UnitModel: "HB-5", Terms: "HB-5 home 2026",
	}
	return cmd.Run(t.Context())
}

func TestBombInBoundedMemory(t *testing.T) {
	row := bomb(t, "HB5-1,2026-01-05T00:00:00Z,50,"+strings.Repeat("x", 1000)+"\n")
	blank := bomb(t, strings.Repeat("\n", 4096))
	t.Run("delivery", func(t *testing.T) {
		body, err := io.ReadAll(row())
		if err != nil {
			t.Fatal(err)
		}
		takes(t, mostHeap, func() {
			if reason := delivered(t, "text/csv", body); reason != decode.ReasonUnpackRatio {
				t.Errorf("refused for %s", reason)
			}
		})
	})
	t.Run("delivery in zstd", func(t *testing.T) {
		z, err := zstd.NewWriter(nil)
		if err != nil {
			t.Fatal(err)
		}
		body := bytes.Repeat(z.EncodeAll(bytes.Repeat([]byte("unit,time,soc_pct\n"), mebibyte), nil), 64)
		takes(t, mostHeap, func() {
			if reason := delivered(t, "text/csv", body); reason != decode.ReasonUnpackRatio {
				t.Errorf("refused for %s", reason)
			}
		})
	})
	t.Run("count", func(t *testing.T) {
		takes(t, mostHeap, func() { refusedFor(t, offline(t, blank()), decode.ReasonUnpackRatio) })
	})
	t.Run("load", func(t *testing.T) {
		takes(t, mostHeap, func() {
			pieces, size, err := cutAll(t, row())
			if err != nil || size < gibibyte/100*99 || pieces < gibibyte/pieceBytes {
				t.Errorf("%d pieces of %d bytes, %v", pieces, size, err)
			}
		})
	})
}

// longLine is a file whose second line is a gibibyte long.
func longLine(quote string) io.Reader {
	return io.MultiReader(strings.NewReader("unit,time,soc_pct\n"+quote), io.LimitReader(&endless{text: strings.Repeat("x", 4096)}, gibibyte),
		strings.NewReader("\nHB5-1,2026-01-05T00:00:00Z,50\n"))
}

func TestLongLineInBoundedMemory(t *testing.T) {
	for name, quote := range map[string]string{"plain": "", "in quotes": `"`} {
		t.Run("delivery, "+name, func(t *testing.T) {
			takes(t, mostHeap, func() {
				_, err := decode.Decode(t.Context(), longLine(quote), decode.Options{}, none{})
				refusedFor(t, err, decode.ReasonUnpackedTooBig)
			})
		})
		t.Run("count, "+name, func(t *testing.T) {
			takes(t, mostHeap, func() {
				rep, err := decoded(t, longLine(quote))
				if err != nil || rep.Accepted != 1 || rep.RawBytes < gibibyte || rep.Problems[decode.ReasonLineTooLong] != 1 {
					t.Errorf("%d accepted, problems %v, %v", rep.Accepted, rep.Problems, err)
				}
			})
		})
		t.Run("load, "+name, func(t *testing.T) {
			takes(t, mostHeap, func() {
				pieces, size, err := cutAll(t, longLine(quote))
				if err != nil || pieces != 1 || size > 2*lineKeep {
					t.Errorf("%d pieces of %d bytes, %v", pieces, size, err)
				}
			})
		})
	}
}

// TestLongElementInBoundedMemory: an array that holds one sample of a gibibyte is
// given up, whether the sample ends or not.
func TestLongElementInBoundedMemory(t *testing.T) {
	for name, end := range map[string]string{"text": `"}]`, "text without an end": ""} {
		t.Run(name, func(t *testing.T) {
			takes(t, mostHeap, func() {
				pieces, _, err := cutAll(t, io.MultiReader(strings.NewReader(`[{"unit":"`),
					io.LimitReader(&endless{text: strings.Repeat("x", 4096)}, gibibyte), strings.NewReader(end)))
				if pieces != 0 || err == nil || !strings.Contains(err.Error(), "more than 1024 KiB") {
					t.Errorf("%d pieces, %v", pieces, err)
				}
			})
		})
	}
}

// manyRows gives rows of four units, a minute apart.
type manyRows struct {
	n, next int
	buf     []byte
}

func (m *manyRows) Read(b []byte) (int, error) {
	for len(m.buf) < len(b) && m.next < m.n {
		m.buf = append(m.buf, "HB5-"...)
		m.buf = strconv.AppendInt(m.buf, int64(m.next%4), 10)
		m.buf = append(m.buf, ',')
		m.buf = strconv.AppendInt(m.buf, 1_767_571_200+60*int64(m.next/4), 10)
		m.buf = append(m.buf, ',')
		m.buf = strconv.AppendInt(m.buf, int64(20+m.next/4%60), 10)
		m.buf = append(m.buf, '\n')
		m.next++
	}
	if len(m.buf) == 0 {
		return 0, io.EOF
	}
	n := copy(b, m.buf)
	m.buf = m.buf[:copy(m.buf, m.buf[n:])]
	return n, nil
}

func rows(n int) io.Reader {
	return io.MultiReader(strings.NewReader("unit,time,soc_pct\n"), &manyRows{n: n})
}

// TestManyRowsInBoundedMemory reads a million rows, or as many as
// FADELEDGER_HOSTILE_ROWS says. Only a count of what can be read but once keeps
// anything of them: it may have to put them in order.
func TestManyRowsInBoundedMemory(t *testing.T) {
	n := 1_000_000
	if text := os.Getenv("FADELEDGER_HOSTILE_ROWS"); text != "" {
		var err error
		if n, err = strconv.Atoi(text); err != nil || n < 1_000_000 {
			t.Fatalf("FADELEDGER_HOSTILE_ROWS=%q: want a number from a million on", text)
		}
	}
	t.Logf("%d rows", n)
	t.Run("delivery", func(t *testing.T) {
		body, err := io.ReadAll(rows(600_000))
		if err != nil {
			t.Fatal(err)
		}
		// What was read before the limit is held once, by unit.
		takes(t, 128*mebibyte, func() {
			if reason := delivered(t, "text/csv", body); reason != decode.ReasonTooManyRows {
				t.Errorf("refused for %s", reason)
			}
		})
	})
	t.Run("decoder", func(t *testing.T) {
		takes(t, mostHeap, func() {
			if rep, err := decoded(t, rows(n)); err != nil || rep.Accepted != int64(n) {
				t.Errorf("%d accepted, %v", rep.Accepted, err)
			}
		})
	})
	t.Run("load", func(t *testing.T) {
		takes(t, mostHeap, func() {
			if pieces, size, err := cutAll(t, rows(n)); err != nil || size < int64(n)*18 {
				t.Errorf("%d pieces of %d bytes, %v", pieces, size, err)
			}
		})
	})
	t.Run("count", func(t *testing.T) {
		file, err := os.Create(filepath.Join(t.TempDir(), "rows.csv"))
		if err == nil {
			_, err = io.Copy(file, rows(n))
		}
		if err == nil {
			err = file.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
		takes(t, mostHeap, func() {
			if err := countFile(t, file.Name()); err != nil {
				t.Error(err)
			}
		})
	})
	t.Run("count of a pipe", func(t *testing.T) {
		const aRow = 400 // bytes, for sorting and growing too
		takes(t, mostHeap+uint64(n)*aRow, func() {
			if err := offline(t, rows(n)); err != nil {
				t.Error(err)
			}
		})
	})
}

// JSON that is all keys or all brackets is given up at once.
func TestJSONBombs(t *testing.T) {
	const million = 1_000_000
	var keys strings.Builder
	keys.WriteString(`{"unit":"HB5-1","time":1767571200`)
	for i := range million {
		fmt.Fprintf(&keys, `,"k%d":1`, i)
	}
	keys.WriteString("}")
	deep := strings.Repeat("[", million) + strings.Repeat("]", million)
	deepObject := `{"unit":"HB5-1","x":` + strings.Repeat(`{"x":`, million) + "1" + strings.Repeat("}", million) + "}"
	for name, c := range map[string]struct {
		body, contentType, reason string
	}{
		"keys":                 {"[" + keys.String() + "]", "application/json", decode.ReasonLineTooLong},
		"keys of an envelope":  {`{"collector":"c",` + keys.String()[1:], "application/json", decode.ReasonTooManyKeys},
		"depth":                {deep, "application/json", decode.ReasonJSONDepth},
		"depth of an object":   {deepObject, "application/json", decode.ReasonJSONDepth},
		"depth in an envelope": {`{"samples":[` + deepObject + "]}", "application/json", decode.ReasonJSONDepth},
	} {
		t.Run(name, func(t *testing.T) {
			start := time.Now()
			takes(t, mostHeap, func() {
				if reason := delivered(t, c.contentType, []byte(c.body)); reason != c.reason {
					t.Errorf("refused for %s, want %s", reason, c.reason)
				}
			})
			if took := time.Since(start); took > 2*time.Second {
				t.Errorf("took %v", took)
			}
		})
	}
	t.Run("lines", func(t *testing.T) {
		takes(t, mostHeap, func() {
			body := strings.NewReader(keys.String() + "\n" + deepObject + "\n" + `{"unit":"HB5-1","time":1767571200}` + "\n")
			rep, err := decode.Decode(t.Context(), body, decode.Options{ContentType: "application/x-ndjson"}, none{})
			if err != nil || rep.Accepted != 1 || rep.Problems[decode.ReasonLineTooLong] != 1 || rep.Problems[decode.ReasonJSONDepth] != 1 {
				t.Errorf("accepted %d, problems %v, %v", rep.Accepted, rep.Problems, err)
			}
		})
	})
}
