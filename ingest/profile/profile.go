package profile

import (
	"time"

	"fadeledger/analytics"
)

// Profile says how one source writes its telemetry. The zero value, and a nil
// pointer, stand for the plain contract.
//
// The YAML keys, all optional:
//
//	unit: CELL-A2                 serial of the unit, for files that carry none; a row
//	                              that does carry a serial must carry this one
//	unit_prefix: HB5-             every serial begins with this
//	unit_length: 12               every serial has this many characters
//	rank: 1                       rank of the source, -128 to 127: at one instant the
//	                              version of the highest rank counts
//	delimiter: ";"                one character, or "tab"; "," unless set (CSV)
//	decimal_comma: true           numbers are written 3,5 (CSV; not with delimiter ",")
//	charset: windows-1252         bytes of the file; UTF-8 unless set
//	zone: Europe/Helsinki         IANA name; times without a zone are local times there
//	time_is: relative-s           one of auto (unless set), rfc3339, epoch-s, epoch-ms,
//	                              epoch-us, epoch-ns, relative-s (seconds since start)
//	start: 2026-01-05T00:00:00Z   where relative times begin; required with relative-s
//	date_order: dmy               ymd (unless set), dmy or mdy: 05.01.2026 is 5 January
//	power_is: interval-mean       power (or current and voltage) is the mean over the
//	                              interval that ends at its sample; instant unless set
//	numbers_as_text: true         JSON numbers may come as strings ("12.3")
//	absent: ["n/a", "-"]          texts that mean "no value", beside the empty cell
//	keep_sensor_defaults: true    exactly -40 °C and 85 °C are measurements, not the
//	                              defaults of a disconnected sensor
//	fields:                       by field of the contract (any of its units)
//	  cell_temp_c:
//	    from: t_surface_c         header or key in the source, or a list of them;
//	                              the field's own name unless set
//	    scale: 0.1                value = number × scale + offset, both exact;
//	    offset: -40               a fraction such as 1/3600 is allowed
//	    sign: flipped             the source counts the other way: scale times -1
//	ignore: [step, chg_ah]        headers that are known and not used
//
// Headers that a profile does not name keep the contract's meaning. Unknown
// keys are refused with their line.
type Profile struct {
	// Name is what people call the profile, for messages.
	Name string
	// Unit is the fixed serial, "" when rows carry theirs.
	Unit       analytics.Serial
	UnitPrefix string
	UnitLength int
	Rank       int8
	// Delimiter separates CSV cells; 0 stands for the comma.
	Delimiter    byte
	DecimalComma bool
	Charset      Charset
	// Zone is where times without a zone were written; nil refuses them.
	Zone *time.Location
	Time TimeKind
	// Start is the origin of relative times.
	Start     analytics.Instant
	DateOrder DateOrder
	// PowerIsMean marks every sample with analytics.PowerIsMean.
	PowerIsMean        bool
	NumbersAsText      bool
	KeepSensorDefaults bool
	// Absent lists texts that mean "no value".
	Absent []string
	// Fields maps foreign headers; Ignore lists headers that are not used.
	Fields []Mapping
	Ignore []string
}

// Mapping says under which header a source carries a field, and how its
// numbers convert.
type Mapping struct {
	From   []string
	Column Column
}

// TimeKind says how a source writes time.
type TimeKind uint8

// Kinds of time. TimeAuto tells RFC 3339 from epoch seconds and milliseconds.
const (
	TimeAuto TimeKind = iota
	TimeRFC3339
	TimeEpochSeconds
	TimeEpochMillis
	TimeEpochMicros
	TimeEpochNanos
	TimeRelativeSeconds
)

var timeKinds = []string{"auto", "rfc3339", "epoch-s", "epoch-ms", "epoch-us", "epoch-ns", "relative-s"}

// DateOrder is the order of year, month and day in a written date.
type DateOrder uint8

// Orders of a date.
const (
	YearMonthDay DateOrder = iota
	DayMonthYear
	MonthDayYear
)

var dateOrders = []string{"ymd", "dmy", "mdy"}

// Charset is the encoding of text. UTF-16 needs no setting: its byte-order
// mark tells it.
type Charset uint8

// Charsets.
const (
	UTF8 Charset = iota
	Windows1252
)

var charsets = []string{"utf-8", "windows-1252"}

// Comma gives the CSV delimiter.
func (p *Profile) Comma() byte {
	if p == nil || p.Delimiter == 0 {
		return ','
	}
	return p.Delimiter
}

// Lookup says what a header or key means to this source. For OtherCase the
// column is the one that the name resembles. A header in Ignore is Known with
// NoField.
func (p *Profile) Lookup(header string) (Column, Verdict) {
	if p == nil {
		return named(header)
	}
	for i := range p.Fields {
		for _, from := range p.Fields[i].From {
			if from == header {
				return p.Fields[i].Column, Known
			}
		}
	}
	for _, name := range p.Ignore {
		if name == header {
			return Column{}, Known
		}
	}
	col, verdict := named(header)
	if verdict == Known && col.Field == Time && p.Time == TimeRelativeSeconds {
		col.Conv = Linear{Num: 1000, Den: 1}
	}
	return col, verdict
}
