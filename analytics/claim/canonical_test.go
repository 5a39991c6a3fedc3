package claim_test

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"math"
	"testing"

	"github.com/gowebpki/jcs"

	"fadeledger/analytics/claim"
)

// TestCanonicalOrderOfNames is the example of RFC 8785, section 3.2.3 (cited
// from memory): members in the order of their UTF-16 code units.
func TestCanonicalOrderOfNames(t *testing.T) {
	got, err := claim.Canonical(map[string]string{
		"\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh", "1": "One",
		"\U0001f600": "Emoji: Grinning Face", "\u0080": "Control", "\u00f6": "Latin Small Letter O With Diaeresis",
	})
	if err != nil {
		t.Fatal(err)
	}
	want := `{"\r":"Carriage Return","1":"One","` + "\u0080" + `":"Control","ö":"Latin Small Letter O With Diaeresis",` +
		`"€":"Euro Sign","` + "\U0001f600" + `":"Emoji: Grinning Face","` + "\ufb33" + `":"Hebrew Letter Dalet With Dagesh"}`
	if string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// TestCanonicalExample is the example of RFC 8785, section 3.2.2 (cited from
// memory). Its numbers are floats, which Canonical refuses, so the library
// writes them; Canonical writes the rest.
func TestCanonicalExample(t *testing.T) {
	const input = `{
		"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
		"string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
		"literals": [null, true, false]
	}`
	const text = `"€$\u000f\nA'B\"\\\\\"/"`
	const want = `{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"string":` + text + `}`
	got, err := jcs.Transform([]byte(input))
	if err != nil || string(got) != want {
		t.Errorf("got  %s, %v\nwant %s", got, err, want)
	}
	got, err = claim.Canonical(map[string]any{"string": "€$\x0f\nA'B\"\\\\\"/", "literals": []any{nil, true, false}})
	if err != nil || string(got) != `{"literals":[null,true,false],"string":`+text+`}` {
		t.Errorf("got %s, %v", got, err)
	}
}

func TestCanonicalStructure(t *testing.T) {
	type inner struct {
		B int64  `json:"b"`
		A string `json:"a"`
	}
	tests := map[string]struct {
		value any
		want  string
	}{
		"empty object":      {struct{}{}, `{}`},
		"empty list":        {[]int{}, `[]`},
		"nothing":           {nil, `null`},
		"members sorted":    {inner{1, "x"}, `{"a":"x","b":1}`},
		"lists keep order":  {[]inner{{2, "b"}, {1, "a"}}, `[{"a":"b","b":2},{"a":"a","b":1}]`},
		"number keys":       {map[int]int64{2: 1, 10: 2, 1: 3}, `{"1":3,"10":2,"2":1}`},
		"no HTML escapes":   {"<a href=\"x\">&</a>", `"<a href=\"x\">&</a>"`},
		"line separators":   {"\u2028\u2029", "\"\u2028\u2029\""},
		"not normalised":    {"A\u030a", "\"A\u030a\""},
		"largest integers":  {[]int64{9007199254740991, -9007199254740991}, `[9007199254740991,-9007199254740991]`},
		"a date":            {claim.Date(20_454), `"2026-01-01"`},
		"decimals are text": {claim.Decimal("0.1"), `"0.1"`},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			got, err := claim.Canonical(test.value)
			if err != nil || string(got) != test.want {
				t.Errorf("got %s, %v, want %s", got, err, test.want)
			}
		})
	}
}

func TestCanonicalRefuses(t *testing.T) {
	type deep struct {
		List []map[string]any `json:"list"`
	}
	for name, value := range map[string]any{
		"float":               0.5,
		"whole float":         5.0,
		"float32 in a struct": struct{ F float32 }{1},
		"float deep inside":   deep{[]map[string]any{{"x": []any{1, 2.0}}}},
		"float key":           map[string]any{"a": map[string]float64{"b": 1}},
		"not a number":        math.NaN(),
		"2^53":                int64(1) << 53,
		"-2^53":               -(int64(1) << 53),
		"largest uint64":      uint64(math.MaxUint64),
		"not UTF-8":           "a\xff",
		"key not UTF-8":       map[string]int{"a\xff": 1},
		"raw float":           json.RawMessage(`[1.5]`),
		"raw exponent":        json.RawMessage(`1e3`),
		"raw minus zero":      json.RawMessage(`-0`),
		"raw too large":       json.RawMessage(`123456789012345678901234567890`),
	} {
		t.Run(name, func(t *testing.T) {
			if got, err := claim.Canonical(value); !errors.Is(err, claim.ErrNotCanonical) {
				t.Errorf("got %s, %v", got, err)
			}
		})
	}
}

func TestHash(t *testing.T) {
	got, err := claim.Hash(struct{}{})
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256([]byte("{}"))
	if want := hex.EncodeToString(sum[:]); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if _, err := claim.Hash(1.0); !errors.Is(err, claim.ErrNotCanonical) {
		t.Errorf("hash of a float: %v", err)
	}
}
