package api_test

import (
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"github.com/danielgtaylor/huma/v2"
	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/web/api"
	"fadeledger/web/webtest"
)

// operations are all operations of the document.
func operations(t *testing.T, a *api.API) []*huma.Operation {
	t.Helper()
	var list []*huma.Operation
	for _, item := range a.Document().Paths {
		for _, op := range []*huma.Operation{item.Get, item.Put, item.Post, item.Delete, item.Patch} {
			if op != nil {
				list = append(list, op)
			}
		}
	}
	if len(list) < 20 {
		t.Fatalf("%d operations were found", len(list))
	}
	return list
}

// status asks an operation with an empty body and made-up parameters.
func status(h http.Handler, op *huma.Operation) *httptest.ResponseRecorder {
	path := strings.NewReplacer("{unit}", "A", "{correction}", "1", "{sequence}", "1", "{collector}", "c", "{alarm}", "1", "{person}", "1", "{token}", "1",
		"{name}", "x", "{site}", "x", "{stack}", "x", "{serial}", "A", "{user}", "x").Replace(op.Path)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(op.Method, path, nil))
	return w
}

func TestEveryOperationAsksForItsRight(t *testing.T) {
	t.Parallel()
	full := api.Config{Ledger: webtest.Fleet(3)}
	a := api.Mount(chi.NewRouter(), full)
	if bare := a.Undeclared(); len(bare) > 0 {
		t.Fatalf("without a right: %v", bare)
	}
	stranger := mountFor(analytics.Principal{}, full)
	for _, op := range operations(t, a) {
		w := status(stranger, op)
		if w.Code != http.StatusUnauthorized || w.Header().Get("WWW-Authenticate") != `Bearer realm="fadeledger"` || w.Header().Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s answered a stranger %d with %v", op.OperationID, w.Code, w.Header())
		}
		right, _ := api.RightOf(op)
		for _, have := range analytics.Rights {
			p := analytics.Principal{Kind: analytics.KindToken, Name: "t", Granted: []analytics.Right{have}}
			refused := status(mountFor(p, full), op).Code == http.StatusForbidden
			if want := right != "" && right != have; refused != want {
				t.Errorf("%s, which needs %q, refused a token that may %s: %v", op.OperationID, right, have, refused)
			}
		}
	}
}

func TestAnOperationWithoutARightIsForNobody(t *testing.T) {
	t.Parallel()
	r := chi.NewRouter()
	a := api.Mount(r, api.Config{Ledger: webtest.Fleet(1)})
	a.Document().Paths[api.Base+"/fleet"].Get.Metadata = nil
	everybody := func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
			next.ServeHTTP(w, q.WithContext(analytics.WithPrincipal(q.Context(), administrator)))
		})
	}
	ask(t, everybody(r), "GET", "/api/v1/fleet", nil, 403)
	ask(t, everybody(r), "GET", "/api/v1/units", nil, 200)
	if bare := a.Undeclared(); !slices.Equal(bare, []string{"GET /api/v1/fleet"}) {
		t.Errorf("undeclared %v", bare)
	}
}

func TestChecksCanBeSwitchedOff(t *testing.T) {
	t.Parallel()
	all := func(analytics.Principal, analytics.Right) bool { return true }
	installer := analytics.Principal{Kind: analytics.KindPerson, ID: 2, Name: "i", Role: analytics.RoleInstaller, Organisation: "north"}
	ask(t, mountFor(installer, api.Config{}), "GET", "/api/v1/ingest", nil, 403)
	ask(t, mountFor(installer, api.Config{Allows: all}), "GET", "/api/v1/ingest", nil, 200)
	ask(t, mountFor(analytics.Principal{}, api.Config{Allows: all}), "GET", "/api/v1/ingest", nil, 401)
}

func TestATokenIsHeldToItsCollector(t *testing.T) {
	t.Parallel()
	in := &intake{}
	token := analytics.Principal{Kind: analytics.KindToken, ID: 3, Name: "roof", Granted: []analytics.Right{analytics.RightDeliver}, Collector: "c-01"}
	h := mountFor(token, api.Config{Intake: in, Upkeep: &upkeep{}})
	send := func(path string, want int) string {
		t.Helper()
		return ask(t, h, "POST", path, strings.NewReader("unit,time\nA,1\n"), want, "Content-Type", "text/csv").Body.String()
	}
	send("/api/v1/telemetry", 202)
	send("/api/v1/telemetry?collector=c-01", 202)
	if told := send("/api/v1/telemetry?collector=c-02", 403); !strings.Contains(told, "this token is for collector c-01 alone") {
		t.Errorf("told %s", told)
	}
	if len(in.got) != 2 || in.got[0].Collector != "c-01" || in.got[1].Collector != "c-01" {
		t.Errorf("handed on %+v", in.got)
	}
	for path, want := range map[string]int{
		"/api/v1/collectors/c-01/receipts?series=s": 200, "/api/v1/collectors/c-02/receipts?series=s": 403,
		"/api/v1/collectors/c-01/batches": 200, "/api/v1/collectors/c-02/batches": 403,
		// Delivery 90210 is of c-01, 90209 of another collector, 1 of none.
		"/api/v1/deliveries/90210": 200, "/api/v1/deliveries/90209": 404, "/api/v1/deliveries/1": 404,
		"/api/v1/deliveries": 403, "/api/v1/ingest": 403, "/api/v1/units": 403,
	} {
		ask(t, h, "GET", path, nil, want)
	}
	free := mountFor(analytics.Principal{Kind: analytics.KindToken, Name: "t", Granted: []analytics.Right{analytics.RightDeliver}}, api.Config{Intake: in})
	ask(t, free, "POST", "/api/v1/telemetry?collector=c-02", strings.NewReader("unit,time\nA,1\n"), 202, "Content-Type", "text/csv")
	ask(t, free, "GET", "/api/v1/collectors/c-02/receipts?series=s", nil, 403)
}

func TestTheDocumentTellsOfTokens(t *testing.T) {
	t.Parallel()
	doc := decode[struct {
		Security   []map[string][]string
		Components struct {
			SecuritySchemes map[string]struct{ Type, Scheme string }
		}
	}](t, ask(t, mount(api.Config{}), "GET", "/api/v1/openapi.json", nil, 200))
	if s := doc.Components.SecuritySchemes["bearer"]; len(doc.Security) != 1 || s.Type != "http" || s.Scheme != "bearer" {
		t.Errorf("got %+v", doc)
	}
}
