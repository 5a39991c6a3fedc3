package web

import (
	"context"
	"net"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"
	"github.com/go-chi/chi/v5/middleware"

	"fadeledger/analytics"
	"fadeledger/web/api"
	"fadeledger/web/metrics"
)

// contentPolicy lets a page load its own style sheet, module and images, and
// nothing else from anywhere.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func (s *site) routes() (http.Handler, error) {
	r := chi.NewRouter()
	r.Use(s.logged, s.secured, s.recovered, s.named, s.sameOrigin(), middleware.GetHead, s.limited)
	r.Use(middleware.Compress(5, "text/html", "text/css", "text/javascript", "text/csv",
		"application/json", "application/problem+json", "application/x-ndjson", "image/svg+xml"))
	r.Use(s.known)
	r.NotFound(s.handleNotFound)
	r.MethodNotAllowed(s.handleMethodNotAllowed)

	r.Group(func(r chi.Router) {
		r.Use(s.open)
		r.Get("/healthz", handleHealth)
		r.Get("/readyz", s.handleReady)
		r.Get("/static/{name}", s.assets.handle)
	})
	r.With(s.may(analytics.RightSeeIngest)).Method(http.MethodGet, "/metrics", metrics.Handler(metrics.Config{
		Ledger: s.cfg.Ledger, Broker: s.cfg.Broker, Version: s.cfg.Version, Logger: s.log, Now: s.cfg.Now,
	}))
	r.Group(func(r chi.Router) {
		r.Use(within(DefaultPageTimeout))
		s.unitRoutes(r)
		s.ingestRoutes(r)
		s.signInRoutes(r)
		s.accountRoutes(r)
		s.peopleRoutes(r)
		s.trailRoutes(r)
		s.collectorRoutes(r)
	})
	r.Group(func(r chi.Router) {
		r.Use(within(DefaultDownloadTimeout))
		s.downloadRoutes(r)
		s.trailLongRoutes(r)
	})
	r.Group(s.registryRoutes)
	var mounted *api.API
	r.Group(func(r chi.Router) {
		r.Use(withinOfAPI, s.somebody, s.seen)
		mounted = api.Mount(r, api.Config{
			Ledger: s.cfg.Ledger, Intake: s.cfg.Intake, Registrar: s.cfg.Registrar, Broker: s.cfg.Broker, Upkeep: s.cfg.Upkeep,
			People: s.cfg.People, Trail: s.cfg.Trail, Collectors: s.cfg.Collectors, Registry: s.cfg.Registry, Allows: s.cfg.Allows, Now: s.cfg.Now,
			Logger: s.log, Version: s.cfg.Version, MaxBody: s.cfg.MaxBody,
		})
		s.operation = reference(mounted.Document())
	})
	return r, undeclared(r, mounted)
}

// unitRoutes are the pages of the fleet and its units.
func (s *site) unitRoutes(r chi.Router) {
	r = r.With(s.may(analytics.RightSeeUnits), s.seen)
	r.Get("/", s.handleFleet)
	r.Get("/about/numbers", s.handleNumbers)
	r.Get("/api", s.handleReference)
	r.Get("/units/{serial}", s.handleUnit)
	r.Get("/units/{serial}/disputes", s.handleDisputes)
	r.Get("/units/{serial}/corrections", s.handleCorrections)
	r.Get("/units/{serial}/corrections/{correction}", s.handleCorrection)
	if s.cfg.Upkeep == nil {
		return
	}
	r = r.With(s.may(analytics.RightCorrect))
	r.Get("/units/{serial}/disputes/choice", s.handleChoice)
	r.Post("/units/{serial}/disputes/choice", s.handleChoose)
	r.Get("/units/{serial}/corrections/new", s.handleNewCorrection)
	// A preview that is loaded again without its form begins anew.
	r.Get("/units/{serial}/corrections/preview", s.handleNewCorrection)
	r.Post("/units/{serial}/corrections/preview", s.handlePreview)
	r.Post("/units/{serial}/corrections", s.handleCorrect)
}

