// Package block packs consecutive samples of one unit into a few bytes a
// sample: column by column, integer deltas as varints, and zstd on top for
// long blocks. It knows nothing of where the bytes are kept.
//
// Layout of the body, after one byte of version and one of flags (1 = the rest
// is one zstd frame):
//
//	count                      uvarint
//	time of the first sample   varint, ms since the epoch
//	time steps                 runs of (length uvarint, step varint), ms
//	presence                   runs of (length uvarint, fields uvarint)
//	rank                       runs of (length uvarint, rank varint)
//	eight columns in the order of the presence bits, each the deltas (varint)
//	of the samples that carry the field
package block

import (
	"encoding/binary"
	"errors"
	"fmt"
	"sync"

	"github.com/klauspost/compress/zstd"

	"fadeledger/analytics"
)

const (
	version      = 1
	flagZstd     = 1
	headerLength = 2
)

// CompressFrom is the number of samples from which zstd is worth its time.
const CompressFrom = 120

// MaxSamples is the largest number of samples that a block may hold.
const MaxSamples = 1 << 22

// ErrCorrupt: the bytes are not a block.
var ErrCorrupt = errors.New("corrupt sample block")

// Packer packs and unpacks blocks, and reuses its buffers. The zero value is
// ready; it must not be used by two goroutines at once.
type Packer struct {
	raw []byte
	enc *zstd.Encoder
	dec *zstd.Decoder
}

// pool lets callers without a Packer of their own borrow one.
var pool = sync.Pool{New: func() any { return new(Packer) }}

// Pack appends a block of the samples to dst with a borrowed Packer.
func Pack(dst []byte, samples []analytics.Sample) []byte {
	p := pool.Get().(*Packer)
	defer pool.Put(p)
	return p.Pack(dst, samples)
}

// Unpack appends the samples of a block to dst with a borrowed Packer.
func Unpack(dst []analytics.Sample, b []byte) ([]analytics.Sample, error) {
	p := pool.Get().(*Packer)
	defer pool.Put(p)
	return p.Unpack(dst, b)
}

// Pack appends a block of the samples, which are in ascending order of time.
func (p *Packer) Pack(dst []byte, samples []analytics.Sample) []byte {
	p.raw = encode(p.raw[:0], samples)
	if len(samples) < CompressFrom {
		dst = append(dst, version, 0)
		return append(dst, p.raw...)
	}
	if p.enc == nil {
		// A nil writer and one goroutine: only EncodeAll is used, which
		// cannot fail.
		p.enc, _ = zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedFastest))
	}
	dst = append(dst, version, flagZstd)
	return p.enc.EncodeAll(p.raw, dst)
}

// Unpack appends the samples of a block. Bytes that are no block give an error
// that wraps ErrCorrupt.
func (p *Packer) Unpack(dst []analytics.Sample, b []byte) ([]analytics.Sample, error) {
	if len(b) < headerLength || b[0] != version {
		return dst, fmt.Errorf("%w: no header of version %d", ErrCorrupt, version)
	}
	raw := b[headerLength:]
	if b[1]&flagZstd != 0 {
		if p.dec == nil {
			p.dec, _ = zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(1<<28))
		}
		var err error
		if p.raw, err = p.dec.DecodeAll(raw, p.raw[:0]); err != nil {
			return dst, fmt.Errorf("%w: %w", ErrCorrupt, err)
		}
		raw = p.raw
	}
	return decode(dst, raw)
}

func encode(b []byte, samples []analytics.Sample) []byte {
	b = binary.AppendUvarint(b, uint64(len(samples)))
	if len(samples) == 0 {
		return b
	}
	b = binary.AppendVarint(b, int64(samples[0].Time))
	b = encodeRuns(b, len(samples)-1, func(i int) int64 { return int64(samples[i+1].Time - samples[i].Time) })
	b = encodeRuns(b, len(samples), func(i int) int64 { return int64(samples[i].Has) })
	b = encodeRuns(b, len(samples), func(i int) int64 { return int64(samples[i].Rank) })
	b = column(b, samples, analytics.HasSoC, func(s *analytics.Sample) int64 { return int64(s.SoC) })
	b = column(b, samples, analytics.HasPower, func(s *analytics.Sample) int64 { return int64(s.Power) })
	b = column(b, samples, analytics.HasCurrent, func(s *analytics.Sample) int64 { return int64(s.Current) })
	b = column(b, samples, analytics.HasVoltage, func(s *analytics.Sample) int64 { return int64(s.Voltage) })
	b = column(b, samples, analytics.HasTemp, func(s *analytics.Sample) int64 { return int64(s.Temp) })
	b = column(b, samples, analytics.HasTempMax, func(s *analytics.Sample) int64 { return int64(s.TempMax) })
	b = column(b, samples, analytics.HasCharge, func(s *analytics.Sample) int64 { return int64(s.Charge) })
	return column(b, samples, analytics.HasDischarge, func(s *analytics.Sample) int64 { return int64(s.Discharge) })
}

