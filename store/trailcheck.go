package store

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/gowebpki/jcs"
	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// faultsTold bounds the faults of a look through the trail.
const faultsTold = 20

// CheckTrail adds the whole chain up again, at one moment of the database: that
// entries are numbered from 1 without holes, that each rests on the one before,
// that its hash is that of its text and its columns say what the text says, and
// that the end is where the head says. Who can write the database can write a
// chain anew; heads, which were noted elsewhere, show that.
//
// It reads one entry at a time, however long the trail is.
func (db *DB) CheckTrail(ctx context.Context, heads []analytics.TrailHead) (analytics.TrailCheck, error) {
	c := trailCheck{noted: map[int64][]analytics.TrailHead{}}
	for _, h := range heads {
		c.noted[h.Number] = append(c.noted[h.Number], h)
	}
	err := db.inSnapshot(ctx, func(tx pgx.Tx) error {
		if err := c.walk(ctx, tx); err != nil {
			return err
		}
		return c.checkHead(ctx, tx)
	})
	if err != nil {
		return c.TrailCheck, fmt.Errorf("check the trail: %w", mapError(err))
	}
	c.checkMissed()
	return c.TrailCheck, nil
}

// trailCheck is a look through the trail: Head is the last entry seen.
type trailCheck struct {
	analytics.TrailCheck
	// noted are the heads that are still to be met, by number.
	noted map[int64][]analytics.TrailHead
}

func (c *trailCheck) fault(format string, args ...any) {
	if len(c.Faults) < faultsTold {
		c.Faults = append(c.Faults, fmt.Sprintf(format, args...))
	}
}

// trailRow is an entry with everything that is kept of it.
type trailRow struct {
	number              int64
	body                string
	previous, hash      []byte
	who, deed, objectIs string
}

// walk checks every entry. A table that was tampered with may lack the
// constraints that the schema gives it: nothing is taken for granted here.
func (c *trailCheck) walk(ctx context.Context, tx pgx.Tx) error {
	c.meet()
	rows, err := tx.Query(ctx, `
		SELECT number, coalesce(body, ''), coalesce(previous, ''), coalesce(hash, ''),
			coalesce(who, ''), coalesce(deed, ''), coalesce(object, '')
		FROM trail ORDER BY number`)
	if err != nil {
		return err
	}
	var r trailRow
	_, err = pgx.ForEachRow(rows, []any{&r.number, &r.body, &r.previous, &r.hash, &r.who, &r.deed, &r.objectIs}, func() error {
		c.entry(&r)
		return nil
	})
	return err
}

func (c *trailCheck) entry(r *trailRow) {
	c.Entries++
	switch want := c.Head.Number + 1; {
	case r.number == want:
	case r.number > want+1:
		c.fault("entries %d to %d are missing", want, r.number-1)
	case r.number == want+1:
		c.fault("entry %d is missing", want)
	default:
		c.fault("entry %d stands behind entry %d", r.number, c.Head.Number)
	}
	if !bytes.Equal(r.previous, c.Head.Hash[:]) {
		c.fault("entry %d does not rest on the entry before it", r.number)
	}
	var previous [32]byte
	copy(previous[:], r.previous)
	if sum := analytics.ChainHash(previous, []byte(r.body)); !bytes.Equal(sum[:], r.hash) {
		c.fault("entry %d: its hash is not that of its text", r.number)
	}
	if err := r.checkBody(); err != nil {
		c.fault("entry %d: %v", r.number, err)
	}
	c.Head.Number, c.Head.Hash = r.number, [32]byte{}
	copy(c.Head.Hash[:], r.hash)
	c.meet()
}

// checkBody looks whether the text is an entry in its only form, and whether
// what stands beside it says the same.
func (r *trailRow) checkBody() error {
	// Whatever is no JSON, or has a key twice, has no canonical form.
	text, err := jcs.Transform([]byte(r.body))
	if err != nil || string(text) != r.body {
		return errors.New("its text is not canonical JSON")
	}
	var b trailBody
	if err := json.Unmarshal(text, &b); err != nil {
		return errors.New("its text is not that of an entry")
	}
	// A field that is missing or does not belong here shows when it is written
	// again.
	if again, err := b.canonical(); err != nil || again != r.body {
		return errors.New("its text has other fields than an entry")
	}
	if _, err := time.Parse(trailTime, b.At); err != nil {
		return fmt.Errorf("its text names no time: %q", b.At)
	}
	if b.Number != r.number {
		return fmt.Errorf("its text says that it is entry %d", b.Number)
	}
	if b.Who != r.who || b.Deed != r.deed || b.Object != r.objectIs {
		return errors.New("its columns say something else than its text")
	}
	return nil
}

// meet compares the entry that was just seen with the heads that were noted of
// it.
func (c *trailCheck) meet() {
	for _, h := range c.noted[c.Head.Number] {
		if h.Hash != c.Head.Hash {
			c.fault("entry %d is not the one that was noted as the end of the trail", h.Number)
		}
	}
	delete(c.noted, c.Head.Number)
}

// checkMissed tells of the heads whose entries were not there.
func (c *trailCheck) checkMissed() {
	for _, number := range slices.Sorted(maps.Keys(c.noted)) {
		c.fault("the trail ends with entry %d; entry %d, which was noted as its end, is missing", c.Head.Number, number)
	}
}

// checkHead compares the last entry with what the head says.
func (c *trailCheck) checkHead(ctx context.Context, tx pgx.Tx) error {
	var number int64
	var hash []byte
	err := tx.QueryRow(ctx, `SELECT number, hash FROM trail_head`).Scan(&number, &hash)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		c.fault("the head of the trail is missing")
	case err != nil:
		return err
	case number != c.Head.Number:
		c.fault("the trail ends with entry %d, and its head says %d", c.Head.Number, number)
	case !bytes.Equal(hash, c.Head.Hash[:]):
		c.fault("entry %d is not the one that the head of the trail names", number)
	}
	return nil
}
