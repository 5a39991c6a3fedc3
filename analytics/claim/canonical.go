package claim

import (
	"bytes"
	"crypto/sha256"
	"encoding"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/gowebpki/jcs"

	"fadeledger/analytics"
)

// maxInteger is the largest integer that every JSON reader keeps exact:
// RFC 8785 takes numbers for IEEE 754 doubles (RFC 7493 section 2.2).
const maxInteger = 1<<53 - 1

// ErrNotCanonical: a value cannot be written so that every reader sees the
// same: it holds a float, too large an integer, or text that is not UTF-8.
var ErrNotCanonical = errors.New("no canonical form")

// Canonical writes v as canonical JSON (RFC 8785): members sorted, no blanks,
// one way to write every text. The same value gives the same bytes on every
// machine.
//
// Numbers are integers from -(2^53-1) to 2^53-1; everything else that counts
// is written as a decimal text. The error is ErrNotCanonical where v holds
//   - a float, even a whole one
//   - a larger integer
//   - text or a key that is not UTF-8
func Canonical(v any) ([]byte, error) {
	if err := noFloats(reflect.ValueOf(v), "value"); err != nil {
		return nil, err
	}
	plain, err := json.Marshal(v)
	if err != nil {
		return nil, fmt.Errorf("write as JSON: %w", err)
	}
	if err := integersOnly(plain); err != nil {
		return nil, err
	}
	out, err := jcs.Transform(plain)
	if err != nil {
		return nil, fmt.Errorf("write as canonical JSON: %w", err)
	}
	return out, nil
}

// Hash gives the SHA-256 of the canonical form in hexadecimal: what any tool
// gives for the stored bytes.
func Hash(v any) (string, error) {
	b, err := Canonical(v)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), nil
}

var (
	jsonMarshaler = reflect.TypeFor[json.Marshaler]()
	textMarshaler = reflect.TypeFor[encoding.TextMarshaler]()
)

// noFloats looks for what the JSON text no longer shows: a float that happens
// to be whole, and bytes that the encoder would replace.
func noFloats(v reflect.Value, at string) error {
	if !v.IsValid() {
		return nil
	}
	if t := v.Type(); t.Implements(jsonMarshaler) || t.Implements(textMarshaler) {
		return nil
	}
	switch v.Kind() {
	case reflect.Float32, reflect.Float64, reflect.Complex64, reflect.Complex128:
		return fmt.Errorf("%w: %s is a float", ErrNotCanonical, at)
	case reflect.String:
		if !utf8.ValidString(v.String()) {
			return fmt.Errorf("%w: %s is not UTF-8", ErrNotCanonical, at)
		}
	case reflect.Pointer, reflect.Interface:
		return noFloats(v.Elem(), at)
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			if err := noFloats(v.Index(i), at+"["+strconv.Itoa(i)+"]"); err != nil {
				return err
			}
		}
	case reflect.Map, reflect.Struct:
		return noFloatsInside(v, at)
	}
	return nil
}

// noFloatsInside looks into the values of a map and the fields of a struct.
func noFloatsInside(v reflect.Value, at string) error {
	if v.Kind() == reflect.Map {
		for it := v.MapRange(); it.Next(); {
			if err := noFloats(it.Key(), at+" key"); err != nil {
				return err
			}
			if err := noFloats(it.Value(), fmt.Sprintf("%s[%v]", at, it.Key())); err != nil {
				return err
			}
		}
		return nil
	}
	for i := range v.NumField() {
		f := v.Type().Field(i)
		if !f.IsExported() && !f.Anonymous || f.Tag.Get("json") == "-" {
			continue
		}
		if err := noFloats(v.Field(i), at+"."+f.Name); err != nil {
			return err
		}
	}
	return nil
}

// integersOnly checks every number of a JSON text, those that a type wrote
// itself, too.
func integersOnly(text []byte) error {
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("read the JSON back: %w", err)
		}
		n, ok := token.(json.Number)
		if !ok {
			continue
		}
		if strings.ContainsAny(n.String(), ".eE") || n == "-0" {
			return fmt.Errorf("%w: %s is not written as an integer", ErrNotCanonical, n)
		}
		if i, err := n.Int64(); err != nil || i > maxInteger || i < -maxInteger {
			return fmt.Errorf("%w: %s is beyond 2^53-1", ErrNotCanonical, n)
		}
	}
}

// ReadEvidence reads evidence that was written by Canonical after Sorted. It
// wraps analytics.ErrInvalid where writing it again would not give the same
// bytes: they were changed, or another version of this package wrote them.
func ReadEvidence(data []byte) (Evidence, error) {
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	var e Evidence
	if err := d.Decode(&e); err != nil {
		return Evidence{}, fmt.Errorf("read evidence: %w: %w", err, analytics.ErrInvalid)
	}
	again, err := Canonical(e.Sorted())
	if err != nil {
		return Evidence{}, fmt.Errorf("read evidence: %w", err)
	}
	if !bytes.Equal(again, data) {
		return Evidence{}, fmt.Errorf("read evidence: its bytes are not those that it is written with: %w", analytics.ErrInvalid)
	}
	return e, nil
}
