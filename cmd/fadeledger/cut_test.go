package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"unicode/utf16"

	"pgregory.net/rapid"

	"fadeledger/ingest/decode"
)

// read is what a decoder made of a file.
type read struct {
	rows     []decode.Row
	problems []string
}

func (r *read) Row(row decode.Row) error {
	r.rows = append(r.rows, row)
	return nil
}

// Problem keeps line, reason and bytes. Which of the two faults of a stray quote
// is told depends on what follows in memory, so they are one here.
func (r *read) Problem(p decode.Problem) error {
	reason := strings.Replace(p.Reason, decode.ReasonQuoteBare, decode.ReasonQuoteOpen, 1)
	r.problems = append(r.problems, fmt.Sprintf("%d %s %s", p.Line, reason, p.Raw[:min(len(p.Raw), 40)]))
	return nil
}

// shifted moves the lines of a piece to those of its file.
type shifted struct {
	*read
	header, first int
}

func (s shifted) at(line int) int {
	if line <= s.header {
		return line
	}
	return line - s.header - 1 + s.first
}

func (s shifted) Row(row decode.Row) error {
	row.Line = s.at(row.Line)
	return s.read.Row(row)
}

func (s shifted) Problem(p decode.Problem) error {
	p.Line = s.at(p.Line)
	return s.read.Problem(p)
}

// inPieces cuts a text and reads the pieces one by one.
func inPieces(dir, text string) (out read, pieces int, err error) {
	path := filepath.Join(dir, "file")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		return out, 0, err
	}
	f, err := os.Open(path)
	if err != nil {
		return out, 0, err
	}
	defer f.Close()
	err = cutFile(f, 0, func(p piece) error {
		pieces++
		sink := shifted{read: &out}
		if _, err := fmt.Sscanf(p.lines, "%d:%d", &sink.header, &sink.first); err != nil {
			return err
		}
		if len(p.body) > wholeBytes {
			return fmt.Errorf("piece of %d bytes", len(p.body))
		}
		_, err := decode.New(decode.Options{ContentType: p.contentType, ContentEncoding: "identity"}).Decode(context.Background(), bytes.NewReader(p.body), sink)
		return err
	})
	return out, pieces, err
}

// wantSame compares the pieces of a text with the whole.
func wantSame(t interface {
	Helper()
	Errorf(string, ...any)
}, dir, text string, least int) {
	t.Helper()
	var whole read
	_, wantErr := decode.Decode(context.Background(), strings.NewReader(text), decode.Options{}, &whole)
	got, pieces, err := inPieces(dir, text)
	if (err == nil) != (wantErr == nil) {
		t.Errorf("the pieces gave %v, the whole file %v", err, wantErr)
		return
	}
	if wantErr != nil {
		return
	}
	if pieces < least {
		t.Errorf("%d pieces, want at least %d", pieces, least)
	}
	if len(got.rows) != len(whole.rows) || len(got.problems) != len(whole.problems) {
		t.Errorf("%d rows and %d problems in pieces, %d and %d in the whole", len(got.rows), len(got.problems), len(whole.rows), len(whole.problems))
	}
	for i := range min(len(got.rows), len(whole.rows)) {
		if !reflect.DeepEqual(got.rows[i], whole.rows[i]) {
			t.Errorf("row %d is\n%+v in pieces,\n%+v in the whole", i, got.rows[i], whole.rows[i])
			return
		}
	}
	for i := range min(len(got.problems), len(whole.problems)) {
		if got.problems[i] != whole.problems[i] {
			t.Errorf("problem %d is %q in pieces, %q in the whole", i, got.problems[i], whole.problems[i])
			return
		}
	}
}

