package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"
)

// copyRows writes rows in Postgres's binary COPY format. Encoding the stream
// by hand costs a fifth of what the driver's reflection does.
type copyRows struct {
	b    []byte
	rows int
}

var copyHeader = []byte("PGCOPY\n\xff\r\n\x00\x00\x00\x00\x00\x00\x00\x00\x00")

func (c *copyRows) row(columns int16) {
	if len(c.b) == 0 {
		c.b = append(c.b, copyHeader...)
	}
	c.rows++
	c.b = binary.BigEndian.AppendUint16(c.b, uint16(columns))
}

func (c *copyRows) length(n int32) { c.b = binary.BigEndian.AppendUint32(c.b, uint32(n)) }

func (c *copyRows) int2(v int16) { c.length(2); c.b = binary.BigEndian.AppendUint16(c.b, uint16(v)) }

func (c *copyRows) int4(v int32) { c.length(4); c.b = binary.BigEndian.AppendUint32(c.b, uint32(v)) }

func (c *copyRows) int8(v int64) { c.length(8); c.b = binary.BigEndian.AppendUint64(c.b, uint64(v)) }

func (c *copyRows) bool(v bool) {
	c.length(1)
	if v {
		c.b = append(c.b, 1)
		return
	}
	c.b = append(c.b, 0)
}

func (c *copyRows) bytes(v []byte) { c.length(int32(len(v))); c.b = append(c.b, v...) }

func (c *copyRows) text(v string) {
	v = plain(v)
	c.length(int32(len(v)))
	c.b = append(c.b, v...)
}

// plain gives what a text column can hold: valid UTF-8 without NUL.
func plain(v string) string {
	if strings.IndexByte(v, 0) < 0 && utf8.ValidString(v) {
		return v
	}
	return strings.ReplaceAll(strings.ToValidUTF8(v, "\uFFFD"), "\x00", "\uFFFD")
}

func (c *copyRows) null() { c.length(-1) }

func (c *copyRows) int4OrNull(v int32, ok bool) {
	if !ok {
		c.null()
		return
	}
	c.int4(v)
}

// send copies the rows into a table; columns is a comma-separated list.
func (c *copyRows) send(ctx context.Context, tx pgx.Tx, table, columns string) error {
	if c.rows == 0 {
		return nil
	}
	c.b = binary.BigEndian.AppendUint16(c.b, 0xffff)
	sql := fmt.Sprintf("COPY %s (%s) FROM STDIN (FORMAT binary)", table, columns)
	tag, err := tx.Conn().PgConn().CopyFrom(ctx, bytes.NewReader(c.b), sql)
	if err != nil {
		return fmt.Errorf("copy into %s: %w", table, err)
	}
	if tag.RowsAffected() != int64(c.rows) {
		return fmt.Errorf("copy into %s: %d rows of %d arrived", table, tag.RowsAffected(), c.rows)
	}
	return nil
}
