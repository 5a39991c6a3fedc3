package web

import (
	"net/http"

	"fadeledger/analytics"
)

// may lets through whoever has a right.
func (s *site) may(right analytics.Right) func(http.Handler) http.Handler {
	return func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if !analytics.PrincipalOf(r.Context()).May(right) {
				s.writeErrorPage(w, r, http.StatusForbidden)
				return
			}
			next.ServeHTTP(w, r)
		})
	}
}
