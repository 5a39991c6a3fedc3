package ingest_test

import (
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/klauspost/compress/gzip"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/ingest/decode"
)

// wide writes a text as UTF-16.
func wide(text string, big bool) string {
	var b strings.Builder
	for _, unit := range utf16.Encode([]rune(text)) {
		if hi, lo := byte(unit>>8), byte(unit); big {
			b.Write([]byte{hi, lo})
		} else {
			b.Write([]byte{lo, hi})
		}
	}
	return b.String()
}

func badBytes() []badInput {
	whole := packed(head + good1)
	damaged := []byte(whole)
	damaged[len(damaged)-6] ^= 1
	const degrees = "unit,time,cell \xb0C\nHB5-1,2026-03-01T00:00:00Z,21\n"
	archive := func(n int, name, body, contentType string) badInput {
		return badInput{n: n, name: name, body: body, contentType: contentType, want: refused, code: decode.ReasonArchive}
	}
	return []badInput{
		{n: 1, name: "byte-order mark", body: "\ufeff" + head + good1, want: noted, code: "bom-stripped", good: 1},
		{n: 2, name: "UTF-16, little end first", body: "\xff\xfe" + wide(head+good1, false), want: noted, code: "utf-16", good: 1},
		{n: 2, name: "UTF-16, big end first", body: "\xfe\xff" + wide(head+good1, true), want: noted, code: "utf-16", good: 1},
		{n: 3, name: "UTF-16 without a mark", body: wide(head+good1, false), want: refused, code: decode.ReasonCharsetUnknown},
		{n: 4, name: "Windows-1252 by the profile", body: degrees, profile: "{charset: windows-1252, fields: {cell_temp_c: {from: cell °C}}}",
			want: noted, code: "windows-1252", good: 1},
		{n: 5, name: "no UTF-8 where nothing is used", body: "unit,time,remark\nHB5-1,2026-03-01T00:00:00Z,caf\xe9\n", profile: "ignore: [remark]",
			want: noted, code: "utf8-invalid-unused", good: 1},
		{n: 6, name: "no UTF-8 in a serial", body: head + "HB5-\xe9,2026-03-01T00:00:00Z,50\n" + good1, want: quarantined, code: decode.ReasonUTF8Invalid, good: 1},
		{n: 6, name: "no UTF-8 in a number", body: head + soc("5\xb0") + good1, want: quarantined, code: decode.ReasonUTF8Invalid, good: 1},
		{n: 6, name: "no UTF-8 in a time", body: head + row("2026\xad03-01T00:00:00Z"), want: quarantined, code: decode.ReasonUTF8Invalid},
		{n: 7, name: "NUL in a field", body: head + good1 + soc("5\x000"), want: quarantined, code: decode.ReasonNULByte, good: 1},
		{n: 8, name: "two files joined, the second with a mark", body: head + good1 + "\ufeff" + head + good2, want: noted, code: "bom-inside", good: 2},
		{n: 9, name: "invisible characters around a number", body: head + soc("\u00a050\u200b"), want: noted, code: "blanks-trimmed", good: 1},
		{n: 9, name: "invisible characters around a serial", body: head + "\u200bHB5-1,2026-03-01T00:00:00Z,50\n", want: noted, code: "blanks-trimmed", good: 1},
		{n: 10, name: "a letter that only looks like one", body: head + "НB5-1,2026-03-01T00:00:00Z,50\n", want: quarantined, code: decode.ReasonSerialCharacters},
		{n: 11, name: "empty file", body: "", want: refused, code: decode.ReasonEmpty},
		{n: 12, name: "header only", body: head, want: noted, code: "no-rows"},
		{n: 13, name: "gzip cut", body: whole[:len(whole)-9], encoding: "gzip", want: refused, code: decode.ReasonPackedTruncated},
		{n: 14, name: "gzip checksum", body: string(damaged), encoding: "gzip", want: refused, code: decode.ReasonPackedChecksum},
		{n: 15, name: "bytes behind gzip", body: whole + "written behind its end", encoding: "gzip", want: refused, code: decode.ReasonPackedTrailing},
		{n: 16, name: "gzip in two parts", body: packed(head) + packed(good1), encoding: "gzip", want: accepted, good: 1},
		{n: 17, name: "bomb by its ratio", body: packed(head + strings.Repeat("\n", 4<<20)), encoding: "gzip", want: refused, code: decode.ReasonUnpackRatio},
		{n: 17, name: "more than a delivery unpacks to", body: packedAt(gzip.NoCompression, "unit,time,remark\n"+strings.Repeat("HB5-1,2026-03-01T00:00:00Z,"+strings.Repeat("x", 1000)+"\n", 34_000)), encoding: "gzip", want: refused, code: decode.ReasonUnpackedTooBig},
		{n: 18, name: "zip archive", body: "PK\x03\x04\x14\x00../../etc/x", want: refused, code: decode.ReasonArchive,
			choice: "no archive is opened at all, so that nothing inside one can do harm"},
		archive(19, "workbook named CSV", "PK\x03\x04\x14\x00\x06\x00\x08\x00[Content_Types].xml", "text/csv"),
		{n: 19, name: "JSON named CSV", body: "[" + sample("") + "]", want: refused, code: decode.ReasonTypeMismatchWhole},
		{n: 19, name: "CSV named JSON", body: head + good1, contentType: "application/json", want: refused, code: decode.ReasonTypeMismatchWhole},
		{n: 20, name: "page to sign in", body: "<!DOCTYPE html>\n<html><form>Sign in</form></html>\n", want: refused, code: decode.ReasonWebPage},
	}
}

