package decode

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"reflect"
	"testing"

	"fadeledger/ingest/profile"
)

// record keeps what a delivery holds.
type recorder struct {
	rows     []Row
	problems []Problem
}

func (r *recorder) Row(row Row) error       { r.rows = append(r.rows, row); return nil }
func (r *recorder) Problem(p Problem) error { r.problems = append(r.problems, p); return nil }

func decodeBoth(t *testing.T, body []byte, opt Options) (recorder, Report, error) {
	t.Helper()
	run := func(careful bool) (recorder, Report, error) {
		var r recorder
		d := New(opt)
		d.careful = careful
		rep, err := d.Decode(context.Background(), &sliceReader{body}, &r)
		return r, rep, err
	}
	fast, fastRep, fastErr := run(false)
	slow, slowRep, slowErr := run(true)
	if !reflect.DeepEqual(fast, slow) || !reflect.DeepEqual(fastRep, slowRep) || !reflect.DeepEqual(fastErr, slowErr) {
		t.Errorf("fast and careful differ:\n%+v\n%+v\n%+v\n%+v\n%v\n%v", fast, slow, fastRep, slowRep, fastErr, slowErr)
	}
	if !fastRep.Balanced() || fastRep.Accepted != int64(len(fast.rows)) || fastRep.Quarantined() != int64(len(fast.problems)) {
		t.Errorf("read %d, accepted %d, problems %v", fastRep.Read, fastRep.Accepted, fastRep.Problems)
	}
	var refused *Refused
	if fastErr != nil && !errors.As(fastErr, &refused) {
		t.Errorf("an error that is no refusal: %v", fastErr)
	}
	known := map[string]bool{}
	for _, r := range Reasons() {
		known[r.Code] = true
	}
	for _, p := range fast.problems {
		if !known[p.Reason] || p.Remedy == "" || p.Message == "" || len(p.Raw) > MaxRawBytes {
			t.Errorf("problem %+v", p)
		}
	}
	for _, row := range fast.rows {
		if s := row.Sample; row.Serial == "" || row.Line < 1 || s.Time < clockDefault || s.SoC < 0 || s.SoC > 1000 {
			t.Errorf("row %+v", row)
		}
	}
	return fast, fastRep, fastErr
}

func FuzzCSV(f *testing.F) {
	bad, err := os.ReadFile("../../testdata/bad-input/twenty-bad-rows.csv")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(bad[:3000], false)
	f.Add([]byte("unit,time,soc_pct,x\r\n\"a\",2026-01-05T00:00:00.5Z,50,\"q\"\"\nq\"\r\na,1767571200,1e1,\n"), false)
	f.Add([]byte("unit;time;soc_frac;cell_temp_f\na;2026-01-05 10:00;0,5;-40\n"), true)
	f.Fuzz(func(t *testing.T, body []byte, foreign bool) {
		opt := Options{ContentType: "text/csv", MaxUnpackedBytes: 1 << 20, MaxLineBytes: 4096}
		if foreign {
			p, err := profile.Parse("fuzz", []byte("{delimiter: ;, decimal_comma: true, zone: Europe/Helsinki, date_order: dmy, rank: 2}"))
			if err != nil {
				t.Fatal(err)
			}
			opt.Profile = p
		}
		decodeBoth(t, body, opt)
	})
}

func FuzzJSON(f *testing.F) {
	f.Add([]byte(`[{"unit":"a","time":1767571200,"soc_pct":50.5},{"unit":"a","time":"2026-01-05T00:00:00Z","x":[{}]}]`), uint8(0))
	f.Add([]byte("{\"unit\":\"a\",\"time\":1767571200,\"power_w\":-1e2}\n{\"unit\":\"\\u0061\",\"time\":null}\n{]\n"), uint8(1))
	f.Add([]byte(`{"collector":"c","batch":"b","samples":[{"unit":"a","time":1767571200,"soc_pct":NaN}]}`), uint8(2))
	f.Fuzz(func(t *testing.T, body []byte, form uint8) {
		types := []string{"application/json", "application/x-ndjson", ""}
		opt := Options{ContentType: types[int(form)%3], MaxUnpackedBytes: 1 << 20, MaxLineBytes: 4096}
		got, rep, err := decodeBoth(t, body, opt)
		// One value without problems is JSON for the standard library, too.
		if err == nil && rep.Format != "csv" && rep.Format != "ndjson" && len(got.problems) == 0 && rep.Noted(NoteUTF16) == 0 &&
			rep.Noted(NoteBOM) == 0 && rep.Noted(NotePackedDetected) == 0 && rep.Noted(NoteUnknownColumn) == 0 && !json.Valid(body) {
			t.Errorf("accepted what is no JSON: %q", body)
		}
	})
}
