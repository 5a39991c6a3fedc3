package analytics

import (
	"encoding/json"
	"strconv"
	"time"
)

// AppendJSON appends the sample as an object of the telemetry contract; serial
// may be empty.
func (s *Sample) AppendJSON(b []byte, serial Serial) []byte {
	b = append(b, '{')
	if serial != "" {
		name, _ := json.Marshal(string(serial)) // a string always has a JSON form
		b = append(b, `"unit":`...)
		b = append(b, name...)
		b = append(b, ',')
	}
	b = append(b, `"time":"`...)
	b = s.Time.Time().AppendFormat(b, time.RFC3339Nano)
	b = append(b, '"')
	for i, v := range s.values() {
		if s.Has&(1<<i) == 0 {
			continue
		}
		f := jsonFields[i]
		b = append(b, ',', '"')
		b = append(b, f.key...)
		b = append(b, '"', ':')
		b = appendDecimal(b, v, f.decimals)
	}
	return append(b, '}')
}

// MarshalJSON writes the sample as an object of the telemetry contract,
// without its unit.
func (s Sample) MarshalJSON() ([]byte, error) { return s.AppendJSON(nil, ""), nil }

// jsonFields names the measurements in the order of their presence bits, with
// the decimal places by which the stored integer is scaled.
var jsonFields = [8]struct {
	key      string
	decimals int
}{
	{"soc_pct", 1}, {"power_w", 3}, {"current_a", 3}, {"voltage_v", 3},
	{"cell_temp_c", 2}, {"cell_temp_max_c", 2}, {"charge_kwh", 6}, {"discharge_kwh", 6},
}

// appendDecimal writes v × 10^−places without trailing zeros.
func appendDecimal(b []byte, v int64, places int) []byte {
	if v < 0 {
		b, v = append(b, '-'), -v
	}
	scale := int64(1)
	for range places {
		scale *= 10
	}
	b = strconv.AppendInt(b, v/scale, 10)
	rest := v % scale
	if rest == 0 {
		return b
	}
	b = append(b, '.')
	for rest > 0 {
		scale /= 10
		b = append(b, byte('0'+rest/scale))
		rest %= scale
	}
	return b
}
