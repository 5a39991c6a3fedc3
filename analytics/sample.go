package analytics

// Serial identifies a unit.
type Serial string

// Fields says which fields of a Sample carry a value. Absent is never zero.
type Fields uint16

// The fields of a sample. PowerIsMean is no measurement: it says that Power
// (or Current and Voltage) is the mean over the interval that ends at the
// sample, as the profile of its source states.
const (
	HasSoC Fields = 1 << iota
	HasPower
	HasCurrent
	HasVoltage
	HasTemp
	HasTempMax
	HasCharge
	HasDischarge
	PowerIsMean
)

// Measured are the fields that hold a measurement.
const Measured = HasSoC | HasPower | HasCurrent | HasVoltage | HasTemp | HasTempMax | HasCharge | HasDischarge

// Sample is what one unit reported at one instant. Fields that are not in Has
// are zero, so that two samples with the same content compare equal by ==
// once Rank is set aside (see SameContent).
type Sample struct {
	Time Instant
	// Has tells present from zero.
	Has Fields
	// Rank is the rank of the source: at one instant the version of the
	// highest rank counts.
	Rank int8
	SoC  SoC
	// Temp is the coldest cell, TempMax the hottest.
	Temp, TempMax CentiCelsius
	Power         Milliwatts
	Current       Milliamps
	Voltage       Millivolts
	// Charge and Discharge are lifetime counters.
	Charge, Discharge MilliwattHours
}

// SameContent reports whether both samples are equal in every field, whatever
// the rank of their sources.
func (s Sample) SameContent(o Sample) bool {
	s.Rank, o.Rank = 0, 0
	return s == o
}
