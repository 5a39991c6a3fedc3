package api

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

// CollectorDetailBody is a collector as it is set up and as it was heard of.
type CollectorDetailBody struct {
	Name       string      `json:"name"`
	Taking     string      `json:"taking,omitempty" enum:"any,bound,first-come" doc:"absent where it is not set up: then it may deliver any unit"`
	Prefixes   []string    `json:"prefixes" doc:"beginnings of the serials that it may deliver where they are bound to nobody"`
	Bound      int64       `json:"bound" doc:"units that are bound to it"`
	Asking     int64       `json:"asking" doc:"units that it delivers and that wait for approval"`
	Profile    string      `json:"profile,omitempty" doc:"hash of the profile that it is read by; absent for the plain contract"`
	Deliveries int64       `json:"deliveries"`
	LastStored *time.Time  `json:"last_stored"`
	Logins     []LoginBody `json:"logins"`
}

// LoginBody is a login for the broker without its password.
type LoginBody struct {
	User      string    `json:"user"`
	MadeBy    string    `json:"made_by"`
	CreatedAt time.Time `json:"created_at"`
}

// AskingBody is a unit that a collector asks to be bound to.
type AskingBody struct {
	Unit      string    `json:"unit"`
	Collector string    `json:"collector"`
	FirstAt   time.Time `json:"first_at"`
	LastAt    time.Time `json:"last_at"`
	Samples   int64     `json:"samples" doc:"samples that wait in quarantine"`
	Others    []string  `json:"others" doc:"collectors that the unit is bound to"`
}

type collectorPath struct {
	Collector string `path:"collector" pattern:"^[A-Za-z0-9_-]{1,64}$"`
}

type collectorsOutput struct {
	Body struct {
		Collectors []CollectorDetailBody `json:"collectors"`
	}
}

type collectorOutput struct{ Body CollectorDetailBody }

type setUpInput struct {
	Collector string `path:"collector" pattern:"^[A-Za-z0-9_-]{1,64}$"`
	Body      struct {
		Taking   string   `json:"taking" enum:"any,bound,first-come" doc:"any: every unit; bound: those bound to it and those of its prefixes; first-come: the same, and what else it delivers asks for approval"`
		Prefixes []string `json:"prefixes,omitempty" maxItems:"200" doc:"beginnings of serials"`
	}
}

type unitsOfInput struct {
	Collector string `path:"collector" pattern:"^[A-Za-z0-9_-]{1,64}$"`
	After     string `query:"after" doc:"only serials that come after this one"`
	Limit     int    `query:"limit" minimum:"1" maximum:"1000" default:"200"`
}

type unitsOfOutput struct {
	Body struct {
		Units []string `json:"units"`
		Next  string   `json:"next,omitempty" doc:"give it as after for the next page; absent on the last"`
	}
}

type bindInput struct {
	Collector string `path:"collector" pattern:"^[A-Za-z0-9_-]{1,64}$"`
	Body      struct {
		Units []string `json:"units" minItems:"1" maxItems:"5000" doc:"serials"`
		Bind  bool     `json:"bind" doc:"true binds them to the collector, false lets them go"`
	}
}

type decideInput struct {
	Collector string `path:"collector" pattern:"^[A-Za-z0-9_-]{1,64}$"`
	Body      struct {
		Units   []string `json:"units" minItems:"1" maxItems:"5000" doc:"serials"`
		Approve bool     `json:"approve" doc:"true binds them to the collector and counts what is held, false leaves it in quarantine"`
	}
}

type askingInput struct {
	Limit int `query:"limit" minimum:"1" maximum:"1000" default:"200"`
}

type askingOutput struct {
	Body struct {
		Asking []AskingBody `json:"asking"`
	}
}

type loginOutput struct {
	Cache string `header:"Cache-Control"`
	Body  struct {
		User     string `json:"user" doc:"user name for the broker; answers come to _INBOX_ and the collector's name"`
		Password string `json:"password" doc:"told this once"`
	}
}

type dropLoginInput struct {
	Collector string `path:"collector" pattern:"^[A-Za-z0-9_-]{1,64}$"`
	User      string `path:"user" pattern:"^[A-Za-z0-9_-]{1,64}(\\.[0-9]{1,9})?$"`
}

type profileTextOutput struct {
	ContentType string `header:"Content-Type"`
	Body        []byte
}

// CollectorTools is what pages about collectors can do where the port has it.
type CollectorTools interface {
	// TryProfile says what a profile makes of some lines of a file, which may
	// be none; nothing is kept. analytics.ErrInvalid says what is wrong with it.
	TryProfile(ctx context.Context, collector string, body, lines []byte) (ProfileTrial, error)
	// BoundLike gives serials bound to a collector that begin with a text.
	BoundLike(ctx context.Context, collector, beginning string, after analytics.Serial, limit int) ([]analytics.Serial, error)
}

