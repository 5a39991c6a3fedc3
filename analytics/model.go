package analytics

// Model is a type of battery unit and what its maker allows it to do.
type Model struct {
	Name      string
	Chemistry string
	// Rated is the rated energy; zero is invalid.
	Rated MilliwattHours
	// RatedCharge is the rated capacity; zero means unknown, and then the
	// C-rate of a current is unknown too.
	RatedCharge MilliampHours
	MaxPower    Milliwatts
	// MaxGap is the longest time between two samples that counts as covered;
	// zero means DefaultMaxGap.
	MaxGap Millis
	// Floor is the lowest state of charge allowed; nil means no floor.
	Floor *SoC
	// StorageMax is the highest temperature allowed at rest; nil means none.
	StorageMax     *CentiCelsius
	ChargeLimit    LimitTable
	DischargeLimit LimitTable
}

// DefaultMaxGap is the longest covered gap where a model names none.
const DefaultMaxGap = 15 * Minute

// Gap gives MaxGap or its default.
func (m *Model) Gap() Millis {
	if m.MaxGap > 0 {
		return m.MaxGap
	}
	return DefaultMaxGap
}

// LimitRow is one row of a limit table: at this cell temperature, at most this
// C-rate.
type LimitRow struct {
	Temp CentiCelsius
	Rate MicroC
}

// LimitTable gives the highest allowed C-rate by cell temperature, in
// ascending order of temperature: linear between rows, zero outside the first
// and the last. An empty table sets no limit.
type LimitTable []LimitRow

// Flat gives the lowest and the highest temperature at which the table has
// its largest rate; ok is false for an empty table.
func (t LimitTable) Flat() (low, high CentiCelsius, ok bool) {
	var top MicroC = -1
	for _, r := range t {
		switch {
		case r.Rate > top:
			top, low, high = r.Rate, r.Temp, r.Temp
		case r.Rate == top:
			high = r.Temp
		}
	}
	return low, high, len(t) > 0
}

// At gives the allowed rate at a temperature, rounded down to a MicroC, for
// display; the counter compares exactly.
func (t LimitTable) At(temp CentiCelsius) MicroC {
	num, den := t.at(temp)
	return MicroC(num / den)
}

// at gives the allowed rate in MicroC as the fraction num/den, den > 0.
func (t LimitTable) at(temp CentiCelsius) (num, den int64) {
	for i, r := range t {
		if temp == r.Temp {
			return int64(r.Rate), 1
		}
		if temp < r.Temp {
			if i == 0 {
				return 0, 1
			}
			p := t[i-1]
			span := int64(r.Temp - p.Temp)
			return int64(p.Rate)*span + int64(r.Rate-p.Rate)*int64(temp-p.Temp), span
		}
	}
	return 0, 1
}

// Terms are what a unit was sold with. Absent limits are zero or nil.
type Terms struct {
	Name  string
	Model string
	// SoldFrom is the first day on which units are sold with these terms.
	SoldFrom Day
	Years    int
	Life     CycleLife
	// EnergyCap is the discharged energy that the terms cover, EFCCap the
	// equivalent full cycles; zero means no such cap.
	EnergyCap MilliwattHours
	EFCCap    float64
	// EFCBasis is BasisThroughput unless the terms count discharge alone.
	EFCBasis EFCBasis
	Retained []RetainedPoint
	// Start says where the warranty starts: StartCommissioned or StartShipped.
	Start               StartRule
	LongestDelayDays    int
	ColdChargeAllowance MilliwattHours
	HasColdAllowance    bool
	LongestGapDays      int
	RegistrationDays    int
	Remedy              []RemedyStep
}

// EFCBasis says which energy makes an equivalent full cycle.
type EFCBasis string

// The bases of an equivalent full cycle.
const (
	// BasisThroughput is (charge + discharge) / (2 × rated energy).
	BasisThroughput EFCBasis = "throughput"
	// BasisDischarge is discharge / rated energy.
	BasisDischarge EFCBasis = "discharge"
)

// StartRule says which day starts the warranty.
type StartRule string

// The start rules. StartShipped counts from the day shipped plus the longest
// delay; StartCommissioned from the day commissioned, at the latest the day
// shipped plus the longest delay where both are known.
const (
	StartCommissioned StartRule = "commissioned"
	StartShipped      StartRule = "shipped"
)

// RetainedPoint is a promise: after Year years at least Pct percent of the
// rated energy is left.
type RetainedPoint struct {
	Year int
	Pct  float64
}

// RemedyStep is the share of the unit's price that is made good through a
// warranty year.
type RemedyStep struct {
	ThroughYear int
	Pct         float64
}

// Unit is one battery as registered.
type Unit struct {
	Serial Serial
	Model  string
	Stack  string
	Site   string
	// Shipped and Commissioned are nil when not known.
	Shipped      *Day
	Commissioned *Day
	Terms        string
	// Position is the place in the stack, 0 when not known.
	Position int
}

// WarrantyStart gives the first day of the warranty by the terms' rule, and
// false when the dates it needs are not known.
func (t *Terms) WarrantyStart(u Unit) (Day, bool) {
	latest := func() (Day, bool) {
		if u.Shipped == nil {
			return 0, false
		}
		return *u.Shipped + Day(t.LongestDelayDays), true
	}
	if t.Start == StartShipped {
		return latest()
	}
	if u.Commissioned == nil {
		return latest()
	}
	if end, ok := latest(); ok && t.LongestDelayDays > 0 && *u.Commissioned > end {
		return end, true
	}
	return *u.Commissioned, true
}

// WarrantyEnd gives the first day after the warranty that starts on start: the
// anniversary by the calendar, 1 March where a 29 February has none.
func (t *Terms) WarrantyEnd(start Day) Day {
	return InstantOf(start.Start().Time().AddDate(t.Years, 0, 0)).Day()
}

// Placement says where on a site the units stand.
type Placement string

// The placements.
const (
	DwellingStorage Placement = "dwelling-storage"
	Garage          Placement = "garage"
	ExteriorWall    Placement = "exterior-wall"
	Outdoor         Placement = "outdoor"
)

// Site is a place where units stand. It is an identifier, never a customer.
type Site struct {
	Name string
	// Zone is an IANA time zone, for display only.
	Zone      string
	Country   string
	Region    string
	Placement Placement
	Installer string
}
