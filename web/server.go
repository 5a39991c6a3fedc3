package web

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"fadeledger/analytics"
	"fadeledger/web/api"
)

// The ports that pages and the JSON interface share.
type (
	// Ledger reads what is stored.
	Ledger = api.Ledger
	// Intake hands a delivery to the broker.
	Intake = api.Intake
	// Registrar registers models, terms, sites and units.
	Registrar = api.Registrar
	// Broker tells the state of the stream.
	Broker = api.Broker
)

// Progress tells how far the history that is being loaded has come.
type Progress struct {
	// Done of Total are there; Total 0 means nothing is being loaded.
	Done, Total int64
	// What is counted, as it stands after the numbers; empty means "deliveries
	// of the history published".
	What string
}

// Config holds what the pages need.
type Config struct {
	// Ledger is required.
	Ledger Ledger
	// Intake, Registrar and Broker may be nil: then their part of the JSON
	// interface answers 503 and the pages say that the broker is not asked.
	Intake    Intake
	Registrar Registrar
	Broker    Broker
	Upkeep    api.Upkeep
	// Registry, Collectors, People and Trail may be nil: then there are no
	// pages of theirs.
	Registry   api.Registry
	Collectors api.Collectors
	People     api.People
	Trail      api.Trail
	// Gate knows who asks. Without it everybody is As, which is for tests
	// alone: there the zero value is nobody, who is let in nowhere.
	Gate Gate
	As   analytics.Principal
	// Allows says what a principal may do; nil means Principal.May. A test of
	// what lies below can switch the checks of pages and interface off with it.
	Allows func(analytics.Principal, analytics.Right) bool
	// Secure says that readers reach the site over https alone.
	Secure bool
	// Ready reports why the service cannot work yet; nil means always ready.
	Ready func(context.Context) error
	// Progress is asked by the fleet page; nil means nothing is loaded.
	Progress func() Progress
	// Banners are short notices above every page, such as "demo data".
	Banners []string
	// Hosts are the host names, without port, under which the site may be
	// asked for; empty means any. A site without sign-in that is bound to
	// loopback should name LoopbackHosts: else a page from elsewhere whose name
	// is made to point at this machine counts as the same origin.
	Hosts []string
	// Address is how people reach the site, such as https://ledger.example; empty
	// takes it from the request.
	Address string
	// Now is the clock; nil means time.Now.
	Now     func() time.Time
	Logger  *slog.Logger
	Version string
	// MaxBody is the largest request body in bytes; 0 means
	// api.DefaultMaxBody.
	MaxBody int64
}

// LoopbackHosts gives the names of the machine for itself.
func LoopbackHosts() []string { return []string{"localhost", "127.0.0.1", "::1"} }

// DefaultPageTimeout ends the work on a page, DefaultDownloadTimeout that on a
// download.
const (
	DefaultPageTimeout     = 20 * time.Second
	DefaultDownloadTimeout = 10 * time.Minute
)

// site is the state that all handlers share; but for the lock and the looks it
// does not change once made.
type site struct {
	cfg       Config
	log       *slog.Logger
	assets    *assets
	templates templates
	operation []operationGroup
	// correcting is held while a correction is made, so that a form that is
	// sent twice at once makes one.
	correcting sync.Mutex
	// looks are what was lately recorded as seen.
	looks looks
}

// New builds the handler of the whole site. It fails on a missing Ledger, on a
// template that does not parse, and on a route that does not say who may use it.
func New(cfg Config) (http.Handler, error) {
	if cfg.Ledger == nil {
		return nil, errors.New("web: a ledger is needed")
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.MaxBody == 0 {
		cfg.MaxBody = api.DefaultMaxBody
	}
	s := &site{cfg: cfg, log: cfg.Logger.With("system", "web")}
	var err error
	if s.assets, err = loadAssets(); err != nil {
		return nil, err
	}
	if s.templates, err = parseTemplates(s.assets); err != nil {
		return nil, err
	}
	return s.routes()
}

// Server wraps a handler with the timeouts that a service on an open network
// needs. The address is left to the caller's listener; log must not be nil.
func Server(h http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       2 * time.Minute,
		WriteTimeout:      DefaultDownloadTimeout + time.Minute,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    64 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
}