// ProfileTrial is what a profile makes of some lines.
type ProfileTrial struct {
	// Samples counts the rows that can be read, Quarantined those that would be
	// held, by reason.
	Samples     int64
	Quarantined map[string]int64
	Notes       []string
}

const collectorsTag = "Collectors"

func (a *API) registerCollectors() {
	see := func(id, path, summary, description string) huma.Operation {
		op := needs(analytics.RightSeeIngest, read(id, path, collectorsTag, summary, description))
		op.Errors = []int{404, 503}
		return op
	}
	change := func(id, method, path, summary, description string) huma.Operation {
		return needs(analytics.RightCollect, huma.Operation{
			OperationID: id, Method: method, Path: Base + path, Tags: []string{collectorsTag}, Summary: summary, Description: description,
			DefaultStatus: http.StatusNoContent, Errors: []int{404, 409, 422, 503},
		})
	}
	huma.Register(a.huma, see("collectors", "/collectors", "List collectors", "Those that are set up and those that were heard of."), a.handleCollectors)
	huma.Register(a.huma, see("collector", "/collectors/{collector}", "Show a collector", ""), a.handleCollector)
	huma.Register(a.huma, see("collector-profile", "/collectors/{collector}/profile", "Show the profile that a collector is read by",
		"Empty for the plain contract."), a.handleCollectorProfile)
	huma.Register(a.huma, see("collector-units", "/collectors/{collector}/units", "List the units bound to a collector", "In ascending order."), a.handleUnitsOf)
	huma.Register(a.huma, see("asking", "/asking", "List the units that collectors ask to be bound to",
		"Those that have waited longest come first; what was refused is not listed."), a.handleAsking)
	huma.Register(a.huma, change("set-up-collector", http.MethodPut, "/collectors/{collector}", "Say what a collector may deliver",
		"It takes the place of what was said before. What it delivers beyond waits in quarantine as foreign-unit."), a.handleSetUp)
	huma.Register(a.huma, change("bind-units", http.MethodPost, "/collectors/{collector}/units", "Bind units to a collector, or let them go",
		"All of them or, where one is not registered, none. What is held of units that are bound is counted within some seconds."), a.handleBind)
	huma.Register(a.huma, change("decide-asking", http.MethodPost, "/collectors/{collector}/asking", "Approve or refuse what a collector asks for",
		"All of it or, where it does not ask for one, nothing."), a.handleDecide)
	add := change("add-login", http.MethodPost, "/collectors/{collector}/logins", "Let a collector sign in to the broker",
		"A second login lets the password be changed without a pause: add it, change the collector over, drop the first.")
	add.DefaultStatus = http.StatusCreated
	huma.Register(a.huma, add, a.handleAddLogin)
	huma.Register(a.huma, change("drop-login", http.MethodDelete, "/collectors/{collector}/logins/{user}", "End a login",
		"Its connections are cut off within some seconds where the broker runs in the service."), a.handleDropLogin)
}

var errNoCollectors = huma.Error503ServiceUnavailable("this process sets up no collectors")

func collectorBody(c *analytics.Collector) CollectorDetailBody {
	b := CollectorDetailBody{Name: c.Name, Taking: string(c.Taking), Prefixes: append([]string{}, c.Prefixes...), Bound: c.Bound, Asking: c.Asking,
		Profile: c.ProfileHash, Deliveries: c.Deliveries, LastStored: instant(c.LastStored), Logins: []LoginBody{}}
	for _, l := range c.Logins {
		b.Logins = append(b.Logins, LoginBody{l.User, l.MadeBy, l.CreatedAt.Time()})
	}
	return b
}

func (a *API) handleCollectors(ctx context.Context, _ *struct{}) (*collectorsOutput, error) {
	if a.cfg.Collectors == nil {
		return nil, errNoCollectors
	}
	list, err := a.cfg.Collectors.Collectors(ctx)
	if err != nil {
		return nil, a.problem("list collectors", err)
	}
	out := &collectorsOutput{}
	out.Body.Collectors = make([]CollectorDetailBody, len(list))
	for i := range list {
		out.Body.Collectors[i] = collectorBody(&list[i])
	}
	return out, nil
}

func (a *API) handleCollector(ctx context.Context, in *collectorPath) (*collectorOutput, error) {
	if a.cfg.Collectors == nil {
		return nil, errNoCollectors
	}
	c, err := a.cfg.Collectors.Collector(ctx, in.Collector)
	if err != nil {
		return nil, a.problem("show collector", err)
	}
	return &collectorOutput{collectorBody(&c)}, nil
}

