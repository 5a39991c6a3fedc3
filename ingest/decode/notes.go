package decode

import (
	"fmt"
	"sort"

	"fadeledger/analytics"
)

// NoteCode names something that was accepted and is still worth telling.
type NoteCode string

// Notes of a Report.
const (
	// NoteBOM: a byte-order mark was taken off the beginning.
	NoteBOM NoteCode = "bom-stripped"
	// NoteBOMInside: a byte-order mark inside the file, as joined files have.
	NoteBOMInside NoteCode = "bom-inside"
	// NoteUTF16 and NoteWindows1252: the text was converted to UTF-8.
	NoteUTF16       NoteCode = "utf-16"
	NoteWindows1252 NoteCode = "windows-1252"
	// NotePackedDetected: packed, though no Content-Encoding said so.
	NotePackedDetected NoteCode = "packed-detected"
	// NoteNoRows: a header and no rows.
	NoteNoRows NoteCode = "no-rows"
	// NoteHeaderRepeated: the header again inside the file.
	NoteHeaderRepeated NoteCode = "header-repeated"
	// NoteUnknownColumn: a column or key that is not used; Detail names it.
	NoteUnknownColumn NoteCode = "unknown-column"
	// NoteMixedLineEnds: LF and CRLF in one file.
	NoteMixedLineEnds NoteCode = "mixed-line-ends"
	// NoteLineCut: the last line ends in the middle.
	NoteLineCut NoteCode = "last-line-cut"
	// NoteBlanksTrimmed: blanks or invisible characters around a value.
	NoteBlanksTrimmed NoteCode = "blanks-trimmed"
	// NoteUTF8Unused: bytes that are no UTF-8, in a column that is not used.
	NoteUTF8Unused NoteCode = "utf8-invalid-unused"
	// NoteSoCClamped: a state of charge up to 1 % outside 0 to 100 was set to the end.
	NoteSoCClamped NoteCode = "soc-clamped"
	// NoteSensorDefault: exactly −40 or 85 °C, a disconnected sensor, or the end
	// of 16 bits, a register without a value; taken as absent.
	NoteSensorDefault NoteCode = "sensor-default"
	// NoteLocalTime: a local time was read in the profile's zone.
	NoteLocalTime NoteCode = "local-time"
	// NoteTimeFraction: an epoch time with a fraction or exponent.
	NoteTimeFraction NoteCode = "epoch-fraction"
	// NoteTime24: 24:00:00 was read as 00:00 of the next day.
	NoteTime24 NoteCode = "time-24h"
	// NoteLeapSecond: 23:59:60 was read as 23:59:59.999.
	NoteLeapSecond NoteCode = "leap-second"
	// NoteNumberAsText: a JSON number in quotes, which the profile allows.
	NoteNumberAsText NoteCode = "number-as-text"
	// NoteSignFlipped: state of charge falls while charging, and the other way
	// round; Detail names the unit. See Report.SignFlips.
	NoteSignFlipped NoteCode = "sign-flipped"
	// NoteSoCLooksFraction: the state of charge of a unit moves for a day and is
	// never above 1 %; Detail names the unit, as in the following.
	NoteSoCLooksFraction NoteCode = "soc-looks-like-fraction"
	// NoteTempLooksFahrenheit: the cells of a unit are above 45 °C for a day.
	NoteTempLooksFahrenheit NoteCode = "temp-looks-like-fahrenheit"
	// NotePowerDisagrees: power is far from voltage times current.
	NotePowerDisagrees NoteCode = "power-disagrees"
	// NoteCountersDisagree: the counters rise by far more or less than the power
	// gives over the same time.
	NoteCountersDisagree NoteCode = "counters-disagree"
	// NoteValueStuck: a state of charge stays for six hours, or a temperature for
	// twelve, while energy flows.
	NoteValueStuck NoteCode = "value-stuck"
)

// Note is something that was accepted, with how often.
type Note struct {
	Code  NoteCode
	Count int64
	// Detail names the column or unit, "" where the note concerns the whole.
	Detail string
}

// rowNotes is a set of notes that one row earned. They are counted once the
// row is complete, because a row that meets the end of the window is read
// again.
type rowNotes uint16

const (
	rowTrimmed rowNotes = 1 << iota
	rowUTF8Unused
	rowSoCClamped
	rowSensorDefault
	rowLocalTime
	rowTimeFraction
	rowTime24
	rowLeapSecond
	rowNumberAsText
	rowBOMInside
	rowNoteCount = iota
)

var rowNoteCodes = [rowNoteCount]NoteCode{
	NoteBlanksTrimmed, NoteUTF8Unused, NoteSoCClamped, NoteSensorDefault, NoteLocalTime,
	NoteTimeFraction, NoteTime24, NoteLeapSecond, NoteNumberAsText, NoteBOMInside,
}

// SignFlip says that the state of charge of a unit moves against the sign of
// its power or current. It is reported, never mended: the profile must say
// sign: flipped.
type SignFlip struct {
	Serial analytics.Serial
	// Against and Along sum the changes of state of charge, in 0.1 %, that
	// went against and along with the sign.
	Against, Along int64
}

