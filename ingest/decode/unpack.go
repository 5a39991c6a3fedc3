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
	src              io.Reader
	via              io.Reader
	gz               *gzip.Reader
	zst              *zstd.Decoder
	packed, unpacked int64
	limit, ratio     int64
}

// counted counts the bytes that come from the source, and gives up on one
// that gives neither bytes nor an error.
type counted struct {
	r     io.Reader
	n     *int64
	empty int
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	*c.n += int64(n)
	if c.empty++; n > 0 {
		c.empty = 0
	}
	if err == nil && c.empty > 100 {
		err = io.ErrNoProgress
	}
	return n, err
}

// open sets the unpacker up for r, whose first bytes decide when encoding is
// "". It reports whether the packing was found by its first bytes only.
func (u *unpacker) open(r io.Reader, encoding string) (detected bool, err error) {
	u.src = &counted{r: r, n: &u.packed}
	switch encoding {
	case "gzip", "x-gzip":
		return false, u.openGzip(u.src)
	case "zstd":
		return false, u.openZstd(u.src)
	case "identity":
		u.via = u.src
		return false, nil
	case "":
	default:
		return false, refuse(ReasonEncodingUnsupported, 0, "Content-Encoding %q", encoding)
	}
	var head [4]byte
	n, err := io.ReadFull(u.src, head[:])
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return false, readFault(err)
	}
	first := append([]byte(nil), head[:n]...)
	all := io.MultiReader(&sliceReader{first}, u.src)
	switch {
	case bytes.HasPrefix(first, gzipMagic):
		return true, u.openGzip(all)
	case bytes.HasPrefix(first, zstdMagic):
		return true, u.openZstd(all)
	}
	u.via = all
	return false, nil
}

func (u *unpacker) openGzip(r io.Reader) error {
	gz, err := gzip.NewReader(r)
	if err != nil {
		return readFault(u.packedFault(err))
	}
	u.gz, u.via = gz, gz
	return nil
}

func (u *unpacker) openZstd(r io.Reader) error {
	zst, err := zstd.NewReader(r, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true),
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
		u.unpacked > RatioFloorBytes && u.unpacked > u.ratio*u.packed:
		return 0, refuse(ReasonUnpackRatio, 0, "%d packed bytes unpack to more than %d times as many", u.packed, u.ratio)
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
	case u.packed == 0 && errors.Is(err, io.EOF):
		return refuse(ReasonEmpty, 0, "no bytes")
	case errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.EOF):
		return refuse(ReasonPackedTruncated, 0, "the packed bytes end after %d bytes, in the middle", u.packed)
	case errors.Is(err, gzip.ErrChecksum), errors.Is(err, zstd.ErrCRCMismatch):
		return refuse(ReasonPackedChecksum, 0, "the unpacked bytes do not match their checksum")
	case errors.Is(err, zstd.ErrWindowSizeExceeded), errors.Is(err, zstd.ErrDecoderSizeExceeded):
		return refuse(ReasonUnpackedTooBig, 0, "asks for more than %d bytes of memory to unpack", maxZstdWindow)
	case errors.Is(err, gzip.ErrHeader), errors.Is(err, zstd.ErrMagicMismatch):
		if u.unpacked > 0 {
			return refuse(ReasonPackedTrailing, 0, "other bytes follow the packed ones")
		}
		return refuse(ReasonPackedHeader, 0, "the bytes are not packed as announced")
	case isPackedCorrupt(err):
		return refuse(ReasonPackedCorrupt, 0, "the packed bytes are damaged: %v", err)
	}
	return err
}
