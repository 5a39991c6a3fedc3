package decode

// ReasonInfo explains a reason to people.
type ReasonInfo struct {
	Code string
	// Whole says that the reason refuses a delivery as a whole.
	Whole bool
	// Meaning is a clause in plain words; Remedy says what to do.
	Meaning, Remedy string
}

// Reasons lists every reason that this package gives: first those of a row,
// then those of a whole delivery. The slice is the caller's.
func Reasons() []ReasonInfo {
	infos := make([]ReasonInfo, len(reasonTable))
	copy(infos, reasonTable[:])
	return infos
}

// remedyFor gives the usual remedy for a reason.
func remedyFor(code string) string {
	for i := range reasonTable {
		if reasonTable[i].Code == code {
			return reasonTable[i].Remedy
		}
	}
	return ""
}

var reasonTable = [...]ReasonInfo{
	{ReasonMissingUnit, false, "the row names no unit", "fill in the unit's serial, or fix it in the profile with unit"},
	{ReasonMissingTime, false, "the row has no time", "fill in the time"},
	{ReasonUnitMismatch, false, "the row names another unit than the profile fixes", "use a profile without unit for files that carry serials"},
	{ReasonSerialCharacters, false, "the serial holds characters that serials do not have", "write the serial with A-Z a-z 0-9 . _ : / - only, beginning with a letter or digit"},
	{ReasonSerialMangled, false, "a spreadsheet has turned the serial into a number or a date", "export the column as text, from the source"},
	{ReasonSerialLength, false, "the serial has the wrong length", "compare with the label of the unit; leading zeros may be lost"},
	{ReasonSerialPrefix, false, "the serial does not begin as the profile says", "compare with the label of the unit, or correct unit_prefix in the profile"},

	{ReasonTimeUnreadable, false, "the time is written in no known way", "write RFC 3339 with zone, such as 2026-01-05T13:45:00Z, or epoch seconds or milliseconds"},
	{ReasonTimeWithoutZone, false, "a local time, and nothing says where", "write the zone with the time, or name it in the profile with zone"},
	{ReasonTimeZoneAbbreviation, false, "an abbreviated zone means different zones in different countries", "write the offset from UTC, such as +02:00, or Z"},
	{ReasonTimeTwoDigitYear, false, "the year has two digits", "write the year with four digits"},
	{ReasonTimeAmbiguousDate, false, "day and month could be swapped", "write the date as YYYY-MM-DD, or fix date_order in the profile"},
	{ReasonTimeImpossible, false, "a date or time of day that does not exist", "correct the time at its source"},
	{ReasonTimeClockDefault, false, "before 2010: a clock that was never set", "set the clock of the source and send the sample again with its true time"},
	{ReasonTimeSpreadsheet, false, "a spreadsheet's day number", "format the column as YYYY-MM-DDThh:mm:ssZ before export"},
	{ReasonTimeUnit, false, "an epoch time of the wrong size", "send seconds or milliseconds, or fix time_is in the profile"},
	{ReasonTimeSkipped, false, "a local time that the change to summer time left out", "correct zone in the profile, or send times with their offset"},
	{ReasonTimeTwice, false, "a local time that happened twice when summer time ended", "send times with their offset, or in UTC"},

	{ReasonNumberUnreadable, false, "no number", "correct the value, or leave the cell empty (null in JSON)"},
	{ReasonNumberNotFinite, false, "not a number, or infinite", "leave the cell empty (null in JSON)"},
	{ReasonNumberAmbiguous, false, "a comma or point that could be decimal or grouping", "write 1234.5, or fix decimal_comma in the profile"},
	{ReasonNumberGrouping, false, "digits in groups", "write the number without grouping"},
	{ReasonNumberAsText, false, "a number in quotes", "send a JSON number, or allow it with numbers_as_text in the profile"},
	{ReasonNumberTooLong, false, "more characters than a number has", "round the value at its source"},

	{ReasonSoCOutOfRange, false, "state of charge outside -1 to 101 %", "check the unit: percent is soc_pct, a fraction is soc_frac"},
	{ReasonPowerOutOfRange, false, "power outside -2,000,000 to 2,000,000 W", "check the unit: watts are power_w, kilowatts power_kw"},
	{ReasonCurrentOutOfRange, false, "current outside -10,000 to 10,000 A", "check the unit: amperes are current_a, milliamperes current_ma"},
	{ReasonVoltageOutOfRange, false, "voltage outside 0 to 2,000 V", "check the unit: volts are voltage_v, millivolts voltage_mv"},
	{ReasonTempOutOfRange, false, "cell temperature outside -60 to 120 °C", "check the unit: °C is cell_temp_c, °F cell_temp_f, kelvin cell_temp_k"},
	{ReasonCounterOutOfRange, false, "lifetime counter outside 0 to 1,000,000,000 kWh", "check the unit: kilowatt-hours are charge_kwh, watt-hours charge_wh"},
	{ReasonSentinelValue, false, "a number that stands for no value", "leave the cell empty when there is no value"},

	{ReasonFieldCount, false, "more or fewer cells than the header has", "quote cells that hold the delimiter, and write every column in every row"},
	{ReasonLineCut, false, "the last line ends in the middle", "send the file again, whole"},
	{ReasonLineTooLong, false, "the row is longer than a row may be", "check for a lost line end"},
	{ReasonFieldTooLong, false, "the value is longer than a value may be", "check for a lost delimiter or quote"},
	{ReasonQuoteOpen, false, "a quoted cell never ends", "close the quote"},
	{ReasonQuoteBare, false, "a quote in the wrong place", "quote the whole cell and write quotes inside it twice"},
	{ReasonNULByte, false, "a NUL byte inside the row", "send the row again; the file may be damaged"},
	{ReasonUTF8Invalid, false, "bytes that are no UTF-8", "save the file as UTF-8, or fix charset in the profile"},

	{ReasonDuplicateKey, false, "a key twice in one object", "send every key once"},
	{ReasonDuplicateField, false, "one field under two names", "send every quantity once, in one unit"},
	{ReasonKeyCase, false, "a key that differs from a known one by case or blanks", "write the key exactly as in the contract, or map it in a profile"},
	{ReasonAmbiguousUnit, false, "a suffix that can mean milli or mega", "send W or kW, Wh or kWh, or map the key in a profile with a scale"},
	{ReasonTypeMismatch, false, "a JSON value of the wrong type", "send numbers as numbers and the unit as text"},
	{ReasonNotAnObject, false, "something else where a sample was expected", "send samples as JSON objects"},
	{ReasonJSONSyntax, false, "no JSON", "check the JSON at its source"},
	{ReasonJSONDepth, false, "nested too deep", "send flat objects"},
	{ReasonJSONSurrogate, false, "half of a surrogate pair in a text", "send valid Unicode"},
	{ReasonJSONTrailing, false, "bytes after the end of the JSON value", "send one value, or lines of objects as application/x-ndjson"},
	{ReasonTooManyKeys, false, "more different keys than a source can have", "send fixed keys"},

	{ReasonEmpty, true, "nothing in it", "send at least a header"},
	{ReasonPackedHeader, true, "not packed as announced", "correct Content-Encoding, or pack with gzip or zstd"},
	{ReasonPackedTruncated, true, "the packed bytes end in the middle", "send the file again, whole"},
	{ReasonPackedChecksum, true, "the checksum does not match", "send the file again"},
	{ReasonPackedTrailing, true, "other bytes follow the packed ones", "send the file again, packed in one piece"},
	{ReasonPackedCorrupt, true, "the packed bytes are damaged", "pack the file again"},
	{ReasonEncodingUnsupported, true, "an unknown Content-Encoding", "use gzip or zstd, or none"},
	{ReasonTypeUnsupported, true, "an unknown Content-Type", "use text/csv, application/json or application/x-ndjson"},
	{ReasonUnpackedTooBig, true, "too many bytes", "split the delivery"},
	{ReasonUnpackRatio, true, "unpacks to far more than its size", "split the delivery, or send it unpacked"},
	{ReasonTooManyRows, true, "too many rows", "split the delivery"},
	{ReasonCharsetUnknown, true, "no text that can be read", "save the file as UTF-8"},
	{ReasonWebPage, true, "a web page, perhaps a login page or an error", "download the data again while signed in"},
	{ReasonArchive, true, "a zip archive or a workbook", "export CSV, and pack it with gzip or zstd if at all"},
	{ReasonTypeMismatchWhole, true, "the content is not of the announced type", "correct Content-Type"},
	{ReasonHeaderMissing, true, "the first line is no header", "begin with a header of field names, or map the headers in a profile"},
	{ReasonColumnMissing, true, "a required column is missing", "add the column, map it in a profile, or fix unit in the profile"},
	{ReasonColumnTwice, true, "a column twice", "send every column once"},
	{ReasonColumnCase, true, "a header differs from a known one by case or blanks", "write the header exactly as in the contract, or map it in a profile"},
	{ReasonColumnAmbiguous, true, "a suffix that can mean milli or mega", "send W or kW, Wh or kWh, or map the header in a profile with a scale"},
	{ReasonDelimiterMismatch, true, "another delimiter than expected", "set delimiter in the profile"},
	{ReasonHeaderChanged, true, "a second table inside the file", "send one table per file"},
	{ReasonLineEnds, true, "lines end with a bare carriage return", "save the file with LF or CRLF line ends"},
	{ReasonEnvelope, true, "an envelope with a missing or wrong part", `send {"collector":"…","batch":"…","samples":[…]}`},
}
