package analytics

// Rainflow counts cycles of the state of charge as they close.
//
// Method: ASTM E1049-85 (2017) §5.4.4, in its streaming form, a stack of
// turning points and the four-point rule: with the last four points a, b, c, d
// the range |c−b| is one closed cycle when |c−b| ≤ |d−c| and |c−b| ≤ |b−a|.
// What stays on the stack is the residue, each of whose ranges is half a cycle
// when the count is read. The total of half cycles by depth is that of the
// standard's three-point procedure; its split into closed and open is not.
//
// The zero value has seen nothing. Equal neighbours are no turning points, and
// nothing is smoothed. The newest value is a turning point only once the
// direction changes: until then it may still move on.
type Rainflow struct {
	stack []SoC
	last  SoC
	// dir is the direction of the last change: +1, −1, or 0 before any.
	dir  int8
	seen bool
}

// Push takes the next value and calls closed with the depth bin of every cycle
// that it closes.
func (r *Rainflow) Push(s SoC, closed func(bin int)) {
	if !r.seen {
		r.seen, r.last = true, s
		r.stack = append(r.stack, s)
		return
	}
	if s == r.last {
		return
	}
	dir := int8(1)
	if s < r.last {
		dir = -1
	}
	if r.dir != 0 && dir != r.dir {
		r.stack = turn(r.stack, r.last, closed)
	}
	r.dir, r.last = dir, s
}

// turn puts a turning point on the stack and takes off what closes.
func turn(stack []SoC, point SoC, closed func(bin int)) []SoC {
	stack = append(stack, point)
	for n := len(stack); n >= 4; n = len(stack) {
		a, b, c, d := stack[n-4], stack[n-3], stack[n-2], stack[n-1]
		inner := rangeOf(b, c)
		if inner > rangeOf(c, d) || inner > rangeOf(a, b) {
			break
		}
		closed(BinOf(inner))
		stack = append(stack[:n-3], d)
	}
	return stack
}

// join takes what another flow, of later values, has left open: the result is
// that of pushing all of its values one by one, without the cycles that closed
// among them.
func (r *Rainflow) join(later *Rainflow, closed func(bin int)) {
	if !later.seen {
		return
	}
	for _, s := range later.stack {
		r.Push(s, closed)
	}
	r.Push(later.last, closed)
}

// clone copies the flow, with room for more turning points.
func (r *Rainflow) clone(room int) Rainflow {
	c := *r
	c.stack = append(make([]SoC, 0, len(r.stack)+room), r.stack...)
	return c
}

// Open adds to h what is not closed: cycles that the newest value closes as it
// stands (two halves each) and one half cycle for each range of the residue.
func (r *Rainflow) Open(h *HalfCycles) {
	if !r.seen || r.dir == 0 {
		return
	}
	rest := make([]SoC, len(r.stack), len(r.stack)+1)
	copy(rest, r.stack)
	rest = turn(rest, r.last, func(bin int) { h[bin] += 2 })
	for i := 1; i < len(rest); i++ {
		h[BinOf(rangeOf(rest[i-1], rest[i]))]++
	}
}

func rangeOf(a, b SoC) SoC {
	if a > b {
		return a - b
	}
	return b - a
}
