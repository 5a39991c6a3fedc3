package access

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/crypto/argon2"
	"golang.org/x/text/unicode/norm"
)

// parameters are how much work a hash costs.
type parameters struct {
	// memory is in KiB.
	memory, passes uint32
	lanes          uint8
}

// ownParameters are those of new hashes: 19 MiB, two passes, one lane (the
// recommendation of the OWASP cheat sheet on password storage, from memory).
// Hashes carry theirs, so that these can be raised.
func ownParameters() parameters { return parameters{memory: 19 * 1024, passes: 2, lanes: 1} }

// Sizes in bytes, and the most work that a stored hash may ask for.
const (
	saltSize, keySize = 16, 32
	leastPart         = 8
	mostPart          = 64
	mostMemory        = 256 * 1024
	mostPasses        = 32
	mostLanes         = 16
)

// phc is an argon2id hash, written as a PHC string such as
// $argon2id$v=19$m=19456,t=2,p=1$SALT$KEY with unpadded base64.
type phc struct {
	parameters
	salt, key []byte
}

// String writes the hash.
func (h phc) String() string {
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s",
		argon2.Version, h.memory, h.passes, h.lanes, b64.EncodeToString(h.salt), b64.EncodeToString(h.key))
}

var errPHC = errors.New("not an argon2id hash that is taken")

// parsePHC reads what String writes, and nothing else: no other order, no
// leading zeros, no work beyond bounds.
func parsePHC(text string) (phc, error) {
	parts := strings.Split(text, "$")
	if len(text) > 512 || len(parts) != 6 {
		return phc{}, errPHC
	}
	settings := strings.Split(parts[3], ",")
	if len(settings) != 3 {
		return phc{}, errPHC
	}
	var numbers [3]uint32
	for i, name := range []string{"m=", "t=", "p="} {
		digits, ok := strings.CutPrefix(settings[i], name)
		n, err := strconv.ParseUint(digits, 10, 32)
		if !ok || err != nil {
			return phc{}, errPHC
		}
		numbers[i] = uint32(n)
	}
	m, t, p := numbers[0], numbers[1], numbers[2]
	if p < 1 || p > mostLanes || t < 1 || t > mostPasses || m < 8*p || m > mostMemory {
		return phc{}, errPHC
	}
	h := phc{parameters: parameters{memory: m, passes: t, lanes: uint8(p)}}
	for i, into := range []*[]byte{&h.salt, &h.key} {
		b, err := base64.RawStdEncoding.Strict().DecodeString(parts[4+i])
		if err != nil || len(b) < leastPart || len(b) > mostPart {
			return phc{}, errPHC
		}
		*into = b
	}
	if h.String() != text {
		return phc{}, errPHC
	}
	return h, nil
}

// weakerThan reports whether the hash is to be made anew.
func (h phc) weakerThan(want parameters) bool {
	return h.memory < want.memory || h.passes < want.passes || len(h.key) < keySize || len(h.salt) < saltSize
}

// deriver is the work itself.
type deriver func(password, salt []byte, p parameters, size int) []byte

func deriveArgon2id(password, salt []byte, p parameters, size int) []byte {
	return argon2.IDKey(password, salt, p.passes, p.memory, p.lanes, uint32(size))
}

// atOnce is how many hashes are worked on together: each takes a core and
// 19 MiB, and anybody can ask for one.
const atOnce = 2

// hasher makes and compares hashes of passwords.
type hasher struct {
	want   parameters
	slots  chan struct{}
	derive deriver
	// nobodys is compared where there is no hash, so that it takes as long.
	nobodys phc
}

func newHasher() *hasher {
	h := &hasher{want: ownParameters(), slots: make(chan struct{}, atOnce), derive: deriveArgon2id}
	h.nobodys = phc{parameters: h.want, salt: random(saltSize), key: random(keySize)}
	return h
}

// random gives n random bytes.
func random(n int) []byte {
	b := make([]byte, n)
	rand.Read(b) // never fails: crypto/rand ends the program instead
	return b
}

// work derives a key once there is a slot; it waits no longer than ctx.
func (h *hasher) work(ctx context.Context, password string, salt []byte, p parameters, size int) ([]byte, error) {
	select {
	case h.slots <- struct{}{}:
	case <-ctx.Done():
		return nil, fmt.Errorf("wait to look at a password: %w", ctx.Err())
	}
	defer func() { <-h.slots }()
	// The same characters may be typed as different code points.
	return h.derive([]byte(norm.NFKC.String(password)), salt, p, size), nil
}

// hash makes the hash of a new password.
func (h *hasher) hash(ctx context.Context, password string) (string, error) {
	salt := random(saltSize)
	key, err := h.work(ctx, password, salt, h.want, keySize)
	if err != nil {
		return "", err
	}
	return phc{parameters: h.want, salt: salt, key: key}.String(), nil
}

// matches compares a password with a stored hash. Without one, or with one that
// cannot be read, it does the same work and gives false. weak: the hash is to be
// made anew.
func (h *hasher) matches(ctx context.Context, stored, password string) (ok, weak bool, err error) {
	with, bad := parsePHC(stored)
	if bad != nil || len(password) > longestPassword {
		with, password = h.nobodys, ""
	}
	key, err := h.work(ctx, password, with.salt, with.parameters, len(with.key))
	if err != nil {
		return false, false, err
	}
	same := subtle.ConstantTimeCompare(key, with.key) == 1
	return same && bad == nil, with.weakerThan(h.want), nil
}
