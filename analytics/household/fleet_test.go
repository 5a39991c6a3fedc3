package household

import (
	"fmt"
	"reflect"
	"slices"
	"testing"

	"fadeledger/analytics"
)

func mustFleet(tb testing.TB, seed uint64, units, days int) *Fleet {
	tb.Helper()
	f, err := NewFleet(seed, units, instant(2026, 11, 25, 12), days, 5*analytics.Minute)
	if err != nil {
		tb.Fatal(err)
	}
	return f
}

func TestFleetIsTheSameWhateverItsSize(t *testing.T) {
	small, large, again := mustFleet(t, 4, 23, 365), mustFleet(t, 4, 180, 365), mustFleet(t, 4, 180, 365)
	if !reflect.DeepEqual(large, again) {
		t.Error("the same arguments gave another fleet")
	}
	if !reflect.DeepEqual(small.Homes, large.Homes[:23]) {
		t.Error("a unit depends on the number of units")
	}
	if !reflect.DeepEqual(small.Sites, large.Sites[:len(small.Sites)]) {
		t.Error("a site depends on the number of units")
	}
	if other := mustFleet(t, 5, 23, 365); reflect.DeepEqual(other.Homes, small.Homes) {
		t.Error("another seed gave the same fleet")
	}
}

func TestFleetHangsTogether(t *testing.T) {
	for _, days := range []int{1, 20, 365, 2000} {
		t.Run(fmt.Sprint(days, " days"), func(t *testing.T) { checkFleet(t, mustFleet(t, 9, 300, days), days) })
	}
}

func checkFleet(t *testing.T, f *Fleet, days int) {
	sites, models, perSite := map[string]analytics.Site{}, map[string]bool{}, map[string]int{}
	terms := map[string]analytics.Terms{}
	for _, s := range f.Sites {
		sites[s.Name] = s
	}
	for _, m := range f.Models {
		models[m.Name] = true
	}
	for _, e := range f.Terms {
		if err := e.Life.Validate(); err != nil {
			t.Errorf("%s: %v", e.Name, err)
		}
		terms[e.Name] = e
	}
	collectorOf, serials := map[string]string{}, map[analytics.Serial]bool{}
	for _, h := range f.Homes {
		u := h.Unit
		perSite[u.Site]++
		_, known := sites[u.Site]
		if !known || !models[u.Model] || terms[u.Terms].Model != u.Model || serials[u.Serial] {
			t.Fatalf("%+v does not fit", u)
		}
		serials[u.Serial] = true
		if c := collectorOf[u.Site]; c != "" && c != h.Collector {
			t.Errorf("%s reports through %s and %s", u.Site, c, h.Collector)
		}
		collectorOf[u.Site] = h.Collector
		age := int(f.End.Day() - *u.Commissioned)
		if age < 1 || age > days || *u.Shipped >= *u.Commissioned || h.Config.Start >= f.End || h.Config.Start.Day() != *u.Commissioned {
			t.Errorf("%s: %d days old, starts at %v", u.Serial, age, h.Config.Start.Time())
		}
		if _, ok := ptr(terms[u.Terms]).WarrantyStart(u); !ok {
			t.Errorf("%s: no warranty start", u.Serial)
		}
	}
	for site, n := range perSite {
		if n > 3 {
			t.Errorf("%s has %d units", site, n)
		}
	}
	if len(perSite) != len(f.Sites) {
		t.Errorf("%d sites, %d in use", len(f.Sites), len(perSite))
	}
	if n := len(f.Collectors()); n < len(f.Sites)/sitesPerCollector || !slices.IsSorted(f.Collectors()[:min(n, 99)]) {
		t.Errorf("%d collectors for %d sites", n, len(f.Sites))
	}
}

func TestFleetRoles(t *testing.T) {
	count := map[Role]int{}
	for _, h := range mustFleet(t, 2, 200, 365).Homes {
		count[h.Role]++
	}
	want := map[Role]int{
		RoleHeavy: 12, RoleCold: 16, RoleSilent: 12, RoleGappy: 8, RoleNew: 8, RoleReset: 8, RoleStuck: 4, RoleOrdinary: 132,
	}
	if !reflect.DeepEqual(count, want) {
		t.Errorf("got %v, want %v", count, want)
	}
}

