package decode_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"runtime"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"

	"fadeledger/ingest/decode"
)

const goodCSV = "unit,time,soc_pct\nHB5-1,2026-01-05T00:00:00Z,50\n"

func gzipped(t *testing.T, text string) []byte {
	t.Helper()
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	if _, err := io.WriteString(w, text); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func zstded(t *testing.T, text string) []byte {
	t.Helper()
	w, err := zstd.NewWriter(nil)
	if err != nil {
		t.Fatal(err)
	}
	return w.EncodeAll([]byte(text), nil)
}

func utf16Bytes(text string, big bool) string {
	var b strings.Builder
	for _, unit := range utf16.Encode([]rune(text)) {
		hi, lo := byte(unit>>8), byte(unit)
		if big {
			b.Write([]byte{hi, lo})
		} else {
			b.Write([]byte{lo, hi})
		}
	}
	return b.String()
}

func TestWholeDeliveriesAreRefused(t *testing.T) {
	t.Parallel()
	gz, zst := gzipped(t, goodCSV), zstded(t, goodCSV)
	badSum := bytes.Clone(gz)
	badSum[len(badSum)-6] ^= 1
	csvOnly := decode.Options{ContentType: "text/csv"}
	cases := map[string]struct {
		body   string
		opt    decode.Options
		reason string
		line   int
	}{
		"no bytes":                     {"", decode.Options{}, decode.ReasonEmpty, 0},
		"no bytes, announced as gzip":  {"", decode.Options{ContentEncoding: "gzip"}, decode.ReasonEmpty, 0},
		"blanks":                       {" \n\r\n", decode.Options{}, decode.ReasonEmpty, 0},
		"comments only":                {"# nothing\n", decode.Options{}, decode.ReasonEmpty, 1},
		"UTF-16 without a mark":        {utf16Bytes(goodCSV, false), decode.Options{}, decode.ReasonCharsetUnknown, 0},
		"binary":                       {"\x01\x02\x03\x04\x05\x06\x07\x08", decode.Options{}, decode.ReasonCharsetUnknown, 0},
		"gzip cut":                     {string(gz[:len(gz)-9]), decode.Options{}, decode.ReasonPackedTruncated, 0},
		"gzip with a wrong checksum":   {string(badSum), decode.Options{}, decode.ReasonPackedChecksum, 0},
		"gzip with bytes behind":       {string(gz) + "garbage here", decode.Options{}, decode.ReasonPackedTrailing, 0},
		"gzip announced, plain":        {goodCSV, decode.Options{ContentEncoding: "gzip"}, decode.ReasonPackedHeader, 0},
		"zstd cut":                     {string(zst[:len(zst)-9]), decode.Options{}, decode.ReasonPackedTruncated, 0},
		"zstd of an unknown kind":      {"\x28\xb5\x2f\xfd\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff", decode.Options{}, decode.ReasonPackedCorrupt, 0},
		"zstd announced, plain":        {goodCSV, decode.Options{ContentEncoding: "zstd"}, decode.ReasonPackedHeader, 0},
		"an encoding that is not read": {goodCSV, decode.Options{ContentEncoding: "br"}, decode.ReasonEncodingUnsupported, 0},
		"a type that is not read":      {goodCSV, decode.Options{ContentType: "text/plain"}, decode.ReasonTypeUnsupported, 0},
		"a zip archive":                {"PK\x03\x04\x14\x00", csvOnly, decode.ReasonArchive, 0},
		"a web page":                   {"\n<!DOCTYPE html><html>Sign in</html>", csvOnly, decode.ReasonWebPage, 1},
		"JSON announced as CSV":        {`{"unit":"a"}`, csvOnly, decode.ReasonTypeMismatchWhole, 1},
		"CSV announced as JSON":        {goodCSV, decode.Options{ContentType: "application/json"}, decode.ReasonTypeMismatchWhole, 1},

		"no header":               {"HB5-1,2026-01-05T00:00:00Z,50\n", csvOnly, decode.ReasonHeaderMissing, 1},
		"no unit":                 {"time,soc_pct\n", csvOnly, decode.ReasonColumnMissing, 1},
		"no time":                 {"\nunit,soc_pct\n", csvOnly, decode.ReasonColumnMissing, 2},
		"a column twice":          {"unit,time,soc_pct,soc_pct\n", csvOnly, decode.ReasonColumnTwice, 1},
		"a field in two units":    {"unit,time,soc_pct,soc_frac\n", csvOnly, decode.ReasonColumnTwice, 1},
		"another case":            {"unit,time,SoC_pct\n", csvOnly, decode.ReasonColumnCase, 1},
		"a blank in the header":   {"unit, time,soc_pct\n", csvOnly, decode.ReasonColumnCase, 1},
		"milli or mega":           {"unit,time,power_mw\n", csvOnly, decode.ReasonColumnAmbiguous, 1},
		"semicolons":              {"unit;time;soc_pct\n", csvOnly, decode.ReasonDelimiterMismatch, 1},
		"tabs":                    {"\"unit\"\ttime\tsoc_pct\n", csvOnly, decode.ReasonDelimiterMismatch, 1},
		"sep line":                {"sep=;\nunit;time\n", csvOnly, decode.ReasonDelimiterMismatch, 1},
		"a second table":          {goodCSV + "time,unit,power_w\n", csvOnly, decode.ReasonHeaderChanged, 3},
		"bare carriage returns":   {"unit,time,soc_pct\rHB5-1,2026-01-05T00:00:00Z,50\r", csvOnly, decode.ReasonLineEnds, 1},
		"an open quote on top":    {"\"unit,time\n", csvOnly, decode.ReasonHeaderMissing, 1},
		"a header without an end": {strings.Repeat("x", 70_000), csvOnly, decode.ReasonHeaderMissing, 1},

		"JSON cut":                 {`[{"unit":"a","time":17`, decode.Options{}, decode.ReasonJSONSyntax, 1},
		"array without a comma":    {`[{"unit":"a"} {"unit":"b"}]`, decode.Options{}, decode.ReasonJSONSyntax, 1},
		"array with a comma more":  {`[{"unit":"a"},]`, decode.Options{}, decode.ReasonJSONSyntax, 1},
		"bytes behind an object":   {`{"unit":"a"} x`, decode.Options{}, decode.ReasonJSONTrailing, 0},
		"two objects as JSON":      {"{\"unit\":\"a\"}\n{\"unit\":\"b\"}", decode.Options{ContentType: "application/json"}, decode.ReasonJSONTrailing, 0},
		"nested too deep":          {`[{"x":` + strings.Repeat("[", 20) + strings.Repeat("]", 20) + `}]`, decode.Options{}, decode.ReasonJSONDepth, 1},
		"a sample without an end":  {`[{"x":"` + strings.Repeat("y", 70_000) + `"}]`, decode.Options{}, decode.ReasonLineTooLong, 1},
		"envelope without samples": {`{"collector":"c-07"}`, decode.Options{}, decode.ReasonEnvelope, 1},
		"envelope, samples null":   {`{"samples":null}`, decode.Options{}, decode.ReasonEnvelope, 1},
		"envelope, a number":       {`{"collector":7,"samples":[]}`, decode.Options{}, decode.ReasonEnvelope, 1},
		"envelope, key twice":      {`{"batch":"a","batch":"b","samples":[]}`, decode.Options{}, decode.ReasonDuplicateKey, 1},
		"envelope, half surrogate": {`{"batch":"\ud800","samples":[]}`, decode.Options{}, decode.ReasonJSONSurrogate, 1},
		"envelope cut":             {`{"batch":"a","samples":[]`, decode.Options{}, decode.ReasonJSONSyntax, 1},
		"envelope, long text":      {`{"batch":"` + strings.Repeat("y", 70_000) + `","samples":[]}`, decode.Options{}, decode.ReasonEnvelope, 1},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got := refusal(t, strings.NewReader(c.body), c.opt)
			if got.Reason != c.reason || got.Line != c.line {
				t.Errorf("got %s at line %d (%s), want %s at line %d", got.Reason, got.Line, got.Message, c.reason, c.line)
			}
		})
	}
}