func TestPiecesReadLikeTheWholeFile(t *testing.T) {
	const header = "unit,time,soc_pct"
	rows := minutes(header, "HB5-1", 20_000)
	body := strings.TrimPrefix(rows, header+"\n")
	objects := func(n int) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, "{\"unit\":\"HB5-1\",\"time\":%d,\"soc_pct\":%d.50}\n", 1767600000+60*i, i%90)
		}
		return b.String()
	}
	array := "[\n" + strings.ReplaceAll(strings.TrimSuffix(objects(20_000), "\n"), "}\n", "},\n") + "\n]\n"
	middle := strings.Index(body, "\n") + 1
	in16 := func(text string) string {
		b := []byte{0xff, 0xfe}
		for _, c := range utf16.Encode([]rune(text)) {
			b = append(b, byte(c), byte(c>>8))
		}
		return string(b)
	}
	for name, text := range map[string]string{
		"plain":                                rows,
		"odd quote in a comment before":        "# 5\" rack\n" + rows,
		"odd quote in a comment between":       header + "\n" + body[:middle] + "# the 19\" rack\n" + body[middle:],
		"open quote in a comment between":      header + "\n" + body[:middle] + "#,\"\n" + body[middle:],
		"separator line and blank lines":       "sep=,\n\n" + rows + "\n,,\n",
		"long preamble":                        strings.Repeat("# a line of \"words\n", 4000) + rows,
		"carriage returns and byte-order mark": "\ufeff# 5\" rack\r\n" + strings.ReplaceAll(rows, "\n", "\r\n"),
		"no end of the last line":              strings.TrimSuffix(rows, "\n"),
		"last line cut":                        rows + "HB5-1,2026",
		"open quote":                           header + "\n" + body[:middle] + "HB5-1,\"2026\n" + body[middle:],
		"bare quote":                           header + "\n" + body[:middle] + "HB5-1,20\"26,5\n" + body[middle:],
		"quoted line ends":                     "unit,time,soc_pct,remark\n" + strings.ReplaceAll(body, "\n", ",\"a \"\"b\"\"\nc\"\n"),
		"a line too long":                      header + "\n" + strings.Repeat("x", 700_000) + "\n" + body,
		"UTF-16":                               in16("# 5\" rack\n" + rows),
		"lines of JSON":                        objects(20_000),
		"lines of JSON after blank lines":      "\n \n" + objects(20_000),
		"lines of JSON with bad ones":          objects(9000) + "{\"unit\":\n}\nnonsense\n{\"unit\":\"HB5-1\",\n" + objects(9000),
		"objects over several lines":           objects(1) + strings.ReplaceAll(objects(9000), ",\"soc", ",\n\"x\":\n{\"y\":1},\"soc"),
		"a line of JSON too long":              objects(10) + "{\"unit\":\"" + strings.Repeat("x", 700_000) + "\"}\n" + objects(9000),
		"array":                                array,
		"array with strange elements":          strings.Replace(array, "[\n", "[\n1,\n{\"unit\":\"HB5-1\",\"unit\":\"HB5-2\",\"time\":\"2026-01-05T00:00:00Z\"},\n{\"unit\":\"HB5-1\",\"time\":1767600000,\"soc_pct\":1e400},\n", 1),
	} {
		t.Run(name, func(t *testing.T) { wantSame(t, t.TempDir(), text, 2) })
	}
}

func TestSmallFilesReadLikeTheWhole(t *testing.T) {
	one := "{\"unit\":\"HB5-1\",\"time\":1767600000,\"soc_pct\":5}"
	for name, text := range map[string]string{
		"header alone":     "unit,time,soc_pct",
		"comments alone":   "# nothing\n\n",
		"empty":            "",
		"blank":            " \n\n",
		"one object":       one,
		"one line":         one + "\n",
		"two lines":        "\n" + one + "\n\n" + one,
		"small array":      "[" + one + "]",
		"over lines":       "{\n\"unit\":\"HB5-1\",\"time\":1767600000,\"soc_pct\":5\n}\n",
		"envelope":         "{\"samples\":[" + one + "]}",
		"no header at all": "1,2,3\n",
	} {
		t.Run(name, func(t *testing.T) { wantSame(t, t.TempDir(), text, 0) })
	}
}

// TestAnyFileReadsLikeItsPieces joins lines of all kinds by chance.
func TestAnyFileReadsLikeItsPieces(t *testing.T) {
	dir := t.TempDir()
	filler := strings.Repeat("HB5-1,2026-01-05T00:00:00Z,5,\n", 3000)
	const fill = "fill"
	rapid.Check(t, func(t *rapid.T) {
		line := rapid.SampledFrom([]string{
			"HB5-1,2026-01-05T00:00:00Z,5,\n", "HB5-1,2026-01-05T00:00:00Z,6,x\r\n", "# 5\" rack\n", "#\"\n", "#,\"\n", "\n", ",,\r\n",
			"HB5-1,2026-01-05T00:00:00Z,7,\"a\nb\"\n", "HB5-1,2026-01-05T00:00:00Z,8,\"a\r\n\"\"\r\n\"\r\n", "\"HB5-1\",2026-01-05T00:00:00Z,9,\"\"\n",
			"HB5-1,\"2026\n", "HB5-1,x\"y\"\n", "\"\n", "a,\"b\"c\n", fill, fill,
		})
		preamble := rapid.SliceOfN(rapid.SampledFrom([]string{"# 5\" rack\n", "\n", "#\r\n"}), 0, 3).Draw(t, "preamble")
		lines := rapid.SliceOfN(line, 1, 40).Draw(t, "lines")
		text := strings.Join(preamble, "") + "unit,time,soc_pct,remark\n" + strings.ReplaceAll(strings.Join(lines, ""), fill, filler)
		if rapid.Bool().Draw(t, "cut") {
			text = strings.TrimSuffix(text, "\n")
		}
		wantSame(t, dir, text, 0)
	})
}

func TestArrayThatBreaksOff(t *testing.T) {
	element := "{\"unit\":\"HB5-1\",\"time\":1767600000,\"soc_pct\":5},\n"
	for name, text := range map[string]string{
		"ends in the middle":  "[" + strings.Repeat(element, 15_000),
		"nonsense":            "[" + strings.Repeat(element, 15_000) + "nonsense]",
		"something after it":  "[" + strings.Repeat(element, 15_000) + "1] 2",
		"object of that size": "{\"samples\":[" + strings.Repeat(element, 15_000) + "1]}",
	} {
		t.Run(name, func(t *testing.T) {
			if _, _, err := inPieces(t.TempDir(), text); err == nil {
				t.Error("no error")
			}
		})
	}
}
