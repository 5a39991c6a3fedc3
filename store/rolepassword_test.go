package store

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"strings"
	"testing"
)

// TestScramVerifier checks the verifier against the exchange printed in RFC 7677
// section 3: user "user", password "pencil". What the server keeps must verify
// the client's proof and give the server's signature.
func TestScramVerifier(t *testing.T) {
	b64 := func(text string) []byte {
		b, err := base64.StdEncoding.DecodeString(text)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	const (
		first    = "n=user,r=rOprNGfwEbeRWgbNEkqO"
		server   = "r=rOprNGfwEbeRWgbNEkqO%hvYDpWUa2RaTCAfuxFIlj)hNlF$k0,s=W22ZaJ0SNY7soEsUEjb6gQ==,i=4096"
		final    = "c=biws,r=rOprNGfwEbeRWgbNEkqO%hvYDpWUa2RaTCAfuxFIlj)hNlF$k0"
		proof    = "dHzbZapWIk4jUhN+Ute9ytag9zjfMHgsqmmiz7AndVQ="
		verified = "6rriTRBi23WpRR/wtup+mMhUZUn/dB5nLTJRsjl95G4="
	)
	verifier, err := scramVerifier("pencil", b64("W22ZaJ0SNY7soEsUEjb6gQ=="), 4096)
	if err != nil {
		t.Fatal(err)
	}
	_, keys, ok := strings.Cut(strings.TrimPrefix(verifier, "SCRAM-SHA-256$4096:"), "$")
	stored, serverKey, both := strings.Cut(keys, ":")
	if !ok || !both {
		t.Fatalf("verifier %q", verifier)
	}
	sign := func(key []byte) []byte {
		h := hmac.New(sha256.New, key)
		h.Write([]byte(first + "," + server + "," + final))
		return h.Sum(nil)
	}
	signature := sign(b64(stored))
	client := b64(proof)
	for i := range client {
		client[i] ^= signature[i]
	}
	if got := sha256.Sum256(client); string(got[:]) != string(b64(stored)) {
		t.Error("the proof of the RFC is not verified")
	}
	if got := sign(b64(serverKey)); string(got) != string(b64(verified)) {
		t.Error("the server's signature is not that of the RFC")
	}
}