// endless gives the same bytes for ever and counts them.
type endless struct {
	text string
	n    int
}

func (e *endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = e.text[(e.n+i)%len(e.text)]
	}
	e.n += len(p)
	return len(p), nil
}

// bomb packs size bytes of the same row.
func bomb(t *testing.T, size int) []byte {
	t.Helper()
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	if _, err := io.WriteString(w, "unit,time,soc_pct\n"); err != nil {
		t.Fatal(err)
	}
	if _, err := io.CopyN(w, &endless{text: "HB5-1,2026-01-05T00:00:00Z,50\n"}, int64(size)); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestBombStopsAtTheRatio(t *testing.T) {
	packed := bomb(t, 64<<20)
	var k discard
	var rep decode.Report
	var err error
	// The decoder's memory is what its buffers hold; the bomb is 64 MiB.
	bytesUsed := testing.Benchmark(func(b *testing.B) {
		b.ReportAllocs()
		for range b.N {
			k = discard{}
			rep, err = decode.Decode(context.Background(), bytes.NewReader(packed), decode.Options{}, &k)
		}
	}).AllocedBytesPerOp()
	var refused *decode.Refused
	if !errors.As(err, &refused) || refused.Reason != decode.ReasonUnpackRatio {
		t.Fatalf("got %v after %d rows", err, k.n)
	}
	if rep.RawBytes > decode.RatioFloorBytes+1<<20 || rep.RawBytes > 101*rep.PackedBytes+1<<20 {
		t.Errorf("unpacked %d bytes of %d packed ones before stopping", rep.RawBytes, rep.PackedBytes)
	}
	if bytesUsed > 1<<20 {
		t.Errorf("took %d bytes of memory", bytesUsed)
	}
}

func TestLimits(t *testing.T) {
	t.Parallel()
	rows := "HB5-1,2026-01-05T00:00:00Z,50\n"
	head := func() io.Reader { return strings.NewReader("unit,time,soc_pct\n") }
	cases := map[string]struct {
		body   io.Reader
		opt    decode.Options
		reason string
	}{
		"unpacked bytes": {io.MultiReader(head(), &endless{text: rows}), decode.Options{MaxUnpackedBytes: 1 << 20}, decode.ReasonUnpackedTooBig},
		"rows":           {io.MultiReader(head(), &endless{text: rows}), decode.Options{MaxRows: 1000}, decode.ReasonTooManyRows},
		"an endless line counts as bytes": {io.MultiReader(head(), &endless{text: "x"}), decode.Options{MaxUnpackedBytes: 1 << 20},
			decode.ReasonUnpackedTooBig},
		"an endless quoted cell": {io.MultiReader(head(), strings.NewReader(`"`), &endless{text: "x"}), decode.Options{MaxUnpackedBytes: 1 << 20},
			decode.ReasonUnpackedTooBig},
		"an endless array": {io.MultiReader(strings.NewReader("[{}"), &endless{text: `,{"unit":"a"}`}), decode.Options{MaxRows: 1000},
			decode.ReasonTooManyRows},
		"endless blanks":  {&endless{text: " \n"}, decode.Options{MaxUnpackedBytes: 1 << 20}, decode.ReasonUnpackedTooBig},
		"endless nesting": {io.MultiReader(strings.NewReader("["), &endless{text: "["}), decode.Options{}, decode.ReasonJSONDepth},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := refusal(t, c.body, c.opt); got.Reason != c.reason {
				t.Errorf("got %s (%s), want %s", got.Reason, got.Message, c.reason)
			}
		})
	}
}

