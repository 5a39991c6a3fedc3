package web

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
)

// errorPage says what went wrong and what to do about it.
type errorPage struct {
	Status int
	Title  string
	Text   string
	Checks []string
}

var errorPages = map[int]errorPage{
	http.StatusNotFound: {Title: "There is no such page", Text: "Nothing is kept at this address.",
		Checks: []string{"Was the address typed or copied in full?", "The fleet page lists every unit that is registered."}},
	http.StatusMethodNotAllowed: {Title: "This address cannot be used that way", Text: "The page exists, but it only answers requests to read it."},
	http.StatusBadRequest: {Title: "That question cannot be answered", Text: "Something in the address is not understood.",
		Checks: []string{"Links to a later page of a list go stale when the order changes: start again from the first page."}},
	http.StatusUnauthorized: {Title: "Sign in first", Text: "It is not known who asks. Nothing was changed.",
		Checks: []string{"Sign in and do it again: a form that was sent is not kept.", "A session ends when it was not used for long, or when an administrator ends it."}},
	http.StatusForbidden: {Title: "That is not for your role", Text: "You are signed in, but what stands here is not for you to see or do. Nothing was changed.",
		Checks: []string{"Your account page says which role you have.", "An administrator can change it."}},
	http.StatusConflict: {Title: "That is no longer as it was", Text: "What was to be changed has changed meanwhile. Nothing was changed now.",
		Checks: []string{"Go back, load the page again and look at what is there now."}},
	http.StatusRequestEntityTooLarge: {Title: "That is too large", Text: "The form holds more than is taken. Nothing was changed.",
		Checks: []string{"Cut the file into parts, and make one correction of each part's span.", "Over the JSON interface a larger body is taken than in a form."}},
	http.StatusServiceUnavailable: {Title: "That took too long", Text: "The database did not answer in time. Nothing is lost; telemetry that arrives meanwhile waits in the broker.",
		Checks: []string{"Load the page again in a minute.", "If it goes on, look at the log of the service and at the load of the database."}},
	http.StatusInternalServerError: {Title: "Something went wrong on this side", Text: "The page could not be made. Nothing is lost; telemetry that arrives meanwhile waits in the broker.",
		Checks: []string{"Load the page again.", "If it goes on, the log of the service says what happened."}},
}

// fail answers a request whose page could not be made.
func (s *site) fail(w http.ResponseWriter, r *http.Request, doing string, err error) {
	switch {
	case errors.Is(err, context.Canceled) && r.Context().Err() != nil:
		// The reader has gone; there is nobody to answer.
	case errors.Is(err, analytics.ErrNotFound):
		s.writeErrorPage(w, r, http.StatusNotFound)
	case errors.Is(err, analytics.ErrDenied):
		s.deny(w, r)
	case errors.Is(err, analytics.ErrInvalid):
		s.writeErrorPage(w, r, http.StatusBadRequest)
	case errors.Is(err, analytics.ErrConflict):
		s.writeErrorPage(w, r, http.StatusConflict)
	case errors.Is(err, context.DeadlineExceeded):
		s.log.Error("page took too long", "doing", doing, "path", r.URL.Path, "err", err)
		s.writeErrorPage(w, r, http.StatusServiceUnavailable)
	default:
		s.log.Error("page failed", "doing", doing, "path", r.URL.Path, "err", err)
		s.writeErrorPage(w, r, http.StatusInternalServerError)
	}
}

// writeErrorPage writes the page, or a problem document below the JSON
// interface.
func (s *site) writeErrorPage(w http.ResponseWriter, r *http.Request, status int) {
	p := errorPages[status]
	p.Status = status
	s.writeError(w, r, p)
}

// otherSite is the page for what another site asks for.
var otherSite = errorPage{Status: http.StatusForbidden, Title: "That was asked for by another site",
	Text:   "Only the pages of this service may change something in it. Nothing was changed.",
	Checks: []string{"Open the page here and use its button.", "Behind a proxy: does it hand on the Host header as the browser sent it?"}}

func (s *site) writeError(w http.ResponseWriter, r *http.Request, p errorPage) {
	if isAPI(r) {
		s.writeProblem(w, p)
		return
	}
	s.render(w, r, p.Status, "error", view{Title: p.Title, Page: p})
}

func (s *site) writeProblem(w http.ResponseWriter, p errorPage) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	body := struct {
		Title  string `json:"title"`
		Status int    `json:"status"`
		Detail string `json:"detail"`
	}{http.StatusText(p.Status), p.Status, p.Text}
	if err := json.NewEncoder(w).Encode(body); err != nil {
		s.log.Debug("write problem", "err", err)
	}
}

func (s *site) handleNotFound(w http.ResponseWriter, r *http.Request) {
	s.writeErrorPage(w, r, http.StatusNotFound)
}

// handleMethodNotAllowed tells the methods that the address does answer.
func (s *site) handleMethodNotAllowed(w http.ResponseWriter, r *http.Request) {
	path := r.URL.Path
	if r.URL.RawPath != "" {
		path = r.URL.RawPath
	}
	for _, m := range []string{http.MethodGet, http.MethodHead, http.MethodPut, http.MethodPost} {
		like := m
		if m == http.MethodHead {
			like = http.MethodGet
		}
		if chi.RouteContext(r.Context()).Routes.Match(chi.NewRouteContext(), like, path) {
			w.Header().Add("Allow", m)
		}
	}
	s.writeErrorPage(w, r, http.StatusMethodNotAllowed)
}

// unknownUnit answers for a serial that is not kept, and says what to check.
func (s *site) unknownUnit(w http.ResponseWriter, r *http.Request, serial analytics.Serial) {
	s.render(w, r, http.StatusNotFound, "error", view{Title: "Unknown unit", Page: errorPage{
		Status: http.StatusNotFound,
		Title:  "No unit has the serial " + label(serial),
		Text:   "It is neither registered nor did any telemetry that counts carry it.",
		Checks: []string{
			"Compare the serial with the type plate: O and 0, I and 1 are easily mixed up, and upper and lower case differ.",
			"Telemetry of a unit that is not registered waits in quarantine: see Ingest.",
			"Register the unit with units.csv, or look for it by the beginning of its serial on the fleet page.",
		},
	}})
}

// serialOf takes the serial out of the path. The router matches the escaped
// path where the two differ, and then hands out escaped parameters.
func serialOf(r *http.Request) analytics.Serial {
	p := chi.URLParam(r, "serial")
	if r.URL.RawPath == "" {
		return analytics.Serial(p)
	}
	if plain, err := url.PathUnescape(p); err == nil {
		return analytics.Serial(plain)
	}
	return analytics.Serial(p)
}

// unitHref is the address of a unit's page or of something below it.
func unitHref(serial analytics.Serial, below string) string {
	return "/units/" + url.PathEscape(string(serial)) + below
}
