package block

import (
	"encoding/binary"
	"math/bits"
)

// A column is the first value (a number), then, if there are more, three bits
// with the power of ten that divides all differences, and the differences
// divided by it, zigzag, in chunks of 64: six bits with the number k of low
// bits that are written as they are, and for each difference the rest of it as
// that many ones and a zero (Golomb's code with a power of two, after Rice),
// then its k low bits. A rest of escape or more is written as escape ones and
// the whole value in 64 bits. k = allZero stands for 64 zeros.
const (
	chunk    = 64
	escape   = 24
	allZero  = 63
	largestK = 62
)

var powersOfTen = [8]int64{1, 10, 100, 1000, 10_000, 100_000, 1_000_000, 10_000_000}

func zigzag(v int64) uint64   { return uint64(v<<1) ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// bitWriter appends bits, the highest first.
type bitWriter struct {
	b    []byte
	acc  uint64
	used uint // bits of acc, from the top
}

// put writes the low width bits of v, at most 64; the others must be zero.
func (w *bitWriter) put(v uint64, width uint) {
	free := 64 - w.used
	if width < free {
		w.acc |= v << (free - width)
		w.used += width
		return
	}
	rest := width - free
	w.b = binary.BigEndian.AppendUint64(w.b, w.acc|v>>rest)
	w.acc, w.used = v<<(64-rest), rest
}

// number writes a number of any size: its length in seven bits, then its bits.
func (w *bitWriter) number(v uint64) {
	n := uint(bits.Len64(v))
	w.put(uint64(n), 7)
	w.put(v, n)
}

func (w *bitWriter) finish() []byte {
	for used := int(w.used); used > 0; used -= 8 {
		w.b = append(w.b, byte(w.acc>>56))
		w.acc <<= 8
	}
	return w.b
}

// column writes values and leaves others in their place.
func (w *bitWriter) column(values []int64) {
	if len(values) == 0 {
		return
	}
	w.number(zigzag(values[0]))
	if len(values) == 1 {
		return
	}
	for i := len(values) - 1; i > 0; i-- {
		values[i] -= values[i-1]
	}
	d := values[1:]
	e := exponent(d)
	w.put(uint64(e), 3)
	for len(d) > 0 {
		n := min(chunk, len(d))
		w.chunk(d[:n], powersOfTen[e])
		d = d[n:]
	}
}

// exponent gives the largest power of ten that divides all differences.
func exponent(d []int64) int {
	e := len(powersOfTen) - 1
	for _, v := range d {
		for v != 0 && v%powersOfTen[e] != 0 {
			e--
		}
		if e == 0 {
			return 0
		}
	}
	return e
}

func (w *bitWriter) chunk(d []int64, scale int64) {
	var u [chunk]uint64
	sum := 0.0
	for i, v := range d {
		if v != 0 {
			u[i] = zigzag(v / scale)
			sum += float64(u[i])
		}
	}
	if sum == 0 {
		w.put(allZero, 6)
		return
	}
	k := bestK(u[:len(d)], sum)
	w.put(uint64(k), 6)
	for _, v := range u[:len(d)] {
		q := v >> k
		switch {
		case q >= escape:
			w.put(1<<escape-1, escape)
			w.put(v, 64)
		case k <= 32:
			// q ones and a zero, then the low bits.
			w.put((1<<(q+1)-2)<<k|v&(1<<k-1), uint(q)+1+k)
		default:
			w.put(1<<(q+1)-2, uint(q)+1)
			w.put(v&(1<<k-1), k)
		}
	}
}

// bestK looks for the cheapest k around the one that suits the mean.
func bestK(u []uint64, sum float64) uint {
	mean := sum / float64(len(u))
	guess := 0
	if mean >= 1 {
		guess = bits.Len64(uint64(min(mean, 1<<61))) - 1
	}
	best, least := uint(0), ^uint64(0)
	for k := uint(max(guess-1, 0)); k <= uint(min(guess+1, largestK)); k++ {
		cost := uint64(len(u)) * uint64(k+1)
		for _, v := range u {
			if q := v >> k; q < escape {
				cost += q
			} else {
				cost += escape + 64
			}
		}
		if cost < least {
			best, least = k, cost
		}
	}
	return best
}

// lookahead is how many bytes a bitReader needs behind its last bit.
const lookahead = 16

// bitReader reads what a bitWriter wrote. After the first error it gives
// zeros.
type bitReader struct {
	b   []byte // with lookahead bytes behind end
	at  int    // in bits
	end int
	bad bool
}

// peek gives at least 57 bits, from the top; bits past the end are zero.
func (r *bitReader) peek() uint64 {
	if r.at > r.end {
		r.bad = true
		return 0
	}
	return binary.BigEndian.Uint64(r.b[r.at>>3:]) << (r.at & 7)
}

// get reads width bits, at most 64.
func (r *bitReader) get(width uint) uint64 {
	if width > 32 {
		high := r.get(width - 32)
		return high<<32 | r.get(32)
	}
	v := r.peek() >> (64 - width)
	r.at += int(width)
	return v
}

func (r *bitReader) number() uint64 {
	n := r.get(7)
	if n > 64 {
		r.bad = true
		return 0
	}
	return r.get(uint(n))
}

// finished reports whether all was read without an error and nothing but the
// zeros of the last byte is left.
func (r *bitReader) finished() bool {
	left := r.end - r.at
	return !r.bad && left >= 0 && left < 8 && r.peek() == 0
}

// column appends n values.
func (r *bitReader) column(values []int64, n int) []int64 {
	if n == 0 {
		return values
	}
	v := unzigzag(r.number())
	values = append(values, v)
	if n == 1 {
		return values
	}
	scale := powersOfTen[r.get(3)]
	for n--; n > 0 && !r.bad; n -= chunk {
		values, v = r.chunk(values, min(chunk, n), v, scale)
	}
	return values
}

// chunk appends n values that follow v, and gives the last.
func (r *bitReader) chunk(values []int64, n int, v, scale int64) ([]int64, int64) {
	k := uint(r.get(6))
	if k == allZero {
		for range n {
			values = append(values, v)
		}
		return values, v
	}
	from := len(values)
	values = append(values, zeros[:n]...)
	out := values[from:]
	at := r.at // kept out of memory in the loop
	for i := range out {
		if at > r.end {
			r.bad = true
			break
		}
		x := binary.BigEndian.Uint64(r.b[at>>3:]) << (at & 7)
		q := uint(bits.LeadingZeros64(^x))
		if q < escape && q+1+k <= 57 {
			low := x << (q + 1) >> (64 - k)
			at += int(q + 1 + k)
			v += unzigzag(uint64(q)<<k|low) * scale
		} else {
			r.at = at
			v += unzigzag(r.wide(q, k)) * scale
			at = r.at
		}
		out[i] = v
	}
	r.at = at
	return values, v
}

var zeros [chunk]int64

// wide reads a difference that does not fit into one look; q ones are next.
func (r *bitReader) wide(q, k uint) uint64 {
	if q >= escape {
		r.at += escape
		return r.get(64)
	}
	r.at += int(q + 1)
	return uint64(q)<<k | r.get(k)
}
