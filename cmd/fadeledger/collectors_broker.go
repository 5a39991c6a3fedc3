package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"fmt"
	"slices"
	"time"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/ingest/broker"
	"fadeledger/ingest/profile"
	"fadeledger/store"
	"fadeledger/web/api"
)

// collectors shows and sets up collectors for the pages and the API.
type collectors struct{ db *store.DB }

// Collectors gives every collector that was set up or heard of.
func (c *collectors) Collectors(ctx context.Context) ([]analytics.Collector, error) {
	return c.db.Collectors(ctx)
}

// Collector gives one collector.
func (c *collectors) Collector(ctx context.Context, name string) (analytics.Collector, error) {
	return c.db.Collector(ctx, name)
}

// nameable reports whether a collector can have a name at all.
func nameable(name string) error {
	if err := broker.CheckCollector(name); err != nil {
		return fmt.Errorf("%w: %w", analytics.ErrInvalid, err)
	}
	return nil
}

// SetUp sets what a collector may deliver.
func (c *collectors) SetUp(ctx context.Context, x analytics.Collector) error {
	if err := nameable(x.Name); err != nil {
		return err
	}
	return c.db.SetUp(ctx, x)
}

// Profile gives the collector's profile.
func (c *collectors) Profile(ctx context.Context, collector string) ([]byte, error) {
	body, _, err := c.db.Profile(ctx, collector)
	return body, err
}

// Bind binds units to a collector, or lets them go.
func (c *collectors) Bind(ctx context.Context, collector string, serials []analytics.Serial, bind bool) error {
	if err := nameable(collector); err != nil {
		return err
	}
	return c.db.Bind(ctx, collector, serials, bind)
}

// Bound gives the serials bound to a collector after a serial.
func (c *collectors) Bound(ctx context.Context, collector string, after analytics.Serial, limit int) ([]analytics.Serial, error) {
	return c.db.Bound(ctx, collector, after, limit)
}

// Asking gives the units that collectors ask to be bound to.
func (c *collectors) Asking(ctx context.Context, limit int) ([]analytics.Binding, error) {
	return c.db.Asking(ctx, limit)
}

// Decide approves or refuses what a collector asks for. The worker releases
// what is approved within some seconds.
func (c *collectors) Decide(ctx context.Context, collector string, serials []analytics.Serial, approve bool) error {
	return c.db.Decide(ctx, collector, serials, approve)
}

// AddLogin makes a login with a password of its own.
func (c *collectors) AddLogin(ctx context.Context, collector string) (analytics.CollectorLogin, string, error) {
	if err := nameable(collector); err != nil {
		return analytics.CollectorLogin{}, "", err
	}
	password := rand.Text()
	hash, err := broker.HashPassword(password)
	if err != nil {
		return analytics.CollectorLogin{}, "", err
	}
	login, err := c.db.KeepLogin(ctx, collector, hash)
	if err != nil {
		return analytics.CollectorLogin{}, "", err
	}
	login.PasswordHash = ""
	return login, password, nil
}

// DropLogin ends a login; an embedded broker cuts its connections off when it
// looks next.
func (c *collectors) DropLogin(ctx context.Context, user string) error {
	return c.db.DropLogin(ctx, user)
}

// BoundLike gives serials bound to a collector that begin with a text.
func (c *collectors) BoundLike(ctx context.Context, collector, beginning string, after analytics.Serial, limit int) ([]analytics.Serial, error) {
	return c.db.BoundLike(ctx, collector, beginning, after, limit)
}

// TryProfile reads lines of a file by a profile that is not kept.
func (c *collectors) TryProfile(ctx context.Context, collector string, body, lines []byte) (api.ProfileTrial, error) {
	body = bytes.TrimSpace(body)
	if len(body) > 0 {
		if _, err := profile.Parse("profile", body); err != nil {
			return api.ProfileTrial{}, fmt.Errorf("%w: %w", analytics.ErrInvalid, err)
		}
	}
	if len(bytes.TrimSpace(lines)) == 0 {
		return api.ProfileTrial{}, nil
	}
	kind := "text/csv"
	switch bytes.TrimSpace(lines)[0] {
	case '[':
		kind = "application/json"
	case '{':
		kind = "application/x-ndjson"
	}
	reader := &ingest.Reader{Profiles: oneProfile(body)}
	found, err := reader.Inspect(ctx, ingest.Envelope{Delivery: analytics.Delivery{Collector: collector}, ContentType: kind, Body: lines})
	return api.ProfileTrial{Samples: found.Samples, Quarantined: found.Quarantined, Notes: found.Notes}, err
}

// oneProfile is the profile of every collector.
type oneProfile []byte

func (p oneProfile) Profile(context.Context, string) (body, hash []byte, err error) {
	if len(p) == 0 {
		return nil, nil, nil
	}
	sum := sha256.Sum256(p)
	return p, sum[:], nil
}

func (p oneProfile) ProfileByHash(context.Context, []byte) ([]byte, error) { return p, nil }

// loginsEvery is how often the broker in this process looks for other logins.
const loginsEvery = 2 * time.Second

// keepLogins lets those collectors connect to the broker of this process that
// have a login, until the context ends. What cannot be read leaves them as they
// are. There is nothing to do for a broker elsewhere.
func (s *services) keepLogins(ctx context.Context) error {
	if s.embedded == nil {
		<-ctx.Done()
		return nil
	}
	var kept []broker.Login
	return s.every(ctx, loginsEvery, "logins of collectors not looked at", func(ctx context.Context) error {
		logins, err := brokerLogins(ctx, s.db)
		if err != nil || kept != nil && slices.Equal(logins, kept) {
			return err
		}
		if err := s.embedded.SetLogins(logins); err != nil {
			return err
		}
		s.log.Info("collectors that may connect", "logins", len(logins))
		kept = logins
		return nil
	})
}

// brokerLogins gives the logins as the broker takes them, never nil.
func brokerLogins(ctx context.Context, db *store.DB) ([]broker.Login, error) {
	list, err := db.Logins(ctx)
	if err != nil {
		return nil, err
	}
	logins := make([]broker.Login, 0, len(list))
	for _, l := range list {
		collector, err := broker.CollectorOfUser(l.User)
		if err != nil {
			return nil, fmt.Errorf("login %s: %w", l.User, err)
		}
		logins = append(logins, broker.Login{User: l.User, Collector: collector, PasswordHash: l.PasswordHash})
	}
	return logins, nil
}
