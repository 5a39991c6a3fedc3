package analytics

import "crypto/sha256"

// Deed is what a principal did, as the trail tells it.
type Deed string

// Deeds.
const (
	DeedSaw        Deed = "saw"
	DeedExported   Deed = "exported"
	DeedSignedIn   Deed = "signed-in"
	DeedSignedOut  Deed = "signed-out"
	DeedRefused    Deed = "was-refused"
	DeedRegistered Deed = "registered"
	DeedCorrected  Deed = "corrected"
	DeedReleased   Deed = "released"
	DeedCleared    Deed = "cleared-alarm"
	DeedSet        Deed = "set"
	DeedInvited    Deed = "invited"
	DeedChanged    Deed = "changed"
	DeedDisabled   Deed = "disabled"
	DeedRevoked    Deed = "revoked"
	DeedApproved   Deed = "approved"
)

// TrailEntry is one line of the trail of who saw and changed what. Entries are
// never changed or removed; each is chained to the one before by its hash.
type TrailEntry struct {
	// Number counts from 1 without holes.
	Number int64
	At     Instant
	// Who is the principal's name, Kind what it is.
	Who          string
	Kind         PrincipalKind
	Role         Role
	Organisation string
	Address      string
	Deed         Deed
	// Object is what it was done to: a kind, a blank and a name, such as
	// "unit KL-0042"; Detail says more, such as what changed.
	Object string
	Detail string
	// Body is the entry as it was hashed: canonical JSON (RFC 8785).
	Body string
	// Previous is the hash of the entry before, zeros for the first; Hash is
	// this one's.
	Previous, Hash [32]byte
}

// ChainHash gives the hash of an entry: SHA-256 over the byte 1, the hash of
// the entry before, and the entry's canonical JSON, which holds its number.
func ChainHash(previous [32]byte, body []byte) [32]byte {
	b := make([]byte, 0, 1+len(previous)+len(body))
	b = append(b, 1)
	b = append(b, previous[:]...)
	b = append(b, body...)
	return sha256.Sum256(b)
}

// TrailHead is the end of the trail. Kept elsewhere, it shows later whether the
// trail was cut or written anew.
type TrailHead struct {
	Number int64
	Hash   [32]byte
}

// TrailCheck says what a look through the trail found.
type TrailCheck struct {
	Head    TrailHead
	Entries int64
	// Faults are the first mistakes in words, none where all is well.
	Faults []string
}

// TrailFilter chooses entries, the newest first.
type TrailFilter struct {
	// Who, Deed and Object choose entries, each empty for all; Object chooses
	// those whose object begins with it.
	Who    string
	Deed   Deed
	Object string
	// Before: entries with a lower number than this, 0 for the newest.
	Before int64
	Limit  int
}
