package store

import (
	"context"
	"fmt"
	"log/slog"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"fadeledger/analytics"
)

// As says whose work a DB is opened for: which role of Postgres its connections
// turn into.
type As string

const (
	// AsConnected keeps the role that the address names: the owner's, for
	// migrations, the console and tests.
	AsConnected As = ""
	// ForWorker counts: it reads and writes the ledgers of all units, and
	// nothing of people.
	ForWorker As = "worker"
	// ForWeb turns into a role by the principal of each call's context, so that
	// Postgres itself keeps an organisation to its own rows. Without a
	// principal it reads only what signing in needs.
	ForWeb As = "web"
)

// The roles that the migrations make.
const (
	roleWeb           = "fadeledger_web"
	roleWorker        = "fadeledger_worker"
	roleInstaller     = "fadeledger_installer"
	roleAuditor       = "fadeledger_auditor"
	roleStaff         = "fadeledger_staff"
	roleAdministrator = "fadeledger_administrator"
)

// scope is what a connection is turned into: a role and, for an installer, the
// organisation whose rows it sees.
type scope struct{ role, organisation string }

// scopeOf gives what a principal's connection is turned into.
func scopeOf(p analytics.Principal) scope {
	switch {
	case p.Nobody():
		return scope{role: roleWeb}
	case p.Role == analytics.RoleInstaller, p.Organisation != "":
		// Without an organisation it sees nothing.
		return scope{roleInstaller, p.Organisation}
	case p.Kind == analytics.KindService, p.May(analytics.RightPeople):
		return scope{role: roleAdministrator}
	case slices.ContainsFunc(writing, p.May):
		return scope{role: roleStaff}
	case p.May(analytics.RightSeeUnits), p.May(analytics.RightSeeIngest), p.May(analytics.RightTrail):
		return scope{role: roleAuditor}
	}
	// A token that only delivers.
	return scope{role: roleWeb}
}

// writing are the rights that change the ledger or what is registered.
var writing = []analytics.Right{analytics.RightRelease, analytics.RightCorrect, analytics.RightRegister, analytics.RightCollect}

type scopeKey struct{}

// asDoor has what follows done by the role that signing in needs, whoever asks.
func asDoor(ctx context.Context) context.Context {
	return context.WithValue(ctx, scopeKey{}, scope{role: roleWeb})
}

// asKeeper has upkeep done that anybody's question may call for, such as
// counting anew a unit that has been found to be theirs.
func asKeeper(ctx context.Context) context.Context {
	return context.WithValue(ctx, scopeKey{}, scope{role: roleStaff})
}

// asCollector has what follows read for a token that delivers for one collector
// and sees nothing else: it may ask what became of those deliveries. own is that
// collector, which whoever calls holds the answer to; empty for everybody else,
// who asks as they are.
func asCollector(ctx context.Context) (asked context.Context, own string) {
	p := analytics.PrincipalOf(ctx)
	if p.Kind != analytics.KindToken || p.Collector == "" || !p.May(analytics.RightDeliver) || scopeOf(p).role != roleWeb {
		return ctx, ""
	}
	return context.WithValue(ctx, scopeKey{}, scope{role: roleAuditor}), p.Collector
}

// scoped keeps in a connection's data what it is turned into.
const scoped = "fadeledger.scope"

// turn has connections turn into the role that they are for, when they are
// taken from the pool. It costs a round trip only where the role changes.
func turn(config *pgxpool.Config, as As) {
	if as == AsConnected {
		return
	}
	config.PrepareConn = func(ctx context.Context, conn *pgx.Conn) (bool, error) {
		want := scope{role: roleWorker}
		if as == ForWeb {
			want = scopeOf(analytics.PrincipalOf(ctx))
			if s, ok := ctx.Value(scopeKey{}).(scope); ok {
				want = s
			}
		}
		data := conn.PgConn().CustomData()
		if data[scoped] == want {
			return true, nil
		}
		delete(data, scoped)
		if _, err := conn.Exec(ctx, `SELECT set_config('role', $1, false), set_config('fadeledger.organisation', $2, false)`,
			want.role, want.organisation); err != nil {
			return false, fmt.Errorf("turn into %s: %w", want.role, err)
		}
		data[scoped] = want
		return true, nil
	}
}

// Limited reports whether a pool's connections sign in as a role that may not
// change the schema.
func Limited(ctx context.Context, pool *pgxpool.Pool) (limited bool, err error) {
	err = pool.QueryRow(ctx, `SELECT session_user IN ('fadeledger_web', 'fadeledger_worker')`).Scan(&limited)
	return limited, err
}

// OpenAs is Open for the work of a worker or of the web.
func OpenAs(ctx context.Context, url string, log *slog.Logger, as As) (*DB, error) {
	return open(ctx, url, log, as)
}