func (a *API) handleCollectorProfile(ctx context.Context, in *collectorPath) (*profileTextOutput, error) {
	if a.cfg.Collectors == nil {
		return nil, errNoCollectors
	}
	text, err := a.cfg.Collectors.Profile(ctx, in.Collector)
	if err != nil {
		return nil, a.problem("show profile", err)
	}
	return &profileTextOutput{"application/yaml", append([]byte{}, text...)}, nil
}

func (a *API) handleUnitsOf(ctx context.Context, in *unitsOfInput) (*unitsOfOutput, error) {
	if a.cfg.Collectors == nil {
		return nil, errNoCollectors
	}
	list, err := a.cfg.Collectors.Bound(ctx, in.Collector, analytics.Serial(in.After), in.Limit)
	if err != nil {
		return nil, a.problem("list units of collector", err)
	}
	out := &unitsOfOutput{}
	out.Body.Units = make([]string, len(list))
	for i, s := range list {
		out.Body.Units[i] = string(s)
	}
	if len(list) == in.Limit {
		out.Body.Next = string(list[len(list)-1])
	}
	return out, nil
}

func (a *API) handleAsking(ctx context.Context, in *askingInput) (*askingOutput, error) {
	if a.cfg.Collectors == nil {
		return nil, errNoCollectors
	}
	list, err := a.cfg.Collectors.Asking(ctx, in.Limit)
	if err != nil {
		return nil, a.problem("list what collectors ask for", err)
	}
	out := &askingOutput{}
	out.Body.Asking = make([]AskingBody, len(list))
	for i, b := range list {
		out.Body.Asking[i] = AskingBody{string(b.Serial), b.Collector, b.FirstAt.Time(), b.LastAt.Time(), b.Samples, append([]string{}, b.Others...)}
	}
	return out, nil
}

func (a *API) handleSetUp(ctx context.Context, in *setUpInput) (*struct{}, error) {
	if a.cfg.Collectors == nil {
		return nil, errNoCollectors
	}
	err := a.cfg.Collectors.SetUp(ctx, analytics.Collector{Name: in.Collector, Taking: analytics.CollectorTaking(in.Body.Taking), Prefixes: in.Body.Prefixes})
	if err != nil {
		return nil, a.problem("set up collector", err)
	}
	return &struct{}{}, nil
}

func serialsOf(list []string) []analytics.Serial {
	serials := make([]analytics.Serial, len(list))
	for i, s := range list {
		serials[i] = analytics.Serial(s)
	}
	return serials
}

func (a *API) handleBind(ctx context.Context, in *bindInput) (*struct{}, error) {
	if a.cfg.Collectors == nil {
		return nil, errNoCollectors
	}
	if err := a.cfg.Collectors.Bind(ctx, in.Collector, serialsOf(in.Body.Units), in.Body.Bind); err != nil {
		return nil, a.problem("bind units", err)
	}
	return &struct{}{}, nil
}

func (a *API) handleDecide(ctx context.Context, in *decideInput) (*struct{}, error) {
	if a.cfg.Collectors == nil {
		return nil, errNoCollectors
	}
	if err := a.cfg.Collectors.Decide(ctx, in.Collector, serialsOf(in.Body.Units), in.Body.Approve); err != nil {
		return nil, a.problem("decide what a collector asks for", err)
	}
	return &struct{}{}, nil
}

func (a *API) handleAddLogin(ctx context.Context, in *collectorPath) (*loginOutput, error) {
	if a.cfg.Collectors == nil {
		return nil, errNoCollectors
	}
	login, password, err := a.cfg.Collectors.AddLogin(ctx, in.Collector)
	if err != nil {
		return nil, a.problem("add login", err)
	}
	out := &loginOutput{Cache: "no-store"}
	out.Body.User, out.Body.Password = login.User, password
	return out, nil
}

func (a *API) handleDropLogin(ctx context.Context, in *dropLoginInput) (*struct{}, error) {
	if a.cfg.Collectors == nil {
		return nil, errNoCollectors
	}
	if in.User != in.Collector && !hasPoint(in.User, in.Collector) {
		return nil, huma.Error404NotFound("login " + in.User + " is not one of collector " + in.Collector)
	}
	if err := a.cfg.Collectors.DropLogin(ctx, in.User); err != nil {
		return nil, a.problem("drop login", err)
	}
	return &struct{}{}, nil
}

// hasPoint reports whether a user is a collector's name with a point behind it.
func hasPoint(user, collector string) bool {
	return len(user) > len(collector) && user[:len(collector)+1] == collector+"."
}
