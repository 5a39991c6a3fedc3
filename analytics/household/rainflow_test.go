package household

import "fadeledger/analytics"

// halfCycles counts a series by the four-point rule of rainflow counting
// (ASTM E1049-85 section 5.4.4) over its turning points, the residue as half
// cycles. It is a second, plain count, so that these tests do not lean on the
// one that the ledger uses.
func halfCycles(series []analytics.SoC) analytics.HalfCycles {
	var h analytics.HalfCycles
	span := func(a, b analytics.SoC) analytics.SoC { return max(a-b, b-a) }
	var stack []analytics.SoC
	for _, v := range turning(series) {
		stack = append(stack, v)
		for n := len(stack); n >= 4; n = len(stack) {
			outer, inner, newest := span(stack[n-4], stack[n-3]), span(stack[n-3], stack[n-2]), span(stack[n-2], stack[n-1])
			if inner > outer || inner > newest {
				break
			}
			h[analytics.BinOf(inner)] += 2
			stack = append(stack[:n-3], stack[n-1])
		}
	}
	for i := 1; i < len(stack); i++ {
		h[analytics.BinOf(span(stack[i-1], stack[i]))]++
	}
	return h
}

// turning gives the turning points of a series with its first and last value.
func turning(series []analytics.SoC) []analytics.SoC {
	var points []analytics.SoC
	for _, v := range series {
		n := len(points)
		switch {
		case n > 0 && points[n-1] == v:
		case n > 1 && (points[n-1] > points[n-2]) == (v > points[n-1]):
			points[n-1] = v
		default:
			points = append(points, v)
		}
	}
	return points
}
