package access

import (
	"context"
	"errors"
	"strings"
	"sync"

	"fadeledger/analytics"
)

// memory is a Store that forgets everything. Its clock is the test's.
type memory struct {
	mu       sync.Mutex
	now      func() analytics.Instant
	people   map[int64]*analytics.Person
	hashes   map[int64]string
	links    map[string]int64
	attempts map[string]int
	waits    map[string]analytics.Instant
	sessions map[[32]byte]*kept
	saves    int
	lastID   int64
	tokens   map[[32]byte]*analytics.Token
	codes    map[[32]byte]*analytics.Code
	trail    []analytics.TrailEntry
	// mute makes the trail fail, broken everything else.
	mute, broken bool
	asked        int
}

type kept struct {
	analytics.Session
	data []byte
}

var errDown = errors.New("the database is away")

func newMemory(now func() analytics.Instant) *memory {
	return &memory{
		now: now, people: map[int64]*analytics.Person{}, hashes: map[int64]string{}, links: map[string]int64{},
		attempts: map[string]int{}, waits: map[string]analytics.Instant{}, sessions: map[[32]byte]*kept{},
		tokens: map[[32]byte]*analytics.Token{}, codes: map[[32]byte]*analytics.Code{},
	}
}

// lock counts a question and gives the unlock.
func (m *memory) lock() func() {
	m.mu.Lock()
	m.asked++
	return m.mu.Unlock
}

func (m *memory) BeginSignIn(_ context.Context, login string) (Attempt, error) {
	defer m.lock()()
	key := strings.ToLower(login)
	if m.broken {
		return Attempt{}, errDown
	}
	if until := m.waits[key]; until > m.now() {
		return Attempt{WaitUntil: until}, nil
	}
	if m.attempts[key]++; m.attempts[key] >= 5 {
		m.waits[key] = m.now() + analytics.Instant(30*analytics.Second)
	}
	for id, p := range m.people {
		if strings.EqualFold(p.Login, login) && p.DisabledAt == nil {
			return Attempt{Person: *p, PasswordHash: m.hashes[id]}, nil
		}
	}
	return Attempt{}, nil
}

func (m *memory) EndSignIn(_ context.Context, person int64) error {
	defer m.lock()()
	key := strings.ToLower(m.people[person].Login)
	delete(m.attempts, key)
	delete(m.waits, key)
	return nil
}

func (m *memory) SignedIn(_ context.Context, person int64) (analytics.Person, error) {
	defer m.lock()()
	if m.broken {
		return analytics.Person{}, errDown
	}
	p, ok := m.people[person]
	if !ok || p.DisabledAt != nil {
		return analytics.Person{}, analytics.ErrNotFound
	}
	return *p, nil
}

func (m *memory) PersonByIdentity(_ context.Context, issuer, subject, email string) (analytics.Person, error) {
	defer m.lock()()
	if id := m.links[issuer+" "+subject]; id != 0 {
		return *m.people[id], nil
	}
	for id, p := range m.people {
		if email != "" && strings.EqualFold(p.Email, email) && !p.HasIdentity {
			p.HasIdentity = true
			m.links[issuer+" "+subject] = id
			return *p, nil
		}
	}
	return analytics.Person{}, analytics.ErrNotFound
}

func (m *memory) SetPassword(ctx context.Context, person int64, hash string, keep int64) error {
	defer m.lock()()
	m.hashes[person] = hash
	for h, s := range m.sessions {
		if s.Person == person && s.ID != keep {
			delete(m.sessions, h)
		}
	}
	return m.record(ctx, analytics.DeedChanged, "person "+m.people[person].Login, "the password")
}

func (m *memory) RenewHash(_ context.Context, person int64, old, new string) error {
	defer m.lock()()
	if m.hashes[person] == old {
		m.hashes[person] = new
	}
	return nil
}