func badCSV() []badInput {
	crlf := strings.ReplaceAll(head+good1, "\n", "\r\n")
	spoilt := func(n int, name, serial string) badInput {
		return badInput{n: n, name: name, body: head + serial + ",2026-03-01T00:00:00Z,50\n" + good1, want: quarantined, code: decode.ReasonSerialMangled, good: 1}
	}
	return []badInput{
		{n: 21, name: "CRLF", body: crlf, want: accepted, good: 1},
		{n: 21, name: "LF", body: head + good1, want: accepted, good: 1},
		{n: 22, name: "bare CR", body: strings.ReplaceAll(head+good1, "\n", "\r"), want: refused, code: decode.ReasonLineEnds,
			choice: "no profile allows it: no current program writes it"},
		{n: 23, name: "mixed line ends", body: crlf + good2, want: noted, code: "mixed-line-ends", good: 2},
		{n: 24, name: "no header", body: good1 + good2, want: refused, code: decode.ReasonHeaderMissing},
		{n: 25, name: "header again", body: head + good1 + head + good2, want: noted, code: "header-repeated", good: 2},
		{n: 26, name: "another order of columns", body: "soc_pct,unit,time\n50,HB5-1,2026-03-01T00:00:00Z\n", want: accepted, good: 1},
		{n: 27, name: "unknown column", body: one("remark", "x"), want: noted, code: "unknown-column", good: 1},
		{n: 28, name: "no time column", body: "unit,soc_pct\nHB5-1,50\n", want: refused, code: decode.ReasonColumnMissing},
		{n: 29, name: "a column twice", body: "unit,time,soc_pct,soc_pct\n", want: refused, code: decode.ReasonColumnTwice},
		{n: 30, name: "foreign header by the profile", body: one("SoC [%]", "50"), profile: "fields: {soc_pct: {from: 'SoC [%]'}}", want: accepted, good: 1},
		{n: 30, name: "known header in another case", body: one("SOC_PCT", "50"), want: refused, code: decode.ReasonColumnCase},
		{n: 30, name: "foreign header without a profile", body: one("SoC [%]", "50"), want: noted, code: "unknown-column", good: 1,
			choice: "a foreign name cannot be told from a column that is not for us"},
		{n: 31, name: "semicolons by the profile", body: strings.ReplaceAll(head+good1, ",", ";"), profile: "delimiter: ;", want: accepted, good: 1},
		{n: 31, name: "tabs by the profile", body: strings.ReplaceAll(head+good1, ",", "\t"), profile: "delimiter: tab", want: accepted, good: 1},
		{n: 32, name: "semicolons without a profile", body: strings.ReplaceAll(head+good1, ",", ";"), want: refused, code: decode.ReasonDelimiterMismatch},
		{n: 33, name: "decimal comma by the profile", body: "unit;time;soc_pct\nHB5-1;2026-03-01T00:00:00Z;50,5\n",
			profile: "{delimiter: ;, decimal_comma: true}", want: accepted, good: 1},
		{n: 34, name: "thousand or decimal", body: head + soc(`"1,234"`) + good1, want: quarantined, code: decode.ReasonNumberAmbiguous, good: 1,
			choice: "row by row, whatever their share: a row stands for itself"},
		{n: 35, name: "groups with points", body: head + soc(`"1.234,56"`), want: quarantined, code: decode.ReasonNumberGrouping},
		{n: 35, name: "groups with quotes", body: head + soc("1'234.56"), want: quarantined, code: decode.ReasonNumberGrouping},
		{n: 35, name: "groups with blanks", body: head + soc(`"1 234,56"`), want: quarantined, code: decode.ReasonNumberGrouping,
			choice: "no profile allows groups: no export needs them"},
		{n: 36, name: "a line end in quotes", body: "unit,time,remark\nHB5-1,2026-03-01T00:00:00Z,\"a\nb\"\n", profile: "ignore: [remark]", want: accepted, good: 1},
		{n: 37, name: "open quote", body: head + "\"HB5-1,2026-03-01T00:00:00Z,50\n" + good1 + good2, want: quarantined, code: decode.ReasonQuoteOpen, good: 2,
			choice: "only the line is given up, however far the quote would reach"},
		{n: 38, name: "bare quote", body: head + "HB\"5-1,2026-03-01T00:00:00Z,50\n" + good1, want: quarantined, code: decode.ReasonQuoteBare, good: 1},
		{n: 39, name: "too few and too many cells", body: head + "HB5-1,2026-03-01T00:00:00Z\n" + "HB5-1,2026-03-01T00:00:00Z,50,1\n" + good1,
			want: quarantined, code: decode.ReasonFieldCount, bad: 2, good: 1},
		{n: 40, name: "long line", body: head + soc(strings.Repeat("5", 70_000)) + good1, want: quarantined, code: decode.ReasonLineTooLong, good: 1},
		{n: 40, name: "long field", body: head + soc(strings.Repeat("5", 5000)) + good1, want: quarantined, code: decode.ReasonFieldTooLong, good: 1},
		{n: 41, name: "too many rows", body: "unit,time\n" + strings.Repeat("a,1772323200\n", 500_001), want: refused, code: decode.ReasonTooManyRows,
			choice: "half a million rows a delivery; load cuts files of any size"},
		{n: 42, name: "blank lines, comments and sep", body: "sep=,\n# made by hand\n" + head + "\n,,\n" + good1 + "# end\n", want: accepted, good: 1,
			choice: "counted in the report of the decoder, and no note: nothing in them is a row"},
		{n: 43, name: "no line end at the end", body: head + strings.TrimSuffix(good1, "\n"), want: accepted, good: 1},
		{n: 44, name: "last line cut", body: head + good1 + "HB5-1,2026-03-01T00:0", want: quarantined, code: decode.ReasonLineCut, good: 1,
			choice: "a cut inside the last cell looks like a shorter value; a checksum of the transport must tell",
			check: func(t *testing.T, in analytics.Incoming) {
				if len(in.Notes) != 1 || in.Notes[0].Code != "last-line-cut" {
					t.Errorf("notes %+v", in.Notes)
				}
			}},
		{n: 45, name: "sum at the end", body: head + good1 + "Total,,50\n", want: quarantined, code: decode.ReasonMissingTime, good: 1,
			choice: "what has no time is no sample"},
		{n: 46, name: "two tables", body: head + good1 + "time,unit,power_w\n2026-03-01T00:00:00Z,HB5-1,5\n", want: refused, code: decode.ReasonHeaderChanged},
		{n: 47, name: "formula where nothing is used", body: one("remark", "=1+1"), profile: "ignore: [remark]", want: accepted, good: 1},
		{n: 47, name: "formula as a serial", body: head + "@SUM(A1),2026-03-01T00:00:00Z,50\n", want: quarantined, code: decode.ReasonSerialCharacters},
		spoilt(48, "serial in scientific form", "1.23E+11"),
		{n: 49, name: "leading zeros lost", body: head + "12345,2026-03-01T00:00:00Z,50\n00012345,2026-03-01T00:00:00Z,50\n", profile: "unit_length: 8",
			want: quarantined, code: decode.ReasonSerialLength, good: 1, choice: "only where the profile says how long serials are"},
		spoilt(50, "serial turned into a date", "2-Mar"),
	}
}

