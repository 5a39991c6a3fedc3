package household

import "math/rand/v2"

// stream is a source of cheap draws. One stream serves one purpose, so that a
// change in how often one of them is drawn from does not shift the others.
type stream struct{ pcg rand.PCG }

// newStream gives the stream of a seed and a purpose.
func newStream(seed uint64, purpose ...uint64) stream {
	var s stream
	s.pcg.Seed(seed, mix(seed, purpose...))
	return s
}

// unit draws from [0, 1).
func (s *stream) unit() float64 { return float64(s.pcg.Uint64()>>11) * 0x1p-53 }

// between draws from [low, high).
func (s *stream) between(low, high float64) float64 { return low + (high-low)*s.unit() }

// normal draws from an almost normal distribution of mean 0 and deviation 1.
func (s *stream) normal() float64 { return bell(s.pcg.Uint64()) }

// below draws an integer from [0, n).
func (s *stream) below(n int) int { return int(s.unit() * float64(n)) }

// bell turns 64 random bits into a draw of mean 0 and deviation 1: the sum of
// four 16-bit uniforms. It stays within ±3.47, which keeps weather and load
// from running away, and costs a tenth of an exact normal draw.
func bell(bits uint64) float64 {
	sum := bits&0xffff + bits>>16&0xffff + bits>>32&0xffff + bits>>48
	const mean, deviation = 4 * 32767.5, 37837.2273
	return (float64(sum) - mean) / deviation
}

// mix hashes a seed and tags to 64 bits by the finaliser of SplitMix64
// (G. Steele, D. Lea, C. Flood, Fast splittable pseudorandom number
// generators, 2014; constants from memory).
func mix(seed uint64, tags ...uint64) uint64 {
	h := finalise(seed + 0x9e3779b97f4a7c15)
	for _, t := range tags {
		h = finalise(h ^ (t+0x9e3779b97f4a7c15)*0xff51afd7ed558ccd)
	}
	return h
}

func finalise(z uint64) uint64 {
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}
