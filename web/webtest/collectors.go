package webtest

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"

	"fadeledger/analytics"
	"fadeledger/web/api"
)

// Collectors keeps collectors, bindings and logins in memory. Err, where set, is
// answered to every question.
type Collectors struct {
	mu       sync.Mutex
	Known    []analytics.Collector
	Units    map[string][]analytics.Serial
	Waiting  []analytics.Binding
	Profiles map[string]string
	// Registered are the serials that can be bound.
	Registered []analytics.Serial
	// Decided tells what was decided, such as "approve c-07 HB5-1".
	Decided []string
	Err     error
}

// Gateways makes a few collectors: gateway-1 (bound, with units and two logins),
// gateway-2 (first-come, asks for two units), uploads (not set up).
func Gateways() *Collectors {
	now := analytics.InstantOf(Now)
	lately := now - 90_000
	c := &Collectors{
		Known: []analytics.Collector{
			{Name: "gateway-1", Taking: analytics.TakesBound, Prefixes: []string{"HB5-1", "HB5-2", "HB5-3", "HB5-40", "HB5-41"}, Deliveries: 4211, LastStored: &lately,
				Logins: []analytics.CollectorLogin{{User: "gateway-1", MadeBy: "e.koski", CreatedAt: now - 86_400_000*40}, {User: "gateway-1.2", MadeBy: "e.koski", CreatedAt: now - 3_600_000}}},
			{Name: "gateway-2", Taking: analytics.TakesFirst, Deliveries: 12, LastStored: &lately},
			{Name: "uploads", Deliveries: 3, LastStored: &lately},
		},
		Units: map[string][]analytics.Serial{}, Profiles: map[string]string{"uploads": "collector: uploads\n"},
		Waiting: []analytics.Binding{
			{Serial: "HB5-90001", Collector: "gateway-2", FirstAt: now - 7_200_000, LastAt: now - 60_000, Samples: 1180},
			{Serial: "HB5-90002", Collector: "gateway-2", FirstAt: now - 3_600_000, LastAt: now - 60_000, Samples: 60, Others: []string{"gateway-1"}},
		},
	}
	for i := range 130 {
		serial := analytics.Serial(fmt.Sprintf("HB5-%05d", 20001+i))
		c.Registered = append(c.Registered, serial)
		c.Units["gateway-1"] = append(c.Units["gateway-1"], serial)
	}
	c.Registered = append(c.Registered, "HB5-90001", "HB5-90002", "HB5-90003")
	return c
}

func (c *Collectors) find(name string) *analytics.Collector {
	i := slices.IndexFunc(c.Known, func(x analytics.Collector) bool { return x.Name == name })
	if i < 0 {
		return nil
	}
	return &c.Known[i]
}

func (c *Collectors) counted(x analytics.Collector) analytics.Collector {
	x.Bound = int64(len(c.Units[x.Name]))
	for _, b := range c.Waiting {
		if b.Collector == x.Name {
			x.Asking++
		}
	}
	return x
}

// Collectors lists what is known.
func (c *Collectors) Collectors(context.Context) ([]analytics.Collector, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	var list []analytics.Collector
	for _, x := range c.Known {
		list = append(list, c.counted(x))
	}
	return list, c.Err
}

// Collector gives one.
func (c *Collectors) Collector(_ context.Context, name string) (analytics.Collector, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	x := c.find(name)
	if c.Err != nil || x == nil {
		return analytics.Collector{}, orNotFound(c.Err)
	}
	return c.counted(*x), nil
}

func orNotFound(err error) error {
	if err != nil {
		return err
	}
	return fmt.Errorf("load collector: %w", analytics.ErrNotFound)
}

// SetUp sets one up; without a taking it refuses.
func (c *Collectors) SetUp(_ context.Context, x analytics.Collector) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.Err != nil:
		return c.Err
	case !slices.Contains(analytics.Takings, x.Taking):
		return fmt.Errorf("set up collector %s: %w: taking is %q; give any, bound or first-come", x.Name, analytics.ErrInvalid, x.Taking)
	}
	if c.find(x.Name) == nil {
		c.Known = append(c.Known, analytics.Collector{Name: x.Name})
	}
	found := c.find(x.Name)
	found.Taking, found.Prefixes = x.Taking, x.Prefixes
	return nil
}

