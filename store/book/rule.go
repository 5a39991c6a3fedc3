package book

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"fadeledger/analytics"
)

// Rule is what a collector may deliver. The zero value lets it deliver any unit:
// who is let in to deliver for a collector that is not set up vouches for it.
//
// Rules decide what is let in, not what becomes of it: the ledger of a unit
// stays a function of the set of its samples that were let in and of its
// corrections. Samples that are held and released later count as if they had
// come then, and those that came before a rule was set stay.
type Rule struct {
	Taking analytics.CollectorTaking
	// Prefixes are beginnings of serials, none of them empty.
	Prefixes []string
}

// Lets reports whether a collector may deliver a unit: one that is bound to it,
// or bound to nobody and with a serial of its own.
func (r Rule) Lets(collector string, u *Unit) bool {
	if r.Taking != analytics.TakesBound && r.Taking != analytics.TakesFirst {
		return true
	}
	if len(u.Bound) > 0 {
		return slices.Contains(u.Bound, collector)
	}
	return slices.ContainsFunc(r.Prefixes, func(prefix string) bool { return strings.HasPrefix(string(u.Serial), prefix) })
}

// Asking is a collector that delivers a unit and waits for somebody to bind the
// unit to it.
type Asking struct {
	Unit      int32
	Collector string
	// FirstAt and LastAt are when the broker stored the first and last of the
	// deliveries, Samples how many samples of them are held.
	FirstAt, LastAt analytics.Instant
	Samples         int64
}

// Foreign says why samples of a unit are held that is not bound to the collector
// that delivered it, and what helps.
func Foreign(serial analytics.Serial, collector string) (message, remedy string) {
	return fmt.Sprintf("unit %s is not bound to collector %s", serial, collector),
		"where the collector is right, bind the unit to the collector; its samples are then released"
}

// foreign holds samples of a unit that the collector may not deliver.
func (t *taking) foreign(d *analytics.Incoming, g *analytics.UnitSamples, unit int32, rule Rule, stored analytics.Instant) {
	why := held{reason: analytics.ReasonForeignUnit, field: "unit"}
	why.message, why.remedy = Foreign(g.Serial, d.Collector)
	t.hold(d, g, g.Samples, g.Lines, why)
	if rule.Taking == analytics.TakesFirst {
		t.changes.Asking = append(t.changes.Asking, Asking{unit, d.Collector, stored, stored, int64(len(g.Samples))})
	}
}

// askings sums what collectors ask for, one for each unit and collector.
func (t *taking) askings() {
	list := t.changes.Asking
	slices.SortFunc(list, func(a, b Asking) int {
		return cmp.Or(cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Collector, b.Collector), cmp.Compare(a.FirstAt, b.FirstAt))
	})
	sums := list[:0]
	for _, a := range list {
		if n := len(sums); n > 0 && sums[n-1].Unit == a.Unit && sums[n-1].Collector == a.Collector {
			sums[n-1].LastAt = max(sums[n-1].LastAt, a.LastAt)
			sums[n-1].Samples += a.Samples
			continue
		}
		sums = append(sums, a)
	}
	t.changes.Asking = sums
}
