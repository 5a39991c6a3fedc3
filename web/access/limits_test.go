package access

import (
	"fmt"
	"net/http"
	"testing"
	"time"

	"fadeledger/analytics"
)

// allowed gives how many requests of n at once are let through.
func (b *browser) allowed(n int) (through int, retryAfter string) {
	for range n {
		w := b.send(http.MethodGet, "/", nil)
		switch w.Code {
		case http.StatusOK:
			through++
		case http.StatusTooManyRequests:
			retryAfter = w.Header().Get("Retry-After")
		default:
			b.t.Fatalf("answered %d", w.Code)
		}
	}
	return through, retryAfter
}

func TestRequestRates(t *testing.T) {
	r := newRig(t, nil)
	person := r.browser().signIn("mira", mirasPassword)
	reads, delivers := r.browser(), r.browser()
	reads.header.Set("Authorization", "Bearer "+r.token(nil))
	delivers.header.Set("Authorization", "Bearer "+r.token(func(t *analytics.Token) { t.Rights = []analytics.Right{analytics.RightDeliver} }))
	r.wait(time.Minute)
	for _, tc := range []struct {
		name         string
		b            *browser
		burst, later int
	}{
		{"nobody", r.browser(), 100, 20},
		{"person", person, 200, 50},
		{"token that reads", reads, 200, 50},
		{"token that delivers", delivers, 2000, 1000},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, after := tc.b.allowed(tc.burst + 50)
			if got != tc.burst || after != "1" {
				t.Errorf("%d at once, Retry-After %q; want %d and 1", got, after, tc.burst)
			}
			r.wait(time.Second)
			if got, _ := tc.b.allowed(tc.later + 50); got != tc.later {
				t.Errorf("%d in the next second, want %d", got, tc.later)
			}
		})
	}
	// A person is counted by who it is, wherever it asks from.
	elsewhere := r.browser().signIn("mira", mirasPassword)
	elsewhere.address = "198.51.100.1:1"
	if got, _ := elsewhere.allowed(300); got > 200 {
		t.Errorf("%d more from elsewhere", got)
	}
}

// Collectors that deliver 500 times a second are never held up.
func TestDeliveriesAreNotHeldUp(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser()
	b.header.Set("Authorization", "Bearer "+r.token(func(t *analytics.Token) { t.Rights = []analytics.Right{analytics.RightDeliver} }))
	for i := range 5000 {
		if w := b.send(http.MethodGet, "/", nil); w.Code != http.StatusOK {
			t.Fatalf("delivery %d answered %d", i, w.Code)
		}
		r.wait(2 * time.Millisecond)
	}
}

func TestDemoVisitorsAreCountedApart(t *testing.T) {
	r := newRig(t, func(c *Config) {
		c.Demo, c.DemoStart = map[analytics.Role]int64{analytics.RoleAuditor: 1}, analytics.RoleAuditor
	})
	one, other := r.browser(), r.browser()
	other.address = "198.51.100.1:1"
	if got, _ := one.allowed(250); got != 200 {
		t.Errorf("%d, want 200", got)
	}
	other.wants("mira")
}

func TestUnknownCookiesAreCounted(t *testing.T) {
	r := newRig(t, nil)
	b := r.browser()
	var answers []int
	for range 130 {
		b.cookie = "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
		answers = append(answers, b.send(http.MethodGet, "/", nil).Code)
	}
	if answers[129] != http.StatusTooManyRequests || r.store.asked > 100 {
		t.Errorf("last answer %d after %d questions to the store", answers[129], r.store.asked)
	}
}

func TestBucketsAreBounded(t *testing.T) {
	b := newBuckets(Rate{}, Rate{1, time.Second, 2})
	now := time.Unix(1_000_000, 0)
	for i := range mostKeys + 500 {
		b.take(fmt.Sprint(i), now)
	}
	if len(b.by) != mostKeys {
		t.Errorf("%d keys, want %d", len(b.by), mostKeys)
	}
	if wait := b.take("another", now); wait <= 0 {
		t.Error("no common limit where there is no room")
	}
	if b.spent("another", now) <= 0 || b.spent("1", now) != 0 {
		t.Error("spent says something else than take")
	}
	now = now.Add(2 * time.Second)
	if wait := b.take("another", now); wait != 0 || len(b.by) != 1 {
		t.Errorf("after all have rested: wait %v, %d keys", wait, len(b.by))
	}
}

func TestBucketsAreExact(t *testing.T) {
	b := newBuckets(Rate{Events: 6, Per: time.Minute, Burst: 1}, Rate{})
	now := time.Unix(1_000_000, 0)
	for _, step := range []struct {
		after, want time.Duration
	}{{0, 0}, {0, 10 * time.Second}, {4 * time.Second, 6 * time.Second}, {6 * time.Second, 0}, {time.Second, 9 * time.Second}} {
		now = now.Add(step.after)
		if got := b.spent("x", now).Round(time.Millisecond); got != step.want {
			t.Errorf("spent %v, want %v", got, step.want)
		}
		if got := b.take("x", now).Round(time.Millisecond); got != step.want {
			t.Errorf("wait %v, want %v", got, step.want)
		}
	}
}
