package analytics

import (
	"context"
	"errors"
	"slices"
)

// ErrDenied: whoever asks may not do that. Where the thing itself may not be
// seen either, ErrNotFound is given instead.
var ErrDenied = errors.New("not allowed")

// Role is what a person is here for.
type Role string

// The roles.
const (
	RoleServiceManager Role = "service-manager"
	RoleInstaller      Role = "installer"
	RoleOperations     Role = "operations"
	RoleAdministrator  Role = "administrator"
	RoleAuditor        Role = "auditor"
)

// Roles lists every role.
var Roles = []Role{RoleServiceManager, RoleInstaller, RoleOperations, RoleAdministrator, RoleAuditor}

// Right is one kind of thing that somebody may do.
type Right string

// The rights.
const (
	// RightSeeUnits: fleet, units, ledgers, samples, exports, sites and stacks,
	// within an organisation its own alone; models and editions of terms.
	RightSeeUnits Right = "see-units"
	// RightSeeIngest: deliveries, quarantine, alarms, collectors, figures for
	// monitoring.
	RightSeeIngest Right = "see-ingest"
	// RightRelease: bring rows back from quarantine, clear alarms.
	RightRelease Right = "release"
	// RightCorrect: settle disputes and make corrections.
	RightCorrect Right = "correct"
	// RightRegister: models, terms, sites, stacks, units.
	RightRegister Right = "register"
	// RightCollect: collectors, their profiles, logins and bindings.
	RightCollect Right = "set-up-collectors"
	// RightDeliver: hand in telemetry; a token may be held to one collector.
	RightDeliver Right = "deliver"
	// RightPeople: people, invitations, tokens.
	RightPeople Right = "manage-people"
	// RightTrail: read who saw and changed what.
	RightTrail Right = "read-trail"
)

// Rights lists every right.
var Rights = []Right{
	RightSeeUnits, RightSeeIngest, RightRelease, RightCorrect, RightRegister, RightCollect, RightDeliver, RightPeople, RightTrail,
}

// rightsOf is what each role may do.
var rightsOf = map[Role][]Right{
	RoleServiceManager: {RightSeeUnits, RightSeeIngest, RightRelease, RightCorrect, RightDeliver},
	RoleInstaller:      {RightSeeUnits},
	RoleOperations:     {RightSeeUnits, RightSeeIngest, RightRelease, RightRegister, RightCollect, RightDeliver},
	RoleAdministrator:  Rights,
	RoleAuditor:        {RightSeeUnits, RightSeeIngest, RightTrail},
}

// RightsOf gives what a role may do, nothing for a role that there is not.
func RightsOf(role Role) []Right { return slices.Clone(rightsOf[role]) }

// PrincipalKind tells people from machines.
type PrincipalKind string

// Kinds of principals.
const (
	// KindPerson is somebody who signed in.
	KindPerson PrincipalKind = "person"
	// KindToken is a machine with a token.
	KindToken PrincipalKind = "token"
	// KindService is the service itself and whoever has its database.
	KindService PrincipalKind = "service"
)

// Principal is who asks for something. The zero value is nobody, who may do
// nothing.
type Principal struct {
	Kind PrincipalKind
	// ID is the person's or the token's, 0 for the service.
	ID int64
	// Name is how the trail calls it: a person's login, a token's name.
	Name string
	// Role is a person's.
	Role Role
	// Organisation, if not empty, bounds what is seen to the sites of that
	// installer.
	Organisation string
	// Granted are a token's rights.
	Granted []Right
	// Collector, if not empty, is the only one that a token delivers as.
	Collector string
	// Address is where the request came from.
	Address string
}

// Service is the principal of the service's own work, such as counting.
func Service(name string) Principal { return Principal{Kind: KindService, Name: name} }

// Nobody reports whether it is not known who asks.
func (p Principal) Nobody() bool { return p.Kind == "" }

// May reports whether the principal has a right. An installer's person without
// an organisation has none, so that a mistake shows nothing instead of
// everything.
func (p Principal) May(right Right) bool {
	switch p.Kind {
	case KindService:
		return true
	case KindToken:
		return slices.Contains(p.Granted, right)
	case KindPerson:
		if p.Role == RoleInstaller && p.Organisation == "" {
			return false
		}
		return slices.Contains(rightsOf[p.Role], right)
	}
	return false
}

type principalKey struct{}

// WithPrincipal gives a context that carries who asks.
func WithPrincipal(ctx context.Context, p Principal) context.Context {
	return context.WithValue(ctx, principalKey{}, p)
}

// PrincipalOf gives who asks, nobody where the context does not say.
func PrincipalOf(ctx context.Context) Principal {
	p, _ := ctx.Value(principalKey{}).(Principal)
	return p
}

// Person is somebody who may sign in.
type Person struct {
	ID int64
	// Login is what is typed to sign in, unique without regard to case.
	Login string
	Name  string
	// Email links the person to an identity provider, empty for none.
	Email string
	Role  Role
	// Organisation is an installer's, as sites name it.
	Organisation string
	// HasPassword, HasIdentity: how the person can sign in.
	HasPassword, HasIdentity bool
	CreatedAt                Instant
	LastSignIn               *Instant
	DisabledAt               *Instant
	// WaitsUntil: after wrong passwords no sign-in is tried before this.
	WaitsUntil *Instant
}

// Principal gives the person as who asks.
func (p *Person) Principal() Principal {
	return Principal{Kind: KindPerson, ID: p.ID, Name: p.Login, Role: p.Role, Organisation: p.Organisation}
}

// Session is a browser that a person is signed in with.
type Session struct {
	// ID names it for ending it; it is not the secret.
	ID        int64
	Person    int64
	StartedAt Instant
	SeenAt    Instant
	ExpiresAt Instant
	Address   string
	// Agent is what the browser calls itself.
	Agent string
}

// CodeKind is what a one-time code is for.
type CodeKind string

// Kinds of one-time codes.
const (
	// CodeFirst makes the first administrator.
	CodeFirst CodeKind = "first"
	// CodeInvitation lets an invited person choose a password.
	CodeInvitation CodeKind = "invitation"
	// CodeRecovery lets a person who forgot it choose a new one.
	CodeRecovery CodeKind = "recovery"
)

// Code is a one-time code as it is kept: without its secret.
type Code struct {
	Kind CodeKind
	// Person is whom it is for; its zero value with CodeFirst.
	Person    Person
	MadeBy    string
	CreatedAt Instant
	ExpiresAt Instant
}

// Token is what a machine shows to be let in, without its secret.
type Token struct {
	ID   int64
	Name string
	// Rights is what it may do.
	Rights []Right
	// Organisation bounds what it sees, Collector what it delivers as; both
	// may be empty.
	Organisation string
	Collector    string
	MadeBy       string
	CreatedAt    Instant
	ExpiresAt    Instant
	LastUsedAt   *Instant
	RevokedAt    *Instant
}

// Principal gives the token as who asks.
func (t *Token) Principal() Principal {
	return Principal{Kind: KindToken, ID: t.ID, Name: t.Name, Organisation: t.Organisation, Granted: t.Rights, Collector: t.Collector}
}
