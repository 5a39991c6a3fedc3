package access

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
)

func TestSignIn(t *testing.T) {
	at := analytics.Instant(1)
	for _, tc := range []struct {
		name, login, password string
		change                func(*rig)
		want                  error
	}{
		{name: "right", login: "mira", password: mirasPassword},
		{name: "blanks and case of the login do not matter", login: " MIRA ", password: mirasPassword},
		{name: "wrong password", login: "mira", password: tovesPassword, want: ErrWrong},
		{name: "case of the password matters", login: "mira", password: strings.ToUpper(mirasPassword), want: ErrWrong},
		{name: "empty password", login: "mira", want: ErrWrong},
		{name: "unknown login", login: "nemo", password: mirasPassword, want: ErrWrong},
		{name: "empty login", password: mirasPassword, want: ErrWrong},
		{name: "endless login", login: strings.Repeat("x", 10_000), password: mirasPassword, want: ErrWrong},
		{name: "login with a zero byte", login: "mi\x00ra", password: mirasPassword, want: ErrWrong},
		{name: "endless password", login: "mira", password: strings.Repeat("x", 10_000), want: ErrWrong},
		{name: "disabled", login: "mira", password: mirasPassword, change: func(r *rig) { r.store.people[1].DisabledAt = &at }, want: ErrWrong},
		{name: "no password", login: "mira", password: "", change: func(r *rig) { delete(r.store.hashes, 1) }, want: ErrWrong},
		{name: "hash that cannot be read", login: "mira", password: "", change: func(r *rig) { r.store.hashes[1] = "plain" }, want: ErrWrong},
		{name: "the trail is away", login: "mira", password: mirasPassword, change: func(r *rig) { r.store.mute = true }, want: errDown},
		{name: "the trail is away, wrong password", login: "mira", password: "x", change: func(r *rig) { r.store.mute = true }, want: errDown},
		{name: "the store is away", login: "mira", password: mirasPassword, change: func(r *rig) { r.store.broken = true }, want: errDown},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := newRig(t, nil)
			if tc.change != nil {
				tc.change(r)
			}
			b := r.browser()
			err := b.post("/sign-in", "login", tc.login, "password", tc.password)
			if !errors.Is(err, tc.want) || (err == nil) != (tc.want == nil) {
				t.Fatalf("error %v, want %v", err, tc.want)
			}
			if tc.want == nil {
				b.wants("mira")
				return
			}
			if b.cookie != "" || r.store.rows() != 0 {
				t.Errorf("cookie %q and %d sessions although nobody was let in", b.cookie, r.store.rows())
			}
			if tc.want == ErrWrong {
				if r.work.Load() != 1 {
					t.Errorf("%d hashes were worked on, want 1 for every wrong attempt", r.work.Load())
				}
				e := r.store.trail[0]
				if e.Deed != analytics.DeedRefused || !strings.HasPrefix(e.Object, "login ") || len(e.Object) > 70 ||
					e.Kind != "" || e.Address != "203.0.113.7" {
					t.Errorf("trail has %+v", e)
				}
			}
		})
	}
}

// What somebody learns from outside is the same whether there is a login or not.
func TestKnownAndUnknownLoginsLookAlike(t *testing.T) {
	type answer struct {
		err  string
		work int64
		told int
	}
	run := func(login string) []answer {
		r := newRig(t, nil)
		b := r.browser()
		var all []answer
		for range 8 {
			before, told := r.work.Load(), len(r.store.trail)
			err := b.post("/sign-in", "login", login, "password", "a wrong password")
			all = append(all, answer{err.Error(), r.work.Load() - before, len(r.store.trail) - told})
			r.wait(time.Second)
		}
		return all
	}
	known, unknown := run("mira"), run("nemo")
	if !slices.Equal(known, unknown) {
		t.Errorf("known login:   %v\nunknown login: %v", known, unknown)
	}
	if known[0].work != 1 || known[7].work != 0 {
		t.Errorf("work of the attempts %v: want one hash, and none while there is a wait", known)
	}
}

func TestLockOut(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser()
	for range 5 {
		if err := b.post("/sign-in", "login", "mira", "password", "a wrong password"); !errors.Is(err, ErrWrong) {
			t.Fatal(err)
		}
	}
	before := r.work.Load()
	err := b.post("/sign-in", "login", "mira", "password", mirasPassword)
	var wait *WaitError
	if !errors.As(err, &wait) || wait.Until != analytics.InstantOf(r.clock.Add(30*time.Second)) {
		t.Fatalf("after five wrong ones: %v, want a wait of 30 s", err)
	}
	if r.work.Load() != before {
		t.Error("a password was looked at during the wait")
	}
	b.wants("nobody")
	// Another login is not held up.
	r.browser().signIn("tove", tovesPassword)
	r.wait(30 * time.Second)
	b.signIn("mira", mirasPassword)
	if len(r.store.attempts) != 0 {
		t.Errorf("attempts left after a success: %v", r.store.attempts)
	}
}

