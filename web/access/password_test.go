package access

import (
	"context"
	"encoding/hex"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/crypto/argon2"

	"fadeledger/analytics"
)

// The vectors are those of argon2id of TestVectors in
// golang.org/x/crypto/argon2, made there with the program of the reference
// implementation. The vector of RFC 9106, section 5.3, needs a secret and
// associated data, which the package does not take.
func TestKnownHashes(t *testing.T) {
	for _, tc := range []struct {
		passes, memory uint32
		lanes          uint8
		want           string
	}{
		{1, 64, 1, "655ad15eac652dc59f7170a7332bf49b8469be1fdb9c28bb"},
		{2, 64, 1, "068d62b26455936aa6ebe60060b0a65870dbfa3ddf8d41f7"},
		{2, 64, 2, "350ac37222f436ccb5c0972f1ebd3bf6b958bf2071841362"},
		{3, 256, 2, "4668d30ac4187e6878eedeacf0fd83c5a0a30db2cc16ef0b"},
		{4, 4096, 4, "145db9733a9f4ee43edf33c509be96b934d505a4efb33c5a"},
		{4, 1024, 8, "8dafa8e004f8ea96bf7c0f93eecf67a6047476143d15577f"},
		{2, 64, 3, "4a15b31aec7c2590b87d1f520be7d96f56658172deaa3079"},
		{3, 1024, 6, "1640b932f4b60e272f5d2207b9a9c626ffa1bd88d2349016"},
	} {
		got := deriveArgon2id([]byte("password"), []byte("somesalt"), parameters{tc.memory, tc.passes, tc.lanes}, 24)
		if hex.EncodeToString(got) != tc.want {
			t.Errorf("t=%d m=%d p=%d: %x, want %s", tc.passes, tc.memory, tc.lanes, got, tc.want)
		}
	}
}

// A whole encoded hash of the test program of the reference implementation of
// argon2 (test.c; from memory).
func TestKnownEncodedHash(t *testing.T) {
	const known = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	h := newHasher()
	for password, want := range map[string]bool{"password": true, "Password": false} {
		ok, weak, err := h.matches(t.Context(), known, password)
		if ok != want || weak != true || err != nil { // its salt is short
			t.Errorf("%q matches: %v, weak %v, %v", password, ok, weak, err)
		}
	}
}

func TestHash(t *testing.T) {
	h := newHasher()
	stored, err := h.hash(t.Context(), "crème brûlée at noon")
	if err != nil || !strings.HasPrefix(stored, "$argon2id$v=19$m=19456,t=2,p=1$") {
		t.Fatalf("%s, %v", stored, err)
	}
	again, _ := h.hash(t.Context(), "crème brûlée at noon")
	if again == stored {
		t.Error("two hashes of a password are the same")
	}
	for password, want := range map[string]bool{
		"crème brûlée at noon":                   true,
		"cre\u0300me bru\u0302le\u0301e at noon": true, // as another keyboard types it
		"creme brulee at noon":                   false,
		"":                                       false,
	} {
		if ok, weak, err := h.matches(t.Context(), stored, password); ok != want || weak || err != nil {
			t.Errorf("%q: %v, weak %v, %v", password, ok, weak, err)
		}
	}
	for _, none := range []string{"", "plain", h.nobodys.String()} {
		for _, password := range []string{"", "plain", "x"} {
			if ok, _, err := h.matches(t.Context(), none, password); ok || err != nil {
				t.Errorf("%q goes with the hash %q: %v", password, none, err)
			}
		}
	}
}

// No more than two hashes are worked on at once, and whoever waits may go.
func TestHashesAtOnce(t *testing.T) {
	h := newHasher()
	var mu sync.Mutex
	now, most := 0, 0
	hold := make(chan struct{})
	h.derive = func(_, _ []byte, _ parameters, size int) []byte {
		mu.Lock()
		now++
		most = max(most, now)
		mu.Unlock()
		<-hold
		mu.Lock()
		now--
		mu.Unlock()
		return make([]byte, size)
	}
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			if _, err := h.hash(context.Background(), "x"); err != nil {
				t.Error(err)
			}
		})
	}
	for busy := false; !busy; time.Sleep(time.Millisecond) {
		mu.Lock()
		busy = now == atOnce
		mu.Unlock()
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := h.hash(ctx, "x"); !errors.Is(err, context.Canceled) {
		t.Errorf("waits although whoever asked has gone: %v", err)
	}
	close(hold)
	all.Wait()
	if most != atOnce {
		t.Errorf("%d at once, want %d", most, atOnce)
	}
}

