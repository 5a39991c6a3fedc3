package web

import (
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"time"

	"fadeledger/analytics"
)

// handleHealth answers GET /healthz: the process runs.
func handleHealth(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = w.Write([]byte("ok\n"))
}

// readiness is the answer of /readyz as JSON.
type readiness struct {
	Ready   bool     `json:"ready"`
	Reasons []string `json:"reasons"`
}

// handleReady answers GET /readyz: the service can work, or why not, one reason
// on a line; as JSON where that is asked for. Reasons are for those who see the
// way in.
func (s *site) handleReady(w http.ResponseWriter, r *http.Request) {
	state := readiness{Ready: true, Reasons: []string{}}
	if s.cfg.Ready != nil {
		ctx, cancel := context.WithTimeout(r.Context(), 5*time.Second)
		defer cancel()
		if err := s.cfg.Ready(ctx); err != nil {
			state = readiness{Reasons: reasonsOf(err)}
			s.log.Warn("not ready", "err", err)
			if !s.asked(r, analytics.RightSeeIngest) {
				state.Reasons = []string{}
			}
		}
	}
	status := http.StatusOK
	if !state.Ready {
		status = http.StatusServiceUnavailable
	}
	if strings.Contains(r.Header.Get("Accept"), "application/json") {
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(status)
		// A struct of a bool and strings always has a JSON form.
		_ = json.NewEncoder(w).Encode(state)
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	text := "ready"
	if !state.Ready {
		text = strings.Join(append([]string{"not ready"}, state.Reasons...), "\n")
	}
	_, _ = w.Write([]byte(text + "\n"))
}

// longestReason bounds a reason in characters.
const longestReason = 400

// reasonsOf gives the lines of an error, which are the errors that it joins; a
// line that is set in goes on with the one before.
func reasonsOf(err error) []string {
	var list []string
	for line := range strings.Lines(err.Error()) {
		words := strings.Join(strings.Fields(line), " ")
		switch {
		case words == "":
		case len(list) > 0 && strings.TrimLeft(line, " \t") != line:
			list[len(list)-1] += " " + words
		default:
			list = append(list, words)
		}
	}
	if len(list) == 0 {
		list = []string{"no reason is told"}
	}
	for i := range list {
		list[i] = visible(list[i], longestReason)
	}
	return list
}