func badJSON() []badInput {
	const array, lines = "application/json", "application/x-ndjson"
	bad := func(n int, name, more, code string) badInput {
		return badInput{n: n, name: name, body: "[" + sample(more) + "," + sample("") + "]", contentType: array, want: quarantined, code: code, good: 1}
	}
	deep := sample(`,"x":` + strings.Repeat("[", 20) + strings.Repeat("]", 20))
	return []badInput{
		bad(51, "key twice", `,"soc_pct":50,"soc_pct":51`, decode.ReasonDuplicateKey),
		bad(51, "field under two names", `,"soc_pct":50,"soc_frac":0.5`, decode.ReasonDuplicateField),
		bad(52, "key in another case", `,"SOC_PCT":50`, decode.ReasonKeyCase),
		{n: 53, name: "unknown key", body: sample(`,"fan":1`), contentType: array, want: noted, code: "unknown-column", good: 1},
		{n: 54, name: "deep nesting in an array", body: "[" + deep + "]", contentType: array, want: refused, code: decode.ReasonJSONDepth},
		{n: 54, name: "deep nesting in a line", body: deep + "\n" + sample("") + "\n", contentType: lines, want: quarantined, code: decode.ReasonJSONDepth, good: 1},
		bad(54, "too many keys", manyKeys(2000), decode.ReasonTooManyKeys),
		bad(55, "huge exponent", `,"power_w":1e999`, decode.ReasonPowerOutOfRange),
		bad(55, "400 digits", `,"power_w":`+strings.Repeat("9", 400), decode.ReasonNumberTooLong),
		bad(55, "integer above 2^53", `,"power_w":9007199254740993`, decode.ReasonPowerOutOfRange),
		bad(56, "number as text", `,"soc_pct":"12.3"`, decode.ReasonNumberAsText),
		{n: 56, name: "number as text by the profile", body: sample(`,"soc_pct":"12.3"`), contentType: array, profile: "numbers_as_text: true",
			want: noted, code: "number-as-text", good: 1},
		bad(57, "NaN", `,"soc_pct":NaN`, decode.ReasonNumberNotFinite),
		bad(57, "-Infinity", `,"soc_pct":-Infinity`, decode.ReasonNumberNotFinite),
		bad(57, "a spreadsheet's error", `,"soc_pct":"#N/A"`, decode.ReasonNumberNotFinite),
		{n: 57, name: "null", body: sample(`,"soc_pct":null`), contentType: array, want: accepted, good: 1, choice: "null is the contract's absent value, no note"},
		{n: 58, name: "bytes behind the object", body: sample("") + " x", contentType: array, want: refused, code: decode.ReasonJSONTrailing},
		{n: 58, name: "bytes behind a line", body: sample("") + " x\n" + sample("") + "\n", contentType: lines, want: quarantined, code: decode.ReasonJSONTrailing, good: 1},
		{n: 59, name: "half a surrogate", body: `[{"unit":"\ud800","time":1772323200},` + sample("") + "]", contentType: array,
			want: quarantined, code: decode.ReasonJSONSurrogate, good: 1},
		{n: 60, name: "two objects as one", body: sample("") + sample(""), contentType: array, want: refused, code: decode.ReasonJSONTrailing},
		{n: 60, name: "two objects in a line", body: sample("") + sample("") + "\n" + sample("") + "\n", contentType: lines,
			want: quarantined, code: decode.ReasonJSONTrailing, good: 1},
		{n: 61, name: "more than the broker takes", body: head + good1, want: accepted, good: 1,
			shown: "ingest/broker/publisher_test.go:TestServerRefusesOversizeByItself", choice: "the broker refuses it, and load cuts files below its limit"},
		{n: 62, name: "no payload", body: "", contentType: array, want: refused, code: decode.ReasonEmpty},
		{n: 63, name: "another collector's envelope", body: `{"collector":"c-99","batch":"b","samples":[` + sample("") + `]}`, contentType: array,
			want: refused, code: ingest.ReasonCollectorMismatch, shown: "ingest/broker/login_test.go:TestCollectorMayOnlyPublishItsOwn"},
		{n: 64, name: "a unit that another collector reports", body: head + soc("50"), want: judged, good: 1,
			check: disputedWith("c-99", head+soc("51")), choice: "collectors own no units; whoever contradicts another only makes a dispute"},
		{n: 65, name: "a unit that is not registered", body: head + "HB9-404,2026-03-01T00:00:00Z,50\n", want: accepted, good: 1,
			shown: "store/quarantine_test.go:TestUnknownUnitsWaitUntilTheyAreRegistered", choice: "known to the database only: unknown-unit, released by itself on registration"},
		{n: 66, name: "a newer form of the envelope", body: `{"schema":9,"samples":[` + sample("") + `]}`, contentType: array,
			want: noted, code: "unknown-column", good: 1, choice: "the contract has no version: it grows by keys, and unknown keys are noted"},
		{n: 67, name: "one message id, two contents", body: head + soc("50"), want: judged, good: 1, check: disputedWith("c-07", head+soc("51")),
			shown: "ingest/broker/broker_test.go:TestSameIDIsStoredOnce", choice: "the broker keeps the first of an id within its window; behind it, both are read"},
		{n: 68, name: "one number in four forms", body: `[{"unit":"HB5-1","time":1772323200,"power_w":100},{"unit":"HB5-1","time":1772323200,"power_w":1E2},` +
			`{"unit":"HB5-1","time":1772323200,"power_w":100.0,"soc_pct":-0},{"unit":"HB5-1","time":1772323200,"power_w":100,"soc_pct":0}]`,
			contentType: array, want: judged, good: 4, check: func(t *testing.T, in analytics.Incoming) {
				s := in.Units[0].Samples
				if s[0] != s[1] || s[2] != s[3] || s[0].Power != s[2].Power {
					t.Errorf("samples %+v", s)
				}
			}},
	}
}

// manyKeys makes n keys of a JSON object.
func manyKeys(n int) string {
	var b strings.Builder
	for i := range n {
		b.WriteString(`,"k` + strings.Repeat("x", i%7) + string(rune('a'+i%26)) + string(rune('a'+i/26%26)) + string(rune('a'+i/676)) + `":1`)
	}
	return b.String()
}

// disputedWith checks that another delivery puts the only instant in dispute.
func disputedWith(collector, body string) func(*testing.T, analytics.Incoming) {
	return func(t *testing.T, in analytics.Incoming) {
		r, _ := count(in, also(t, collector, body))
		if r.Conflicts != 1 || len(r.Counting) != 0 || len(r.Others) != 2 {
			t.Errorf("resolved to %+v, want a dispute of two versions", r)
		}
	}
}
