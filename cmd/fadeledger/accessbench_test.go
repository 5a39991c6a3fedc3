package main

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/store"
	"fadeledger/store/storetest"
	"fadeledger/web"
	"fadeledger/web/access"
)

// BenchmarkCostOfAccess measures what signing in, roles and row-level security
// cost: the same work with them and without, turn by turn in one run. A ratio of
// 1.1 says that it takes a tenth longer with them.
func BenchmarkCostOfAccess(b *testing.B) {
	b.Run("ingest", func(b *testing.B) {
		url, _ := storetest.Alone(b, nil)
		fleet, err := household.NewFleet(1, benchUnits, analytics.Instant(1780272000000), benchDays, analytics.Minute)
		if err != nil {
			b.Fatal(err)
		}
		var with, without float64
		for i := range b.N {
			// The second of two finds the machine warm: each comes first as often.
			for _, bounded := range []bool{i%2 == 0, i%2 != 0} {
				_, perSecond := endToEnd(b, url, fleet, 60, bounded)
				if bounded {
					with += 1 / perSecond
				} else {
					without += 1 / perSecond
				}
			}
		}
		b.ReportMetric(with/without, "×without")
	})
	for _, role := range []analytics.Role{analytics.RoleServiceManager, analytics.RoleInstaller} {
		b.Run("fleet page/"+string(role), func(b *testing.B) { fleetPages(b, role) })
	}
}

// fleetPages asks for the fleet page of 2,000 units, half of them of the
// installer's organisation.
func fleetPages(b *testing.B, role analytics.Role) {
	const units = 2000
	ctx := asConsole(b.Context())
	url := storetest.Database(b)
	owner, err := store.Open(ctx, url, discard())
	if err != nil {
		b.Fatal(err)
	}
	defer owner.Close()
	bounded, err := store.OpenAs(ctx, url, discard(), store.ForWeb)
	if err != nil {
		b.Fatal(err)
	}
	defer bounded.Close()
	r := store.Registration{Models: household.Models(), Terms: household.EditionsOfTerms(),
		Sites: []analytics.Site{{Name: "s-1", Installer: "Kestrel"}, {Name: "s-2", Installer: "Merlin"}}}
	for i := range units {
		r.Units = append(r.Units, analytics.Unit{Serial: analytics.Serial(fmt.Sprintf("HB5-%06d", i)), Model: "HB-5", Terms: "HB-5 home 2026", Site: fmt.Sprintf("s-%d", 1+i%2)})
	}
	if _, err := owner.Register(ctx, r); err != nil {
		b.Fatal(err)
	}
	for {
		n, err := owner.RefreshStandings(ctx, analytics.Hour)
		if err != nil {
			b.Fatal(err)
		}
		if n == 0 {
			break
		}
	}
	person := analytics.Person{Login: "someone", Name: "Someone", Role: role}
	if role == analytics.RoleInstaller {
		person.Organisation = "Kestrel"
	}
	if person, err = bounded.AddPerson(ctx, person); err != nil {
		b.Fatal(err)
	}
	gate, err := access.New(access.Config{Store: door{bounded}, Logger: discard(), Demo: map[analytics.Role]int64{role: person.ID}, DemoStart: role})
	if err != nil {
		b.Fatal(err)
	}
	with, err := web.New(web.Config{Ledger: bounded, Gate: gate, Trail: bounded})
	if err != nil {
		b.Fatal(err)
	}
	without, err := web.New(web.Config{Ledger: owner, As: person.Principal()})
	if err != nil {
		b.Fatal(err)
	}
	cookies := ask(b, with, nil).Result().Cookies()
	var took [2][]time.Duration
	for range max(b.N, 50) {
		for i, h := range []http.Handler{without, with} {
			began := time.Now()
			if got := ask(b, h, cookies); got.Code != http.StatusOK {
				b.Fatalf("fleet page: %d", got.Code)
			}
			took[i] = append(took[i], time.Since(began))
		}
		// The limit on requests of one person is not what is measured.
		time.Sleep(20 * time.Millisecond)
	}
	b.ReportMetric(middle(took[1])/middle(took[0]), "×without")
	b.ReportMetric(middle(took[1])*1000, "ms/page")
}

func ask(b *testing.B, h http.Handler, cookies []*http.Cookie) *httptest.ResponseRecorder {
	b.Helper()
	req := httptest.NewRequest(http.MethodGet, "/", nil)
	for _, c := range cookies {
		req.AddCookie(c)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, req)
	return w
}

// middle gives the median in seconds.
func middle(times []time.Duration) float64 {
	slices.Sort(times)
	return times[len(times)/2].Seconds()
}
