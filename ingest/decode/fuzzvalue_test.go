package decode

import (
	"bytes"
	"encoding/json"
	"math/big"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/ingest/profile"
)

// one reads a single value as a row would and gives what came of it.
func one(d *Decoder, c *column, text []byte, style numberStyle) (ok bool, s analytics.Sample, notes rowNotes) {
	d.beginRow(1)
	d.setText(c, text, style)
	return !d.faulty, d.row.Sample, d.rowNotes
}

func fuzzProfile(kind uint8, order uint8, local bool) (*profile.Profile, error) {
	p := &profile.Profile{Time: profile.TimeKind(kind % 7), DateOrder: profile.DateOrder(order % 3)}
	if local {
		zone, err := time.LoadLocation("Europe/Helsinki")
		if err != nil {
			return nil, err
		}
		p.Zone = zone
	}
	if p.Time == profile.TimeRelativeSeconds {
		p.Start = clockDefault
	}
	return p, nil
}

// FuzzTime compares the fast way, the careful way and the standard library.
func FuzzTime(f *testing.F) {
	for _, text := range []string{
		"2026-01-05T13:45:00Z", "2026-01-05T13:45:00.123Z", "2026-01-05t13:45:00,9996+02:00", "1767571200", "1767571200.5", "1767571200123",
		"05.01.2026 13:45", "2016-12-31T23:59:60Z", "2026-03-29 03:30:00", "2026-10-25 03:30:00", "45123.5", "1.7e9", "2026-01-05T24:00:00Z",
	} {
		f.Add([]byte(text), uint8(0), uint8(0), true)
	}
	f.Fuzz(func(t *testing.T, text []byte, kind, order uint8, local bool) {
		if len(text) > 200 {
			return
		}
		p, err := fuzzProfile(kind, order, local)
		if err != nil {
			t.Fatal(err)
		}
		col, _ := p.Lookup("time")
		c := newColumn("time", col)
		d := New(Options{Profile: p})
		ok, s, notes := one(d, &c, text, stylePoint)
		if ok && d.seen&seenTime != 0 && (s.Time < clockDefault || s.Time >= maxEpochMillis && p.Time > profile.TimeRFC3339 && p.Time != profile.TimeRelativeSeconds) {
			t.Errorf("%q: %d", text, s.Time)
		}
		if p.Time == profile.TimeAuto {
			if at, size := d.fastTime(aheadOf(bytes.Clone(text))); size > 0 && size == len(text) && (!ok || notes != 0 || at != s.Time) {
				t.Errorf("%q: fast %d, careful %d (%v, notes %b)", text, at, s.Time, d.fault, notes)
			}
		}
		compareTime(t, text, ok, s.Time)
	})
}

// compareTime asks the standard library where it can read the text.
func compareTime(t *testing.T, text []byte, ok bool, got analytics.Instant) {
	want, err := time.Parse(time.RFC3339Nano, string(text))
	if err != nil || !ok {
		return
	}
	ms := want.UnixMilli()
	if want.Nanosecond()%1e6 >= 500_000 {
		ms++
	}
	if int64(got) != ms {
		t.Errorf("%q: %d, the standard library says %d", text, got, ms)
	}
}

// FuzzNumber compares the fast way, the careful way and exact fractions.
func FuzzNumber(f *testing.F) {
	for _, text := range []string{
		"0", "-0", "50", "50.05", "1e2", "1E+2", "-.5", "5.", "123456789.123456789", "9223372036854775807", "0.00000000000000000000000000001e30",
		"1,5", "1.234,56", "NaN", "1e999", "1e-999", "00012", "-40", "85", "100.4",
	} {
		for k := range uint8(3) {
			f.Add([]byte(text), k, k)
		}
	}
	scales := []profile.Linear{
		{Num: 10, Den: 1}, {Num: 1e6, Den: 1}, {Num: 500, Add: -16000, Den: 9}, {Num: 1, Den: 3600}, {Num: -1000, Den: 1}, {Num: 7, Add: 3, Den: 11},
	}
	fields := []profile.Field{profile.SoC, profile.Charge, profile.Temp, profile.Discharge, profile.Power, profile.Voltage}
	f.Fuzz(func(t *testing.T, text []byte, how, form uint8) {
		if len(text) > 200 {
			return
		}
		style := numberStyle(form % 3)
		c := newColumn("x", profile.Column{Field: fields[int(how)%len(fields)], Conv: scales[int(how)%len(scales)]})
		compareNumber(t, text, style, &c)
		if style != styleJSON {
			return
		}
		if !bytes.ContainsAny(text, " \t\r\n") && len(text) > 0 && len(text) <= MaxNumberBytes && (text[0] == '-' || text[0]-'0' <= 9) {
			if _, reason := parseDecimal(text, style); json.Valid(text) != (reason == "") {
				t.Errorf("%q: %q, and JSON says %v", text, reason, json.Valid(text))
			}
		}
		d := New(Options{})
		ok, s, notes := one(d, &c, text, style)
		fast := New(Options{})
		fast.beginRow(1)
		if v, size := c.number(aheadOf(bytes.Clone(text))); size > 0 && size == len(text) {
			fast.store(c.field, v)
			if !ok || notes != 0 || s != fast.row.Sample {
				t.Errorf("%q: fast %+v, careful %+v (%v, notes %b)", text, fast.row.Sample, s, d.fault, notes)
			}
		}
	})
}

// compareNumber asks exact fractions.
func compareNumber(t *testing.T, text []byte, style numberStyle, c *column) {
	x, reason := parseDecimal(text, style)
	if reason != "" {
		return
	}
	plain := string(text)
	if style == styleComma {
		plain = strings.Replace(plain, ",", ".", 1)
	}
	if i := strings.IndexAny(plain, "eE"); i >= 0 && len(strings.TrimLeft(plain[i+1:], "+-0")) > 3 {
		return
	}
	r, ok := new(big.Rat).SetString(plain)
	if !ok {
		t.Errorf("%q is no number", text)
		return
	}
	l := c.scale.lin
	r.Mul(r, big.NewRat(l.Num, l.Den)).Add(r, big.NewRat(l.Add, l.Den))
	want := new(big.Int).Abs(r.Num())
	want.Lsh(want, 1).Add(want, r.Denom()).Div(want, new(big.Int).Lsh(r.Denom(), 1))
	if r.Sign() < 0 {
		want.Neg(want)
	}
	got, ok := c.scale.integer(x)
	if ok != want.IsInt64() && !(want.IsInt64() && want.Int64() == -1<<63) || ok && want.Int64() != got {
		t.Errorf("%q × %+v: %d (%v), want %v", text, l, got, ok, want)
	}
}
