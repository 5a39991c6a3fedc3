package catalog

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"

	"fadeledger/analytics"
)

// AppendUnits appends units as a units.csv with all columns. ParseUnits gives
// the same units back, as long as their names are such as it takes.
func AppendUnits(dst []byte, units []analytics.Unit) []byte {
	return appendTable(dst, unitColumns, unitRows(units), quoted)
}

// AppendUnitsForPeople is AppendUnits for a file that may be opened with a
// spreadsheet: no cell is one that it takes for a formula.
func AppendUnitsForPeople(dst []byte, units []analytics.Unit) []byte {
	return appendTable(dst, unitColumns, unitRows(units), guarded)
}

func unitRows(units []analytics.Unit) [][]string {
	rows := make([][]string, 0, len(units))
	for _, u := range units {
		rows = append(rows, unitCells(&u))
	}
	return rows
}

// AppendSites appends sites as a sites.csv with all columns. ParseSites gives
// the same sites back, as long as their names are such as it takes.
func AppendSites(dst []byte, sites []analytics.Site) []byte {
	return appendTable(dst, siteColumns, siteRows(sites), quoted)
}

// AppendSitesForPeople is AppendSites for a file that may be opened with a
// spreadsheet.
func AppendSitesForPeople(dst []byte, sites []analytics.Site) []byte {
	return appendTable(dst, siteColumns, siteRows(sites), guarded)
}

func siteRows(sites []analytics.Site) [][]string {
	rows := make([][]string, 0, len(sites))
	for _, s := range sites {
		rows = append(rows, siteCells(&s))
	}
	return rows
}

// unitCells are the cells of a unit in the order of unitColumns.
func unitCells(u *analytics.Unit) []string {
	position := ""
	if u.Position > 0 {
		position = strconv.Itoa(u.Position)
	}
	return []string{string(u.Serial), u.Model, u.Stack, u.Site, dayText(u.Shipped), dayText(u.Commissioned), u.Terms, position}
}

// siteCells are the cells of a site in the order of siteColumns.
func siteCells(s *analytics.Site) []string {
	return []string{s.Name, s.Zone, s.Country, s.Region, string(s.Placement), s.Installer}
}

func dayText(d *analytics.Day) string {
	if d == nil {
		return ""
	}
	return d.String()
}

// appendTable appends a table whose cells pass through mark first.
func appendTable(dst []byte, header []string, rows [][]string, mark func(string) string) []byte {
	out := bytes.NewBuffer(dst)
	for _, row := range rows {
		for i := range row {
			row[i] = mark(row[i])
		}
	}
	w := csv.NewWriter(out)
	// A bytes.Buffer takes every write, and the delimiter is valid.
	_ = w.Write(header)
	_ = w.WriteAll(rows)
	return out.Bytes()
}

// AppendModels appends models and terms as a models.yaml. ParseModels gives
// values that mean the same back (SameModel, SameTerms), and equal ones where
// defaults were spelled out.
func AppendModels(dst []byte, models []analytics.Model, terms []analytics.Terms) []byte {
	w := &yamlWriter{out: dst}
	if len(models) > 0 {
		w.line("models:")
	}
	for _, m := range models {
		w.model(m)
	}
	if len(terms) > 0 {
		w.line("terms:")
	}
	for _, t := range terms {
		w.terms(t)
	}
	return w.out
}

type yamlWriter struct{ out []byte }

func (w *yamlWriter) line(format string, args ...any) {
	w.out = fmt.Appendf(w.out, format+"\n", args...)
}

func (w *yamlWriter) model(m analytics.Model) {
	w.line("  - name: %s", yamlText(m.Name))
	if m.Chemistry != "" {
		w.line("    chemistry: %s", yamlText(m.Chemistry))
	}
	w.line("    rated_kwh: %s", formatScaled(int64(m.Rated), 6))
	if m.RatedCharge != 0 {
		w.line("    rated_ah: %s", formatScaled(int64(m.RatedCharge), 3))
	}
	w.line("    max_power_kw: %s", formatScaled(int64(m.MaxPower), 6))
	if m.MaxGap > 0 {
		w.line("    max_gap: %s", gapText(m.MaxGap))
	}
	if m.Floor != nil {
		w.line("    soc_floor_pct: %s", formatScaled(int64(*m.Floor), 1))
	}
	if m.StorageMax != nil {
		w.line("    storage_max_c: %s", formatScaled(int64(*m.StorageMax), 2))
	}
	w.limit("charge_limit", m.ChargeLimit)
	w.limit("discharge_limit", m.DischargeLimit)
}