// Sixteen megabytes take no more memory than sixteen kilobytes.
func TestLargeDeliveriesTakeLittleMemory(t *testing.T) {
	forms := map[string][2]string{
		"csv":      {"unit,time,soc_pct\n", "HB5-1,2026-01-05T00:00:00Z,50\n"},
		"ndjson":   {"{}\n", `{"unit":"HB5-1","time":1767571200,"soc_pct":50}` + "\n"},
		"array":    {"[{}", `,{"unit":"HB5-1","time":1767571200,"soc_pct":50}`},
		"bad rows": {"unit,time,soc_pct\n", "HB5-1,2026-01-05,50\n"},
	}
	for name, form := range forms {
		body := func(size int64) io.Reader {
			return io.MultiReader(strings.NewReader(form[0]), io.LimitReader(&endless{text: form[1]}, size-size%int64(len(form[1]))))
		}
		var peak uint64
		sink := counting{peak: &peak}
		if _, err := decode.Decode(context.Background(), body(16<<20), decode.Options{}, &sink); err != nil && name != "array" {
			t.Fatal(name, err)
		}
		if sink.n < 100_000 || peak > 64<<20 {
			t.Errorf("%s: %d rows, %d bytes of heap at most", name, sink.n, peak)
		}
	}
}

// counting counts rows and looks at the heap now and then.
type counting struct {
	n    int
	peak *uint64
}

func (c *counting) look() error {
	if c.n++; c.n%20_000 == 0 {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		*c.peak = max(*c.peak, m.HeapAlloc)
	}
	return nil
}

func (c *counting) Row(decode.Row) error         { return c.look() }
func (c *counting) Problem(decode.Problem) error { return c.look() }

func TestAnEndedContextStops(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := decode.Decode(ctx, &endless{text: goodCSV}, decode.Options{}, &discard{})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error) { return 0, f.err }

func TestAnErrorOfTheReaderIsNoRefusal(t *testing.T) {
	t.Parallel()
	broken := errors.New("cable pulled")
	for name, body := range map[string]io.Reader{
		"plain":  io.MultiReader(strings.NewReader(goodCSV), failing{broken}),
		"gzip":   io.MultiReader(bytes.NewReader(gzipped(t, goodCSV)[:20]), failing{broken}),
		"silent": failing{nil},
	} {
		_, err := decode.Decode(context.Background(), body, decode.Options{}, &discard{})
		var refused *decode.Refused
		if err == nil || errors.As(err, &refused) || name != "silent" && !errors.Is(err, broken) {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

type full struct{ err error }

func (f full) Row(decode.Row) error         { return f.err }
func (f full) Problem(decode.Problem) error { return f.err }

func TestAnErrorOfTheSinkStops(t *testing.T) {
	t.Parallel()
	wrong := errors.New("disk full")
	for _, body := range []string{goodCSV, "unit,time\n,\"\"\n"} {
		_, err := decode.Decode(context.Background(), strings.NewReader(body), decode.Options{}, full{wrong})
		if !errors.Is(err, wrong) || !strings.Contains(err.Error(), "line 2") {
			t.Errorf("got %v", err)
		}
	}
}
