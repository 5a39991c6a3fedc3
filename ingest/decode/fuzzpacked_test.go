package decode

import (
	"bytes"
	stdgzip "compress/gzip"
	"encoding/binary"
	"errors"
	"io"
	"testing"
	"unicode/utf16"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
	"golang.org/x/text/encoding/charmap"
)

func packedSeeds(f *testing.F) {
	f.Helper()
	text := []byte("unit,time,soc_pct\nHB5-1,2026-01-05T00:00:00Z,50\n")
	var gz bytes.Buffer
	for _, part := range [][]byte{text[:20], text[20:]} {
		w := gzip.NewWriter(&gz)
		if _, err := w.Write(part); err != nil {
			f.Fatal(err)
		}
		if err := w.Close(); err != nil {
			f.Fatal(err)
		}
	}
	enc, err := zstd.NewWriter(nil)
	if err != nil {
		f.Fatal(err)
	}
	zst := enc.EncodeAll(text, nil)
	for form, body := range [][]byte{gz.Bytes(), zst, text} {
		f.Add(body, uint8(form))
		f.Add(body[:len(body)-3], uint8(form))
		f.Add(append(bytes.Clone(body), "behind"...), uint8(2))
	}
}

// FuzzUnpack compares gzip with the standard library, and bounds what comes
// out of any bytes.
func FuzzUnpack(f *testing.F) {
	packedSeeds(f)
	f.Fuzz(func(t *testing.T, body []byte, form uint8) {
		const limit = 3 << 20
		encoding := []string{"gzip", "zstd", ""}[int(form)%3]
		read := func(r io.Reader) ([]byte, unpacker, error) {
			u := unpacker{limit: limit, ratio: DefaultMaxRatio}
			defer u.close()
			if _, err := u.open(r, encoding); err != nil {
				return nil, u, err
			}
			out, err := io.ReadAll(&u)
			return out, u, err
		}
		out, u, err := read(bytes.NewReader(body))
		var refused *Refused
		if err != nil && !errors.As(err, &refused) {
			t.Errorf("an error that is no refusal: %v", err)
		}
		if len(out) > limit || len(out) > RatioFloorBytes && int64(len(out)) > DefaultMaxRatio*int64(len(body)) && u.gz != nil {
			t.Errorf("%d bytes out of %d", len(out), len(body))
		}
		again, _, errAgain := read(&dribble{rest: body})
		if !bytes.Equal(out, again) && (err == nil || errAgain == nil) || (err == nil) != (errAgain == nil) {
			t.Errorf("at once %d bytes, %v; in small pieces %d bytes, %v", len(out), err, len(again), errAgain)
		}
		if encoding == "gzip" {
			compareGzip(t, body, out, err)
		}
	})
}

func compareGzip(t *testing.T, body, out []byte, err error) {
	var refused *Refused
	if errors.As(err, &refused) && (refused.Reason == ReasonUnpackedTooBig || refused.Reason == ReasonUnpackRatio) {
		return
	}
	var want []byte
	z, stdErr := stdgzip.NewReader(bytes.NewReader(body))
	if stdErr == nil {
		want, stdErr = io.ReadAll(z)
	}
	if (err == nil) != (stdErr == nil) || err == nil && !bytes.Equal(out, want) {
		t.Errorf("%d bytes, %v; the standard library: %d bytes, %v", len(out), err, len(want), stdErr)
	}
}

// FuzzCharset compares the conversions with other ones.
func FuzzCharset(f *testing.F) {
	f.Add([]byte("u\x00n\x00=\xd8\x00\xde"), uint8(0))
	f.Add([]byte("\xd8=\xde\x00\x00u\xd8"), uint8(1))
	f.Add([]byte("\xb0C \x80\x81"), uint8(2))
	f.Fuzz(func(t *testing.T, body []byte, form uint8) {
		var r io.Reader
		var want []byte
		switch form % 3 {
		case 2:
			r = &windows1252Reader{r: &dribble{rest: body}}
			var err error
			if want, err = charmap.Windows1252.NewDecoder().Bytes(body); err != nil {
				t.Fatal(err)
			}
		default:
			r = &utf16Reader{r: &dribble{rest: body}, bigEndian: form%3 == 1}
			var order binary.ByteOrder = binary.LittleEndian
			if form%3 == 1 {
				order = binary.BigEndian
			}
			var units []uint16
			for i := 0; i+1 < len(body); i += 2 {
				units = append(units, order.Uint16(body[i:]))
			}
			want = []byte(string(utf16.Decode(units)))
			if len(body)%2 == 1 && !(len(units) > 0 && utf16.IsSurrogate(rune(units[len(units)-1])) && bytes.HasSuffix(want, []byte("\ufffd")) && units[len(units)-1] < 0xdc00) {
				want = append(want, "\ufffd"...)
			}
		}
		got, err := io.ReadAll(r)
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%q: %q, %v; want %q", body, got, err, want)
		}
	})
}
