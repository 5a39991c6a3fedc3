package catalog

import (
	"fmt"
	"strconv"

	"fadeledger/analytics"
)

var unitColumns = []string{"unit", "model", "stack", "site", "shipped", "commissioned", "terms", "position"}

// Units is what a units.csv says, in the order of the file.
type Units struct {
	Units []analytics.Unit

	file  string
	lines []int
}

// ParseUnits reads a units.csv; name is the file's name in the problems. unit
// and model are required, every other cell and column may be missing; position
// is a whole number from 1, absent 0. The error is Problems; Units is empty
// then.
func ParseUnits(name string, data []byte) (Units, error) {
	r := &report{file: name}
	out := Units{file: name}
	seen := map[string]int{}
	for _, row := range readTable(r, data, unitColumns, 2) {
		u := analytics.Unit{
			Serial: analytics.Serial(row.name("unit", true)), Model: row.name("model", true),
			Stack: row.name("stack", false), Site: row.name("site", false),
			Shipped: row.day("shipped"), Commissioned: row.day("commissioned"),
			Terms: row.name("terms", false), Position: row.position(),
		}
		if u.Shipped != nil && u.Commissioned != nil && *u.Commissioned < *u.Shipped {
			row.add(row.line, "commissioned", fmt.Sprintf("%s is before the day shipped, %s", *u.Commissioned, *u.Shipped),
				"correct one of both, or leave the uncertain one empty")
		}
		row.once("unit", string(u.Serial), seen)
		out.Units = append(out.Units, u)
		out.lines = append(out.lines, row.line)
	}
	if err := r.err(); err != nil {
		return Units{}, err
	}
	return out, nil
}

func (r row) position() int {
	text := r.cells["position"]
	if text == "" {
		return 0
	}
	n, err := strconv.ParseUint(text, 10, 16)
	if err != nil || n == 0 {
		r.add(r.line, "position", fmt.Sprintf("%q is not a place in a stack", text), "count from 1, or leave it empty")
	}
	return int(n)
}

// once refuses a name that an earlier row has.
func (r row) once(column, name string, seen map[string]int) {
	if name == "" {
		return
	}
	if first, ok := seen[name]; ok {
		r.add(r.line, column, fmt.Sprintf("%s stands on line %d too", name, first), "keep one of both lines")
		return
	}
	seen[name] = r.line
}
