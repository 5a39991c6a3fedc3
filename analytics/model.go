package analytics

// Model is a type of battery unit and what its maker allows it to do.
type Model struct {
	Name      string `json:"name"`
	Chemistry string `json:"chemistry"`
	// Rated is the rated energy; zero is invalid.
	Rated MilliwattHours `json:"rated_mwh"`
	// RatedCharge is the rated capacity; zero means unknown, and then the
	// C-rate of a current is unknown too.
	RatedCharge MilliampHours `json:"rated_mah"`
	MaxPower    Milliwatts    `json:"max_power_mw"`
	// MaxGap is the longest time between two samples that counts as covered;
	// zero means DefaultMaxGap.
	MaxGap Millis `json:"max_gap_ms"`
	// Floor is the lowest state of charge allowed; nil means no floor.
	Floor *SoC `json:"floor_soc_permille,omitempty"`
	// StorageMax is the highest temperature allowed at rest; nil means none.
	StorageMax     *CentiCelsius `json:"storage_max_centi_c,omitempty"`
	ChargeLimit    LimitTable    `json:"charge_limit"`
	DischargeLimit LimitTable    `json:"discharge_limit"`
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
	Temp CentiCelsius `json:"temp_centi_c"`
	Rate MicroC       `json:"rate_micro_c"`
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
	Name  string `json:"name"`
	Model string `json:"model"`
	// SoldFrom is the first day on which units are sold with these terms.
	SoldFrom Day       `json:"sold_from_day"`
	Years    int       `json:"years"`
	Life     CycleLife `json:"cycle_life"`
	// EnergyCap is the discharged energy that the terms cover, EFCCap the
	// equivalent full cycles; zero means no such cap.
	EnergyCap MilliwattHours `json:"energy_cap_mwh,omitempty"`
	EFCCap    float64        `json:"efc_cap,omitempty"`
	// EFCBasis is BasisThroughput unless the terms count discharge alone.
	EFCBasis EFCBasis        `json:"efc_basis,omitempty"`
	Retained []RetainedPoint `json:"retained_capacity,omitempty"`
	// Start says where the warranty starts: StartCommissioned or StartShipped.
	Start               StartRule      `json:"start"`
	LongestDelayDays    int            `json:"longest_delay_days,omitempty"`
	ColdChargeAllowance MilliwattHours `json:"cold_charge_allowance_mwh,omitempty"`
	HasColdAllowance    bool           `json:"has_cold_charge_allowance,omitempty"`
	LongestGapDays      int            `json:"longest_gap_days,omitempty"`
	RegistrationDays    int            `json:"registration_days,omitempty"`
	Remedy              []RemedyStep   `json:"remedy,omitempty"`
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
	Year int     `json:"year"`
	Pct  float64 `json:"pct"`
}

// RemedyStep is the share of the unit's price that is made good through a
// warranty year.
type RemedyStep struct {
	ThroughYear int     `json:"through_year"`
	Pct         float64 `json:"pct"`
}

// Unit is one battery as registered.
type Unit struct {
	Serial Serial `json:"serial"`
	Model  string `json:"model"`
	Stack  string `json:"stack"`
	Site   string `json:"site"`
	// Shipped and Commissioned are nil when not known.
	Shipped      *Day   `json:"shipped_day"`
	Commissioned *Day   `json:"commissioned_day"`
	Terms        string `json:"terms"`
	// Position is the place in the stack, 0 when not known.
	Position int `json:"position"`
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
	Name string `json:"name"`
	// Zone is an IANA time zone, for display only.
	Zone      string    `json:"zone"`
	Country   string    `json:"country"`
	Region    string    `json:"region"`
	Placement Placement `json:"placement"`
	Installer string    `json:"installer"`
}