// note adds to a note of the report. Details come from the sender and are
// bounded; without one there are no more notes than codes.
func (d *Decoder) note(code NoteCode, detail string, count int64) {
	for i := range d.rep.Notes {
		if n := &d.rep.Notes[i]; n.Code == code && n.Detail == detail {
			n.Count += count
			return
		}
	}
	if detail == "" || len(d.rep.Notes) < maxDetails {
		d.rep.Notes = append(d.rep.Notes, Note{Code: code, Detail: detail, Count: count})
	}
}

// noteRow counts the notes of an accepted row.
func (d *Decoder) noteRow() {
	for i := range rowNoteCodes {
		if d.rowNotes&(1<<i) != 0 {
			d.noteCounts[i]++
		}
	}
}

// closeNotes writes the counted notes into the report.
func (d *Decoder) closeNotes() {
	for i, count := range d.noteCounts {
		if count > 0 {
			d.note(rowNoteCodes[i], "", count)
		}
	}
	d.noteCounts = [rowNoteCount]int64{}
	if d.crlf > 0 && d.crlf < d.ends {
		d.note(NoteMixedLineEnds, "", d.crlf)
	}
	d.takeTrends()
	sort.Slice(d.rep.SignFlips, func(i, j int) bool { return d.rep.SignFlips[i].Serial < d.rep.SignFlips[j].Serial })
	for _, f := range d.rep.SignFlips {
		d.note(NoteSignFlipped, string(f.Serial), 1)
	}
}

// takeTrends writes what the units of the delivery look like into the report.
func (d *Decoder) takeTrends() {
	for i := range d.serials.trends {
		t := &d.serials.trends[i]
		if t.flipped() && len(d.rep.SignFlips) < maxDetails {
			d.rep.SignFlips = append(d.rep.SignFlips, SignFlip{Serial: t.serial, Against: t.against, Along: t.along})
		}
		for _, code := range t.looks() {
			d.note(code, string(t.serial), 1)
		}
	}
}

// String writes the note for people.
func (n Note) String() string {
	switch n.Code {
	case NoteSignFlipped:
		return fmt.Sprintf("unit %s: the state of charge falls while it charges, as if the sign were flipped; if it is, say so in the profile", n.Detail)
	case NoteUnknownColumn:
		return fmt.Sprintf("column %q is not used", n.Detail)
	case NoteSoCLooksFraction, NoteTempLooksFahrenheit, NotePowerDisagrees, NoteCountersDisagree, NoteValueStuck:
		return fmt.Sprintf("unit %s: %s", n.Detail, n.Code.words())
	}
	text := n.Code.words()
	if n.Detail != "" {
		text += " (" + n.Detail + ")"
	}
	if n.Count > 1 {
		text += fmt.Sprintf(", %d times", n.Count)
	}
	return text
}

// words explains a code that needs no detail.
func (c NoteCode) words() string {
	switch c {
	case NoteBOM:
		return "a byte-order mark was taken off the beginning"
	case NoteBOMInside:
		return "a byte-order mark stands inside, as in joined files"
	case NoteUTF16, NoteWindows1252:
		return "the text was converted from " + string(c)
	case NotePackedDetected:
		return "it is packed, though nothing said so"
	case NoteNoRows:
		return "it holds no rows"
	case NoteHeaderRepeated:
		return "the header stands again inside"
	case NoteMixedLineEnds:
		return "line ends are mixed"
	case NoteLineCut:
		return "the last line ends in the middle"
	case NoteBlanksTrimmed:
		return "blanks around a value were taken off"
	case NoteUTF8Unused:
		return "a column that is not used holds bytes that are no UTF-8"
	case NoteSoCClamped:
		return "a state of charge up to 1 % outside 0 to 100 was set to the end"
	case NoteSensorDefault:
		return "a temperature that a disconnected sensor shows, such as exactly −40 or 85 °C, was taken as absent"
	case NoteLocalTime:
		return "a local time was read in the profile's zone"
	case NoteTimeFraction:
		return "an epoch time has a fraction or exponent"
	case NoteTime24:
		return "24:00:00 was read as the next midnight"
	case NoteLeapSecond:
		return "23:59:60 was read as 23:59:59.999"
	case NoteNumberAsText:
		return "a number stands in quotes"
	case NoteSoCLooksFraction:
		return "the state of charge is never above 1 %, as if a fraction were written as percent; if it is one, map it to soc_frac in the profile"
	case NoteTempLooksFahrenheit:
		return "the cells are above 45 °C all day, as if °F were written as °C; if they are, map them to cell_temp_f in the profile"
	case NotePowerDisagrees:
		return "power is far from voltage times current, as if one had another unit; if so, map it in the profile with its unit"
	case NoteCountersDisagree:
		return "the lifetime counters and the power are far apart, as if Wh were written as kWh; if so, map them in the profile with their unit"
	case NoteValueStuck:
		return "the state of charge or temperature did not change for hours while energy flowed, as with a stuck sensor"
	}
	return string(c)
}
