package decode

import (
	"context"
	"errors"
	"fmt"
	"io"
)

// reach is how far the fast ways look ahead without asking where the bytes in
// memory end. They find out afterwards whether what they read was there.
const reach = 32

// window is the part of a delivery that is in memory: buf[pos:end] is not
// decoded yet. It grows to max bytes and no further. Behind end, buf has at
// least reach bytes of no meaning.
type window struct {
	ctx      context.Context
	r        io.Reader
	buf      []byte
	pos, end int
	max      int
	eof      bool
}

// start points the window at a new reader whose first bytes are head.
func (w *window) start(ctx context.Context, r io.Reader) {
	w.ctx, w.r, w.pos, w.end, w.eof = ctx, r, 0, 0, false
	if w.buf == nil {
		w.buf = make([]byte, min(16<<10, w.max)+reach)
	}
}

// rest gives the bytes that are in memory and not decoded.
func (w *window) rest() []byte { return w.buf[w.pos:w.end] }

// more reads further bytes behind end. It may move everything, so that
// positions and slices taken before are void. At the end of input it sets eof.
func (w *window) more() error {
	if w.eof {
		return nil
	}
	if err := w.ctx.Err(); err != nil {
		return err
	}
	if w.pos > 0 {
		copy(w.buf, w.buf[w.pos:w.end])
		w.end -= w.pos
		w.pos = 0
	}
	if size := len(w.buf) - reach; w.end == size {
		if size >= w.max {
			return refuse(ReasonLineTooLong, 0, "a row of more than %d bytes", w.max)
		}
		grown := make([]byte, min(2*size, w.max)+reach)
		copy(grown, w.buf[:w.end])
		w.buf = grown
	}
	for range 100 {
		n, err := w.r.Read(w.buf[w.end : len(w.buf)-reach])
		w.end += n
		if errors.Is(err, io.EOF) {
			w.eof = true
			return nil
		}
		if err != nil {
			return readFault(err)
		}
		if n > 0 {
			return nil
		}
	}
	return readFault(io.ErrNoProgress)
}

// readFault wraps an error of the reader; a refusal stays what it is.
func readFault(err error) error {
	var refused *Refused
	if errors.As(err, &refused) {
		return refused
	}
	return fmt.Errorf("read delivery: %w", err)
}

// need reads until n bytes are in memory or the input ends.
func (w *window) need(n int) error {
	for w.end-w.pos < n && !w.eof {
		if err := w.more(); err != nil {
			return err
		}
	}
	return nil
}

// head takes the bytes in memory out of the window, to be read again through
// another reader.
func (w *window) head() []byte {
	head := append([]byte(nil), w.rest()...)
	w.pos, w.end = 0, 0
	return head
}

// sliceReader reads a slice.
type sliceReader struct{ rest []byte }

func (s *sliceReader) Read(p []byte) (int, error) {
	if len(s.rest) == 0 {
		return 0, io.EOF
	}
	n := copy(p, s.rest)
	s.rest = s.rest[n:]
	return n, nil
}
