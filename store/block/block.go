// Package block packs consecutive samples of one unit into a few bytes a
// sample: column by column, differences of integers in as many bits as they
// need. It knows nothing of where the bytes are kept.
//
// Layout: one byte of version, then
//
//	count      uvarint
//	presence   runs of (length uvarint, fields varint)
//	rank       runs of (length uvarint, rank varint)
//
// and a stream of bits with nine columns: the times in ms since the epoch as
// their first value and a column of the steps between them, then the fields in
// the order of the presence bits, each with the values of the samples that
// carry it. See column.go for a column. The last byte is filled up with zeros.
package block

import (
	"encoding/binary"
	"errors"
	"fmt"
	"sync"

	"fadeledger/analytics"
)

// version is the first byte of a block. Version 1 held varints under zstd and
// was never released.
const version = 2

// MaxSamples is the largest number of samples that a block may hold.
const MaxSamples = 1 << 22

// ErrCorrupt: the bytes are not a block.
var ErrCorrupt = errors.New("corrupt sample block")

// Packer packs and unpacks blocks, and reuses its buffers. The zero value is
// ready; it must not be used by two goroutines at once.
type Packer struct {
	values []int64
	raw    []byte
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
	dst = append(dst, version)
	dst = binary.AppendUvarint(dst, uint64(len(samples)))
	if len(samples) == 0 {
		return dst
	}
	dst = encodeRuns(dst, len(samples), func(i int) int64 { return int64(samples[i].Has) })
	dst = encodeRuns(dst, len(samples), func(i int) int64 { return int64(samples[i].Rank) })
	w := bitWriter{b: dst}
	w.number(zigzag(int64(samples[0].Time)))
	p.values = p.values[:0]
	for i := 1; i < len(samples); i++ {
		p.values = append(p.values, int64(samples[i].Time-samples[i-1].Time))
	}
	w.column(p.values)
	has, all := presence(samples)
	for f := range fields {
		bit := analytics.Fields(1) << f
		if has&bit == 0 {
			continue
		}
		p.gather(samples, bit, all&bit != 0)
		w.column(p.values)
	}
	return w.finish()
}

// presence gives the fields that any sample carries and those that all do.
func presence(samples []analytics.Sample) (has, all analytics.Fields) {
	all = analytics.Measured
	for i := range samples {
		has |= samples[i].Has
		all &= samples[i].Has
	}
	return has, all
}

// gather collects the values of a field.
func (p *Packer) gather(samples []analytics.Sample, bit analytics.Fields, all bool) {
	p.values = p.values[:0]
	for i := range samples {
		if all || samples[i].Has&bit != 0 {
			p.values = append(p.values, get(&samples[i], bit))
		}
	}
}

// Unpack appends the samples of a block. Bytes that are no block give an error
// that wraps ErrCorrupt.
func (p *Packer) Unpack(dst []analytics.Sample, b []byte) ([]analytics.Sample, error) {
	if len(b) == 0 || b[0] != version {
		return dst, fmt.Errorf("%w: no header of version %d", ErrCorrupt, version)
	}
	s := source{b: b[1:]}
	n := s.uvarint()
	// The steps of time alone take six bits for 64 samples: a count that
	// cannot be true must not make room for itself.
	if n > MaxSamples || n > uint64(len(b)*8/6+2)*chunk || s.bad {
		return dst, fmt.Errorf("%w: %d samples", ErrCorrupt, n)
	}
	from := len(dst)
	dst = append(dst, make([]analytics.Sample, n)...)
	if !p.samples(&s, dst[from:]) {
		return dst[:from], fmt.Errorf("%w: %d samples do not fit %d bytes", ErrCorrupt, n, len(b))
	}
	return dst, nil
}

// samples reads what follows the count and reports whether it was all there.
func (p *Packer) samples(s *source, out []analytics.Sample) bool {
	if len(out) == 0 {
		return len(s.b) == 0
	}
	s.runs(len(out), func(i int, v int64) { out[i].Has = analytics.Fields(v) })
	s.runs(len(out), func(i int, v int64) { out[i].Rank = int8(v) })
	if s.bad {
		return false
	}
	// Zeros behind the bits let the reader look eight bytes ahead.
	p.raw = append(append(p.raw[:0], s.b...), make([]byte, lookahead)...)
	r := bitReader{b: p.raw, end: len(s.b) * 8}
	at := analytics.Instant(unzigzag(r.number()))
	out[0].Time = at
	p.values = r.column(p.values[:0], len(out)-1)
	for i, step := range p.values {
		at += analytics.Instant(step)
		out[i+1].Time = at
	}
	has, all := presence(out)
	for f := range fields {
		if bit := analytics.Fields(1) << f; has&bit != 0 && !r.bad {
			p.scatter(&r, out, bit, all&bit != 0)
		}
	}
	return r.finished()
}

// scatter reads the column of a field into the samples that carry it.
func (p *Packer) scatter(r *bitReader, out []analytics.Sample, bit analytics.Fields, all bool) {
	n := len(out)
	if !all {
		n = 0
		for i := range out {
			if out[i].Has&bit != 0 {
				n++
			}
		}
	}
	p.values = r.column(p.values[:0], n)
	if r.bad {
		return
	}
	n = 0
	for i := range out {
		if all || out[i].Has&bit != 0 {
			set(&out[i], bit, p.values[n])
			n++
		}
	}
}

// fields is the number of measurements of a sample; their presence bits are
// the lowest ones.
const fields = 8

func get(s *analytics.Sample, bit analytics.Fields) int64 {
	switch bit {
	case analytics.HasSoC:
		return int64(s.SoC)
	case analytics.HasPower:
		return int64(s.Power)
	case analytics.HasCurrent:
		return int64(s.Current)
	case analytics.HasVoltage:
		return int64(s.Voltage)
	case analytics.HasTemp:
		return int64(s.Temp)
	case analytics.HasTempMax:
		return int64(s.TempMax)
	case analytics.HasCharge:
		return int64(s.Charge)
	}
	return int64(s.Discharge)
}

func set(s *analytics.Sample, bit analytics.Fields, v int64) {
	switch bit {
	case analytics.HasSoC:
		s.SoC = analytics.SoC(v)
	case analytics.HasPower:
		s.Power = analytics.Milliwatts(v)
	case analytics.HasCurrent:
		s.Current = analytics.Milliamps(v)
	case analytics.HasVoltage:
		s.Voltage = analytics.Millivolts(v)
	case analytics.HasTemp:
		s.Temp = analytics.CentiCelsius(v)
	case analytics.HasTempMax:
		s.TempMax = analytics.CentiCelsius(v)
	case analytics.HasCharge:
		s.Charge = analytics.MilliwattHours(v)
	default:
		s.Discharge = analytics.MilliwattHours(v)
	}
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

// source reads varints; after the first error it gives zeros.
type source struct {
	b   []byte
	bad bool
}

func (s *source) varint() int64 {
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
