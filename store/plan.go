package store

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
)

// Conflict is one thing of a registration that contradicts what is kept.
type Conflict struct {
	Kind analytics.ChangeKind
	Name string
	// Field is that of the thing, empty where it is the thing as a whole.
	Field string
	// Message says what is wrong, Remedy what to do about it.
	Message, Remedy string
}

// Conflicts are those of a registration, in its order. They match
// analytics.ErrConflict.
type Conflicts []Conflict

// mostConflicts bounds the conflicts that are told.
const mostConflicts = 200

// Error writes one conflict a line.
func (c Conflicts) Error() string {
	lines := make([]string, len(c))
	for i, x := range c {
		lines[i] = fmt.Sprintf("register %s %s: %s; %s", x.Kind, x.Name, x.Message, x.Remedy)
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives analytics.ErrConflict.
func (Conflicts) Unwrap() error { return analytics.ErrConflict }

// Plan says what a registration would change. Nothing is changed, and nobody is
// kept waiting: the plan rests on one state of the database. The error is
// Conflicts where the registration contradicts it; the plan is told even then.
func (db *DB) Plan(ctx context.Context, r Registration) (analytics.Plan, error) {
	tx, err := db.pool.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return analytics.Plan{}, fmt.Errorf("begin: %w", err)
	}
	// It has changed nothing.
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	p, err := planIn(ctx, tx, r, false)
	if err != nil {
		return analytics.Plan{}, err
	}
	return p.Plan, p.err()
}

// planned is a registration held against what is registered: what there is to
// write, and what to tell of it.
type planned struct {
	analytics.Plan
	conflicts Conflicts
	// changes counts all changes, those beyond PlanTold too.
	changes int
	counts  map[analytics.ChangeKind]*analytics.PlanCount
	mark    hash.Hash

	models []analytics.Model
	terms  []analytics.Terms
	sites  []analytics.Site
	added  []*analytics.Unit
	// changed are units that are registered otherwise; remodelled are those of
	// them that are to be of another model.
	changed    []*analytics.Unit
	remodelled map[analytics.Serial]string
	// redefined are models that are registered by another definition.
	redefined []string
}

// kindsInOrder are the kinds of things in the order of the files.
var kindsInOrder = []analytics.ChangeKind{analytics.ChangeModel, analytics.ChangeTerms, analytics.ChangeSite, analytics.ChangeUnit}

// planIn holds a registration against what is registered. With lock nothing
// that it rests on changes before the end of the transaction.
func planIn(ctx context.Context, tx pgx.Tx, r Registration, lock bool) (*planned, error) {
	p := &planned{mark: sha256.New(), counts: map[analytics.ChangeKind]*analytics.PlanCount{}, remodelled: map[analytics.Serial]string{}}
	for _, kind := range kindsInOrder {
		p.counts[kind] = &analytics.PlanCount{Kind: kind}
	}
	if lock {
		// Registrations go one after the other; nothing else changes what is
		// registered.
		if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, registryLock); err != nil {
			return nil, fmt.Errorf("register: %w", mapError(err))
		}
	}
	steps := []func(context.Context, pgx.Tx, Registration) error{p.planModels, p.planTerms, p.planSites, p.planUnits, p.checkReferences}
	for _, step := range steps {
		if err := step(ctx, tx, r); err != nil {
			return nil, err
		}
	}
	if err := p.checkCounted(ctx, tx, lock); err != nil {
		return nil, err
	}
	for _, kind := range kindsInOrder {
		if c := p.counts[kind]; c.New+c.Changed+c.Unchanged > 0 {
			p.Counts = append(p.Counts, *c)
			p.Unchanged += c.Unchanged
		}
	}
	p.More = p.changes - len(p.Changes)
	p.Mark = hex.EncodeToString(p.mark.Sum(nil))
	return p, nil
}

// registryLock is held by whoever registers.
const registryLock = 0x6661646572656773

