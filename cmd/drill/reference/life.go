package reference

import "math"

// addSpent takes what was counted to the measures of the terms.
func (r *Result) addSpent(m *Model) {
	total := r.Total()
	charge, discharge := float64(total.ChargeUWh), float64(total.DischargeUWh)
	ratedUWh := float64(m.RatedMWh) * 1000
	r.EFC = (charge + discharge) / (2 * ratedUWh)
	if m.EFCByDischarge {
		r.EFC = discharge / ratedUWh
	}
	if len(m.Life) > 0 {
		var spent float64
		for k := 0; k <= 200; k++ {
			depthPPM := int64(k) * 5000
			if n := r.HalfCycles[k]; n != 0 && depthPPM > 0 && depthPPM >= m.CountedFromPPM {
				spent += float64(n) / 2 / m.warrantedCycles(float64(depthPPM))
			}
		}
		r.SpentLife = &spent
	}
	if m.MilliEFCCap > 0 {
		spent := r.EFC / (float64(m.MilliEFCCap) / 1000)
		r.SpentEFC = &spent
	}
	if m.EnergyCapMWh > 0 {
		spent := discharge / (float64(m.EnergyCapMWh) * 1000)
		r.SpentEnergy = &spent
	}
}

// warrantedCycles gives N at a depth: a straight line in log-log through the
// two points that enclose it, or the last two beyond the deepest. Below the
// shallowest, and everywhere where it is the only one, N × depth is constant.
func (m *Model) warrantedCycles(depthPPM float64) float64 {
	first := m.Life[0]
	below := depthPPM < float64(first.DepthPPM)
	if len(m.Life) == 1 || below && !m.ShallowSlope {
		return float64(first.MilliCycles) / 1000 * float64(first.DepthPPM) / depthPPM
	}
	a, b := m.Life[0], m.Life[1]
	for i := 2; i < len(m.Life) && depthPPM > float64(b.DepthPPM); i++ {
		a, b = m.Life[i-1], m.Life[i]
	}
	x0, x1, x := math.Log(float64(a.DepthPPM)), math.Log(float64(b.DepthPPM)), math.Log(depthPPM)
	y0, y1 := math.Log(float64(a.MilliCycles)/1000), math.Log(float64(b.MilliCycles)/1000)
	return math.Exp(y0 + (y1-y0)*(x-x0)/(x1-x0))
}
