package web_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"

	"fadeledger/web"
	"fadeledger/web/webtest"
)

func TestReadiness(t *testing.T) {
	t.Parallel()
	if body := get(t, fleetSite(t), "/readyz", 200).Body.String(); body != "ready\n" {
		t.Errorf("told %q", body)
	}
	why := errors.Join(fmt.Errorf("ask the database: %w", errors.New("no answer:\n\t10.0.0.1: refused")), errors.New("the disk is full \u202e"))
	h := handler(t, web.Config{Ledger: webtest.Fleet(1), Ready: func(context.Context) error { return why }})
	body := get(t, h, "/readyz", 503).Body.String()
	if want := "not ready\nask the database: no answer: 10.0.0.1: refused\nthe disk is full \\u{202E}\n"; body != want {
		t.Errorf("told %q, want %q", body, want)
	}
	r := httptest.NewRequest(http.MethodGet, "/readyz", nil)
	r.Header.Set("Accept", "application/json")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if want := `{"ready":false,"reasons":["ask the database: no answer: 10.0.0.1: refused","the disk is full \\u{202E}"]}` + "\n"; w.Code != 503 || w.Body.String() != want {
		t.Errorf("told %d %s, want %s", w.Code, w.Body.String(), want)
	}
	get(t, h, "/healthz", 200)
}

func TestMetricsAreServed(t *testing.T) {
	t.Parallel()
	h, _, _ := books(t)
	page := get(t, h, "/metrics", 200).Body.String()
	contains(t, page, "\nfadeledger_deliveries_total 80\n", "# HELP fadeledger_receipt_holes", "go_goroutines")
	lacks(t, page, "HB5-")
}
