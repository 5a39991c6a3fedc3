package api_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/web/api"
	"fadeledger/web/webtest"
)

func TestCollectorOperations(t *testing.T) {
	t.Parallel()
	c := webtest.Gateways()
	h := mountFor(analytics.Principal{Kind: analytics.KindPerson, Name: "o.virta", Role: analytics.RoleOperations}, api.Config{Ledger: webtest.Fleet(3), Collectors: c})
	ask := func(method, path, body string, status int) *httptest.ResponseRecorder {
		t.Helper()
		r := httptest.NewRequest(method, api.Base+path, strings.NewReader(body))
		if body != "" {
			r.Header.Set("Content-Type", "application/json")
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != status {
			t.Fatalf("%s %s answered %d, want %d: %s", method, path, w.Code, status, w.Body)
		}
		return w
	}
	var list struct{ Collectors []map[string]any }
	if err := json.Unmarshal(ask(http.MethodGet, "/collectors", "", 200).Body.Bytes(), &list); err != nil || len(list.Collectors) != 3 {
		t.Fatalf("%d collectors, %v", len(list.Collectors), err)
	}
	if x := list.Collectors[0]; x["name"] != "gateway-1" || x["taking"] != "bound" || x["bound"] != 130.0 || len(x["logins"].([]any)) != 2 {
		t.Errorf("collector: %v", x)
	}
	if _, has := list.Collectors[2]["taking"]; has {
		t.Error("one that is not set up has a taking")
	}
	if text := ask(http.MethodGet, "/collectors/uploads/profile", "", 200); text.Body.String() != "collector: uploads\n" || text.Header().Get("Content-Type") != "application/yaml" {
		t.Errorf("profile: %v %q", text.Header(), text.Body)
	}
	ask(http.MethodGet, "/collectors/none", "", http.StatusNotFound)
	ask(http.MethodPut, "/collectors/uploads", `{"taking":"first-come","prefixes":["K-"]}`, http.StatusNoContent)
	ask(http.MethodPut, "/collectors/uploads", `{"taking":"some"}`, http.StatusUnprocessableEntity)
	if x := c.Known[2]; x.Taking != analytics.TakesFirst || len(x.Prefixes) != 1 {
		t.Errorf("set up: %+v", x)
	}
	ask(http.MethodPost, "/collectors/uploads/units", `{"units":["HB5-90003"],"bind":true}`, http.StatusNoContent)
	ask(http.MethodPost, "/collectors/uploads/units", `{"units":["nowhere"],"bind":true}`, http.StatusNotFound)
	ask(http.MethodPost, "/collectors/uploads/units", `{"units":[],"bind":true}`, http.StatusUnprocessableEntity)
	var units struct {
		Units []string
		Next  string
	}
	if err := json.Unmarshal(ask(http.MethodGet, "/collectors/gateway-1/units?limit=2&after=HB5-20005", "", 200).Body.Bytes(), &units); err != nil ||
		strings.Join(units.Units, " ") != "HB5-20006 HB5-20007" || units.Next != "HB5-20007" {
		t.Errorf("units: %+v, %v", units, err)
	}
	if text := ask(http.MethodGet, "/asking", "", 200).Body.String(); !strings.Contains(text, `"unit":"HB5-90001"`) || !strings.Contains(text, `"samples":1180`) {
		t.Errorf("asking: %s", text)
	}
	ask(http.MethodPost, "/collectors/gateway-2/asking", `{"units":["HB5-90001"],"approve":true}`, http.StatusNoContent)
	ask(http.MethodPost, "/collectors/gateway-2/asking", `{"units":["HB5-90001"],"approve":true}`, http.StatusNotFound)
	if len(c.Decided) != 1 || c.Decided[0] != "approve gateway-2 HB5-90001" {
		t.Errorf("decided: %v", c.Decided)
	}
	made := ask(http.MethodPost, "/collectors/uploads/logins", "", http.StatusCreated)
	if made.Header().Get("Cache-Control") != "no-store" || !strings.Contains(made.Body.String(), `"user":"uploads"`) || !strings.Contains(made.Body.String(), "INVENTEDPASSWORD") {
		t.Errorf("login: %v %s", made.Header(), made.Body)
	}
	ask(http.MethodDelete, "/collectors/uploads/logins/gateway-1", "", http.StatusNotFound)
	ask(http.MethodDelete, "/collectors/gateway-1/logins/gateway-1.2", "", http.StatusNoContent)
	ask(http.MethodDelete, "/collectors/gateway-1/logins/gateway-1.2", "", http.StatusNotFound)
	h = mountFor(analytics.Service("x"), api.Config{Ledger: webtest.Fleet(3)})
	ask(http.MethodGet, "/collectors", "", http.StatusServiceUnavailable)
}
