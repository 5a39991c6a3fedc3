package decode_test

import (
	"strings"
	"testing"

	"fadeledger/ingest/decode"
)

func TestNotesInWords(t *testing.T) {
	for _, c := range []struct {
		note decode.Note
		want string
	}{
		{decode.Note{Code: decode.NoteSignFlipped, Detail: "HB5-1", Count: 1}, "unit HB5-1: the state of charge falls while it charges"},
		{decode.Note{Code: decode.NoteUnknownColumn, Detail: "remark", Count: 1}, `column "remark" is not used`},
		{decode.Note{Code: decode.NoteSoCClamped, Count: 3}, "set to the end, 3 times"},
		{decode.Note{Code: decode.NoteBOM, Count: 1}, "a byte-order mark was taken off the beginning"},
		{decode.Note{Code: decode.NoteUTF16, Count: 1}, "converted from utf-16"},
	} {
		if got := c.note.String(); !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q in it", c.note.Code, got, c.want)
		}
	}
	for _, code := range []decode.NoteCode{
		decode.NoteBOMInside, decode.NotePackedDetected, decode.NoteNoRows, decode.NoteHeaderRepeated, decode.NoteMixedLineEnds,
		decode.NoteLineCut, decode.NoteBlanksTrimmed, decode.NoteUTF8Unused, decode.NoteSensorDefault, decode.NoteLocalTime,
		decode.NoteTimeFraction, decode.NoteTime24, decode.NoteLeapSecond, decode.NoteNumberAsText, decode.NoteWindows1252,
	} {
		if got := (decode.Note{Code: code, Count: 1}).String(); got == string(code) || !strings.Contains(got, " ") {
			t.Errorf("%s is not explained: %q", code, got)
		}
	}
}