func TestPHC(t *testing.T) {
	const good = "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
	h, err := parsePHC(good)
	if err != nil || h.String() != good || h.memory != 19456 || h.passes != 2 || h.lanes != 1 || len(h.salt) != 16 || len(h.key) != 32 {
		t.Fatalf("%+v, %v", h, err)
	}
	for name, text := range map[string]string{
		"empty":              "",
		"another kind":       strings.Replace(good, "argon2id", "argon2i", 1),
		"another version":    strings.Replace(good, "v=19", "v=16", 1),
		"another order":      strings.Replace(good, "m=19456,t=2", "t=2,m=19456", 1),
		"leading zero":       strings.Replace(good, "t=2", "t=02", 1),
		"sign":               strings.Replace(good, "t=2", "t=+2", 1),
		"no work":            strings.Replace(good, "t=2", "t=0", 1),
		"no lanes":           strings.Replace(good, "p=1", "p=0", 1),
		"too many lanes":     strings.Replace(good, "p=1", "p=257", 1),
		"too much memory":    strings.Replace(good, "m=19456", "m=4194304", 1),
		"too little memory":  strings.Replace(good, "m=19456", "m=7", 1),
		"beyond 32 bits":     strings.Replace(good, "m=19456", "m=4294986752", 1),
		"one setting more":   strings.Replace(good, "p=1", "p=1,x=1", 1),
		"padded":             good + "=",
		"loose bits":         good[:len(good)-1] + "B",
		"short salt":         strings.Replace(good, "AAAAAAAAAAAAAAAAAAAAAA", "AAAA", 1),
		"one part more":      good + "$",
		"a line break":       good + "\n",
		"a line break early": good[:60] + "\n" + good[60:],
		"endless":            good + strings.Repeat("A", 1000),
	} {
		if h, err := parsePHC(text); err == nil {
			t.Errorf("%s: %q is read as %+v", name, text, h)
		}
	}
}

// What is read is written again just so, and is work within bounds.
func FuzzParsePHC(f *testing.F) {
	f.Add("$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA")
	f.Add("$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc")
	f.Add("$argon2id$v=19$m=8,t=1,p=1$AAAAAAAAAAA$AAAAAAAAAAA")
	f.Add("$$$$$")
	f.Fuzz(func(t *testing.T, text string) {
		h, err := parsePHC(text)
		if err != nil {
			return
		}
		if h.String() != text {
			t.Errorf("%q is written as %q", text, h)
		}
		if h.memory > mostMemory || h.memory < 8*uint32(h.lanes) || h.passes < 1 || h.passes > mostPasses || h.lanes < 1 ||
			len(h.salt) < leastPart || len(h.key) < leastPart || len(h.key) > mostPart {
			t.Errorf("%q asks for %+v", text, h.parameters)
		}
		if h.memory <= 64 && h.passes == 1 && h.lanes == 1 {
			want := argon2.IDKey([]byte("x"), h.salt, h.passes, h.memory, h.lanes, uint32(len(h.key)))
			if got := deriveArgon2id([]byte("x"), h.salt, h.parameters, len(h.key)); string(got) != string(want) {
				t.Errorf("%x, want %x", got, want)
			}
		}
	})
}

func TestCheckPassword(t *testing.T) {
	for _, tc := range []struct {
		name, password string
		help           string // part of what helps; empty: taken
	}{
		{"words", "slow otters carry lanterns", ""},
		{"other letters", "ворон клюёт снег зимой", ""},
		{"random", "x7Kq-2vPz!9w", ""},
		{"digits", "490175628336", ""},
		{"256 bytes", strings.Repeat("abcdefgh7!kl.nop", 16), ""},
		{"eleven characters", "x7Kq-2vPz!9", "too short"},
		{"eleven characters in more bytes", "ворон клюёт", "too short"},
		{"257 bytes", strings.Repeat("abcdefgh7!kl.nop", 16) + "x", "too long"},
		{"one character", strings.Repeat("a", 20), "repeats"},
		{"four characters", "abcdabdcabcdabdc", "repeats"},
		{"blanks", strings.Repeat(" ", 20), "blank"},
		{"in order", "abcdefghijklmn", "order"},
		{"backwards", "nmlkjihgfedcba", "order"},
		{"the login", "johanna.berg", "login"},
		{"the login and digits", "Johanna.Berg2026!", "login"},
		{"the login twice", "johanna.bergjohanna.berg", "login"},
		{"the usual", "Password1234!", "first that are tried"},
		{"two of the usual", "welcomewelcome", "first that are tried"},
		{"this site", "fadeledger2026", "first that are tried"},
		{"a usual word among others", "secret pears under a bridge", ""},
		{"no text", "abc\xff\xfedefghijkl", "cannot be typed"},
		{"a line break", "nine pears\nunder", "cannot be typed"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			err := CheckPassword("johanna.berg", tc.password)
			if tc.help == "" {
				if err != nil {
					t.Errorf("not taken: %v", err)
				}
				return
			}
			if !errors.Is(err, analytics.ErrInvalid) || !strings.Contains(err.Error(), tc.help) {
				t.Errorf("%v, want help with %q", err, tc.help)
			}
			if err != nil && strings.Contains(err.Error(), tc.password) {
				t.Error("the help repeats the password")
			}
		})
	}
}
