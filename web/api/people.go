package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/mail"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
	"fadeledger/web/access"
)

// How long one-time codes hold.
const (
	InvitationHolds = 7 * 24 * time.Hour
	RecoveryHolds   = 24 * time.Hour
)

// longestName bounds the names of people, organisations and tokens, in
// characters.
const longestName = 200

// FieldProblem says what is wrong with a field that somebody typed or sent.
type FieldProblem struct{ Field, Message string }

var loginPattern = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._@+-]{0,63}$`)

// LoginProblem says what is wrong with a login, nothing where it is right.
func LoginProblem(login string) string {
	switch {
	case login == "":
		return "The login is missing."
	case !loginPattern.MatchString(login):
		return "A login begins with a letter or digit and holds letters without accents, digits and . _ @ + - only, at most 64 of them."
	}
	return ""
}

// NameProblem says what is wrong with a person's name.
func NameProblem(name string) string {
	switch {
	case name == "":
		return "The name is missing."
	case utf8.RuneCountInString(name) > longestName:
		return fmt.Sprintf("The name is too long: at most %d characters are kept.", longestName)
	}
	return ""
}

// PersonProblems says what is wrong with a person who is to be added or changed.
func PersonProblems(p *analytics.Person) []FieldProblem {
	var list []FieldProblem
	add := func(field, message string) {
		if message != "" {
			list = append(list, FieldProblem{field, message})
		}
	}
	add("login", LoginProblem(p.Login))
	add("name", NameProblem(p.Name))
	if p.Email != "" {
		if a, err := mail.ParseAddress(p.Email); err != nil || a.Address != p.Email || len(p.Email) > 254 {
			add("email", "This is no email address.")
		}
	}
	known := slices.Contains(analytics.Roles, p.Role)
	if !known {
		add("role", "Choose a role.")
	}
	switch {
	case p.Role == analytics.RoleInstaller && p.Organisation == "":
		add("organisation", "An installer needs an organisation: it sees the sites of that one alone.")
	case known && p.Role != analytics.RoleInstaller && p.Organisation != "":
		add("organisation", "Only installers have an organisation: everybody else sees all sites.")
	case utf8.RuneCountInString(p.Organisation) > longestName:
		add("organisation", fmt.Sprintf("The organisation is too long: at most %d characters are kept.", longestName))
	}
	return list
}

// Invited is a one-time code with whom it is for. Secret is told this once.
type Invited struct {
	Person analytics.Person
	Kind   analytics.CodeKind
	Secret string
	Until  analytics.Instant
}

// Invite adds a person and makes the code that lets it choose a password.
func Invite(ctx context.Context, people People, p analytics.Person, now time.Time) (Invited, error) {
	p.CreatedAt = analytics.InstantOf(now)
	added, err := people.AddPerson(ctx, p)
	if err != nil {
		return Invited{}, fmt.Errorf("add person %s: %w", p.Login, err)
	}
	return NewCode(ctx, people, added, now)
}

// NewCode makes a code for a person: an invitation for one who never had a
// password, else a recovery. analytics.ErrConflict: the person is disabled.
func NewCode(ctx context.Context, people People, p analytics.Person, now time.Time) (Invited, error) {
	if p.DisabledAt != nil {
		return Invited{}, fmt.Errorf("%s is disabled: %w", p.Login, analytics.ErrConflict)
	}
	kind, holds := analytics.CodeInvitation, InvitationHolds
	if p.HasPassword {
		kind, holds = analytics.CodeRecovery, RecoveryHolds
	}
	secret, hash := access.NewCode()
	c := analytics.Code{Kind: kind, Person: p, MadeBy: analytics.PrincipalOf(ctx).Name,
		CreatedAt: analytics.InstantOf(now), ExpiresAt: analytics.InstantOf(now.Add(holds))}
	if err := people.AddCode(ctx, hash, c); err != nil {
		return Invited{}, fmt.Errorf("keep a code for %s: %w", p.Login, err)
	}
	return Invited{Person: p, Kind: kind, Secret: secret, Until: c.ExpiresAt}, nil
}

// PersonBody is somebody who may sign in.
type PersonBody struct {
	ID           int64      `json:"id"`
	Login        string     `json:"login"`
	Name         string     `json:"name"`
	Email        string     `json:"email,omitempty"`
	Role         string     `json:"role" enum:"service-manager,installer,operations,administrator,auditor"`
	Organisation string     `json:"organisation,omitempty" doc:"an installer's; it sees the sites that name it as their installer"`
	Password     bool       `json:"password" doc:"whether there is a password"`
	Identity     bool       `json:"identity" doc:"whether an identity provider vouches for the person"`
	CreatedAt    time.Time  `json:"created_at"`
	LastSignIn   *time.Time `json:"last_sign_in"`
	DisabledAt   *time.Time `json:"disabled_at" doc:"null while the person may sign in"`
}

// CodeBody is a one-time code.
type CodeBody struct {
	Person    PersonBody `json:"person"`
	Kind      string     `json:"kind" enum:"invitation,recovery"`
	Code      string     `json:"code" doc:"told this once; it is used at /welcome"`
	ExpiresAt time.Time  `json:"expires_at"`
}

type personFields struct {
	Name         string `json:"name"`
	Email        string `json:"email,omitempty"`
	Role         string `json:"role"`
	Organisation string `json:"organisation,omitempty"`
}

type peopleOutput struct {
	Body struct {
		People []PersonBody `json:"people"`
	}
}

type inviteInput struct {
	Body struct {
		Login        string `json:"login"`
		Name         string `json:"name"`
		Email        string `json:"email,omitempty" doc:"links the person to an identity provider"`
		Role         string `json:"role" doc:"service-manager, installer, operations, administrator or auditor"`
		Organisation string `json:"organisation,omitempty" doc:"for an installer, and only there"`
	}
}

type codeOutput struct {
	CacheControl string `header:"Cache-Control"`
	Body         CodeBody
}

// PersonPath is the person in the path.
type PersonPath struct {
	ID int64 `path:"person" minimum:"1"`
}

type changePersonInput struct {
	PersonPath
	Body personFields
}

type personOutput struct{ Body PersonBody }

type disableInput struct {
	PersonPath
	Body *struct {
		Disabled *bool `json:"disabled,omitempty" doc:"false lets the person sign in again; true unless given"`
	}
}

// errNoPeople answers where nobody can be managed.
var errNoPeople = huma.Error503ServiceUnavailable("this process manages no people")

func (a *API) registerPeople() {
	post := func(id, path, summary, description string, status int) huma.Operation {
		return needs(analytics.RightPeople, huma.Operation{OperationID: id, Method: http.MethodPost, Path: Base + path, Tags: []string{"People"},
			Summary: summary, Description: description, DefaultStatus: status, Errors: []int{404, 409, 422, 503}})
	}
	huma.Register(a.huma, needs(analytics.RightPeople, read("people", "/people", "People", "Everybody who may sign in", "")), a.handlePeople)
	huma.Register(a.huma, post("invite", "/people", "Invite a person",
		"The code in the answer lets the person choose a password. It is told this once.", http.StatusCreated), a.handleInvite)
	huma.Register(a.huma, post("change-person", "/people/{person}", "Change name, email, role and organisation of a person",
		"All of them are set to what is given. The login stays.", http.StatusOK), a.handleChangePerson)
	huma.Register(a.huma, post("disable-person", "/people/{person}/disable", "Keep a person from signing in, or let it again",
		"Disabling ends all sessions. The last administrator cannot be disabled.", http.StatusOK), a.handleDisablePerson)
	huma.Register(a.huma, post("new-code", "/people/{person}/code", "Make a one-time code for a person",
		"It lets a person who forgot its password choose a new one. Earlier codes of the person end. It is told this once.", http.StatusCreated), a.handleNewCode)
}

func personBody(p *analytics.Person) PersonBody {
	return PersonBody{ID: p.ID, Login: p.Login, Name: p.Name, Email: p.Email, Role: string(p.Role), Organisation: p.Organisation,
		Password: p.HasPassword, Identity: p.HasIdentity, CreatedAt: p.CreatedAt.Time(), LastSignIn: instant(p.LastSignIn), DisabledAt: instant(p.DisabledAt)}
}

// fieldsProblem turns problems into an answer, nil for none.
func fieldsProblem(list []FieldProblem) error {
	if len(list) == 0 {
		return nil
	}
	details := make([]error, len(list))
	for i, p := range list {
		details[i] = &huma.ErrorDetail{Location: "body." + p.Field, Message: p.Message}
	}
	return huma.Error422UnprocessableEntity("nothing was changed", details...)
}

func (a *API) handlePeople(ctx context.Context, _ *struct{}) (*peopleOutput, error) {
	if a.cfg.People == nil {
		return nil, errNoPeople
	}
	list, err := a.cfg.People.People(ctx)
	if err != nil {
		return nil, a.problem("list people", err)
	}
	out := &peopleOutput{}
	out.Body.People = make([]PersonBody, 0, len(list))
	for i := range list {
		out.Body.People = append(out.Body.People, personBody(&list[i]))
	}
	return out, nil
}

func (a *API) handleInvite(ctx context.Context, in *inviteInput) (*codeOutput, error) {
	if a.cfg.People == nil {
		return nil, errNoPeople
	}
	b := in.Body
	p := analytics.Person{Login: strings.TrimSpace(b.Login), Name: strings.TrimSpace(b.Name), Email: strings.TrimSpace(b.Email),
		Role: analytics.Role(b.Role), Organisation: strings.TrimSpace(b.Organisation)}
	if err := fieldsProblem(PersonProblems(&p)); err != nil {
		return nil, err
	}
	made, err := Invite(ctx, a.cfg.People, p, a.cfg.Now())
	return a.codeOutput("invite a person", made, err)
}

func (a *API) codeOutput(doing string, made Invited, err error) (*codeOutput, error) {
	if err != nil {
		return nil, a.problem(doing, err)
	}
	return &codeOutput{CacheControl: "no-store", Body: CodeBody{
		Person: personBody(&made.Person), Kind: string(made.Kind), Code: made.Secret, ExpiresAt: made.Until.Time()}}, nil
}

// person gives a person by its ID.
func (a *API) person(ctx context.Context, id int64) (analytics.Person, error) {
	if a.cfg.People == nil {
		return analytics.Person{}, errNoPeople
	}
	p, err := a.cfg.People.Person(ctx, id)
	if errors.Is(err, analytics.ErrNotFound) {
		return p, huma.Error404NotFound(fmt.Sprintf("there is no person %d", id))
	}
	return p, err
}

func (a *API) handleChangePerson(ctx context.Context, in *changePersonInput) (*personOutput, error) {
	p, err := a.person(ctx, in.ID)
	if err != nil {
		return nil, a.problem("read the person", err)
	}
	b := in.Body
	p.Name, p.Email, p.Role, p.Organisation = strings.TrimSpace(b.Name), strings.TrimSpace(b.Email), analytics.Role(b.Role), strings.TrimSpace(b.Organisation)
	if err := fieldsProblem(PersonProblems(&p)); err != nil {
		return nil, err
	}
	if err := a.cfg.People.ChangePerson(ctx, p); err != nil {
		return nil, a.problem("change the person", err)
	}
	return a.personOutput(ctx, in.ID)
}

func (a *API) personOutput(ctx context.Context, id int64) (*personOutput, error) {
	p, err := a.person(ctx, id)
	if err != nil {
		return nil, a.problem("read the person", err)
	}
	return &personOutput{Body: personBody(&p)}, nil
}

func (a *API) handleDisablePerson(ctx context.Context, in *disableInput) (*personOutput, error) {
	if _, err := a.person(ctx, in.ID); err != nil {
		return nil, a.problem("read the person", err)
	}
	disable := in.Body == nil || in.Body.Disabled == nil || *in.Body.Disabled
	if err := a.cfg.People.DisablePerson(ctx, in.ID, disable); err != nil {
		return nil, a.problem("disable the person", err)
	}
	return a.personOutput(ctx, in.ID)
}

func (a *API) handleNewCode(ctx context.Context, in *PersonPath) (*codeOutput, error) {
	p, err := a.person(ctx, in.ID)
	if err != nil {
		return nil, a.problem("read the person", err)
	}
	made, err := NewCode(ctx, a.cfg.People, p, a.cfg.Now())
	return a.codeOutput("make a code", made, err)
}
