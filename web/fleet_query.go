package web

import (
	"fmt"
	"net/url"
	"slices"

	"fadeledger/analytics"
)

// fleetQuery is the filter of the fleet list as it stands in the address.
type fleetQuery struct{ analytics.UnitFilter }

// pageSize is the number of units on a page of the list.
const pageSize = 50

// sortColumns are the columns of the list. Rising says that the natural order
// of the column goes up.
var sortColumns = []struct {
	key     analytics.SortKey
	title   string
	rising  bool
	numeric bool
}{
	{analytics.SortSerial, "Unit", true, false},
	{"", "Flags", false, false},
	{analytics.SortSpent, "Life spent", false, true},
	{analytics.SortPace, "Pace", false, true},
	{"", "Ends on", false, true},
	{analytics.SortEFC, "EFC", false, true},
	{analytics.SortCoverage, "Coverage", true, true},
	{analytics.SortCold, "Cold charging", false, true},
	{analytics.SortLast, "Last sample", false, true},
}

// readFilter reads the filter from the address. An unknown flag or order gives
// an error that matches analytics.ErrInvalid.
func readFilter(q url.Values) (fleetQuery, error) {
	f := fleetQuery{analytics.UnitFilter{
		Serial: q.Get("serial"), Site: q.Get("site"), Model: q.Get("model"),
		Flag: analytics.FlagKind(q.Get("flag")), Sort: analytics.SortKey(q.Get("sort")),
		Ascending: q.Get("reverse") == "1", After: q.Get("after"), Limit: pageSize,
	}}
	if f.Flag != "" && !slices.Contains(analytics.FlagKinds[:], f.Flag) {
		return f, fmt.Errorf("flag %q: %w", f.Flag, analytics.ErrInvalid)
	}
	if f.Sort == "" {
		f.Sort = analytics.SortPace
	}
	for _, c := range sortColumns {
		if c.key == f.Sort {
			return f, nil
		}
	}
	return f, fmt.Errorf("order %q: %w", f.Sort, analytics.ErrInvalid)
}

// href writes the filter into an address, with further pairs of name and value.
func (q fleetQuery) href(path string, more ...string) string {
	v := url.Values{}
	set := func(name, value string) {
		if value != "" {
			v.Set(name, value)
		}
	}
	set("serial", q.Serial)
	set("site", q.Site)
	set("model", q.Model)
	set("flag", string(q.Flag))
	if q.Sort != analytics.SortPace {
		set("sort", string(q.Sort))
	}
	if q.Ascending {
		v.Set("reverse", "1")
	}
	set("after", q.After)
	for i := 0; i+1 < len(more); i += 2 {
		v.Set(more[i], more[i+1])
	}
	if len(v) == 0 {
		return path
	}
	return path + "?" + v.Encode()
}

// firstPage is the same filter without a cursor.
func (q fleetQuery) firstPage() fleetQuery {
	q.After = ""
	return q
}

// narrowed reports whether the filter leaves units out.
func (q fleetQuery) narrowed() bool {
	return q.Serial != "" || q.Site != "" || q.Model != "" || q.Flag != ""
}

func (q fleetQuery) columns() []column {
	var out []column
	for _, c := range sortColumns {
		col := column{Title: c.title, Numeric: c.numeric}
		if c.key != "" {
			next := q.firstPage()
			next.Sort, next.Ascending = c.key, q.Sort == c.key && !q.Ascending
			col.Href = next.href("/") + "#units"
		}
		if c.key != "" && c.key == q.Sort {
			col.Sorted = "descending"
			if c.rising != q.Ascending {
				col.Sorted = "ascending"
			}
		}
		out = append(out, col)
	}
	return out
}

// fleetFilter is the form above the list.
type fleetFilter struct {
	Serial, Model, Site string
	Flags, Sorts        []option
	Reverse             bool
	// Models and Sites are suggestions, taken from the units on the page.
	Models, Sites []string
	// Clear is the address without the filter, empty where none is set.
	Clear string
	Chips []string
}

type option struct {
	Value, Title string
	Selected     bool
}

// form fills the form from the filter.
func (q fleetQuery) form(rows []analytics.UnitRow) fleetFilter {
	f := fleetFilter{Serial: q.Serial, Model: q.Model, Site: q.Site, Reverse: q.Ascending}
	f.Flags = append(f.Flags, option{"", "any", q.Flag == ""})
	for _, k := range analytics.FlagKinds {
		f.Flags = append(f.Flags, option{string(k), flagTitle(k), q.Flag == k})
	}
	sorts := map[analytics.SortKey]string{
		analytics.SortPace: "pace, fastest first", analytics.SortSpent: "life spent, most first",
		analytics.SortEFC: "EFC, most first", analytics.SortCold: "cold charging, most first",
		analytics.SortCoverage: "coverage, least first", analytics.SortLast: "last sample, newest first",
		analytics.SortSerial: "serial, A to Z",
	}
	for _, k := range []analytics.SortKey{analytics.SortPace, analytics.SortSpent, analytics.SortEFC,
		analytics.SortCold, analytics.SortCoverage, analytics.SortLast, analytics.SortSerial} {
		f.Sorts = append(f.Sorts, option{string(k), sorts[k], q.Sort == k})
	}
	for _, u := range rows {
		f.Models = addOnce(f.Models, u.Model)
		f.Sites = addOnce(f.Sites, u.Site)
	}
	slices.Sort(f.Models)
	slices.Sort(f.Sites)
	if q.narrowed() {
		f.Clear = fleetQuery{analytics.UnitFilter{Sort: q.Sort, Ascending: q.Ascending}}.href("/") + "#units"
	}
	f.Chips = q.chips()
	return f
}

// chips say in words what the list is narrowed to.
func (q fleetQuery) chips() []string {
	var out []string
	if q.Flag != "" {
		out = append(out, flagTitle(q.Flag))
	}
	if q.Model != "" {
		out = append(out, "model "+label(q.Model))
	}
	if q.Site != "" {
		out = append(out, "site "+label(q.Site))
	}
	if q.Serial != "" {
		out = append(out, "serial begins with "+label(q.Serial))
	}
	return out
}

// addOnce adds a name to suggestions. One that cannot be shown as it is, is
// left out: choosing it would not give what is read.
func addOnce(list []string, v string) []string {
	if v == "" || label(v) != v || slices.Contains(list, v) {
		return list
	}
	return append(list, v)
}
