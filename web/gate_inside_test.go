package web

import (
	"net/http"
	"strings"
	"testing"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/web/api"
	"fadeledger/web/webtest"
)

func TestARouteWithoutARightIsNotBuilt(t *testing.T) {
	t.Parallel()
	s := &site{}
	r := chi.NewRouter()
	r.Use(s.open) // around everything, it would say nothing of any route
	r.With(s.may(analytics.RightSeeUnits)).Get("/guarded", http.NotFound)
	mounted := api.Mount(chi.NewRouter(), api.Config{Ledger: webtest.Fleet(1)})
	if err := undeclared(r, mounted); err != nil {
		t.Errorf("a guarded route: %v", err)
	}
	r.Get("/bare", http.NotFound)
	mounted.Document().Paths["/api/v1/fleet"].Get.Metadata = nil
	if err := undeclared(r, mounted); err == nil || !strings.HasSuffix(err.Error(), ": GET /api/v1/fleet, GET /bare") {
		t.Errorf("told %v", err)
	}
}

func TestLocalPath(t *testing.T) {
	t.Parallel()
	for to, want := range map[string]string{
		"/": "/", "/units/A%2FB?span=1y#history": "/units/A%2FB?span=1y#history", "/ingest": "/ingest",
		"": "/", "ingest": "/", "//elsewhere.example": "/", "/\\elsewhere.example": "/", "\\\\elsewhere.example": "/", "https://elsewhere.example/": "/",
		"javascript:alert(1)": "/", "/\t/elsewhere.example": "/", "/\n/elsewhere.example": "/", " //elsewhere.example": "/", "///elsewhere.example": "/",
		"/sign-in?to=/sign-in": "/", "/sign-out": "/", "/welcome": "/", "/demo/role": "/", "http:elsewhere": "/", "/%zz": "/",
		"/" + strings.Repeat("a", longestPath): "/", "/%2F/elsewhere.example": "/",
	} {
		if got := localPath(to); got != want {
			t.Errorf("%q leads to %q, want %q", to, got, want)
		}
	}
}

func TestLooksAreBounded(t *testing.T) {
	t.Parallel()
	var l looks
	for i := range looksKept + 100 {
		l.keep(look{id: int64(i)}, webtest.Now)
	}
	if n := len(l.lately); n > looksKept {
		t.Errorf("%d looks are remembered", n)
	}
	if !l.known(look{id: looksKept + 99}, webtest.Now) || l.known(look{id: looksKept + 99}, webtest.Now.Add(seenAgain)) {
		t.Error("a look is remembered for another time")
	}
}
