package ingest_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/klauspost/compress/gzip"

	"fadeledger/analytics"
	"fadeledger/ingest"
)

// outcome is what becomes of bad input.
type outcome string

const (
	// accepted: every row counts and there is nothing to tell.
	accepted outcome = "accepted"
	// noted: every row counts and the delivery has the note of the code.
	noted outcome = "accepted with a note"
	// quarantined: rows are kept out with the reason, one by one; the others count.
	quarantined outcome = "quarantined"
	// refused: nothing of the delivery counts; it is kept as a whole.
	refused outcome = "refused whole"
	// judged: every row is taken, and the count deals with it; see check.
	judged outcome = "judged by the count"
)

// badInput is one case of the catalogue of bad input. Several entries may have
// the same number.
type badInput struct {
	n    int
	name string
	// body is a CSV delivery unless contentType says otherwise; profile is that
	// of its collector.
	body, contentType, encoding, profile string
	want                                 outcome
	// code is the reason or the code of the note; bad is how many rows have the
	// reason, 1 unless set; good is how many samples count.
	code      string
	bad, good int
	// check asks what the entry cannot say in a word.
	check func(t *testing.T, in analytics.Incoming)
	// shown names the test of another package that shows the rest: file:Test.
	shown string
	// choice says in a line why it is dealt with so, where that is a choice.
	choice string
}

// Parts of deliveries.
const (
	head  = "unit,time,soc_pct\n"
	good1 = "HB5-1,2026-03-01T00:00:00Z,50\n"
	good2 = "HB5-1,2026-03-01T00:01:00Z,51\n"
)

// row is a row with a time of its own.
func row(time string) string { return "HB5-1," + time + ",50\n" }

// soc is a row with a state of charge of its own.
func soc(value string) string { return "HB5-1,2026-03-01T00:02:00Z," + value + "\n" }

// one makes a delivery of a single cell under a header.
func one(field, value string) string {
	return "unit,time," + field + "\nHB5-1,2026-03-01T00:00:00Z," + value + "\n"
}

// sample is a sample in JSON with more keys.
func sample(more string) string {
	return `{"unit":"HB5-1","time":"2026-03-01T00:00:00Z"` + more + `}`
}

// series makes n rows of HB5-1, a step in minutes apart.
func series(header string, n, step int, cells func(i int) string) string {
	var out strings.Builder
	out.WriteString("unit,time," + header + "\n")
	for i := range n {
		fmt.Fprintf(&out, "HB5-1,%d,%s\n", 1_772_323_200+60*step*i, cells(i))
	}
	return out.String()
}

func packed(text string) string { return packedAt(gzip.DefaultCompression, text) }

func packedAt(level int, text string) string {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, level)
	if err == nil {
		_, err = z.Write([]byte(text))
	}
	if closed := z.Close(); err != nil || closed != nil {
		panic(fmt.Sprint(err, closed)) // writing to memory does not fail
	}
	return b.String()
}

const catalogueSize = 112

func catalogueOfBadInput() []badInput {
	return slices.Concat(badBytes(), badCSV(), badJSON(), badTimes(), badValues(), badCounters())
}

// Every kind of bad input ends as the catalogue says, and no row is lost.
func TestCatalogueOfBadInput(t *testing.T) {
	t.Parallel()
	for _, c := range catalogueOfBadInput() {
		t.Run(fmt.Sprintf("%03d %s", c.n, c.name), func(t *testing.T) {
			t.Parallel()
			fake := &ledger{}
			if c.profile != "" {
				fake.profile = func(context.Context, string) ([]byte, []byte, error) {
					body, hash := kept(c.profile)
					return body, hash, nil
				}
			}
			e := envelope([]byte(c.body))
			if e.ContentEncoding = c.encoding; c.contentType != "" {
				e.ContentType = c.contentType
			}
			in := read(t, &ingest.Reader{Profiles: fake}, e)
			c.expect(t, in)
			if c.check != nil {
				c.check(t, in)
			}
		})
	}
}

func (c *badInput) expect(t *testing.T, in analytics.Incoming) {
	t.Helper()
	if c.want == refused {
		wantWhole(t, in, []byte(c.body), c.code)
		return
	}
	if n := sampleCount(in); n != c.good {
		t.Errorf("%d samples, want %d; refused %+v", n, c.good, in.Refused)
	}
	reasons := 0
	for _, q := range in.Refused {
		if q.Reason != c.code || q.Message == "" || q.Remedy == "" || len(q.Raw) == 0 || q.Line == 0 {
			t.Errorf("refused as %+v, want %s", q, c.code)
		}
		reasons++
	}
	switch c.want {
	case quarantined:
		if reasons != max(c.bad, 1) {
			t.Errorf("%d rows with the reason %s, want %d", reasons, c.code, max(c.bad, 1))
		}
	default:
		if reasons > 0 {
			t.Errorf("%d rows in quarantine, want none", reasons)
		}
	}
	found := slices.ContainsFunc(in.Notes, func(n analytics.DeliveryNote) bool {
		return n.Code == c.code && n.Count > 0 && n.Text != "" && n.Text != c.code
	})
	if c.want == noted && !found || (c.want == accepted || c.want == judged) && len(in.Notes) > 0 {
		t.Errorf("notes %+v, want %q", in.Notes, c.code)
	}
}

// The catalogue lacks no number, and says a code wherever there is one.
func TestCatalogueOfBadInputIsWhole(t *testing.T) {
	t.Parallel()
	have := [catalogueSize + 1]int{}
	for _, c := range catalogueOfBadInput() {
		if c.n < 1 || c.n > catalogueSize {
			t.Fatalf("number %d", c.n)
		}
		have[c.n]++
		if coded := c.want != accepted && c.want != judged; coded != (c.code != "") || c.want == judged && c.check == nil {
			t.Errorf("%d %s: %s with the code %q", c.n, c.name, c.want, c.code)
		}
		if c.shown != "" {
			shownBy(t, c.shown)
		}
	}
	for n := 1; n <= catalogueSize; n++ {
		if have[n] == 0 {
			t.Errorf("case %d is missing", n)
		}
	}
}

// shownBy checks that a test of another package is there.
func shownBy(t *testing.T, place string) {
	t.Helper()
	file, test, _ := strings.Cut(place, ":")
	text, err := os.ReadFile(filepath.Join("..", filepath.FromSlash(file)))
	if err != nil || !strings.Contains(string(text), "func "+test+"(t *testing.T)") {
		t.Errorf("%s: no such test: %v", place, err)
	}
}

// home is the model that the catalogue counts by.
var home = analytics.Model{Name: "HB-5", Rated: 5_200_000, MaxPower: 2_600_000}

// count counts what deliveries hold of HB5-1, one after the other.
func count(in ...analytics.Incoming) (analytics.Resolved, *analytics.Account) {
	var set analytics.SampleSet
	for _, d := range in {
		for _, u := range d.Units {
			for _, s := range u.Samples {
				set.Add(s)
			}
		}
	}
	r := set.Resolve()
	return r, analytics.Count(&home, r.Counting)
}

// also reads another CSV delivery, of another collector perhaps.
func also(t *testing.T, collector, body string) analytics.Incoming {
	t.Helper()
	e := envelope([]byte(body))
	e.Collector, e.Sequence = collector, 2
	return read(t, &ingest.Reader{Profiles: &ledger{}}, e)
}
