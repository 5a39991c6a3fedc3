package decode_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"fadeledger/ingest/decode"
	"fadeledger/ingest/profile"
)

// kept keeps everything that a delivery holds.
type kept struct {
	rows     []decode.Row
	problems []decode.Problem
}

func (k *kept) Row(r decode.Row) error         { k.rows = append(k.rows, r); return nil }
func (k *kept) Problem(p decode.Problem) error { k.problems = append(k.problems, p); return nil }

// read decodes a delivery that is not refused.
func read(t *testing.T, body string, opt decode.Options) (*kept, decode.Report) {
	t.Helper()
	var k kept
	rep, err := decode.Decode(context.Background(), strings.NewReader(body), opt, &k)
	if err != nil {
		t.Fatalf("decode: %v", err)
	}
	if !rep.Balanced() || rep.Accepted != int64(len(k.rows)) || rep.Quarantined() != int64(len(k.problems)) {
		t.Errorf("read %d, accepted %d (%d), problems %d (%d)", rep.Read, rep.Accepted, len(k.rows), rep.Quarantined(), len(k.problems))
	}
	return &k, rep
}

// refusal decodes a delivery that is refused, and gives why.
func refusal(t *testing.T, r io.Reader, opt decode.Options) *decode.Refused {
	t.Helper()
	var k kept
	_, err := decode.Decode(context.Background(), r, opt, &k)
	var refused *decode.Refused
	if !errors.As(err, &refused) {
		t.Fatalf("not refused: %v, %d rows, problems %+v", err, len(k.rows), k.problems)
	}
	if refused.Message == "" || refused.Remedy == "" {
		t.Errorf("a refusal without message or remedy: %+v", refused)
	}
	return refused
}

func parseProfile(t *testing.T, text string) *profile.Profile {
	t.Helper()
	p, err := profile.Parse(t.Name(), []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return p
}
