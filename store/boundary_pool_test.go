package store_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store"
)

// checkAConnectionForgetsWhoseItWas: many ask at once by two connections. Some
// break off in the middle of a transaction, some make errors.
func checkAConnectionForgetsWhoseItWas(t *testing.T, b bounds) {
	holdAllBut(t, b.web, 2)
	type asker struct {
		principal          analytics.Principal
		role, organisation string
		units              string
	}
	const all = "KL-M1 KL-N1 KL-N2 KL-S1 KL-S2 KL-X1 KL-Y1"
	askers := []asker{
		{installerN, "fadeledger_installer", north, "KL-M1 KL-N1 KL-N2"},
		{installerS, "fadeledger_installer", south, "KL-S1 KL-S2"},
		{tokenS, "fadeledger_installer", south, "KL-S1 KL-S2"},
		{installerOfNobody, "fadeledger_installer", "", ""},
		{installerOfOther, "fadeledger_installer", installerOfOther.Organisation, ""},
		{auditor, "fadeledger_auditor", "", all},
		{operations, "fadeledger_staff", "", all},
		{administrator, "fadeledger_administrator", "", all},
		{analytics.Principal{}, "fadeledger_web", "", "refused"},
	}
	const goroutines, rounds = 24, 40
	var wg sync.WaitGroup
	for g := range goroutines {
		wg.Go(func() {
			rng := rand.New(rand.NewPCG(uint64(g), 7))
			for range rounds {
				a := askers[rng.IntN(len(askers))]
				ctx := as(a.principal)
				switch rng.IntN(4) {
				case 0: // breaks off while a statement runs
					short, cancel := context.WithTimeout(ctx, time.Duration(rng.IntN(3000))*time.Microsecond)
					_, _ = b.web.Pool().Exec(short, `SELECT pg_sleep(0.002)`)
					cancel()
				case 1: // an error within a transaction
					err := pgx.BeginFunc(ctx, b.web.Pool(), func(tx pgx.Tx) error {
						_, err := tx.Exec(ctx, `SELECT 1 / 0`)
						return err
					})
					if err == nil {
						t.Error("no error")
					}
				}
				var role, organisation string
				if err := b.web.Pool().QueryRow(ctx, `SELECT current_user::text, coalesce(current_setting('fadeledger.organisation', true), '')`).
					Scan(&role, &organisation); err != nil || role != a.role || organisation != a.organisation {
					t.Errorf("%s asks as %s of %q, want %s of %q, %v", a.principal.Name, role, organisation, a.role, a.organisation, err)
				}
				if got := unitsSeen(b.web, ctx); got != a.units {
					t.Errorf("%s sees %q, want %q", a.principal.Name, got, a.units)
				}
			}
		})
	}
	wg.Wait()
}

// holdAllBut keeps all connections of a pool but some for itself.
func holdAllBut(t *testing.T, db *store.DB, left int32) {
	t.Helper()
	for range db.Pool().Config().MaxConns - left {
		c, err := db.Pool().Acquire(nobody)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(c.Release)
	}
}

// unitsSeen lists the serials of all units in order.
func unitsSeen(db *store.DB, ctx context.Context) string {
	page, err := db.Units(ctx, analytics.UnitFilter{Sort: analytics.SortSerial})
	if errors.Is(err, analytics.ErrDenied) {
		return "refused"
	}
	if err != nil {
		return err.Error()
	}
	var serials []string
	for _, u := range page.Units {
		serials = append(serials, string(u.Serial))
	}
	return strings.Join(serials, " ")
}

// checkPartitionsAreNotReadDirectly: rows of a table are kept from installers,
// and the tables that it consists of must not give them away.
func checkPartitionsAreNotReadDirectly(t *testing.T, b bounds) {
	// One that is made by staff, whose correction needs it.
	if err := b.web.EnsurePartitions(as(operations), noon.Day()+30, noon.Day()+30); err != nil {
		t.Fatal(err)
	}
	_, partitions := b.tables(t)
	filled := 0
	for _, name := range partitions {
		if number(t, b.owner, `SELECT count(*) FROM `+name) > 0 {
			filled++
		}
		for _, a := range b.everybody() {
			if a.name == "worker" {
				continue
			}
			if _, err := a.db.Pool().Exec(a.ctx, `SELECT FROM `+name); !denied(err) {
				t.Errorf("%s reads %s: %v", a.name, name, err)
			}
		}
	}
	if filled == 0 || len(partitions) < 3 {
		t.Errorf("%d of %d partitions hold something: nothing is shown", filled, len(partitions))
	}
	if n := len(asked{"north's installer", b.web, as(installerN)}.sees(t, "sample_run")); n == 0 {
		t.Error("an installer's own runs are not seen by the whole table")
	}
}

// checkRolesCannotLeaveTheirBounds: what a connection of the web has turned into
// gives it no other way around the boundary.
func checkRolesCannotLeaveTheirBounds(t *testing.T, b bounds) {
	for _, role := range []string{"web", "installer", "auditor", "staff", "administrator", "worker"} {
		for _, statement := range []string{
			`ALTER TABLE unit DISABLE ROW LEVEL SECURITY`, `ALTER TABLE unit OWNER TO fadeledger_` + role, `DROP POLICY organisation ON unit`,
			`CREATE POLICY mine ON unit USING (true)`, `CREATE TABLE mine (x int)`, `CREATE FUNCTION public.mine() RETURNS int LANGUAGE sql RETURN 1`,
			`CREATE OR REPLACE FUNCTION seen_organisation() RETURNS text LANGUAGE sql STABLE RETURN 'x'`,
			`CREATE ROLE mine`, `ALTER ROLE fadeledger_installer BYPASSRLS`,
			`COPY (SELECT 1) TO PROGRAM 'true'`, `SELECT pg_read_file('PG_VERSION')`,
		} {
			if err := asRole(b.owner, "fadeledger_"+role, statement); err == nil {
				t.Errorf("%s may: %s", role, statement)
			}
		}
	}
	for _, role := range []string{"installer", "staff", "worker"} {
		// Who may not grant is only warned.
		if err := asRole(b.owner, "fadeledger_"+role, `GRANT SELECT ON unit TO PUBLIC`); err != nil {
			t.Error(err)
		}
	}
	if n := number(t, b.owner, `SELECT count(*) FROM information_schema.role_table_grants WHERE grantee = 'PUBLIC' AND table_schema = 'public'`); n != 0 {
		t.Errorf("%d things are granted to everybody", n)
	}
	if n := number(t, b.owner, `SELECT count(*) FROM pg_roles WHERE rolname LIKE 'fadeledger\_%' AND (rolsuper OR rolcreaterole OR rolcreatedb OR rolreplication)`); n != 0 {
		t.Errorf("%d roles have more than they need", n)
	}
	for _, role := range []string{"fadeledger_web", "fadeledger_installer", "fadeledger_auditor"} {
		if n := number(t, b.owner, fmt.Sprintf(`SELECT count(*) FROM pg_roles WHERE rolname = '%s' AND rolbypassrls`, role)); n != 0 {
			t.Errorf("%s passes the boundary by", role)
		}
	}
}
