package web

import (
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
)

// seenAgain is how long the same look of the same principal is one look.
const seenAgain = 10 * time.Minute

// looksKept bounds the looks that are remembered. Past it some are recorded
// again, which does no harm.
const looksKept = 20_000

// look is what somebody saw.
type look struct {
	kind         analytics.PrincipalKind
	id           int64
	name         string
	role         analytics.Role
	organisation string
	deed         analytics.Deed
	object       string
}

// looks remembers what was recorded lately. The zero value is ready.
type looks struct {
	mu     sync.Mutex
	lately map[look]time.Time
}

// known reports whether a look was recorded within seenAgain.
func (l *looks) known(k look, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	at, ok := l.lately[k]
	return ok && now.Sub(at) < seenAgain
}

// keep remembers a look that is recorded.
func (l *looks) keep(k look, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.lately == nil {
		l.lately = map[look]time.Time{}
	}
	if len(l.lately) >= looksKept {
		for old, at := range l.lately {
			if now.Sub(at) >= seenAgain {
				delete(l.lately, old)
			}
		}
	}
	if len(l.lately) >= looksKept {
		clear(l.lately)
	}
	l.lately[k] = now
}

// seenAt says what a request looks at that the trail tells of; an empty deed is
// nothing. It goes by the pattern of the route: whatever names a unit counts.
func seenAt(r *http.Request) (analytics.Deed, string) {
	c := chi.RouteContext(r.Context())
	pattern := c.RoutePattern()
	last := pattern[strings.LastIndexByte(pattern, '/')+1:]
	serial := unitParam(r, c)
	switch {
	case serial != "" && strings.HasPrefix(last, "samples"):
		return analytics.DeedExported, "samples of unit " + serial
	case serial != "" && strings.HasPrefix(last, "days"):
		return analytics.DeedExported, "days of unit " + serial
	case serial != "":
		return analytics.DeedSaw, "unit " + serial
	case pattern == "/units.csv" || pattern == "/trail.ndjson":
		return analytics.DeedExported, last
	case strings.HasPrefix(pattern, "/registry/") && strings.Contains(last, "."):
		return analytics.DeedExported, "registered " + last
	case pattern == "/api/v1/units" || pattern == "/api/v1/trail":
		return analytics.DeedExported, last
	}
	return "", ""
}

// unitParam is the serial that a path names, in pages or in the interface.
func unitParam(r *http.Request, c *chi.Context) string {
	for _, name := range []string{"serial", "unit"} {
		p := c.URLParam(name)
		if r.URL.RawPath != "" {
			if plain, err := url.PathUnescape(p); err == nil {
				p = plain
			}
		}
		if p != "" {
			return p
		}
	}
	return ""
}

// seen records who saw what before it is shown. What cannot be recorded is not
// shown.
func (s *site) seen(next http.Handler) http.Handler {
	if s.cfg.Trail == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		deed, object := seenAt(r)
		if deed == "" {
			next.ServeHTTP(w, r)
			return
		}
		next.ServeHTTP(&recorded{ResponseWriter: w, site: s, request: r, deed: deed, object: object}, r)
	})
}

// recorded holds an answer back until the trail has it.
type recorded struct {
	http.ResponseWriter
	site    *site
	request *http.Request
	deed    analytics.Deed
	object  string
	// begun: the head is written; refused: it was that of an error instead,
	// and the rest of the answer goes nowhere.
	begun, refused bool
}

// Unwrap lets http.ResponseController find what stands below.
func (w *recorded) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// shows reports whether an answer with a status shows something: errors do not,
// but a form that comes back, or one that is out of date, shows a unit.
func (w *recorded) shows(status int) bool {
	return status == http.StatusOK || !isAPI(w.request) && (status == http.StatusUnprocessableEntity || status == http.StatusConflict)
}

// WriteHeader records, and answers 503 where that fails.
func (w *recorded) WriteHeader(status int) {
	if w.begun {
		return
	}
	w.begun = true
	if w.shows(status) {
		if err := w.site.record(w.request, w.deed, w.object); err != nil {
			w.refused = true
			w.site.unrecorded(w.ResponseWriter, w.request, err)
			return
		}
	}
	w.ResponseWriter.WriteHeader(status)
}

func (w *recorded) Write(p []byte) (int, error) {
	if !w.begun {
		w.WriteHeader(http.StatusOK)
	}
	if w.refused {
		return len(p), nil
	}
	return w.ResponseWriter.Write(p)
}

// record appends a look to the trail unless it was there lately. Two that come
// at once may both be recorded.
func (s *site) record(r *http.Request, deed analytics.Deed, object string) error {
	p, now := analytics.PrincipalOf(r.Context()), s.cfg.Now()
	k := look{p.Kind, p.ID, p.Name, p.Role, p.Organisation, deed, object}
	if s.looks.known(k, now) {
		return nil
	}
	if err := s.cfg.Trail.Record(r.Context(), deed, object, ""); err != nil {
		return err
	}
	s.looks.keep(k, now)
	return nil
}

// unrecorded answers instead of what could not be recorded.
func (s *site) unrecorded(w http.ResponseWriter, r *http.Request, err error) {
	s.log.Error("the trail cannot be written, so nothing is shown", "path", r.URL.Path, "err", err)
	for _, name := range []string{"Content-Disposition", "Content-Length", "Content-Type", "Location"} {
		w.Header().Del(name)
	}
	s.writeError(w, r, errorPage{Status: http.StatusServiceUnavailable, Title: "This cannot be recorded, so it is not shown",
		Text:   "Who looks at a unit is written to the trail first, and the trail could not be written just now.",
		Checks: []string{"Load the page again in a minute.", "If it goes on, the log of the service says what happened."}})
	// A download that breaks off later must not take this answer with it.
	_ = http.NewResponseController(w).Flush()
}
