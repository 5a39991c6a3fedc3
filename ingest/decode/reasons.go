package decode

// Reasons for which a row goes to quarantine.
const (
	// ReasonMissingUnit: the row names no unit.
	ReasonMissingUnit = "missing-unit"
	// ReasonMissingTime: the row has no time.
	ReasonMissingTime = "missing-time"
	// ReasonUnitMismatch: the row names another unit than the profile fixes.
	ReasonUnitMismatch = "unit-mismatch"
	// ReasonSerialCharacters: the serial holds characters that serials do not have.
	ReasonSerialCharacters = "serial-characters"
	// ReasonSerialMangled: the serial looks like a number or date made by a spreadsheet.
	ReasonSerialMangled = "serial-mangled"
	// ReasonSerialLength: the serial is too long, or not as long as the profile says.
	ReasonSerialLength = "serial-length"
	// ReasonSerialPrefix: the serial does not begin as the profile says.
	ReasonSerialPrefix = "serial-prefix"

	// ReasonTimeUnreadable: the time is written in no known way.
	ReasonTimeUnreadable = "time-unreadable"
	// ReasonTimeWithoutZone: a local time, and no profile names the zone.
	ReasonTimeWithoutZone = "time-without-zone"
	// ReasonTimeZoneAbbreviation: a zone such as CST, which means several zones.
	ReasonTimeZoneAbbreviation = "time-zone-abbreviation"
	// ReasonTimeTwoDigitYear: a year of two digits.
	ReasonTimeTwoDigitYear = "time-two-digit-year"
	// ReasonTimeAmbiguousDate: day and month could be swapped.
	ReasonTimeAmbiguousDate = "time-ambiguous-date"
	// ReasonTimeImpossible: a date or time of day that does not exist.
	ReasonTimeImpossible = "time-impossible"
	// ReasonTimeClockDefault: before 2010, what a clock shows that was never set.
	ReasonTimeClockDefault = "time-clock-default"
	// ReasonTimeSpreadsheet: a day number of a spreadsheet.
	ReasonTimeSpreadsheet = "time-spreadsheet"
	// ReasonTimeUnit: an epoch time whose size fits no second or millisecond, or not the profile's unit.
	ReasonTimeUnit = "time-unit"
	// ReasonTimeSkipped: a local time that the change to summer time left out.
	ReasonTimeSkipped = "time-skipped"
	// ReasonTimeTwice: a local time that happened twice when summer time ended.
	ReasonTimeTwice = "time-twice"

	// ReasonNumberUnreadable: no number.
	ReasonNumberUnreadable = "number-unreadable"
	// ReasonNumberNotFinite: NaN or infinity.
	ReasonNumberNotFinite = "number-not-finite"
	// ReasonNumberAmbiguous: a comma or point that could be decimal or grouping.
	ReasonNumberAmbiguous = "number-ambiguous"
	// ReasonNumberGrouping: digits in groups.
	ReasonNumberGrouping = "number-grouping"
	// ReasonNumberAsText: a JSON number in quotes.
	ReasonNumberAsText = "number-as-text"
	// ReasonNumberTooLong: more characters than a number has.
	ReasonNumberTooLong = "number-too-long"

	// ReasonSoCOutOfRange: state of charge outside −1 to 101 %.
	ReasonSoCOutOfRange = "soc-out-of-range"
	// ReasonPowerOutOfRange: power outside ±2,000,000 W.
	ReasonPowerOutOfRange = "power-out-of-range"
	// ReasonCurrentOutOfRange: current outside ±10,000 A.
	ReasonCurrentOutOfRange = "current-out-of-range"
	// ReasonVoltageOutOfRange: voltage outside 0 to 2,000 V.
	ReasonVoltageOutOfRange = "voltage-out-of-range"
	// ReasonTempOutOfRange: cell temperature outside −60 to 120 °C.
	ReasonTempOutOfRange = "temp-out-of-range"
	// ReasonCounterOutOfRange: lifetime counter outside 0 to 1,000,000,000 kWh.
	ReasonCounterOutOfRange = "counter-out-of-range"
	// ReasonSentinelValue: a number that stands for "no value", such as a state of charge of 255.
	ReasonSentinelValue = "sentinel-value"

	// ReasonFieldCount: more or fewer cells than the header.
	ReasonFieldCount = "field-count"
	// ReasonLineCut: the last line ends in the middle.
	ReasonLineCut = "line-cut"
	// ReasonLineTooLong: a row above the limit; only its beginning is kept.
	ReasonLineTooLong = "line-too-long"
	// ReasonFieldTooLong: a cell or text above the limit.
	ReasonFieldTooLong = "field-too-long"
	// ReasonQuoteOpen: a quoted cell that never ends.
	ReasonQuoteOpen = "quote-open"
	// ReasonQuoteBare: a quote inside a cell that is not quoted, or text after a quoted cell.
	ReasonQuoteBare = "quote-bare"
	// ReasonNULByte: a NUL byte inside the row.
	ReasonNULByte = "nul-byte"
	// ReasonUTF8Invalid: bytes that are no UTF-8, in a field that is used.
	ReasonUTF8Invalid = "utf8-invalid"

	// ReasonDuplicateKey: a key twice in one JSON object.
	ReasonDuplicateKey = "duplicate-key"
	// ReasonDuplicateField: one field under two names.
	ReasonDuplicateField = "duplicate-field"
	// ReasonKeyCase: a key that differs from a known one by case or blanks.
	ReasonKeyCase = "key-case"
	// ReasonAmbiguousUnit: a suffix that can mean milli or mega.
	ReasonAmbiguousUnit = "ambiguous-unit"
	// ReasonTypeMismatch: a JSON value of the wrong type.
	ReasonTypeMismatch = "type-mismatch"
	// ReasonNotAnObject: something else where a sample was expected.
	ReasonNotAnObject = "not-an-object"
	// ReasonJSONSyntax: no JSON. In an array or envelope it refuses the delivery.
	ReasonJSONSyntax = "json-syntax"
	// ReasonJSONDepth: nested deeper than MaxDepth.
	ReasonJSONDepth = "json-depth"
	// ReasonJSONSurrogate: half of a surrogate pair.
	ReasonJSONSurrogate = "json-surrogate"
	// ReasonJSONTrailing: bytes after the end of the JSON value.
	ReasonJSONTrailing = "json-trailing"
	// ReasonTooManyKeys: more different keys than a source can have.
	ReasonTooManyKeys = "too-many-keys"
)

