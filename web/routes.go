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

	"fadeledger/web/api"
)

// contentPolicy lets a page load its own style sheet, module and images, and
// nothing else from anywhere.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func (s *site) routes() http.Handler {
	r := chi.NewRouter()
	r.Use(s.logged, secured, s.recovered, s.named, middleware.GetHead, s.limited)
	r.Use(middleware.Compress(5, "text/html", "text/css", "text/javascript", "text/csv",
		"application/json", "application/problem+json", "image/svg+xml"))
	r.NotFound(s.handleNotFound)
	r.MethodNotAllowed(s.handleMethodNotAllowed)

	r.Get("/healthz", handleHealth)
	r.Get("/readyz", s.handleReady)
	r.Get("/static/{name}", s.assets.handle)
	r.Group(func(r chi.Router) {
		r.Use(within(DefaultPageTimeout))
		r.Get("/", s.handleFleet)
		r.Get("/units/{serial}", s.handleUnit)
		r.Get("/ingest", s.handleIngest)
		r.Get("/ingest/quarantine", s.handleQuarantine)
		if s.cfg.Upkeep != nil {
			r.Post("/ingest/quarantine/release", s.handleRelease)
		}
		r.Get("/about/numbers", s.handleNumbers)
		r.Get("/api", s.handleReference)
	})
	r.Group(func(r chi.Router) {
		r.Use(within(DefaultDownloadTimeout))
		r.Get("/units.csv", s.handleFleetCSV)
		r.Get("/units/{serial}/samples.csv", s.handleSamplesCSV)
		r.Get("/units/{serial}/days.csv", s.handleDaysCSV)
	})
	r.Group(func(r chi.Router) {
		r.Use(within(time.Minute))
		mounted := api.Mount(r, api.Config{
			Ledger: s.cfg.Ledger, Intake: s.cfg.Intake, Registrar: s.cfg.Registrar, Broker: s.cfg.Broker, Upkeep: s.cfg.Upkeep,
			Logger: s.log, Version: s.cfg.Version, MaxBody: s.cfg.MaxBody,
		})
		s.operation = reference(mounted.Document())
	})
	return http.NewCrossOriginProtection().Handler(r)
}

// secured sets the headers that keep a page to itself.
func secured(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		h.Set("Cache-Control", "no-cache")
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

// handleHealth answers GET /healthz: the process runs.
func handleHealth(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = w.Write([]byte("ok\n"))
}

// handleReady answers GET /readyz: the service can work. The reason why not is
// logged, not told.
func (s *site) handleReady(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if s.cfg.Ready != nil {
		ctx, cancel := context.WithTimeout(r.Context(), 5*time.Second)
		defer cancel()
		if err := s.cfg.Ready(ctx); err != nil {
			s.log.Warn("not ready", "err", err)
			w.WriteHeader(http.StatusServiceUnavailable)
			_, _ = w.Write([]byte("not ready\n"))
			return
		}
	}
	_, _ = w.Write([]byte("ready\n"))
}

// isAPI reports whether a request is to the JSON interface.
func isAPI(r *http.Request) bool { return strings.HasPrefix(r.URL.Path, api.Base+"/") }
