package store

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/gowebpki/jcs"
	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// The longest texts of a trail entry, in runes: what somebody sends must not
// fill the trail.
const (
	longestName   = 200 // of a principal, an organisation, an address, an object
	longestDetail = 2000
)

// trailBody is an entry as it is hashed, its fields in the order of canonical
// JSON.
type trailBody struct {
	Address      string `json:"address"`
	At           string `json:"at"`
	Deed         string `json:"deed"`
	Detail       string `json:"detail"`
	Kind         string `json:"kind"`
	Number       int64  `json:"number"`
	Object       string `json:"object"`
	Organisation string `json:"organisation"`
	Role         string `json:"role"`
	Who          string `json:"who"`
}

// trailTime is RFC 3339 in UTC, to the millisecond.
const trailTime = "2006-01-02T15:04:05.000Z"

// canonical writes the body by RFC 8785.
func (b *trailBody) canonical() (string, error) {
	plainJSON, err := json.Marshal(b)
	if err != nil {
		return "", err
	}
	text, err := jcs.Transform(plainJSON)
	return string(text), err
}

// bodyOf gives what a principal did as an entry without its number.
func bodyOf(p analytics.Principal, at analytics.Instant, deed analytics.Deed, object, detail string) trailBody {
	b := trailBody{
		Address: bounded(p.Address, longestName),
		At:      at.Time().Format(trailTime),
		Deed:    bounded(string(deed), longestName),
		Detail:  bounded(detail, longestDetail),
		Object:  bounded(object, longestName),
	}
	if p.Nobody() {
		return b
	}
	b.Kind, b.Role = string(p.Kind), string(p.Role)
	b.Organisation, b.Who = bounded(p.Organisation, longestName), bounded(p.Name, longestName)
	return b
}

// bounded gives what a text column can hold of a text, at most so many runes.
func bounded(text string, runes int) string {
	text = plain(text)
	for i := range text {
		if runes == 0 {
			return text[:i]
		}
		runes--
	}
	return text
}

// record appends to the trail what the principal of the context did, within
// the transaction q. From here to its commit nobody else appends: it is the
// last thing that a transaction does.
func (db *DB) record(ctx context.Context, q querier, deed analytics.Deed, object, detail string) error {
	body := bodyOf(analytics.PrincipalOf(ctx), db.now(), deed, object, detail)
	text, err := body.canonical()
	if err != nil {
		return fmt.Errorf("record in the trail: %w", err)
	}
	// Within a string the quotes would be escaped, so this is the field.
	before, behind, found := strings.Cut(text, `,"number":0,`)
	if !found {
		return fmt.Errorf("record in the trail: no number in %q", text)
	}
	var number int64
	if err := q.QueryRow(ctx, `SELECT append_trail($1, $2)`, before+`,"number":`, ","+behind).Scan(&number); err != nil {
		return fmt.Errorf("record in the trail: %w", mapError(err))
	}
	return nil
}

// Record appends to the trail what the principal of the context did, in a
// transaction of its own. Texts that are too long are cut.
func (db *DB) Record(ctx context.Context, deed analytics.Deed, object, detail string) error {
	return db.record(ctx, db.pool, deed, object, detail)
}

// mostEntries is the largest page of the trail, fewEntries the usual one.
const (
	mostEntries = 500
	fewEntries  = 50
)

const trailQuery = `SELECT number, body, previous, hash FROM trail`

// Trail lists entries, the newest first. A Limit of 0 stands for 50, one above
// 500 for 500.
func (db *DB) Trail(ctx context.Context, f analytics.TrailFilter) ([]analytics.TrailEntry, error) {
	limit := min(f.Limit, mostEntries)
	if limit <= 0 {
		limit = fewEntries
	}
	args := pgx.NamedArgs{"limit": limit}
	var conditions []string
	with := func(condition, name string, value any) {
		conditions = append(conditions, condition)
		args[name] = value
	}
	if f.Who != "" {
		with(`who = @who`, "who", f.Who)
	}
	if f.Deed != "" {
		with(`deed = @deed`, "deed", string(f.Deed))
	}
	if f.Object != "" {
		with(`object LIKE @object`, "object", likePrefix(f.Object))
	}
	if f.Before > 0 {
		with(`number < @before`, "before", f.Before)
	}
	where := ""
	if len(conditions) > 0 {
		where = ` WHERE ` + strings.Join(conditions, ` AND `)
	}
	list, err := entries(ctx, db.pool, where+` ORDER BY number DESC LIMIT @limit`, args)
	if err != nil {
		return nil, fmt.Errorf("list the trail: %w", mapError(err))
	}
	return list, nil
}

// TrailEntries yields all entries in ascending order from a number on, and ends
// with the first error of yield. No connection is held while yield works.
func (db *DB) TrailEntries(ctx context.Context, from int64, yield func(analytics.TrailEntry) error) error {
	for {
		page, err := entries(ctx, db.pool, ` WHERE number >= $1 ORDER BY number LIMIT $2`, from, mostEntries)
		if err != nil {
			return fmt.Errorf("read the trail: %w", mapError(err))
		}
		for i := range page {
			if err := yield(page[i]); err != nil {
				return err
			}
		}
		if len(page) < mostEntries {
			return nil
		}
		from = page[len(page)-1].Number + 1
	}
}

func entries(ctx context.Context, q querier, clauses string, args ...any) ([]analytics.TrailEntry, error) {
	rows, err := q.Query(ctx, trailQuery+clauses, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (analytics.TrailEntry, error) {
		var e analytics.TrailEntry
		var previous, hash []byte
		if err := row.Scan(&e.Number, &e.Body, &previous, &hash); err != nil {
			return e, err
		}
		copy(e.Previous[:], previous)
		copy(e.Hash[:], hash)
		readBody(&e)
		return e, nil
	})
}

// readBody fills an entry from its body. A body that says nothing leaves the
// entry as it is: CheckTrail tells of it, and the others stay readable.
func readBody(e *analytics.TrailEntry) {
	var b trailBody
	if json.Unmarshal([]byte(e.Body), &b) != nil {
		return
	}
	if at, err := time.Parse(trailTime, b.At); err == nil {
		e.At = analytics.InstantOf(at)
	}
	e.Who, e.Kind, e.Role = b.Who, analytics.PrincipalKind(b.Kind), analytics.Role(b.Role)
	e.Organisation, e.Address = b.Organisation, b.Address
	e.Deed, e.Object, e.Detail = analytics.Deed(b.Deed), b.Object, b.Detail
}
