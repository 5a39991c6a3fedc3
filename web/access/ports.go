package access

import (
	"context"

	"fadeledger/analytics"
)

// Store keeps what signing in needs. It is asked as nobody or as somebody, and
// gives the same answer. Secrets come as SHA-256 hashes of theirs.
type Store interface {
	// BeginSignIn counts an attempt for a login, before its password is looked
	// at, and gives what the password is compared with. A login that is not
	// known, and a disabled person's, give an attempt without a person; they
	// count and wait as any.
	BeginSignIn(ctx context.Context, login string) (Attempt, error)
	// EndSignIn notes a success: the login's attempts begin anew.
	EndSignIn(ctx context.Context, person int64) error
	// SignedIn gives a person who may be signed in; analytics.ErrNotFound
	// where there is none or it is disabled.
	SignedIn(ctx context.Context, person int64) (analytics.Person, error)
	// PersonByIdentity finds whom an identity provider vouches for. A person
	// with that email who has no identity yet is linked; the email must be
	// verified by the provider, or empty. analytics.ErrNotFound: nobody.
	PersonByIdentity(ctx context.Context, issuer, subject, email string) (analytics.Person, error)
	// SetPassword keeps the hash of a password and writes the trail; sessions
	// of the person other than keep end (0 keeps none).
	SetPassword(ctx context.Context, person int64, hash string, keep int64) error

	// AnyAdministrator reports whether somebody can manage people.
	AnyAdministrator(ctx context.Context) (bool, error)
	// AddFirstCode replaces codes for the first administrator.
	AddFirstCode(ctx context.Context, hash [32]byte, c analytics.Code) error
	// Code gives a code that can be used; analytics.ErrNotFound where it is
	// not known, used or over.
	Code(ctx context.Context, hash [32]byte) (analytics.Code, error)
	// UseCode uses a code up, sets the password of whom it is for and writes the
	// trail: with CodeFirst of a new administrator with first's login and name. It is done
	// once, however often it is tried at once. analytics.ErrNotFound as Code;
	// analytics.ErrConflict where the login is taken.
	UseCode(ctx context.Context, hash [32]byte, first analytics.Person, password string) (analytics.Person, error)

	// SaveSession keeps a session under the hash of its token. One with an ID
	// was found before and is only changed: where it has ended meanwhile,
	// nothing is kept, so that a request under way cannot bring it back.
	SaveSession(ctx context.Context, hash [32]byte, s analytics.Session, data []byte) error
	// FindSession gives the data of a session that is not over, nil for none.
	FindSession(ctx context.Context, hash [32]byte) (id int64, data []byte, err error)
	DropSession(ctx context.Context, hash [32]byte) error

	// TokenByHash gives a token that is neither revoked nor over, and notes
	// that it was used; analytics.ErrNotFound.
	TokenByHash(ctx context.Context, hash [32]byte) (analytics.Token, error)

	// Record appends to the trail what the principal of the context did.
	Record(ctx context.Context, deed analytics.Deed, object, detail string) error
}

// Rehasher is a Store that can keep a password by another hash of it, which
// costs more work. With a Store that cannot, hashes stay as they are until the
// password is changed.
type Rehasher interface {
	// RenewHash keeps new in the place of old and changes nothing else: no
	// session ends and the password is the same. Where old is not kept any more
	// it does nothing.
	RenewHash(ctx context.Context, person int64, old, new string) error
}

// Attempt is what a password is compared with.
type Attempt struct {
	// Person is zero where nobody can sign in by that login.
	Person analytics.Person
	// PasswordHash is empty where there is no password.
	PasswordHash string
	// WaitUntil: nothing is compared before this; zero to go on.
	WaitUntil analytics.Instant
}