// Reasons for which a whole delivery is refused.
const (
	// ReasonEmpty: no bytes, or nothing but blanks.
	ReasonEmpty = "empty"
	// ReasonPackedHeader: the bytes are not packed as announced.
	ReasonPackedHeader = "packed-header"
	// ReasonPackedTruncated: the packed bytes end in the middle.
	ReasonPackedTruncated = "packed-truncated"
	// ReasonPackedChecksum: the unpacked bytes do not match their checksum.
	ReasonPackedChecksum = "packed-checksum"
	// ReasonPackedTrailing: other bytes follow the packed ones.
	ReasonPackedTrailing = "packed-trailing"
	// ReasonPackedCorrupt: the packed bytes are damaged.
	ReasonPackedCorrupt = "packed-corrupt"
	// ReasonEncodingUnsupported: a Content-Encoding other than gzip or zstd.
	ReasonEncodingUnsupported = "encoding-unsupported"
	// ReasonTypeUnsupported: a Content-Type other than the three that are read.
	ReasonTypeUnsupported = "type-unsupported"
	// ReasonUnpackedTooBig: more unpacked bytes than allowed.
	ReasonUnpackedTooBig = "unpacked-too-big"
	// ReasonUnpackRatio: unpacks to more than MaxRatio times its size.
	ReasonUnpackRatio = "unpack-ratio"
	// ReasonTooManyRows: more rows than allowed.
	ReasonTooManyRows = "too-many-rows"
	// ReasonCharsetUnknown: text in UTF-16 without a byte-order mark, or binary.
	ReasonCharsetUnknown = "charset-unknown"
	// ReasonWebPage: a web page saved as data.
	ReasonWebPage = "web-page"
	// ReasonArchive: a zip archive or a spreadsheet workbook.
	ReasonArchive = "archive"
	// ReasonTypeMismatchWhole: JSON announced as CSV or the other way round.
	ReasonTypeMismatchWhole = "content-mismatch"
	// ReasonHeaderMissing: the first line holds no known name.
	ReasonHeaderMissing = "header-missing"
	// ReasonColumnMissing: no unit or no time column.
	ReasonColumnMissing = "column-missing"
	// ReasonColumnTwice: one name or one field twice in the header.
	ReasonColumnTwice = "column-twice"
	// ReasonColumnCase: a header that differs from a known one by case or blanks.
	ReasonColumnCase = "column-case"
	// ReasonColumnAmbiguous: a header whose suffix can mean milli or mega.
	ReasonColumnAmbiguous = "column-ambiguous"
	// ReasonDelimiterMismatch: another delimiter than the profile's.
	ReasonDelimiterMismatch = "delimiter-mismatch"
	// ReasonHeaderChanged: a second, different header inside the file.
	ReasonHeaderChanged = "header-changed"
	// ReasonLineEnds: lines that end with a bare carriage return.
	ReasonLineEnds = "line-ends"
	// ReasonEnvelope: an envelope without samples, or with a wrong part.
	ReasonEnvelope = "envelope"
)