// ingestRoutes are the pages of the way in.
func (s *site) ingestRoutes(r chi.Router) {
	r = r.With(s.may(analytics.RightSeeIngest))
	r.Get("/ingest", s.handleIngest)
	r.Get("/ingest/quarantine", s.handleQuarantine)
	if s.cfg.Upkeep == nil {
		return
	}
	r = r.With(s.may(analytics.RightRelease))
	r.Post("/ingest/quarantine/release", s.handleRelease)
	r.Post("/ingest/alarms/clear", s.handleClearAlarm)
}

// downloadRoutes are files of any length.
func (s *site) downloadRoutes(r chi.Router) {
	units := r.With(s.may(analytics.RightSeeUnits), s.seen)
	units.Get("/units.csv", s.handleFleetCSV)
	units.Get("/units/{serial}/samples.csv", s.handleSamplesCSV)
	units.Get("/units/{serial}/days.csv", s.handleDaysCSV)
}

// sameOrigin refuses whatever could change something and is asked for by a page
// of another origin: by Sec-Fetch-Site, and by Origin where a browser does not
// send it. A program that is no browser sends neither and is let through.
func (s *site) sameOrigin() func(http.Handler) http.Handler {
	protection := http.NewCrossOriginProtection()
	protection.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.writeError(w, r, otherSite)
	}))
	return protection.Handler
}

// secured sets the headers that keep a page to itself.
func (s *site) secured(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		h.Set("Cache-Control", "private, no-cache")
		if s.cfg.Secure {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		next.ServeHTTP(w, r)
	})
}

// named refuses requests for another host than the site's own.
func (s *site) named(next http.Handler) http.Handler {
	if len(s.cfg.Hosts) == 0 {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host := r.Host
		if name, _, err := net.SplitHostPort(host); err == nil {
			host = name
		}
		host = strings.ToLower(strings.Trim(host, "[]"))
		if !slices.Contains(s.cfg.Hosts, host) {
			http.Error(w, "This service does not answer to that name.", http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// limited bounds every request body.
func (s *site) limited(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, s.cfg.MaxBody+1)
		next.ServeHTTP(w, r)
	})
}

// within ends the context of a request after d.
func within(d time.Duration) func(http.Handler) http.Handler {
	return func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			ctx, cancel := context.WithTimeout(r.Context(), d)
			defer cancel()
			next.ServeHTTP(w, r.WithContext(ctx))
		})
	}
}

// withinOfAPI ends an operation after a minute; what reads the whole trail takes
// longer.
func withinOfAPI(next http.Handler) http.Handler {
	short, long := within(time.Minute)(next), within(DefaultDownloadTimeout)(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == api.Base+"/trail/check" {
			long.ServeHTTP(w, r)
			return
		}
		short.ServeHTTP(w, r)
	})
}

// logged notes each request at debug level.
func (s *site) logged(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		start := time.Now()
		ww := middleware.NewWrapResponseWriter(w, r.ProtoMajor)
		next.ServeHTTP(ww, r)
		s.log.Debug("request", "method", r.Method, "path", r.URL.Path, "status", ww.Status(),
			"bytes", ww.BytesWritten(), "took", time.Since(start))
	})
}

// recovered turns a panic into an error page and keeps the process alive.
func (s *site) recovered(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			p := recover()
			if p == nil {
				return
			}
			if p == http.ErrAbortHandler {
				panic(p)
			}
			s.log.Error("panic in a handler", "path", r.URL.Path, "panic", p)
			s.writeErrorPage(w, r, http.StatusInternalServerError)
		}()
		next.ServeHTTP(w, r)
	})
}

// isAPI reports whether a request is to the JSON interface.
func isAPI(r *http.Request) bool { return strings.HasPrefix(r.URL.Path, api.Base+"/") }
