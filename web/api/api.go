package api

import (
	"errors"
	"log/slog"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humachi"
	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
)

// Base is the path below which the interface is answered.
const Base = "/api/v1"

// DefaultMaxBody is the largest body taken by default, in bytes.
const DefaultMaxBody = 8 << 20

// Config holds what the interface needs. Ledger is required; where another
// port is nil, its operation answers 503.
type Config struct {
	Ledger     Ledger
	Intake     Intake
	Registrar  Registrar
	Broker     Broker
	Upkeep     Upkeep
	People     People
	Trail      Trail
	Collectors Collectors
	Registry   Registry
	// Allows says what a principal may do; nil means Principal.May. A test of
	// what lies below can switch these checks off with it.
	Allows func(analytics.Principal, analytics.Right) bool
	// Now is the clock; nil means time.Now.
	Now    func() time.Time
	Logger *slog.Logger
	// Version is the program's version, shown in the document.
	Version string
	// MaxBody is the largest body in bytes; 0 means DefaultMaxBody.
	MaxBody int64
}

// API is the interface mounted on a router.
type API struct {
	cfg  Config
	huma huma.API
}

// Mount registers all operations on the router, which is the root router:
// paths begin with Base. Each is answered to principals with its right alone;
// the context of a request says who asks. The document itself is not guarded. The document is at Base + "/openapi.json".
func Mount(router chi.Router, cfg Config) *API {
	if cfg.MaxBody == 0 {
		cfg.MaxBody = DefaultMaxBody
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	conf := huma.DefaultConfig("fadeledger", cfg.Version)
	conf.Info.Description = "The warranty ledger of home batteries: what each unit has spent, at which pace, and what it was asked to do outside its limits. Energies ending in _mwh are milliwatt-hours."
	conf.OpenAPIPath = Base + "/openapi"
	conf.DocsPath = ""
	conf.SchemasPath = ""
	// Without hooks no $schema link is added to the answers.
	conf.CreateHooks = nil
	conf.RejectUnknownQueryParameters = true
	conf.Components.SecuritySchemes = map[string]*huma.SecurityScheme{"bearer": {
		Type: "http", Scheme: "bearer", Description: "A token of this service. A browser that is signed in needs none.",
	}}
	conf.Security = []map[string][]string{{"bearer": {}}}
	a := &API{cfg: cfg, huma: humachi.New(router, conf)}
	a.huma.UseMiddleware(a.guard)
	a.registerFleet()
	a.registerUnit()
	a.registerCorrections()
	a.registerBooks()
	a.registerIngest()
	a.registerDoors()
	a.registerUpkeep()
	a.registerAlarms()
	a.registerPeople()
	a.registerTokens()
	a.registerTrail()
	a.registerCollectors()
	a.registerRegistry()
	return a
}

// Document gives the OpenAPI document.
func (a *API) Document() *huma.OpenAPI { return a.huma.OpenAPI() }

// read describes an operation that answers a GET.
func read(id, path, tag, summary, description string) huma.Operation {
	return huma.Operation{
		OperationID: id, Method: http.MethodGet, Path: Base + path,
		Tags: []string{tag}, Summary: summary, Description: description,
	}
}

// problem maps an error to a problem document. An error that is not the
// caller's is logged and answered with a neutral text.
func (a *API) problem(doing string, err error) error {
	var status huma.StatusError
	switch {
	case errors.As(err, &status):
		return err
	case errors.Is(err, analytics.ErrNotFound):
		return huma.Error404NotFound(err.Error())
	case errors.Is(err, analytics.ErrDenied):
		// What denied it, such as Postgres, is nothing to tell.
		a.cfg.Logger.Warn("api request denied", "doing", doing, "err", err)
		return huma.Error403Forbidden(analytics.ErrDenied.Error())
	case errors.Is(err, analytics.ErrInvalid):
		return huma.Error422UnprocessableEntity(err.Error())
	case errors.Is(err, analytics.ErrConflict):
		return huma.Error409Conflict(err.Error())
	}
	a.cfg.Logger.Error("api request", "doing", doing, "err", err)
	return huma.Error500InternalServerError("something went wrong on this side while the answer was made (" + doing + "); the log of the service says more")
}

// instant writes an instant as a time, nil for nil.
func instant(i *analytics.Instant) *time.Time {
	if i == nil {
		return nil
	}
	t := i.Time()
	return &t
}

// day writes a day, nil for nil.
func day(d *analytics.Day) *string {
	if d == nil {
		return nil
	}
	s := d.String()
	return &s
}
