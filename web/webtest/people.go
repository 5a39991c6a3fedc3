package webtest

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"

	"fadeledger/analytics"
)

// People keeps people, sessions and tokens in memory. Err, where set, is
// answered to every question.
type People struct {
	mu    sync.Mutex
	Known []analytics.Person
	Live  []analytics.Session
	Made  []analytics.Token
	Codes map[[32]byte]analytics.Code
	Sites []string
	Err   error
	// Hashes are those of the tokens, by ID.
	Hashes map[int64][32]byte
}

// Staff makes a few people: an administrator (1), an invited installer (2), a
// disabled auditor (3) and a service manager (4), with sessions and tokens.
func Staff() *People {
	now := analytics.InstantOf(Now)
	lately, gone, soon := now-3_600_000, now-86_400_000, now+90_000
	day := analytics.Instant(analytics.DayLength)
	return &People{
		Codes: map[[32]byte]analytics.Code{}, Hashes: map[int64][32]byte{}, Sites: []string{"Northlight Electric", "Quarry & Sons"},
		Known: []analytics.Person{
			{ID: 1, Login: "e.koski", Name: "E. Koski", Email: "e.koski@home.example", Role: analytics.RoleAdministrator, HasPassword: true, HasIdentity: true, CreatedAt: gone, LastSignIn: &lately},
			{ID: 2, Login: "t.salo", Name: "T. Salo", Role: analytics.RoleInstaller, Organisation: "Northlight Electric", CreatedAt: gone},
			{ID: 3, Login: "r.lind", Name: "R. Lind", Role: analytics.RoleAuditor, HasPassword: true, CreatedAt: gone, DisabledAt: &lately},
			{ID: 4, Login: "m.aalto", Name: "M. Aalto", Role: analytics.RoleServiceManager, HasPassword: true, CreatedAt: gone, LastSignIn: &gone, WaitsUntil: &soon},
		},
		Live: []analytics.Session{
			{ID: 11, Person: 1, StartedAt: lately, SeenAt: now - 30_000, ExpiresAt: now + day/2, Address: "192.0.2.7", Agent: "Firefox 141 on Linux"},
			{ID: 12, Person: 1, StartedAt: gone, SeenAt: lately, ExpiresAt: now + day/4, Address: "2001:db8::17", Agent: ""},
			{ID: 13, Person: 4, StartedAt: lately, SeenAt: lately, ExpiresAt: now + day/4, Address: "192.0.2.9", Agent: "Safari 19"},
		},
		Made: []analytics.Token{
			{ID: 21, Name: "roof gateway", Rights: []analytics.Right{analytics.RightDeliver}, Collector: "rooftop_gw", MadeBy: "e.koski", CreatedAt: gone, ExpiresAt: now + 60*day, LastUsedAt: &lately},
			{ID: 22, Name: "monitor", Rights: []analytics.Right{analytics.RightSeeIngest, analytics.RightSeeUnits}, MadeBy: "e.koski", CreatedAt: gone, ExpiresAt: now - day},
			{ID: 23, Name: "old script", Rights: []analytics.Right{analytics.RightSeeUnits}, Organisation: "Quarry & Sons", MadeBy: "e.koski", CreatedAt: gone, ExpiresAt: now + day, RevokedAt: &lately},
		},
	}
}

// People answers everybody.
func (p *People) People(context.Context) ([]analytics.Person, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.Known), p.Err
}

func (p *People) find(id int64) (*analytics.Person, error) {
	if p.Err != nil {
		return nil, p.Err
	}
	for i := range p.Known {
		if p.Known[i].ID == id {
			return &p.Known[i], nil
		}
	}
	return nil, fmt.Errorf("person %d: %w", id, analytics.ErrNotFound)
}

// Person answers one.
func (p *People) Person(_ context.Context, id int64) (analytics.Person, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	found, err := p.find(id)
	if err != nil {
		return analytics.Person{}, err
	}
	return *found, nil
}

// AddPerson takes a person whose login and email nobody has.
func (p *People) AddPerson(_ context.Context, added analytics.Person) (analytics.Person, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.Err != nil {
		return added, p.Err
	}
	for _, x := range p.Known {
		if strings.EqualFold(x.Login, added.Login) || added.Email != "" && x.Email == added.Email {
			return added, fmt.Errorf("login %s: %w", added.Login, analytics.ErrConflict)
		}
	}
	added.ID = int64(len(p.Known) + 1)
	p.Known = append(p.Known, added)
	return added, nil
}

// last reports whether a person is the only administrator who may sign in.
func (p *People) last(id int64) bool {
	return !slices.ContainsFunc(p.Known, func(x analytics.Person) bool {
		return x.ID != id && x.Role == analytics.RoleAdministrator && x.DisabledAt == nil
	})
}

// ChangePerson keeps the change unless it leaves no administrator.
func (p *People) ChangePerson(_ context.Context, c analytics.Person) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	x, err := p.find(c.ID)
	if err != nil {
		return err
	}
	if c.Role != analytics.RoleAdministrator && p.last(c.ID) {
		return fmt.Errorf("the last administrator: %w", analytics.ErrConflict)
	}
	x.Name, x.Email, x.Role, x.Organisation = c.Name, c.Email, c.Role, c.Organisation
	return nil
}

// DisablePerson keeps the change unless it leaves no administrator.
func (p *People) DisablePerson(_ context.Context, id int64, disable bool) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	x, err := p.find(id)
	switch now := analytics.InstantOf(Now); {
	case err != nil:
		return err
	case disable && p.last(id):
		return fmt.Errorf("the last administrator: %w", analytics.ErrConflict)
	case disable:
		x.DisabledAt = &now
	default:
		x.DisabledAt = nil
	}
	return nil
}

// AddCode keeps a code.
func (p *People) AddCode(_ context.Context, hash [32]byte, c analytics.Code) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.Err == nil {
		p.Codes[hash] = c
	}
	return p.Err
}

// Sessions answers those of a person.
func (p *People) Sessions(_ context.Context, person int64) ([]analytics.Session, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	list := slices.Clone(p.Live)
	return slices.DeleteFunc(list, func(x analytics.Session) bool { return x.Person != person }), p.Err
}

// EndSessions ends the one with an id, or all but keep.
func (p *People) EndSessions(_ context.Context, person, id, keep int64) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.Live = slices.DeleteFunc(p.Live, func(x analytics.Session) bool {
		return x.Person == person && (id == x.ID || id == 0 && x.ID != keep)
	})
	return p.Err
}

// Organisations answers the installers that are set.
func (p *People) Organisations(context.Context) ([]string, error) { return p.Sites, p.Err }

// Tokens answers all of them.
func (p *People) Tokens(context.Context) ([]analytics.Token, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.Made), p.Err
}

// AddToken keeps a token.
func (p *People) AddToken(_ context.Context, hash [32]byte, t analytics.Token) (analytics.Token, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.Err != nil {
		return t, p.Err
	}
	t.ID = int64(len(p.Made) + 21)
	p.Made, p.Hashes[t.ID] = append(p.Made, t), hash
	return t, nil
}

// RevokeToken revokes one that is valid.
func (p *People) RevokeToken(_ context.Context, id int64) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := analytics.InstantOf(Now)
	for i := range p.Made {
		if t := &p.Made[i]; t.ID == id && t.RevokedAt == nil && p.Err == nil {
			t.RevokedAt = &now
			return nil
		}
	}
	if p.Err != nil {
		return p.Err
	}
	return fmt.Errorf("token %d: %w", id, analytics.ErrNotFound)
}