func (m *memory) AnyAdministrator(context.Context) (bool, error) {
	defer m.lock()()
	for _, p := range m.people {
		if p.Role == analytics.RoleAdministrator && p.DisabledAt == nil {
			return true, nil
		}
	}
	return false, nil
}

func (m *memory) AddFirstCode(_ context.Context, hash [32]byte, c analytics.Code) error {
	defer m.lock()()
	m.codes[hash] = &c
	return nil
}

func (m *memory) Code(_ context.Context, hash [32]byte) (analytics.Code, error) {
	defer m.lock()()
	c, ok := m.codes[hash]
	if !ok || c.ExpiresAt <= m.now() {
		return analytics.Code{}, analytics.ErrNotFound
	}
	return *c, nil
}

func (m *memory) UseCode(ctx context.Context, hash [32]byte, first analytics.Person, password string) (analytics.Person, error) {
	defer m.lock()()
	c, ok := m.codes[hash]
	if !ok || c.ExpiresAt <= m.now() {
		return analytics.Person{}, analytics.ErrNotFound
	}
	p := c.Person
	if c.Kind == analytics.CodeFirst {
		for _, other := range m.people {
			if strings.EqualFold(other.Login, first.Login) {
				return p, analytics.ErrConflict
			}
		}
		p = analytics.Person{ID: int64(1000 + len(m.people)), Login: first.Login, Name: first.Name, Role: analytics.RoleAdministrator}
		m.people[p.ID] = &p
	}
	delete(m.codes, hash)
	m.hashes[p.ID] = password
	return p, m.record(as(ctx, p), analytics.DeedChanged, "person "+p.Login, "the password")
}

func (m *memory) SaveSession(_ context.Context, hash [32]byte, s analytics.Session, data []byte) error {
	defer m.lock()()
	if m.broken {
		return errDown
	}
	m.saves++
	if s.ID != 0 {
		if old, ok := m.sessions[hash]; ok && old.ID == s.ID {
			m.sessions[hash] = &kept{s, data}
		}
		return nil
	}
	m.lastID++
	s.ID = m.lastID
	m.sessions[hash] = &kept{s, data}
	return nil
}

func (m *memory) FindSession(_ context.Context, hash [32]byte) (int64, []byte, error) {
	defer m.lock()()
	if m.broken {
		return 0, nil, errDown
	}
	// The end of a session is left to the gate here, to see that it looks, too.
	s, ok := m.sessions[hash]
	if !ok {
		return 0, nil, nil
	}
	return s.ID, s.data, nil
}

func (m *memory) DropSession(_ context.Context, hash [32]byte) error {
	defer m.lock()()
	delete(m.sessions, hash)
	return nil
}

func (m *memory) TokenByHash(_ context.Context, hash [32]byte) (analytics.Token, error) {
	defer m.lock()()
	if m.broken {
		return analytics.Token{}, errDown
	}
	t, ok := m.tokens[hash]
	if !ok {
		return analytics.Token{}, analytics.ErrNotFound
	}
	return *t, nil
}

func (m *memory) Record(ctx context.Context, deed analytics.Deed, object, detail string) error {
	defer m.lock()()
	return m.record(ctx, deed, object, detail)
}

func (m *memory) record(ctx context.Context, deed analytics.Deed, object, detail string) error {
	if m.mute {
		return errDown
	}
	p := analytics.PrincipalOf(ctx)
	m.trail = append(m.trail, analytics.TrailEntry{
		Who: p.Name, Kind: p.Kind, Role: p.Role, Address: p.Address, Deed: deed, Object: object, Detail: detail,
	})
	return nil
}

// deeds tells the trail as "who deed object".
func (m *memory) deeds() []string {
	defer m.lock()()
	var told []string
	for _, e := range m.trail {
		told = append(told, strings.TrimSpace(e.Who+" "+string(e.Deed)+" "+e.Object))
	}
	return told
}

func (m *memory) rows() int { defer m.lock()(); return len(m.sessions) }
