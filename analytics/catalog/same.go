package catalog

import (
	"bytes"
	"encoding/json"

	"fadeledger/analytics"
)

// CanonicalTerms writes terms as JSON in a form that is the same whenever they
// mean the same: defaults are spelled out and empty lists are []. It serves to
// compare and to store editions, which never change once units are sold with
// them; a change needs a new name.
func CanonicalTerms(t analytics.Terms) []byte {
	if t.Life.Shallow == "" {
		t.Life.Shallow = analytics.ShallowThroughput
	}
	if t.Life.CountedFromPct == nil {
		from := analytics.DefaultCountedFrom
		t.Life.CountedFromPct = &from
	}
	if t.EFCBasis == "" {
		t.EFCBasis = analytics.BasisThroughput
	}
	if t.Start == "" {
		t.Start = analytics.StartCommissioned
	}
	if !t.HasColdAllowance {
		t.ColdChargeAllowance = 0
	}
	t.Life.Points = orEmpty(t.Life.Points)
	t.Retained = orEmpty(t.Retained)
	t.Remedy = orEmpty(t.Remedy)
	return canonical(t)
}

// SameTerms reports whether two editions mean the same.
func SameTerms(a, b analytics.Terms) bool {
	return bytes.Equal(CanonicalTerms(a), CanonicalTerms(b))
}

// CanonicalModel writes a model as JSON as CanonicalTerms does terms. The
// counted state of a unit depends on its model, so a changed model means a
// recount.
func CanonicalModel(m analytics.Model) []byte {
	m.MaxGap = m.Gap()
	m.ChargeLimit = orEmpty(m.ChargeLimit)
	m.DischargeLimit = orEmpty(m.DischargeLimit)
	return canonical(m)
}

// SameModel reports whether two models mean the same.
func SameModel(a, b analytics.Model) bool {
	return bytes.Equal(CanonicalModel(a), CanonicalModel(b))
}

func orEmpty[S ~[]E, E any](list S) S {
	if list == nil {
		return S{}
	}
	return list
}

// canonical relies on encoding/json writing fields in the order of the struct
// and float64 in the shortest form that reads back as the same number.
func canonical(v any) []byte {
	out, err := json.Marshal(v)
	if err != nil {
		// Only a NaN or an infinity in a float gets here, and a parser lets
		// none through.
		panic("catalog: " + err.Error())
	}
	return out
}
