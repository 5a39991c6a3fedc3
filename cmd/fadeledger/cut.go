package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/klauspost/compress/zstd"
	"golang.org/x/text/encoding/unicode"

	"fadeledger/ingest/decode"
)

const (
	// cutRule numbers the rule by which files are cut. It is part of a piece's
	// name: whoever changes where a file is cut, or what a piece holds, counts it
	// up, so that no piece is taken for one of another cut.
	cutRule = 2

	// pieceBytes is about the size into which files are cut.
	pieceBytes = 256 << 10
	// pieceMost is the size at which lines of JSON are cut wherever it is.
	pieceMost = 340 << 10
	// wholeBytes is the largest JSON document that is sent as it is.
	wholeBytes = 500 << 10
	// maxLine is the longest line that the service reads, and lineKeep how much
	// of a longer one is sent: more than the service looks at before it gives the
	// line up.
	maxLine  = decode.DefaultMaxLineBytes
	lineKeep = 2*maxLine + 12<<10
	// maxWindow is the memory that zstd may ask for, as with the service, and
	// elementMost how much is read for one sample of a JSON array.
	maxWindow   = 8 << 20
	elementMost = 1 << 20
	// preambleKeep bounds the comments before a header that go with every piece.
	preambleKeep = 16 << 10
)

// piece is a part of a file that can be read by itself.
type piece struct {
	contentType string
	// lines is H:N: the body begins with H header lines and goes on with line
	// N of the file.
	lines string
	body  []byte
	// end is the place in the file behind the piece, about.
	end int64
}

// cutFile cuts a file into pieces in its order, so that the pieces read one by
// one give the rows and problems that the file as a whole gives, with the same
// lines. CSV pieces begin with the file's header. A large JSON array becomes
// lines of JSON; any other JSON document that is not line by line goes as a
// whole. comma is the delimiter of CSV, 0 to tell it by the header.
func cutFile(f *os.File, comma byte, send func(piece) error) error {
	at := &meter{r: f}
	r, err := unpacked(at)
	if err != nil {
		return err
	}
	c := &cutter{at: at, send: send, comma: comma, first: 1}
	if c.r, err = utf8Text(r); err != nil {
		return err
	}
	return c.cut()
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
		z, err := zstd.NewReader(b, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxWindow(maxWindow))
		if err != nil {
			return nil, fmt.Errorf("unpack zstd: %w", err)
		}
		return bufio.NewReaderSize(z, 1<<16), nil
	}
	return b, nil
}

// utf8Text takes a byte-order mark off and turns UTF-16, which cannot be cut
// at line ends byte by byte, into UTF-8. The reader can peek a whole document.
func utf8Text(r *bufio.Reader) (*bufio.Reader, error) {
	head, _ := r.Peek(3) // an error comes up again when the text is read
	var text io.Reader = r
	switch {
	case bytes.HasPrefix(head, []byte("\xef\xbb\xbf")):
		if _, err := r.Discard(3); err != nil {
			return nil, fmt.Errorf("read: %w", err)
		}
	case bytes.HasPrefix(head, []byte("\xff\xfe")), bytes.HasPrefix(head, []byte("\xfe\xff")):
		text = unicode.UTF16(unicode.LittleEndian, unicode.ExpectBOM).NewDecoder().Reader(r)
	}
	return bufio.NewReaderSize(text, wholeBytes+1), nil
}

// cutter cuts one file.
type cutter struct {
	at          *meter
	r           *bufio.Reader
	send        func(piece) error
	contentType string
	comma       byte
	// ahead are lines that were read and not taken.
	ahead       [][]byte
	header      []byte
	headerLines int
	body        []byte
	line, first int // lines taken, and the first one in body
}

// cut tells the format as the service does, by the first bytes.
func (c *cutter) cut() error {
	head, err := c.r.Peek(wholeBytes + 1)
	all := errors.Is(err, io.EOF)
	if err != nil && !all {
		return fmt.Errorf("read: %w", err)
	}
	text := bytes.TrimLeft(head, " \t\r\n")
	switch {
	case len(text) == 0 && all:
		return errors.New("the file is empty; nothing was sent")
	case len(text) > 0 && text[0] == '{' && linesOfJSON(text):
		return c.objects()
	case len(text) > 0 && (text[0] == '{' || text[0] == '['):
		if all {
			return c.send(piece{contentType: "application/json", lines: "0:1", body: bytes.Clone(head), end: c.at.n})
		}
		if text[0] == '[' {
			return c.elements()
		}
		return fmt.Errorf("a JSON object of more than %d KiB cannot be cut; write an array of samples, or one sample a line", wholeBytes>>10)
	}
	return c.csv()
}

// next takes a line with its end; io.EOF comes without a line. A line too long
// for the service keeps only so much that it is seen to be too long.
func (c *cutter) next() ([]byte, error) {
	if len(c.ahead) > 0 {
		line := c.ahead[0]
		c.ahead = c.ahead[1:]
		return line, nil
	}
	var line []byte
	for {
		part, err := c.r.ReadSlice('\n')
		ended := len(part) > 0 && part[len(part)-1] == '\n'
		line = append(line, part[:min(len(part), max(0, lineKeep-len(line)))]...)
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			continue
		case err != nil && !errors.Is(err, io.EOF):
			return nil, fmt.Errorf("read line %d: %w", c.line+1, err)
		case len(line) == 0:
			return nil, io.EOF
		case ended && line[len(line)-1] != '\n':
			line = append(line, '\n')
		}
		return line, nil
	}
}

// flush sends what was gathered.
func (c *cutter) flush() error {
	p := piece{
		contentType: c.contentType, lines: fmt.Sprintf("%d:%d", c.headerLines, c.first), end: c.at.n,
		body: append(bytes.Clone(c.header), c.body...),
	}
	c.body, c.first = c.body[:0], c.line+1
	return c.send(p)
}