func (p *planned) err() error {
	if len(p.conflicts) == 0 {
		return nil
	}
	return p.conflicts
}

func (p *planned) conflict(kind analytics.ChangeKind, name, field, message, remedy string) {
	switch {
	case len(p.conflicts) < mostConflicts:
		p.conflicts = append(p.conflicts, Conflict{kind, name, field, message, remedy})
	case len(p.conflicts) == mostConflicts:
		p.conflicts = append(p.conflicts, Conflict{Kind: kind, Name: name, Message: "more is in conflict than is listed here", Remedy: "mend these first"})
	}
}

// named are the fields by which a thing is called or calls others, that
// are not checked otherwise.
var named = map[analytics.ChangeKind][]string{
	analytics.ChangeUnit: {"stack"}, analytics.ChangeSite: {"country", "region", "installer"},
}

// thing notes what a registration does to one thing. before is nil where it is
// new; same is whether both mean the same.
func (p *planned) thing(kind analytics.ChangeKind, name string, before, after []catalog.Field, same bool) {
	p.feed(string(kind), name)
	p.feedFields(before)
	p.feedFields(after)
	count := p.counts[kind]
	if same {
		count.Unchanged++
		return
	}
	c := analytics.Change{Kind: kind, Name: name, New: before == nil, Fields: catalog.Diff(before, after)}
	if c.New {
		count.New++
		p.refuseFormula(kind, name, keyOf[kind], name)
	} else {
		count.Changed++
	}
	for _, f := range c.Fields {
		if slices.Contains(named[kind], f.Field) {
			p.refuseFormula(kind, name, f.Field, f.After)
		}
	}
	p.changes++
	if len(p.Changes) < analytics.PlanTold {
		p.Changes = append(p.Changes, c)
	}
}

// keyOf is the field that holds the name of a thing.
var keyOf = map[analytics.ChangeKind]string{
	analytics.ChangeModel: "name", analytics.ChangeTerms: "name", analytics.ChangeSite: "site", analytics.ChangeUnit: "unit",
}

// refuseFormula refuses a new name that a spreadsheet would take for a formula:
// these names come out in tables that people open.
func (p *planned) refuseFormula(kind analytics.ChangeKind, name, field, text string) {
	if catalog.LooksLikeFormula(text) {
		p.conflict(kind, name, field, fmt.Sprintf("%q begins as a formula of a spreadsheet does", text), "begin it with a letter or a digit")
	}
}

// feed puts texts into the mark, each with its length, so that no two plans
// give the same bytes.
func (p *planned) feed(texts ...string) {
	var b []byte
	for _, text := range texts {
		b = append(binary.AppendUvarint(b[:0], uint64(len(text))), text...)
		_, _ = p.mark.Write(b) // a hash takes everything
	}
}

func (p *planned) feedFields(fields []catalog.Field) {
	_, _ = p.mark.Write(binary.AppendUvarint(nil, uint64(len(fields))))
	for _, f := range fields {
		p.feed(f.Value)
	}
}

// lastOf gives the things of a list without those that stand again behind them.
func lastOf[T any](list []T, name func(*T) string) []*T {
	last := make(map[string]int, len(list))
	for i := range list {
		last[name(&list[i])] = i
	}
	distinct := make([]*T, 0, len(last))
	for i := range list {
		if last[name(&list[i])] == i {
			distinct = append(distinct, &list[i])
		}
	}
	return distinct
}

func (p *planned) planModels(ctx context.Context, tx pgx.Tx, r Registration) error {
	list := lastOf(r.Models, func(m *analytics.Model) string { return m.Name })
	names := map[string]bool{}
	for _, m := range list {
		names[m.Name] = true
	}
	old, err := loadModels(ctx, tx, names)
	if err != nil {
		return mapError(err)
	}
	for _, m := range list {
		o := old[m.Name]
		same := o != nil && catalog.SameModel(*o, *m)
		var before []catalog.Field
		if o != nil {
			before = catalog.ModelFields(o)
		}
		p.thing(analytics.ChangeModel, m.Name, before, catalog.ModelFields(m), same)
		if !same {
			p.models = append(p.models, *m)
		}
		if o != nil && !same {
			p.redefined = append(p.redefined, m.Name)
		}
	}
	return nil
}

