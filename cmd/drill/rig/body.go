package rig

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"math/rand/v2"
	"slices"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/ingest/encode"
)

// Content types of the deliveries.
const (
	csvType    = "text/csv"
	ndjsonType = "application/x-ndjson"
)

// badRows are CSV rows under the full header that no reader can count, each for
// a reason of its own.
var badRows = []string{
	"HB5-1,yesterday,50,,,,,,,",
	",2026-01-05T00:00:00Z,50,,,,,,,",
	"HB5-1,2026-01-05T00:00:00Z,255,,,,,,,",
	"HB5-1,2026-01-05T00:00:00Z,fifty,,,,,,,",
	"HB5-1,1970-01-01T00:00:00Z,50,,,,,,,",
	"HB5-999999,2026-01-05T00:00:00Z,50,,,,,,,", // never registered
	"HB5-1,2026-02-30T00:00:00Z,50,,,,,,,",
}

// attack is a delivery that is refused as a whole.
type attack struct {
	name                         string
	contentType, contentEncoding string
	body                         func() []byte
}

var attacks = []attack{
	{"bomb", csvType, "gzip", func() []byte { return packed(bytes.Repeat([]byte("HB5-1,2026-01-05T00:00:00Z,50\n"), 200_000)) }},
	{"torn pack", csvType, "gzip", func() []byte { return []byte("\x1f\x8b\x08\x00torn") }},
	{"another's envelope", "application/json", "", func() []byte {
		return []byte(`{"collector":"c-other","batch":"b","samples":[{"unit":"HB5-1","time":"2026-01-05T00:00:00Z","soc_pct":50}]}`)
	}},
	{"deep nesting", "application/json", "", func() []byte { return bytes.Repeat([]byte("["), 10_000) }},
	{"no telemetry", "application/pdf", "", func() []byte { return []byte("%PDF-1.7 no telemetry at all") }},
	{"no header", csvType, "", func() []byte { return []byte("a,b,c\n1,2,3\n") }},
}

func packed(b []byte) []byte {
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	// Writing into memory does not fail.
	_, _ = w.Write(b)
	_ = w.Close()
	return out.Bytes()
}

// truthOf cuts rows into a delivery of a collector.
func truthOf(collector string, d rows, chance *rand.Rand) *Truth {
	t := &Truth{Collector: collector, ContentType: csvType}
	if collector == meter {
		t.Rank = meterRank
	}
	if d.attack != "" {
		i := slices.IndexFunc(attacks, func(a attack) bool { return a.name == d.attack })
		a := attacks[i]
		t.ContentType, t.ContentEncoding, t.Body, t.Refused = a.contentType, a.contentEncoding, a.body(), 1
		return t
	}
	for _, r := range d.readings {
		r.Rank = t.Rank
		t.Readings = append(t.Readings, r)
	}
	t.Future, t.Refused = d.future, d.bad
	if d.bad == 0 && chance.IntN(2) == 0 {
		t.ContentType = ndjsonType
		for _, r := range slices.Concat(d.readings, d.future) {
			t.Body = encode.AppendNDJSON(t.Body, r.Serial, []analytics.Sample{r.Sample})
		}
	} else {
		t.Body = csvBody(d, chance)
	}
	if chance.IntN(4) == 0 {
		t.Body, t.ContentEncoding = packed(t.Body), "gzip"
	}
	return t
}

// csvBody writes the rows as CSV, bad ones anywhere among them.
func csvBody(d rows, chance *rand.Rand) []byte {
	var lines [][]byte
	for _, r := range slices.Concat(d.readings, d.future) {
		lines = append(lines, encode.AppendRows(nil, r.Serial, []analytics.Sample{r.Sample}, analytics.Measured))
	}
	for range d.bad {
		bad := []byte(badRows[chance.IntN(len(badRows))] + "\n")
		lines = slices.Insert(lines, chance.IntN(len(lines)+1), bad)
	}
	return slices.Concat(append([][]byte{encode.AppendHeader(nil, analytics.Measured)}, lines...)...)
}

// batchName tells a delivery from all others of its run.
func batchName(series string, number int64) string { return fmt.Sprintf("%s/%d", series, number) }

// atClock gives a reading of a unit at an instant, as a collector with a wrong
// clock writes it.
func atClock(serial analytics.Serial, at analytics.Instant, chance *rand.Rand) household.Reading {
	return household.Reading{Serial: serial, Sample: analytics.Sample{
		Time: at, Has: analytics.HasSoC | analytics.HasVoltage,
		SoC: analytics.SoC(200 + chance.IntN(600)), Voltage: analytics.Millivolts(50_000 + chance.IntN(3000)),
	}}
}