// TestFleetPace runs the demo's fleet and counts its pace apart from the
// ledger: warranted life spent over the share of the term that has passed.
func TestFleetPace(t *testing.T) {
	f := mustFleet(t, 1, 60, 365)
	ordinary, inRange := 0, 0
	for _, h := range f.Homes {
		pace, truth := paceOf(t, f, h)
		covered := 1 - float64(truth.Withheld)/float64(truth.Samples)
		switch h.Role {
		case RoleHeavy:
			if pace < 1.1 || pace > 1.6 {
				t.Errorf("%s is heavy with a pace of %.2f", h.Unit.Serial, pace)
			}
		case RoleGappy:
			if covered > 0.8 {
				t.Errorf("%s is gappy with %.0f %% covered", h.Unit.Serial, covered*100)
			}
		case RoleCold:
			if kwh := truth.ColdCharge.KWh(); kwh < 20 {
				t.Errorf("%s is cold with %.1f kWh charged in the cold", h.Unit.Serial, kwh)
			}
		case RoleSilent:
			if days := float64(f.End-truth.Fault(Silence).Since) / float64(analytics.DayLength); days < 9.9 || days > 40 {
				t.Errorf("%s is silent for %.1f days", h.Unit.Serial, days)
			}
		case RoleReset:
			if n := truth.Fault(CounterReset).Times; n != 3 {
				t.Errorf("%s had %d resets", h.Unit.Serial, n)
			}
		case RoleStuck:
			if truth.Fault(StuckSensor).Samples == 0 {
				t.Errorf("%s never stuck", h.Unit.Serial)
			}
		case RoleOrdinary:
			ordinary++
			if pace >= 0.4 && pace <= 0.95 {
				inRange++
			}
			if pace >= 1 || pace < 0.2 || covered < 0.95 || truth.ColdCharge != 0 {
				t.Errorf("%s is ordinary with a pace of %.2f, %.0f %% covered, %d mWh in the cold", h.Unit.Serial, pace, covered*100, truth.ColdCharge)
			}
		}
	}
	if inRange*10 < ordinary*8 {
		t.Errorf("%d of %d ordinary units have a pace from 0.4 to 0.95", inRange, ordinary)
	}
}

func paceOf(t *testing.T, f *Fleet, h Home) (float64, Truth) {
	b := mustNew(t, h.Config)
	var heard []analytics.SoC
	for b.due() <= f.End {
		if s := b.Next(); b.Heard() {
			heard = append(heard, s.SoC)
		}
	}
	i := slices.IndexFunc(f.Terms, func(e analytics.Terms) bool { return e.Name == h.Unit.Terms })
	terms := f.Terms[i]
	counted := halfCycles(heard)
	start := h.Unit.Commissioned.Start()
	passed := float64(f.End-start) / float64(terms.WarrantyEnd(*h.Unit.Commissioned).Start()-start)
	return terms.Life.Spent(&counted) / passed, b.Truth()
}

func TestFleetFeeds(t *testing.T) {
	f := mustFleet(t, 3, 30, 10)
	units := 0
	for _, collector := range f.Collectors() {
		feed, err := f.Feed(FeedConfig{Collector: collector, Until: f.End, CopyShare: 0.02, LateShare: 0.02})
		if err != nil {
			t.Fatal(err)
		}
		for _, ok := feed.Next(); ok; _, ok = feed.Next() {
		}
		truth := feed.Truth()
		units += len(truth.Units)
		var yielded int64
		for _, u := range truth.Units {
			yielded += u.Samples
		}
		if yielded != truth.Samples+truth.Withheld || truth.Samples == 0 {
			t.Errorf("%s: %d yielded, %d delivered, %d withheld", collector, yielded, truth.Samples, truth.Withheld)
		}
	}
	if units != 30 {
		t.Errorf("%d units in the feeds", units)
	}
	if _, err := f.Feed(FeedConfig{Collector: "c-00"}); err == nil {
		t.Error("a collector without homes gave a feed")
	}
}

func TestNewFleetRefusesNonsense(t *testing.T) {
	end := instant(2026, 1, 1, 0)
	for name, call := range map[string]func() (*Fleet, error){
		"no units":      func() (*Fleet, error) { return NewFleet(1, 0, end, 10, analytics.Minute) },
		"no days":       func() (*Fleet, error) { return NewFleet(1, 10, end, 0, analytics.Minute) },
		"no cadence":    func() (*Fleet, error) { return NewFleet(1, 10, end, 10, 0) },
		"a day between": func() (*Fleet, error) { return NewFleet(1, 10, end, 10, analytics.DayLength) },
	} {
		if f, err := call(); err == nil || f != nil {
			t.Errorf("%s: got %v, %v", name, f, err)
		}
	}
}