func (p *planned) planTerms(ctx context.Context, tx pgx.Tx, r Registration) error {
	list := lastOf(r.Terms, func(t *analytics.Terms) string { return t.Name })
	names := make([]string, len(list))
	for i, t := range list {
		names[i] = t.Name
	}
	old, err := loadDefinitions[analytics.Terms](ctx, tx, `SELECT name, definition FROM terms WHERE name = ANY ($1)`, names)
	if err != nil {
		return fmt.Errorf("load terms: %w", mapError(err))
	}
	for _, t := range list {
		o := old[t.Name]
		if o == nil {
			p.thing(analytics.ChangeTerms, t.Name, nil, catalog.TermsFields(t), false)
			p.terms = append(p.terms, *t)
			continue
		}
		before, after := catalog.TermsFields(o), catalog.TermsFields(t)
		same := catalog.SameTerms(*o, *t)
		p.thing(analytics.ChangeTerms, t.Name, before, after, same)
		if same {
			continue
		}
		field := ""
		if diff := catalog.Diff(before, after); len(diff) > 0 {
			field = diff[0].Field
		}
		p.conflict(analytics.ChangeTerms, t.Name, field, "an edition never changes once it is registered", "register the new one under another name")
	}
	return nil
}

func (p *planned) planSites(ctx context.Context, tx pgx.Tx, r Registration) error {
	list := lastOf(r.Sites, func(s *analytics.Site) string { return s.Name })
	for chunk := range slices.Chunk(list, unitBatch) {
		names := make([]string, len(chunk))
		for i, s := range chunk {
			names[i] = s.Name
		}
		old, err := loadDefinitions[analytics.Site](ctx, tx, `SELECT name, definition FROM site WHERE name = ANY ($1)`, names)
		if err != nil {
			return fmt.Errorf("load sites: %w", mapError(err))
		}
		for _, s := range chunk {
			o := old[s.Name]
			var before []catalog.Field
			if o != nil {
				before = catalog.SiteFields(o)
			}
			same := o != nil && *o == *s
			p.thing(analytics.ChangeSite, s.Name, before, catalog.SiteFields(s), same)
			if !same {
				p.sites = append(p.sites, *s)
			}
		}
	}
	return nil
}

func (p *planned) planUnits(ctx context.Context, tx pgx.Tx, r Registration) error {
	list := lastOf(r.Units, func(u *analytics.Unit) string { return string(u.Serial) })
	for chunk := range slices.Chunk(list, unitBatch) {
		serials := make([]string, len(chunk))
		for i, u := range chunk {
			serials[i] = string(u.Serial)
		}
		registered, err := units(ctx, tx, `WHERE serial = ANY ($1)`, serials)
		if err != nil {
			return fmt.Errorf("find registered units: %w", mapError(err))
		}
		old := make(map[analytics.Serial]*analytics.Unit, len(registered))
		for i := range registered {
			old[registered[i].Serial] = &registered[i]
		}
		for _, u := range chunk {
			p.planUnit(old[u.Serial], u)
		}
	}
	return nil
}

func (p *planned) planUnit(o, u *analytics.Unit) {
	after := catalog.UnitFields(u)
	if o == nil {
		p.thing(analytics.ChangeUnit, string(u.Serial), nil, after, false)
		p.added = append(p.added, u)
		return
	}
	before := catalog.UnitFields(o)
	same := slices.Equal(before, after)
	p.thing(analytics.ChangeUnit, string(u.Serial), before, after, same)
	if same {
		return
	}
	p.changed = append(p.changed, u)
	if o.Model != u.Model {
		p.remodelled[u.Serial] = o.Model
	}
}
