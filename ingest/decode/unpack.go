package decode

import (
	"bytes"
	"errors"
	"io"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
)

var (
	gzipMagic = []byte{0x1f, 0x8b}
	zstdMagic = []byte{0x28, 0xb5, 0x2f, 0xfd}
)

// maxZstdWindow bounds the memory that a zstd frame may ask for.
const maxZstdWindow = 8 << 20

// unpacker reads a delivery, unpacking where needed, and stops at the limits.
type unpacker struct {
	src          headed
	via          io.Reader
	gz           *gzip.Reader
	zst          *zstd.Decoder
	unpacked     int64
	limit, ratio int64
}

// headed gives the first bytes of the source, which were looked at, again and
// then the rest. It counts the bytes that come from the source, gives up on one
// that gives neither bytes nor an error, and keeps the error of a source that
// could not be read, which the unpacking may wrap or replace.
type headed struct {
	first [4]byte
	// first[from:to] is to be given again.
	from, to int
	r        io.Reader
	n        int64
	empty    int
	failed   error
}

func (h *headed) Read(p []byte) (int, error) {
	if h.from < h.to {
		n := copy(p, h.first[h.from:h.to])
		h.from += n
		return n, nil
	}
	n, err := h.r.Read(p)
	h.n += int64(n)
	if h.empty++; n > 0 {
		h.empty = 0
	}
	if err == nil && h.empty > 100 {
		err = io.ErrNoProgress
	}
	if err != nil && !errors.Is(err, io.EOF) {
		h.failed = err
	}
	return n, err
}

// look reads the first bytes, up to four, without taking them.
func (h *headed) look() ([]byte, error) {
	for h.to < len(h.first) {
		n, err := h.r.Read(h.first[h.to:])
		h.to += n
		h.n += int64(n)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if h.empty++; n == 0 && h.empty > 100 {
			return nil, io.ErrNoProgress
		}
	}
	return h.first[:h.to], nil
}

// open sets the unpacker up for r, whose first bytes decide when encoding is
// "". It reports whether the packing was found by its first bytes only.
func (u *unpacker) open(r io.Reader, encoding string) (detected bool, err error) {
	*u = unpacker{src: headed{r: r}, limit: u.limit, ratio: u.ratio}
	switch encoding {
	case "gzip", "x-gzip":
		return false, u.openGzip()
	case "zstd":
		return false, u.openZstd()
	case "identity":
		u.via = &u.src
		return false, nil
	case "":
	default:
		return false, refuse(ReasonEncodingUnsupported, 0, "Content-Encoding %q", encoding)
	}
	first, err := u.src.look()
	if err != nil {
		return false, readFault(err)
	}
	switch {
	case bytes.HasPrefix(first, gzipMagic):
		return true, u.openGzip()
	case bytes.HasPrefix(first, zstdMagic):
		return true, u.openZstd()
	}
	u.via = &u.src
	return false, nil
}

func (u *unpacker) openGzip() error {
	gz, err := gzip.NewReader(&u.src)
	if err != nil {
		return readFault(u.packedFault(err))
	}
	u.gz, u.via = gz, gz
	return nil
}

func (u *unpacker) openZstd() error {
	zst, err := zstd.NewReader(&u.src, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true),
		zstd.WithDecoderMaxWindow(maxZstdWindow))
	if err != nil {
		return readFault(u.packedFault(err))
	}
	u.zst, u.via = zst, zst
	return nil
}

// close gives back what the unpacking holds.
func (u *unpacker) close() {
	if u.zst != nil {
		u.zst.Close()
	}
	u.src.r, u.via, u.gz, u.zst = nil, nil, nil, nil
}

// Read gives unpacked bytes, and *Refused at a limit or where the packing is
// damaged.
func (u *unpacker) Read(p []byte) (int, error) {
	n, err := u.via.Read(p)
	u.unpacked += int64(n)
	switch {
	case u.unpacked > u.limit:
		return 0, refuse(ReasonUnpackedTooBig, 0, "more than %d bytes", u.limit)
	case (u.gz != nil || u.zst != nil) &&
		u.unpacked > RatioFloorBytes && u.unpacked > u.ratio*u.src.n:
		return 0, refuse(ReasonUnpackRatio, 0, "%d packed bytes unpack to more than %d times as many", u.src.n, u.ratio)
	}
	if err != nil && !errors.Is(err, io.EOF) && (u.gz != nil || u.zst != nil) {
		err = u.packedFault(err)
	}
	return n, err
}

// packedFault turns an error of the unpacking into a Refused; an error of the
// source itself stays.
func (u *unpacker) packedFault(err error) error {
	switch {
	case u.src.failed != nil:
		return u.src.failed
	case u.src.n == 0 && errors.Is(err, io.EOF):
		return refuse(ReasonEmpty, 0, "no bytes")
	case errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.EOF):
		return refuse(ReasonPackedTruncated, 0, "the packed bytes end after %d bytes, in the middle", u.src.n)
	case errors.Is(err, gzip.ErrChecksum), errors.Is(err, zstd.ErrCRCMismatch):
		return refuse(ReasonPackedChecksum, 0, "the unpacked bytes do not match their checksum")
	case errors.Is(err, zstd.ErrWindowSizeExceeded), errors.Is(err, zstd.ErrDecoderSizeExceeded):
		return refuse(ReasonUnpackedTooBig, 0, "asks for more than %d bytes of memory to unpack", maxZstdWindow)
	case errors.Is(err, gzip.ErrHeader), errors.Is(err, zstd.ErrMagicMismatch):
		if u.unpacked > 0 {
			return refuse(ReasonPackedTrailing, 0, "other bytes follow the packed ones")
		}
		return refuse(ReasonPackedHeader, 0, "the bytes are not packed as announced")
	}
	return refuse(ReasonPackedCorrupt, 0, "the packed bytes are damaged: %v", err)
}
