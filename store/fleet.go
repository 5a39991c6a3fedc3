package store

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// Limits of a page of units.
const (
	defaultPage = 50
	largestPage = 500
)

// order is how a sort key is read from the standings: descending is its
// natural order, worst first, unless natural says otherwise.
type order struct {
	column string
	// bytewise says that the column is text in the order of its bytes, which
	// its index keeps.
	bytewise bool
	// ascending says that the natural order ascends.
	ascending bool
}

// operator gives the operator that compares the column as its index does.
func (o order) operator(op string) string {
	if o.bytewise {
		return "~" + op + "~"
	}
	return op
}

var orders = map[analytics.SortKey]order{
	analytics.SortPace:     {column: "s.pace_key"},
	analytics.SortSpent:    {column: "s.spent_key"},
	analytics.SortEFC:      {column: "s.efc"},
	analytics.SortCold:     {column: "s.cold_charge"},
	analytics.SortCoverage: {column: "s.coverage", ascending: true},
	analytics.SortLast:     {column: "s.last_key"},
	analytics.SortSerial:   {column: "u.serial", ascending: true, bytewise: true},
}

// cursor is the place after which a page goes on: the sort value and the unit
// of the last row before it.
type cursor struct {
	Number float64 `json:"n,omitempty"`
	Text   string  `json:"t,omitempty"`
	Unit   int32   `json:"u"`
}

func (c cursor) String() string {
	b, _ := json.Marshal(c)
	return base64.RawURLEncoding.EncodeToString(b)
}

func parseCursor(text string) (c cursor, err error) {
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err == nil {
		err = json.Unmarshal(b, &c)
	}
	if err != nil {
		return c, fmt.Errorf("cursor %q: %w", text, analytics.ErrInvalid)
	}
	return c, nil
}

// Units lists units by their standing. Its cursors stay right while standings
// change: a row that moves past the cursor may be seen twice or not at all,
// but no row between is skipped.
func (db *DB) Units(ctx context.Context, f analytics.UnitFilter) (analytics.UnitPage, error) {
	var page analytics.UnitPage
	if f.Sort == "" {
		f.Sort = analytics.SortPace
	}
	o, ok := orders[f.Sort]
	if !ok {
		return page, fmt.Errorf("sort %q: %w", f.Sort, analytics.ErrInvalid)
	}
	limit := f.Limit
	if limit <= 0 {
		limit = defaultPage
	}
	limit = min(limit, largestPage)
	where, args, err := unitConditions(f, o)
	if err != nil {
		return page, err
	}
	direction := "USING " + o.operator(">")
	if o.ascending != f.Ascending {
		direction = "USING " + o.operator("<")
	}
	// The unit breaks ties in the same direction as the indexes.
	tie := "ASC"
	if f.Ascending {
		tie = "DESC"
	}
	args["limit"] = limit + 1
	sql := `
		SELECT u.unit_id, u.serial, u.model, u.stack, coalesce(u.site, ''), u.shipped, u.commissioned,
			coalesce(u.terms, ''), u.position, s.samples, s.first_at, s.last_at, s.charge, s.discharge, s.efc,
			s.spent, s.pace, s.governing, s.ends_on, s.coverage, s.cold_episodes, s.cold_charge, s.coldest,
			s.flags, s.as_of, ` + o.column + `
		FROM unit_standing s
		JOIN unit u USING (unit_id)
		` + where + `
		ORDER BY ` + o.column + ` ` + direction + `, s.unit_id ` + tie + `
		LIMIT @limit`
	rows, err := db.pool.Query(ctx, sql, args)
	if err != nil {
		return page, fmt.Errorf("list units: %w", mapError(err))
	}
	var last cursor
	seen := 0
	page.Units, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.UnitRow, error) {
		u, c, err := scanUnit(row, o)
		if seen++; seen <= limit {
			last = c
		}
		return u, err
	})
	if err != nil {
		return page, fmt.Errorf("list units: %w", mapError(err))
	}
	if len(page.Units) > limit {
		page.Units = page.Units[:limit]
		page.Next = last.String()
	}
	return page, nil
}

// unitConditions writes the WHERE clause of a filter.
func unitConditions(f analytics.UnitFilter, o order) (string, pgx.NamedArgs, error) {
	args := pgx.NamedArgs{}
	var conditions []string
	if f.Serial != "" {
		args["serial"] = likePrefix(f.Serial)
		conditions = append(conditions, `u.serial LIKE @serial`)
	}
	if f.Site != "" {
		args["site"] = f.Site
		conditions = append(conditions, `u.site = @site`)
	}
	if f.Model != "" {
		args["model"] = f.Model
		conditions = append(conditions, `u.model = @model`)
	}
	if f.Flag != "" {
		condition, err := flagCondition(f.Flag)
		if err != nil {
			return "", nil, err
		}
		conditions = append(conditions, condition)
	}
	if f.After != "" {
		c, err := parseCursor(f.After)
		if err != nil {
			return "", nil, err
		}
		args["value"], args["unit"] = any(c.Number), c.Unit
		if o.bytewise {
			args["value"] = c.Text
		}
		op, tie := "<", ">"
		if o.ascending != f.Ascending {
			op = ">"
		}
		if f.Ascending {
			tie = "<"
		}
		// The first part lets the index be entered at the cursor.
		conditions = append(conditions, fmt.Sprintf(`%[1]s %[2]s @value AND (%[1]s %[3]s @value OR s.unit_id %[4]s @unit)`,
			o.column, o.operator(op+"="), o.operator(op), tie))
	}
	if len(conditions) == 0 {
		return "", args, nil
	}
	return "WHERE " + strings.Join(conditions, " AND "), args, nil
}

