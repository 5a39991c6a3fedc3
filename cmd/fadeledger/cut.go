package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/klauspost/compress/zstd"
)

// pieceBytes is about the size into which files are cut.
const pieceBytes = 256 << 10

// wholeBytes is the largest JSON document that is sent as it is.
const wholeBytes = 500 << 10

// piece is a part of a file that can be read by itself.
type piece struct {
	contentType, contentEncoding string
	// lines is H:N: the body begins with H header lines and goes on with line
	// N of the file.
	lines string
	body  []byte
	// end is the place in the file behind the piece, about.
	end int64
}

// cutFile cuts a file into pieces in its order. CSV pieces begin with the
// file's header; a JSON document that is not line by line goes as a whole.
func cutFile(f *os.File, send func(piece) error) error {
	at := &meter{r: f}
	r, err := unpacked(at)
	if err != nil {
		return err
	}
	first, err := firstByte(r)
	if errors.Is(err, io.EOF) {
		return errors.New("the file is empty; nothing was sent")
	}
	if err != nil {
		return fmt.Errorf("read: %w", err)
	}
	c := &cutter{at: at, r: r, send: send, contentType: "text/csv"}
	switch first {
	case '[':
		return c.whole()
	case '{':
		c.contentType = "application/x-ndjson"
		return c.objects()
	}
	return c.csv()
}

// meter counts what was read of a file.
type meter struct {
	r io.Reader
	n int64
}

func (m *meter) Read(b []byte) (int, error) {
	n, err := m.r.Read(b)
	m.n += int64(n)
	return n, err
}

// unpacked takes gzip and zstd off.
func unpacked(r io.Reader) (*bufio.Reader, error) {
	b := bufio.NewReaderSize(r, 1<<16)
	magic, _ := b.Peek(4)
	switch {
	case bytes.HasPrefix(magic, []byte{0x1f, 0x8b}):
		z, err := gzip.NewReader(b)
		if err != nil {
			return nil, fmt.Errorf("unpack gzip: %w", err)
		}
		return bufio.NewReaderSize(z, 1<<16), nil
	case bytes.Equal(magic, []byte{0x28, 0xb5, 0x2f, 0xfd}):
		z, err := zstd.NewReader(b, zstd.WithDecoderConcurrency(1))
		if err != nil {
			return nil, fmt.Errorf("unpack zstd: %w", err)
		}
		return bufio.NewReaderSize(z, 1<<16), nil
	}
	return b, nil
}

// firstByte gives the first byte that is no blank and no byte-order mark.
func firstByte(r *bufio.Reader) (byte, error) {
	for n := 1; n <= 4096; n++ {
		b, err := r.Peek(n)
		if err != nil {
			return 0, err
		}
		if c := b[n-1]; !strings.ContainsRune(" \t\r\n\xef\xbb\xbf", rune(c)) && c != 0xef && c != 0xbb && c != 0xbf {
			return c, nil
		}
	}
	return 0, errors.New("the file begins with thousands of blanks")
}

type cutter struct {
	at          *meter
	r           *bufio.Reader
	send        func(piece) error
	contentType string
	header      []byte
	headerLines int
	body        []byte
	line, first int // lines read, and the first one in body
}

// whole sends a JSON document in one piece.
func (c *cutter) whole() error {
	b, err := io.ReadAll(io.LimitReader(c.r, wholeBytes+1))
	if err != nil {
		return fmt.Errorf("read: %w", err)
	}
	if len(b) > wholeBytes {
		return fmt.Errorf("a JSON document of more than %d KiB cannot be cut; write one object a line instead", wholeBytes>>10)
	}
	return c.send(piece{contentType: "application/json", body: b, end: c.at.n})
}

// objects sends lines of JSON; a single document over several lines, such as
// an envelope, goes as a whole.
func (c *cutter) objects() error {
	line, err := c.r.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) || err == nil && !bytes.HasSuffix(bytes.TrimSpace(line), []byte("}")) || errors.Is(err, io.EOF) {
		c.r = bufio.NewReader(io.MultiReader(bytes.NewReader(bytes.Clone(line)), c.r))
		return c.whole()
	}
	if err != nil {
		return fmt.Errorf("read: %w", err)
	}
	c.line, c.first = 1, 1
	c.body = append(c.body, line...)
	return c.rest(false)
}

// csv sends the header, with what stands before it, in front of every piece.
func (c *cutter) csv() error {
	for {
		record, lines, err := c.record(true)
		c.header = append(c.header, record...)
		c.line += lines
		text := strings.TrimSpace(strings.TrimPrefix(string(record), "\ufeff"))
		if text != "" && !strings.HasPrefix(text, "#") && !strings.HasPrefix(text, "sep=") {
			c.headerLines = c.line
			if errors.Is(err, io.EOF) {
				return c.flush() // a header alone is told as it is
			}
			break
		}
		if err != nil {
			return fmt.Errorf("look for the header: %w", err)
		}
	}
	c.first = c.line + 1
	return c.rest(true)
}

// rest sends records until the end of the file.
func (c *cutter) rest(quoted bool) error {
	for {
		record, lines, err := c.record(quoted)
		if len(record) > 0 {
			if len(c.body) > 0 && len(c.header)+len(c.body)+len(record) > pieceBytes {
				if err := c.flush(); err != nil {
					return err
				}
			}
			c.body = append(c.body, record...)
			c.line += lines
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return fmt.Errorf("read line %d: %w", c.line+1, err)
		}
	}
	if len(c.body) == 0 {
		return nil
	}
	return c.flush()
}

// record reads one record: a line, or several where a quoted cell holds line
// ends. A record that grows too long is ended; the service then refuses it.
func (c *cutter) record(quoted bool) (record []byte, lines int, err error) {
	for {
		line, err := c.r.ReadSlice('\n')
		record = append(record, line...)
		if errors.Is(err, bufio.ErrBufferFull) && len(record) < pieceBytes {
			continue
		}
		lines++
		if err != nil && !errors.Is(err, bufio.ErrBufferFull) {
			return record, lines, err
		}
		if !quoted || bytes.Count(record, []byte{'"'})%2 == 0 || len(record) >= pieceBytes/4 {
			return record, lines, nil
		}
	}
}

func (c *cutter) flush() error {
	p := piece{
		contentType: c.contentType, lines: fmt.Sprintf("%d:%d", c.headerLines, max(c.first, 1)), end: c.at.n,
		body: append(bytes.Clone(c.header), c.body...),
	}
	c.body, c.first = c.body[:0], c.line+1
	return c.send(p)
}
