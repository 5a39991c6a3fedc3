package analytics

// ExcursionKind names a way to leave the limits of a model.
type ExcursionKind uint8

// The kinds of excursions.
const (
	ColdCharge ExcursionKind = iota
	ColdDischarge
	HotCharge
	HotDischarge
	ChargeRate
	DischargeRate
	DeepDischarge
	HotRest
	ExcursionKinds int = iota
)

var excursionNames = [ExcursionKinds]string{
	"cold-charge", "cold-discharge", "hot-charge", "hot-discharge",
	"charge-rate", "discharge-rate", "deep-discharge", "hot-rest",
}

func (k ExcursionKind) String() string { return excursionNames[k] }

// MarshalText writes the name of the kind.
func (k ExcursionKind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// ParseExcursionKind finds a kind by its name.
func ParseExcursionKind(name string) (ExcursionKind, bool) {
	for i, n := range excursionNames {
		if n == name {
			return ExcursionKind(i), true
		}
	}
	return 0, false
}

// Ending says how an episode came to its end: what the first sample after its
// last sample over the limit showed.
type Ending uint8

// The endings of an episode.
const (
	// EndOpen: no later sample has come yet.
	EndOpen Ending = iota
	// EndWithinLimit: the unit went on in the same direction, still outside
	// the flat part of the table, at a rate that is allowed there. The
	// battery's own management brought the rate down, or the source did.
	EndWithinLimit
	// EndStopped: the rate fell to 0.02 C or below, or changed direction.
	EndStopped
	// EndLeft: temperature or state of charge came back to where the limit
	// no longer binds.
	EndLeft
	// EndUnseen: what came next is not known (a gap, or no rate).
	EndUnseen
)

var endingNames = [...]string{"open", "within-limit", "stopped", "left", "unseen"}

func (e Ending) String() string { return endingNames[e] }

// MarshalText writes the name of the ending.
func (e Ending) MarshalText() ([]byte, error) { return []byte(e.String()), nil }

// ParseEnding finds an ending by its name.
func ParseEnding(name string) (Ending, bool) {
	for i, n := range endingNames {
		if n == name {
			return Ending(i), true
		}
	}
	return 0, false
}

// Excursion is one episode over a limit, from its first to its last sample
// over the limit.
type Excursion struct {
	Kind       ExcursionKind
	Start, End Instant
	// Samples is the number of samples over the limit, at least 1.
	Samples int64
	// HasTemp says whether MinTemp and MaxTemp (of all samples inside) exist.
	HasTemp          bool
	MinTemp, MaxTemp CentiCelsius
	// Peak is the highest rate over the limit; AllowedAtPeak what the table
	// allowed at that sample. Zero for deep-discharge and hot-rest.
	Peak, AllowedAtPeak MicroC
	// Charge and Discharge are the energies of the pairs of consecutive
	// samples inside the episode.
	Charge, Discharge MicrowattHours
	Ending            Ending
}

// Length gives the time from the first to the last sample over the limit.
func (e Excursion) Length() Millis { return Millis(e.End - e.Start) }

// EventKind names something that the counter met and that a reader of the
// ledger should know.
type EventKind string

// The kinds of events.
const (
	// CounterReset: a lifetime counter went backwards.
	CounterReset EventKind = "counter-reset"
	// CounterImplausible: a lifetime counter rose by more than the unit can
	// do; the rise was not added.
	CounterImplausible EventKind = "counter-implausible"
)

// Event is something that happened to a counter of a unit.
type Event struct {
	Kind EventKind
	At   Instant
	// Field is the counter's field: charge_mwh or discharge_mwh.
	Field string
}
