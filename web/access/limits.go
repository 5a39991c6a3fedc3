package access

import (
	"strconv"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"fadeledger/analytics"
)

// Rate bounds how often something is done: Events in each Per on average, and
// Burst at once, at least one. The zero value stands for the default of where it is used.
type Rate struct {
	Events int
	Per    time.Duration
	Burst  int
}

// Default rates. Telemetry is not held up: a token that may deliver may ask 1000
// times a second and 2000 times at once, so that 500 deliveries a second through
// one token never wait. Live pages of one person need a few requests a second.
func defaultRates() Config {
	return Config{
		RequestRate: Rate{50, time.Second, 200},
		DeliverRate: Rate{1000, time.Second, 2000},
		NobodyRate:  Rate{20, time.Second, 100},
		SignInRate:  Rate{20, time.Minute, 20},
		CodeRate:    Rate{10, time.Minute, 10},
		RefusedRate: Rate{20, time.Second, 100},
	}
}

// toldRate is how often refused tokens and codes of one address are written
// into the trail, so that nobody fills it from outside.
func toldRate() Rate { return Rate{10, time.Minute, 10} }

// limits are the rates of a gate.
type limits struct {
	requests, deliver, nobody, signIn, code, refused, told *buckets
}

func newLimits(cfg Config) limits {
	def := defaultRates()
	return limits{
		requests: newBuckets(cfg.RequestRate, def.RequestRate),
		deliver:  newBuckets(cfg.DeliverRate, def.DeliverRate),
		nobody:   newBuckets(cfg.NobodyRate, def.NobodyRate),
		signIn:   newBuckets(cfg.SignInRate, def.SignInRate),
		code:     newBuckets(cfg.CodeRate, def.CodeRate),
		refused:  newBuckets(cfg.RefusedRate, def.RefusedRate),
		told:     newBuckets(Rate{}, toldRate()),
	}
}

// take counts a request and gives how long to wait, 0 to go on. The invented
// persons of a demo are shared by everybody and therefore told apart by address.
func (l *limits) take(p analytics.Principal, demo bool, now time.Time) time.Duration {
	id := strconv.FormatInt(p.ID, 10)
	switch {
	case p.Nobody():
		return l.nobody.take(addressKey(p.Address), now)
	case p.Kind == analytics.KindToken && p.May(analytics.RightDeliver):
		return l.deliver.take(id, now)
	case p.Kind == analytics.KindToken:
		return l.requests.take("token "+id, now)
	case demo:
		return l.requests.take("person "+id+" "+addressKey(p.Address), now)
	}
	return l.requests.take("person "+id, now)
}

// mostKeys bounds the memory of one kind of limit, to a few MB.
const mostKeys = 10_000

// buckets are token buckets by key.
type buckets struct {
	mu    sync.Mutex
	limit rate.Limit
	burst int
	by    map[string]*rate.Limiter
	// others is shared by all keys that come when there is no room.
	others *rate.Limiter
	swept  time.Time
}

func newBuckets(r, def Rate) *buckets {
	if r.Events <= 0 || r.Per <= 0 {
		r = def
	}
	burst := max(r.Burst, 1)
	limit := rate.Limit(float64(r.Events) / r.Per.Seconds())
	return &buckets{limit: limit, burst: burst, by: map[string]*rate.Limiter{}, others: rate.NewLimiter(limit, burst)}
}

// take counts one event; it gives 0, or how long to wait, and then does not
// count it.
func (b *buckets) take(key string, now time.Time) time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	asked := b.of(key, now).ReserveN(now, 1)
	wait := asked.DelayFrom(now)
	if wait > 0 {
		asked.CancelAt(now)
	}
	return wait
}

// spent gives how long to wait before take would give 0.
func (b *buckets) spent(key string, now time.Time) time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	bucket, ok := b.by[key]
	if !ok {
		bucket = b.others
		if len(b.by) < mostKeys {
			return 0
		}
	}
	missing := 1 - bucket.TokensAt(now)
	if missing <= 0 {
		return 0
	}
	return time.Duration(missing / float64(b.limit) * float64(time.Second))
}

// of gives a key's bucket. A full one is as good as none and makes room.
func (b *buckets) of(key string, now time.Time) *rate.Limiter {
	if bucket, ok := b.by[key]; ok {
		return bucket
	}
	if len(b.by) >= mostKeys && now.Sub(b.swept) >= time.Second {
		b.swept = now
		for k, bucket := range b.by {
			if bucket.TokensAt(now) >= float64(b.burst) {
				delete(b.by, k)
			}
		}
	}
	if len(b.by) >= mostKeys {
		return b.others
	}
	bucket := rate.NewLimiter(b.limit, b.burst)
	b.by[key] = bucket
	return bucket
}
