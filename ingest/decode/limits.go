package decode

// Limits of a delivery, each overridable in Options.
const (
	// DefaultMaxLineBytes bounds a CSV record or a JSON sample.
	DefaultMaxLineBytes = 64 << 10
	// DefaultMaxFieldBytes bounds one cell or one JSON text.
	DefaultMaxFieldBytes = 4 << 10
	// DefaultMaxUnpackedBytes bounds the delivery after unpacking.
	DefaultMaxUnpackedBytes = 500 << 20
	// DefaultMaxRatio bounds unpacked bytes per packed byte. It is enforced from
	// RatioFloorBytes on, because short texts with long runs pack better.
	DefaultMaxRatio = 100
	// DefaultMaxRows bounds the rows of a delivery.
	DefaultMaxRows = 10_000_000
)

const (
	// RatioFloorBytes is the unpacked size below which MaxRatio is not asked.
	RatioFloorBytes = 1 << 20
	// MaxRawBytes is how much of a bad row a Problem keeps.
	MaxRawBytes = 4 << 10
	// MaxDepth is the deepest nesting in JSON.
	MaxDepth = 8
	// MaxNumberBytes is the longest number.
	MaxNumberBytes = 64
	// maxSerials bounds the table of serials that one Decoder keeps.
	maxSerials = 200_000
	// maxKeys bounds the table of JSON keys that one Decoder keeps.
	maxKeys = 1024
	// maxDetails bounds lists inside a Report.
	maxDetails = 100
)

// withDefaults fills in the limits that are not set.
func (o Options) withDefaults() Options {
	if o.MaxLineBytes <= 0 {
		o.MaxLineBytes = DefaultMaxLineBytes
	}
	if o.MaxFieldBytes <= 0 {
		o.MaxFieldBytes = DefaultMaxFieldBytes
	}
	o.MaxFieldBytes = min(o.MaxFieldBytes, o.MaxLineBytes)
	if o.MaxUnpackedBytes <= 0 {
		o.MaxUnpackedBytes = DefaultMaxUnpackedBytes
	}
	if o.MaxRatio <= 0 {
		o.MaxRatio = DefaultMaxRatio
	}
	if o.MaxRows <= 0 {
		o.MaxRows = DefaultMaxRows
	}
	return o
}
