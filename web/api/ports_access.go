package api

import (
	"context"

	"fadeledger/analytics"
)

// Registry shows and changes what is registered. Files are keyed as in
// Registrar.
type Registry interface {
	// Plan says what a registration would change, and what is wrong with it.
	// Nothing is changed.
	Plan(ctx context.Context, files map[string][]byte) (analytics.Plan, []Problem, error)
	// Apply registers files as planned. analytics.ErrConflict: what the plan
	// rests on has changed since; plan again.
	Apply(ctx context.Context, files map[string][]byte, mark string) (Registration, error)
	Models(ctx context.Context) ([]analytics.Model, error)
	Terms(ctx context.Context) ([]analytics.Terms, error)
	// Sites gives those whose names come after a name, in ascending order.
	Sites(ctx context.Context, after string, limit int) ([]SiteRow, error)
	Site(ctx context.Context, name string) (analytics.Site, []analytics.Unit, error)
	// Stack gives the units of a stack in order of their position.
	// analytics.ErrNotFound: there are none.
	Stack(ctx context.Context, name string) ([]analytics.Unit, error)
	// RegisteredUnit gives a unit as it is registered.
	RegisteredUnit(ctx context.Context, serial analytics.Serial) (analytics.Unit, error)
	// File writes what is registered as models.yaml, sites.csv or units.csv.
	File(ctx context.Context, name string) ([]byte, error)
}

// SiteRow is a site in a list.
type SiteRow struct {
	analytics.Site
	Units, Stacks int64
}

// Collectors shows and sets up collectors.
type Collectors interface {
	Collectors(ctx context.Context) ([]analytics.Collector, error)
	Collector(ctx context.Context, name string) (analytics.Collector, error)
	// SetUp sets what a collector may deliver: Name, Taking and Prefixes.
	SetUp(ctx context.Context, c analytics.Collector) error
	// Profile gives the collector's profile, empty for the plain contract.
	Profile(ctx context.Context, collector string) ([]byte, error)
	// Bind binds units to a collector, or lets them go. analytics.ErrNotFound
	// names a serial that is not registered.
	Bind(ctx context.Context, collector string, serials []analytics.Serial, bind bool) error
	// Bound gives the serials bound to a collector after a serial.
	Bound(ctx context.Context, collector string, after analytics.Serial, limit int) ([]analytics.Serial, error)
	// Asking gives the units that collectors ask to be bound to.
	Asking(ctx context.Context, limit int) ([]analytics.Binding, error)
	// Decide approves or refuses what collectors ask for. Approved samples
	// are released from quarantine.
	Decide(ctx context.Context, collector string, serials []analytics.Serial, approve bool) error
	// AddLogin makes a login for the broker; its password is told this once.
	AddLogin(ctx context.Context, collector string) (login analytics.CollectorLogin, password string, err error)
	// DropLogin ends a login and its connections.
	DropLogin(ctx context.Context, user string) error
}

// People manages who may sign in and which machines are let in. Secrets come
// and go as SHA-256 hashes.
type People interface {
	People(ctx context.Context) ([]analytics.Person, error)
	// Person: analytics.ErrNotFound.
	Person(ctx context.Context, id int64) (analytics.Person, error)
	// AddPerson adds somebody who cannot sign in yet. analytics.ErrConflict:
	// the login or email is taken.
	AddPerson(ctx context.Context, p analytics.Person) (analytics.Person, error)
	// ChangePerson sets name, email, role and organisation. analytics.ErrConflict
	// too where it would leave no administrator.
	ChangePerson(ctx context.Context, p analytics.Person) error
	// DisablePerson ends all sessions, too. analytics.ErrConflict where it would
	// leave no administrator.
	DisablePerson(ctx context.Context, id int64, disable bool) error
	// AddCode keeps a one-time code; an earlier one of the person's ends.
	AddCode(ctx context.Context, hash [32]byte, c analytics.Code) error
	Sessions(ctx context.Context, person int64) ([]analytics.Session, error)
	// EndSessions ends a person's sessions: the one with an id, or all but
	// those whose id is keep with id 0.
	EndSessions(ctx context.Context, person, id, keep int64) error
	// Organisations gives the installers that sites name.
	Organisations(ctx context.Context) ([]string, error)
	Tokens(ctx context.Context) ([]analytics.Token, error)
	AddToken(ctx context.Context, hash [32]byte, t analytics.Token) (analytics.Token, error)
	// RevokeToken: analytics.ErrNotFound where there is none that is valid.
	RevokeToken(ctx context.Context, id int64) error
}

// Trail reads and writes who saw and changed what. What changes something is
// recorded by the port that changes it, in the same transaction.
type Trail interface {
	// Record appends what the principal of the context did.
	Record(ctx context.Context, deed analytics.Deed, object, detail string) error
	Trail(ctx context.Context, f analytics.TrailFilter) ([]analytics.TrailEntry, error)
	// TrailEntries yields all entries in ascending order from a number on.
	TrailEntries(ctx context.Context, from int64, yield func(analytics.TrailEntry) error) error
	// CheckTrail adds the whole chain up again; heads are ends of the trail
	// that were noted earlier.
	CheckTrail(ctx context.Context, heads []analytics.TrailHead) (analytics.TrailCheck, error)
}