// encodeRuns writes n values as runs of equal ones.
func encodeRuns(b []byte, n int, at func(int) int64) []byte {
	for i := 0; i < n; {
		v, j := at(i), i+1
		for j < n && at(j) == v {
			j++
		}
		b = binary.AppendUvarint(b, uint64(j-i))
		b = binary.AppendVarint(b, v)
		i = j
	}
	return b
}

func column(b []byte, samples []analytics.Sample, has analytics.Fields, get func(*analytics.Sample) int64) []byte {
	var before int64
	for i := range samples {
		s := &samples[i]
		if s.Has&has == 0 {
			continue
		}
		v := get(s)
		b = binary.AppendVarint(b, v-before)
		before = v
	}
	return b
}

// source reads varints; after the first error it gives zeros.
type source struct {
	b   []byte
	bad bool
}

func (s *source) varint() int64 {
	// One byte is the common case.
	if len(s.b) > 0 && s.b[0] < 0x80 {
		u := s.b[0]
		s.b = s.b[1:]
		return int64(u>>1) ^ -int64(u&1)
	}
	v, n := binary.Varint(s.b)
	if n <= 0 {
		s.bad = true
		return 0
	}
	s.b = s.b[n:]
	return v
}

func (s *source) uvarint() uint64 {
	v, n := binary.Uvarint(s.b)
	if n <= 0 {
		s.bad = true
		return 0
	}
	s.b = s.b[n:]
	return v
}

// runs reads n values written by encodeRuns.
func (s *source) runs(n int, set func(i int, v int64)) {
	for i := 0; i < n && !s.bad; {
		length, v := s.uvarint(), s.varint()
		if length == 0 || length > uint64(n-i) {
			s.bad = true
			return
		}
		for range length {
			set(i, v)
			i++
		}
	}
}

func decode(dst []analytics.Sample, raw []byte) ([]analytics.Sample, error) {
	s := source{b: raw}
	n := s.uvarint()
	if n > MaxSamples {
		return dst, fmt.Errorf("%w: %d samples", ErrCorrupt, n)
	}
	from := len(dst)
	dst = append(dst, make([]analytics.Sample, n)...)
	out := dst[from:]
	if n > 0 {
		s.samples(out)
	}
	if s.bad || len(s.b) > 0 {
		return dst[:from], fmt.Errorf("%w: %d samples do not fit %d bytes", ErrCorrupt, n, len(raw))
	}
	return dst, nil
}

func (s *source) samples(out []analytics.Sample) {
	out[0].Time = analytics.Instant(s.varint())
	s.runs(len(out)-1, func(i int, v int64) { out[i+1].Time = out[i].Time + analytics.Instant(v) })
	s.runs(len(out), func(i int, v int64) { out[i].Has = analytics.Fields(v) })
	s.runs(len(out), func(i int, v int64) { out[i].Rank = int8(v) })
	s.column(out, analytics.HasSoC, func(x *analytics.Sample, v int64) { x.SoC = analytics.SoC(v) })
	s.column(out, analytics.HasPower, func(x *analytics.Sample, v int64) { x.Power = analytics.Milliwatts(v) })
	s.column(out, analytics.HasCurrent, func(x *analytics.Sample, v int64) { x.Current = analytics.Milliamps(v) })
	s.column(out, analytics.HasVoltage, func(x *analytics.Sample, v int64) { x.Voltage = analytics.Millivolts(v) })
	s.column(out, analytics.HasTemp, func(x *analytics.Sample, v int64) { x.Temp = analytics.CentiCelsius(v) })
	s.column(out, analytics.HasTempMax, func(x *analytics.Sample, v int64) { x.TempMax = analytics.CentiCelsius(v) })
	s.column(out, analytics.HasCharge, func(x *analytics.Sample, v int64) { x.Charge = analytics.MilliwattHours(v) })
	s.column(out, analytics.HasDischarge, func(x *analytics.Sample, v int64) { x.Discharge = analytics.MilliwattHours(v) })
}

func (s *source) column(out []analytics.Sample, has analytics.Fields, set func(*analytics.Sample, int64)) {
	var v int64
	for i := range out {
		if out[i].Has&has == 0 {
			continue
		}
		v += s.varint()
		set(&out[i], v)
	}
}