// Profile gives a profile.
func (c *Collectors) Profile(_ context.Context, name string) ([]byte, error) {
	return []byte(c.Profiles[name]), c.Err
}

// Bind binds registered units or lets them go.
func (c *Collectors) Bind(_ context.Context, name string, serials []analytics.Serial, bind bool) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, s := range serials {
		if !slices.Contains(c.Registered, s) {
			return fmt.Errorf("bind units to collector %s: unit %s: %w: it is not registered", name, s, analytics.ErrNotFound)
		}
	}
	list := slices.DeleteFunc(slices.Clone(c.Units[name]), func(s analytics.Serial) bool { return slices.Contains(serials, s) })
	if bind {
		list = append(list, serials...)
		slices.Sort(list)
	}
	c.Units[name] = list
	return c.Err
}

// Bound gives what is bound.
func (c *Collectors) Bound(ctx context.Context, name string, after analytics.Serial, limit int) ([]analytics.Serial, error) {
	return c.BoundLike(ctx, name, "", after, limit)
}

// BoundLike gives what is bound and begins with a text.
func (c *Collectors) BoundLike(_ context.Context, name, beginning string, after analytics.Serial, limit int) ([]analytics.Serial, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	var list []analytics.Serial
	for _, s := range c.Units[name] {
		if s > after && strings.HasPrefix(string(s), beginning) && len(list) < limit {
			list = append(list, s)
		}
	}
	return list, c.Err
}

// TryProfile refuses what is no mapping; else each line but the head is a row.
func (c *Collectors) TryProfile(_ context.Context, _ string, body, lines []byte) (api.ProfileTrial, error) {
	if !strings.Contains(string(body), ":") {
		return api.ProfileTrial{}, fmt.Errorf("%w: line 1: it is no mapping", analytics.ErrInvalid)
	}
	return api.ProfileTrial{Samples: int64(strings.Count(string(lines), "\n")), Quarantined: map[string]int64{"bad-value": 1}, Notes: []string{"the sign of power_w seems to be flipped"}}, c.Err
}

// Asking gives what is asked for.
func (c *Collectors) Asking(_ context.Context, limit int) ([]analytics.Binding, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.Waiting[:min(limit, len(c.Waiting))]), c.Err
}

// Decide notes a decision.
func (c *Collectors) Decide(_ context.Context, name string, serials []analytics.Serial, approve bool) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.Err != nil {
		return c.Err
	}
	for _, s := range serials {
		i := slices.IndexFunc(c.Waiting, func(b analytics.Binding) bool { return b.Serial == s && b.Collector == name })
		if i < 0 {
			return fmt.Errorf("decide what collector %s asks for: unit %s: %w: the collector does not ask for it", name, s, analytics.ErrNotFound)
		}
		c.Waiting = slices.Delete(c.Waiting, i, i+1)
		what := "refuse"
		if approve {
			what = "approve"
			c.Units[name] = append(c.Units[name], s)
		}
		c.Decided = append(c.Decided, what+" "+name+" "+string(s))
	}
	return nil
}

// AddLogin adds a login; its password is always the same.
func (c *Collectors) AddLogin(ctx context.Context, name string) (analytics.CollectorLogin, string, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	x := c.find(name)
	if c.Err != nil || x == nil {
		return analytics.CollectorLogin{}, "", orNotFound(c.Err)
	}
	l := analytics.CollectorLogin{User: name, MadeBy: analytics.PrincipalOf(ctx).Name, CreatedAt: analytics.InstantOf(Now)}
	if len(x.Logins) > 0 {
		l.User = fmt.Sprintf("%s.%d", name, len(x.Logins)+1)
	}
	x.Logins = append(x.Logins, l)
	return l, "INVENTEDPASSWORD", nil
}

// DropLogin drops a login.
func (c *Collectors) DropLogin(_ context.Context, user string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i := range c.Known {
		before := len(c.Known[i].Logins)
		c.Known[i].Logins = slices.DeleteFunc(c.Known[i].Logins, func(l analytics.CollectorLogin) bool { return l.User == user })
		if len(c.Known[i].Logins) < before {
			return c.Err
		}
	}
	return fmt.Errorf("drop login %s: %w", user, analytics.ErrNotFound)
}
