package catalog

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"fadeledger/analytics"
)

// A Field is one key or column of a thing that is registered, with its value
// as the files write it. A table is written in one line, its rows apart by
// semicolons. Empty means that the thing has no such value.
type Field struct{ Name, Value string }

// UnitFields are those of a unit but for its serial.
func UnitFields(u *analytics.Unit) []Field { return columns(unitColumns, unitCells(u)) }

// SiteFields are those of a site but for its name.
func SiteFields(s *analytics.Site) []Field { return columns(siteColumns, siteCells(s)) }

func columns(names, cells []string) []Field {
	fields := make([]Field, 0, len(names)-1)
	for i := 1; i < len(names); i++ {
		fields = append(fields, Field{names[i], cells[i]})
	}
	return fields
}

// ModelFields are those of a model but for its name, defaults spelled out.
func ModelFields(m *analytics.Model) []Field {
	fields := []Field{
		{"chemistry", m.Chemistry}, {"rated_kwh", formatScaled(int64(m.Rated), 6)},
		{"rated_ah", unlessZero(int64(m.RatedCharge), 3)}, {"max_power_kw", formatScaled(int64(m.MaxPower), 6)},
		{"max_gap", gapText(m.Gap())}, {"soc_floor_pct", ""}, {"storage_max_c", ""},
		{"charge_limit", limitText(m.ChargeLimit)}, {"discharge_limit", limitText(m.DischargeLimit)},
	}
	if m.Floor != nil {
		fields[5].Value = formatScaled(int64(*m.Floor), 1)
	}
	if m.StorageMax != nil {
		fields[6].Value = formatScaled(int64(*m.StorageMax), 2)
	}
	return fields
}

func unlessZero(n int64, digits int) string {
	if n == 0 {
		return ""
	}
	return formatScaled(n, digits)
}

// limitText writes a limit table: at -12 °C 0.05 C; at 0 °C 0.2 C.
func limitText(table analytics.LimitTable) string {
	return joined(table, func(r analytics.LimitRow) string {
		return "at " + formatScaled(int64(r.Temp), 2) + " °C " + formatScaled(int64(r.Rate), 6) + " C"
	})
}

func joined[T any](list []T, text func(T) string) string {
	parts := make([]string, len(list))
	for i, v := range list {
		parts[i] = text(v)
	}
	return strings.Join(parts, "; ")
}

// TermsFields are those of an edition of terms but for its name, defaults
// spelled out.
func TermsFields(t *analytics.Terms) []Field {
	fields := []Field{
		{"model", t.Model}, {"sold_from", t.SoldFrom.String()}, {"years", strconv.Itoa(t.Years)},
		{"cycle_life", lifeText(t.Life)}, {"shallow", orDefault(t.Life.Shallow, analytics.ShallowThroughput)},
		{"counted_from_pct", floatText(analytics.DefaultCountedFrom)}, {"energy_cap_mwh", unlessZero(int64(t.EnergyCap), 9)},
		{"efc_cap", ""}, {"efc_basis", orDefault(t.EFCBasis, analytics.BasisThroughput)},
		{"retained_capacity", joined(t.Retained, func(p analytics.RetainedPoint) string {
			return fmt.Sprintf("year %d %s %%", p.Year, floatText(p.Pct))
		})},
		{"start", orDefault(t.Start, analytics.StartCommissioned)}, {"longest_delay_days", daysText(t.LongestDelayDays)},
		{"cold_charge_allowance_kwh", ""}, {"longest_gap_days", daysText(t.LongestGapDays)},
		{"registration_days", daysText(t.RegistrationDays)},
		{"remedy", joined(t.Remedy, func(s analytics.RemedyStep) string {
			return fmt.Sprintf("through year %d %s %%", s.ThroughYear, floatText(s.Pct))
		})},
	}
	if t.Life.CountedFromPct != nil {
		fields[5].Value = floatText(*t.Life.CountedFromPct)
	}
	if t.EFCCap != 0 {
		fields[7].Value = floatText(t.EFCCap)
	}
	if t.HasColdAllowance {
		fields[12].Value = formatScaled(int64(t.ColdChargeAllowance), 6)
	}
	return fields
}

func orDefault[S ~string](value, unless S) string {
	if value == "" {
		return string(unless)
	}
	return string(value)
}

func daysText(days int) string {
	if days == 0 {
		return ""
	}
	return strconv.Itoa(days)
}

// lifeText writes the points of a cycle life: 80 % 9000; 95 % 6200.
func lifeText(life analytics.CycleLife) string {
	return joined(life.Points, func(p analytics.LifePoint) string {
		if pct, ok := depthPct(p.Depth); ok {
			return floatText(pct) + " % " + floatText(p.Cycles)
		}
		return floatText(p.Depth) + " of all " + floatText(p.Cycles)
	})
}

// Diff gives the fields that change. Without before it gives all that are set.
func Diff(before, after []Field) []analytics.FieldChange {
	var list []analytics.FieldChange
	for i, f := range after {
		old := ""
		if i < len(before) {
			old = before[i].Value
		}
		if f.Value != old {
			list = append(list, analytics.FieldChange{Field: f.Name, Before: old, After: f.Value})
		}
	}
	return slices.Clip(list)
}

// nothing stands for an empty value in words.
const nothing = "nothing"

// ChangeWords says in one line what happens to a thing: new unit KL-1: model
// HB-5, stack s-1; or unit KL-1: stack s-1 → s-2.
func ChangeWords(c *analytics.Change) string {
	name := string(c.Kind) + " " + c.Name
	if c.New {
		name = "new " + name
	}
	if len(c.Fields) == 0 {
		return name
	}
	return name + ": " + FieldWords(c)
}

// FieldWords says what changes, without the name of the thing.
func FieldWords(c *analytics.Change) string {
	parts := make([]string, len(c.Fields))
	for i, f := range c.Fields {
		if c.New {
			parts[i] = f.Field + " " + f.After
			continue
		}
		parts[i] = f.Field + " " + orDefault(f.Before, nothing) + " → " + orDefault(f.After, nothing)
	}
	return strings.Join(parts, ", ")
}

// kindWords names a kind in the singular and the plural.
var kindWords = map[analytics.ChangeKind][2]string{
	analytics.ChangeModel: {"model", "models"}, analytics.ChangeTerms: {"edition of terms", "editions of terms"},
	analytics.ChangeSite: {"site", "sites"}, analytics.ChangeUnit: {"unit", "units"},
	analytics.ChangeCollector: {"collector", "collectors"},
}

// CountWords says of a kind how many are new, changed and as they were: 3
// units: 1 new, 2 as they were.
func CountWords(c analytics.PlanCount) string {
	all := c.New + c.Changed + c.Unchanged
	words := kindWords[c.Kind]
	noun := words[1]
	if all == 1 {
		noun = words[0]
	}
	var parts []string
	for _, p := range []struct {
		n    int
		what string
	}{{c.New, "new"}, {c.Changed, "changed"}, {c.Unchanged, "as they were"}} {
		if p.n == 1 && p.what == "as they were" {
			p.what = "as it was"
		}
		if p.n > 0 {
			parts = append(parts, strconv.Itoa(p.n)+" "+p.what)
		}
	}
	return strconv.Itoa(all) + " " + noun + ": " + strings.Join(parts, ", ")
}
