package profile

import "strings"

// Field is one field of a telemetry sample.
type Field uint8

// The fields of the contract. NoField stands for a column that is not used.
const (
	NoField Field = iota
	Unit
	Time
	SoC
	Power
	Current
	Voltage
	Temp
	TempMax
	Charge
	Discharge
	// FieldCount is the number of fields, NoField included.
	FieldCount
)

var fieldNames = [FieldCount]string{
	"", "unit", "time", "soc_pct", "power_w", "current_a", "voltage_v",
	"cell_temp_c", "cell_temp_max_c", "charge_kwh", "discharge_kwh",
}

// String gives the contract's name of the field, "" for NoField.
func (f Field) String() string {
	if f >= FieldCount {
		return ""
	}
	return fieldNames[f]
}

// Column is a header that is understood: the field it carries and how its
// numbers become the integer that the ledger keeps (mW, mWh, mA, mV, 0.01 °C,
// 0.1 %; milliseconds for a relative time).
type Column struct {
	Field Field
	Conv  Linear
}

// Verdict says what a header turned out to be.
type Verdict uint8

// Verdicts on a header or key.
const (
	// Unknown is a name that means nothing here; its values are not used.
	Unknown Verdict = iota
	// Known is a name with a field and a unit.
	Known
	// Ambiguous is a name whose unit can be read in two ways, such as power_mw
	// (milliwatts or megawatts).
	Ambiguous
	// OtherCase is a known name but for upper case or blanks around it.
	OtherCase
)

// contractName is one name that the contract knows.
type contractName struct {
	name string
	col  Column
}

var (
	celsius    = Linear{Num: 100, Den: 1}
	fahrenheit = Linear{Num: 500, Add: -16000, Den: 9}
	kelvin     = Linear{Num: 100, Add: -27315, Den: 1}
)

// contractNames lists every name in the contract with the unit that its
// suffix declares.
var contractNames = []contractName{
	{"unit", Column{Unit, Linear{1, 0, 1}}},
	{"time", Column{Time, Linear{1, 0, 1}}},
	{"soc_pct", Column{SoC, Linear{10, 0, 1}}},
	{"soc_frac", Column{SoC, Linear{1000, 0, 1}}},
	{"power_w", Column{Power, Linear{1e3, 0, 1}}},
	{"power_kw", Column{Power, Linear{1e6, 0, 1}}},
	{"current_a", Column{Current, Linear{1e3, 0, 1}}},
	{"current_ma", Column{Current, Linear{1, 0, 1}}},
	{"voltage_v", Column{Voltage, Linear{1e3, 0, 1}}},
	{"voltage_mv", Column{Voltage, Linear{1, 0, 1}}},
	{"cell_temp_c", Column{Temp, celsius}},
	{"cell_temp_f", Column{Temp, fahrenheit}},
	{"cell_temp_k", Column{Temp, kelvin}},
	{"cell_temp_max_c", Column{TempMax, celsius}},
	{"cell_temp_max_f", Column{TempMax, fahrenheit}},
	{"cell_temp_max_k", Column{TempMax, kelvin}},
	{"charge_kwh", Column{Charge, Linear{1e6, 0, 1}}},
	{"charge_wh", Column{Charge, Linear{1e3, 0, 1}}},
	{"discharge_kwh", Column{Discharge, Linear{1e6, 0, 1}}},
	{"discharge_wh", Column{Discharge, Linear{1e3, 0, 1}}},
}

// ambiguousNames carry a suffix that field exports use for milli and for mega
// alike; the two readings differ by a factor of a thousand million.
var ambiguousNames = []string{"power_mw", "charge_mwh", "discharge_mwh"}

// named looks a name up in the contract, exact case first.
func named(name string) (Column, Verdict) {
	for i := range contractNames {
		if contractNames[i].name == name {
			return contractNames[i].col, Known
		}
	}
	folded := strings.ToLower(strings.TrimSpace(name))
	for _, n := range ambiguousNames {
		if n == folded {
			return Column{}, Ambiguous
		}
	}
	for i := range contractNames {
		if contractNames[i].name == folded {
			return contractNames[i].col, OtherCase
		}
	}
	return Column{}, Unknown
}

// Names lists the names of the plain contract, in its order.
func Names() []string {
	names := make([]string, len(contractNames))
	for i := range contractNames {
		names[i] = contractNames[i].name
	}
	return names
}
