package main

import (
	"context"
	"fmt"
	"log/slog"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/store"
	"fadeledger/web/access"
)

// demoNames are whom the demo signs in as, by role.
var demoNames = map[analytics.Role]string{
	analytics.RoleServiceManager: "Sanne, service manager",
	analytics.RoleInstaller:      "Ilya, installer",
	analytics.RoleOperations:     "Odile, operations",
	analytics.RoleAdministrator:  "Ada, administrator",
	analytics.RoleAuditor:        "Aurel, auditor",
}

// demoGate lets everybody in as an invented person, whose role is switched on
// the page.
func demoGate(ctx context.Context, db *store.DB, fleet *household.Fleet, log *slog.Logger) (*access.Gate, error) {
	people, err := demoPeople(analytics.WithPrincipal(ctx, analytics.Service("demo")), db, fleet)
	if err != nil {
		return nil, fmt.Errorf("invent people: %w", err)
	}
	gate, err := access.New(access.Config{
		Store: door{db}, Logger: log, Demo: people, DemoStart: analytics.RoleServiceManager, DemoProgram: analytics.RoleAdministrator,
	})
	if err != nil {
		return nil, fmt.Errorf("set up signing in: %w", err)
	}
	return gate, nil
}

// demoPeople makes one person of each role, once.
func demoPeople(ctx context.Context, db *store.DB, fleet *household.Fleet) (map[analytics.Role]int64, error) {
	people := map[analytics.Role]int64{}
	known, err := db.People(ctx)
	if err != nil {
		return nil, err
	}
	for _, p := range known {
		if p.Login == "demo-"+string(p.Role) {
			people[p.Role] = p.ID
		}
	}
	for _, role := range analytics.Roles {
		if people[role] != 0 {
			continue
		}
		p := analytics.Person{Login: "demo-" + string(role), Name: demoNames[role], Role: role}
		if role == analytics.RoleInstaller {
			p.Organisation = fleet.Sites[0].Installer
		}
		if p, err = db.AddPerson(ctx, p); err != nil {
			return nil, err
		}
		people[role] = p.ID
	}
	return people, nil
}

// bindFleet binds every unit to the collector of its home.
func bindFleet(ctx context.Context, db *store.DB, fleet *household.Fleet) error {
	ctx = analytics.WithPrincipal(ctx, analytics.Service("demo"))
	serials := map[string][]analytics.Serial{}
	for _, h := range fleet.Homes {
		serials[h.Collector] = append(serials[h.Collector], h.Unit.Serial)
	}
	for _, name := range fleet.Collectors() {
		if err := db.SetUp(ctx, analytics.Collector{Name: name, Taking: analytics.TakesBound}); err != nil {
			return fmt.Errorf("set up collector %s: %w", name, err)
		}
		if err := db.Bind(ctx, name, serials[name], true); err != nil {
			return fmt.Errorf("bind the units of %s: %w", name, err)
		}
	}
	return nil
}
