package main

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"path/filepath"
	"strings"
	"testing"

	"fadeledger/ingest/decode"
)

// endless repeats a text.
type endless struct {
	text string
	at   int
}

func (e *endless) Read(b []byte) (int, error) {
	n := copy(b, e.text[e.at:])
	e.at = (e.at + n) % len(e.text)
	return n, nil
}

// none takes rows and forgets them.
type none struct{}

func (none) Row(decode.Row) error         { return nil }
func (none) Problem(decode.Problem) error { return nil }

// TestCountTakesMoreThanADelivery reads more rows and bytes than a delivery may
// have, but no packed bytes that unpack without measure.
func TestCountTakesMoreThanADelivery(t *testing.T) {
	const row = "HB5-1,2026-01-05T00:00:00Z,50,.........................\n"
	const rows = decode.DefaultMaxRows + 100_000
	text := func() io.Reader {
		return io.MultiReader(strings.NewReader("unit,time,soc_pct,remark\n"), io.LimitReader(&endless{text: row}, rows*int64(len(row))))
	}
	rep, err := decode.Decode(t.Context(), text(), offlineLimits(), none{})
	if err != nil || rep.Read != rows || rep.RawBytes <= decode.DefaultMaxUnpackedBytes {
		t.Errorf("%d rows of %d in %d bytes: %v", rep.Read, rows, rep.RawBytes, err)
	}
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	if _, err := io.Copy(z, io.MultiReader(strings.NewReader("unit,time\n"), io.LimitReader(&endless{text: "\n"}, 64<<20))); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	var refused *decode.Refused
	if _, err := decode.Decode(t.Context(), &packed, offlineLimits(), none{}); !errors.As(err, &refused) || refused.Reason != decode.ReasonUnpackRatio {
		t.Errorf("packed blank lines: %v", err)
	}
}

func TestCountRefusesTermsOfAnotherModel(t *testing.T) {
	models := filepath.Join(testdata, "catalogue", "models.yaml")
	cmd := countCmd{
		Files: []string{writeFile(t, "a.csv", minutes("unit,time,soc_pct", "HB5-1", 5))}, Models: models,
		UnitModel: "HB-10", Terms: "HB-5 home 2026",
	}
	if err := cmd.Run(t.Context()); err == nil || !strings.Contains(err.Error(), `are for the model "HB-5"`) {
		t.Errorf("got %v", err)
	}
	cmd.UnitModel = "HB-5"
	if err := cmd.Run(t.Context()); err != nil {
		t.Error(err)
	}
}
