package store

import (
	"context"
	"crypto/hmac"
	"crypto/pbkdf2"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"fmt"

	"github.com/jackc/pgx/v5/pgxpool"

	"fadeledger/analytics"
)

// scramRounds is what Postgres itself takes.
const scramRounds = 4096

// SetRolePassword gives the role for the web or for workers a password to sign
// in with. Only what checks it leaves this process (RFC 5803), so that it is in
// no log of the server.
func SetRolePassword(ctx context.Context, pool *pgxpool.Pool, as As, password string) error {
	role := map[As]string{ForWeb: roleWeb, ForWorker: roleWorker}[as]
	if role == "" {
		return fmt.Errorf("set a password: %q is no role that signs in", as)
	}
	if len(password) < 16 {
		return fmt.Errorf("set the password of %s: %w: it is shorter than 16 characters; let a machine make one", role, analytics.ErrInvalid)
	}
	for _, c := range []byte(password) {
		if c < ' ' || c > '~' {
			return fmt.Errorf("set the password of %s: %w: it holds more than printable ASCII", role, analytics.ErrInvalid)
		}
	}
	salt := make([]byte, 16)
	_, _ = rand.Read(salt) // never fails: it would end the process
	verifier, err := scramVerifier(password, salt, scramRounds)
	if err != nil {
		return fmt.Errorf("set the password of %s: %w", role, err)
	}
	// The verifier is of letters, digits and + / = $ : - alone.
	if _, err := pool.Exec(ctx, `ALTER ROLE `+role+` PASSWORD '`+verifier+`'`); err != nil {
		return fmt.Errorf("set the password of %s: %w", role, mapError(err))
	}
	return nil
}

// scramVerifier computes what a server keeps of a password: RFC 5802 with
// SHA-256 (RFC 7677), in the form of RFC 5803.
func scramVerifier(password string, salt []byte, rounds int) (string, error) {
	salted, err := pbkdf2.Key(sha256.New, password, salt, rounds, sha256.Size)
	if err != nil {
		return "", err
	}
	sum := func(key []byte, text string) []byte {
		h := hmac.New(sha256.New, key)
		h.Write([]byte(text))
		return h.Sum(nil)
	}
	stored := sha256.Sum256(sum(salted, "Client Key"))
	b64 := base64.StdEncoding.EncodeToString
	return fmt.Sprintf("SCRAM-SHA-256$%d:%s$%s:%s", rounds, b64(salt), b64(stored[:]), b64(sum(salted, "Server Key"))), nil
}