// flagCondition is written out so that the partial index of the flag serves.
func flagCondition(flag analytics.FlagKind) (string, error) {
	for _, k := range analytics.FlagKinds {
		if k == flag {
			return fmt.Sprintf(`'%s' = ANY (s.flags)`, k), nil
		}
	}
	return "", fmt.Errorf("flag %q: %w", flag, analytics.ErrInvalid)
}

// likePrefix makes a LIKE pattern for texts that begin with prefix.
func likePrefix(prefix string) string {
	return strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`).Replace(prefix) + "%"
}

func scanUnit(row pgx.CollectableRow, o order) (analytics.UnitRow, cursor, error) {
	var u analytics.UnitRow
	var c cursor
	var flags []string
	var number float64
	var text string
	var value any = &number
	if o.bytewise {
		value = &text
	}
	err := row.Scan(&c.Unit, &u.Serial, &u.Model, &u.Stack, &u.Site, &u.Shipped, &u.Commissioned,
		&u.Terms, &u.Position, &u.Samples, &u.First, &u.Last, &u.Energy.Charge, &u.Energy.Discharge, &u.EFC,
		&u.Spent, &u.Pace, &u.Governing, &u.EndsOn, &u.Coverage, &u.ColdEpisodes, &u.ColdCharge, &u.ColdestCharge,
		&flags, &u.StandingAsOf, value)
	c.Number, c.Text = number, text
	for _, f := range flags {
		u.Flags = append(u.Flags, analytics.FlagKind(f))
	}
	return u, c, err
}

// paceEdges are the lower edges of the distribution of pace.
var paceEdges = []float64{0, 0.2, 0.4, 0.6, 0.8, 1, 1.2, 1.4, 1.6, 1.8, 2}

// Fleet sums the standings.
func (db *DB) Fleet(ctx context.Context) (analytics.FleetSummary, error) {
	f := analytics.FleetSummary{AsOf: db.now(), Flagged: map[analytics.FlagKind]int64{}}
	bins := make([]int64, len(paceEdges))
	var thin, silent, cold, ahead int64
	// A flag is counted by its own small index.
	err := db.pool.QueryRow(ctx, `
		SELECT
			(SELECT count(*) FROM unit),
			(SELECT count(*) FROM (SELECT FROM unit WHERE stack <> '' GROUP BY stack) AS stacks),
			(SELECT count(*) FROM site),
			count(*) FILTER (WHERE samples > 0),
			coalesce(sum(samples), 0)::bigint, coalesce(sum(charge), 0)::bigint, coalesce(sum(discharge), 0)::bigint,
			coalesce(sum(efc), 0), coalesce(avg(coverage) FILTER (WHERE samples > 0), 0),
			count(*) FILTER (WHERE pace IS NULL),
			(SELECT count(*) FROM unit_standing WHERE 'ahead' = ANY (flags)),
			(SELECT count(*) FROM unit_standing WHERE 'cold' = ANY (flags)),
			(SELECT count(*) FROM unit_standing WHERE 'silent' = ANY (flags)),
			(SELECT count(*) FROM unit_standing WHERE 'thin' = ANY (flags))
		FROM unit_standing`).Scan(
		&f.Units, &f.Stacks, &f.Sites, &f.Reporting, &f.Samples, &f.Energy.Charge, &f.Energy.Discharge,
		&f.EFC, &f.MeanCoverage, &f.PaceUnknown, &ahead, &cold, &silent, &thin)
	if err != nil {
		return f, fmt.Errorf("sum fleet: %w", err)
	}
	f.Flagged[analytics.FlagAhead], f.Flagged[analytics.FlagCold] = ahead, cold
	f.Flagged[analytics.FlagSilent], f.Flagged[analytics.FlagThin] = silent, thin
	rows, err := db.pool.Query(ctx, `
		SELECT width_bucket(pace, $1::float8[]), count(*) FROM unit_standing WHERE pace IS NOT NULL GROUP BY 1`, paceEdges)
	if err != nil {
		return f, fmt.Errorf("distribution of pace: %w", err)
	}
	var bucket int
	var n int64
	if _, err := pgx.ForEachRow(rows, []any{&bucket, &n}, func() error {
		bins[max(bucket, 1)-1] += n
		return nil
	}); err != nil {
		return f, fmt.Errorf("distribution of pace: %w", err)
	}
	for i, from := range paceEdges {
		b := analytics.PaceBin{From: from, Units: bins[i]}
		if i+1 < len(paceEdges) {
			b.To = paceEdges[i+1]
		}
		f.Pace = append(f.Pace, b)
	}
	return f, nil
}