func gapText(gap analytics.Millis) string {
	if gap%analytics.Minute == 0 {
		return strconv.FormatInt(int64(gap/analytics.Minute), 10) + "m"
	}
	return strconv.FormatInt(int64(gap), 10) + "ms"
}

func (w *yamlWriter) limit(key string, table analytics.LimitTable) {
	if len(table) > 0 {
		w.line("    %s:", key)
	}
	for _, row := range table {
		w.line("      - {cell_temp_c: %s, c_rate: %s}", formatScaled(int64(row.Temp), 2), formatScaled(int64(row.Rate), 6))
	}
}

func (w *yamlWriter) terms(t analytics.Terms) {
	w.line("  - name: %s", yamlText(t.Name))
	w.line("    model: %s", yamlText(t.Model))
	w.line("    sold_from: %s", t.SoldFrom)
	w.line("    years: %d", t.Years)
	w.life(t.Life)
	if t.EnergyCap != 0 {
		w.line("    energy_cap_mwh: %s", formatScaled(int64(t.EnergyCap), 9))
	}
	if t.EFCCap != 0 {
		w.line("    efc_cap: %s", floatText(t.EFCCap))
	}
	if t.EFCBasis != "" {
		w.line("    efc_basis: %s", t.EFCBasis)
	}
	if len(t.Retained) > 0 {
		w.line("    retained_capacity:")
	}
	for _, p := range t.Retained {
		w.line("      - {year: %d, pct: %s}", p.Year, floatText(p.Pct))
	}
	if t.Start != "" {
		w.line("    start: %s", t.Start)
	}
	w.days("longest_delay_days", t.LongestDelayDays)
	if t.HasColdAllowance {
		w.line("    cold_charge_allowance_kwh: %s", formatScaled(int64(t.ColdChargeAllowance), 6))
	}
	w.days("longest_gap_days", t.LongestGapDays)
	w.days("registration_days", t.RegistrationDays)
	if len(t.Remedy) > 0 {
		w.line("    remedy:")
	}
	for _, s := range t.Remedy {
		w.line("      - {through_year: %d, pct: %s}", s.ThroughYear, floatText(s.Pct))
	}
}

func (w *yamlWriter) days(key string, days int) {
	if days != 0 {
		w.line("    %s: %d", key, days)
	}
}

func (w *yamlWriter) life(life analytics.CycleLife) {
	if len(life.Points) > 0 {
		w.line("    cycle_life:")
	}
	for _, p := range life.Points {
		key, depth := "depth_frac", p.Depth
		if pct, ok := depthPct(p.Depth); ok {
			key, depth = "depth_pct", pct
		}
		w.line("      - {%s: %s, cycles: %s}", key, floatText(depth), floatText(p.Cycles))
	}
	if life.Shallow != "" {
		w.line("    shallow: %s", life.Shallow)
	}
	if life.CountedFromPct != nil {
		w.line("    counted_from_pct: %s", floatText(*life.CountedFromPct))
	}
}

// depthPct gives the percentage that reads back as exactly this depth; ok is
// false where there is none, since not every float64 is a hundredth of one.
func depthPct(depth float64) (float64, bool) {
	pct := depth * 100
	for _, try := range []float64{pct, math.Nextafter(pct, 0), math.Nextafter(pct, 200)} {
		if try/100 == depth && try <= 100 {
			return try, true
		}
	}
	return 0, false
}

// floatText writes the shortest decimal without an exponent that reads back as
// the same float64.
func floatText(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

var plainText = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9._ -]*$`)

// yamlWords are plain words that YAML readers take for something else.
var yamlWords = []string{"true", "false", "null", "yes", "no", "on", "off", "y", "n", "inf", "nan"}

// yamlText writes a name, in double quotes where it could be misread; the
// escapes of strconv.Quote are escapes of YAML too.
func yamlText(text string) string {
	lower := string(bytes.ToLower([]byte(text)))
	if plainText.MatchString(text) && !slices.Contains(yamlWords, lower) {
		return text
	}
	return strconv.Quote(text)
}