func TestSignInRateByAddress(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser()
	try := func(i int) error {
		return b.post("/sign-in", "login", "nemo"+strconv.Itoa(i), "password", "a wrong password")
	}
	for i := range 20 {
		if err := try(i); !errors.Is(err, ErrWrong) {
			t.Fatalf("attempt %d: %v", i, err)
		}
	}
	asked := r.store.asked
	var wait *WaitError
	if err := try(20); !errors.As(err, &wait) || wait.Until != analytics.InstantOf(r.clock.Add(3*time.Second)) {
		t.Fatalf("attempt 21 within a minute: %v, want a wait of 3 s", err)
	}
	if r.store.asked != asked {
		t.Error("the store was asked")
	}
	elsewhere := r.browser()
	elsewhere.address = "198.51.100.9:1"
	elsewhere.signIn("mira", mirasPassword)
	r.wait(3 * time.Second)
	if err := try(21); !errors.Is(err, ErrWrong) {
		t.Errorf("three seconds later: %v", err)
	}
}

func TestChangePassword(t *testing.T) {
	const next = "nine pears under a bridge"
	r := newRig(t, nil)
	here, there := r.browser().signIn("mira", mirasPassword), r.browser().signIn("mira", mirasPassword)
	other := r.browser().signIn("tove", tovesPassword)
	if err := here.post("/password", "old", "not the old one", "new", next); !errors.Is(err, ErrWrong) {
		t.Fatalf("with a wrong old password: %v", err)
	}
	var weak *PasswordError
	if err := here.post("/password", "old", mirasPassword, "new", "short"); !errors.As(err, &weak) {
		t.Fatalf("with a short new one: %v", err)
	}
	there.wants("mira")
	before := here.cookie
	if err := here.post("/password", "old", mirasPassword, "new", next); err != nil {
		t.Fatal(err)
	}
	if here.cookie == before {
		t.Error("this session kept its token")
	}
	here.wants("mira")
	there.wants("nobody")
	other.wants("tove")
	there.cookie = before
	there.wants("nobody")
	if err := there.post("/sign-in", "login", "mira", "password", mirasPassword); !errors.Is(err, ErrWrong) {
		t.Errorf("with the old password: %v", err)
	}
	there.signIn("mira", next)
	want := "mira changed person mira"
	if got := r.store.deeds(); !slices.Contains(got, want) || !slices.Contains(got, "mira was-refused login mira") {
		t.Errorf("trail %q", got)
	}
	nobody := r.browser()
	if err := nobody.post("/password", "old", mirasPassword, "new", next); !errors.Is(err, analytics.ErrDenied) {
		t.Errorf("nobody changes a password: %v", err)
	}
}

func TestChangingPasswordsCountsAttempts(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser().signIn("mira", mirasPassword)
	for range 5 {
		if err := b.post("/password", "old", "a guess", "new", "nine pears under a bridge"); !errors.Is(err, ErrWrong) {
			t.Fatal(err)
		}
	}
	var wait *WaitError
	if err := b.post("/password", "old", mirasPassword, "new", "nine pears under a bridge"); !errors.As(err, &wait) {
		t.Errorf("after five guesses: %v, want a wait", err)
	}
}

func TestWeakHashIsRenewed(t *testing.T) {
	r := newRig(t, nil)
	weak := r.gate.passwords.want
	r.gate.passwords.want.passes = 3
	other := r.browser().signIn("tove", tovesPassword)
	b := r.browser().signIn("mira", mirasPassword)
	h, err := parsePHC(r.store.hashes[1])
	if err != nil || h.passes != 3 || weak.passes != 2 {
		t.Errorf("hash has %+v after signing in (%v), want 3 passes", h.parameters, err)
	}
	again := r.browser().signIn("mira", mirasPassword)
	for _, x := range []*browser{b, again} {
		x.wants("mira")
	}
	other.wants("tove")
}

// fixed is a store that cannot keep other hashes.
type fixed struct{ Store }

func TestWeakHashStaysWhereTheStoreCannot(t *testing.T) {
	r := newRig(t, nil)
	before := r.store.hashes[1]
	r.gate.store = fixed{r.store}
	r.gate.passwords.want.passes = 3
	r.browser().signIn("mira", mirasPassword).wants("mira")
	if r.store.hashes[1] != before {
		t.Error("the hash changed")
	}
}

func TestWithoutABrowser(t *testing.T) {
	r := newRig(t, nil)
	for name, deed := range map[string]func(context.Context) error{
		"sign in":  func(ctx context.Context) error { return r.gate.SignIn(ctx, "mira", mirasPassword) },
		"sign out": r.gate.SignOut,
		"change":   func(ctx context.Context) error { return r.gate.ChangePassword(ctx, mirasPassword, tovesPassword) },
		"use code": func(ctx context.Context) error { return r.gate.UseCode(ctx, "", analytics.Person{}, tovesPassword) },
		"identity": func(ctx context.Context) error { _, err := r.gate.IdentityURL(ctx, "/"); return err },
	} {
		if err := deed(t.Context()); !errors.Is(err, errNoSession) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if r.gate.SessionID(t.Context()) != 0 {
		t.Error("a session without a browser")
	}
}

func TestSignOutWorksWithoutTheTrail(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser().signIn("mira", mirasPassword)
	r.store.mute = true
	if err := b.post("/sign-out"); !errors.Is(err, errDown) {
		t.Errorf("error %v, want that the trail is away", err)
	}
	r.store.mute = false
	b.wants("nobody")
	if w := r.browser().send(http.MethodPost, "/sign-out", nil); w.Code != http.StatusOK || len(r.store.trail) != 1 {
		t.Errorf("nobody signs out: %d, trail %q", w.Code, r.store.deeds())
	}
}
