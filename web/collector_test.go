package web_test

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/web"
	"fadeledger/web/webtest"
)

// operations is who sets up collectors.
var operations = analytics.Principal{Kind: analytics.KindPerson, ID: 5, Name: "o.virta", Role: analytics.RoleOperations}

func gateways(t *testing.T) (http.Handler, *webtest.Collectors, *webtest.Upkeep) {
	t.Helper()
	c, u := webtest.Gateways(), &webtest.Upkeep{}
	return handler(t, web.Config{Ledger: webtest.Fleet(3), Collectors: c, Upkeep: u, As: operations}), c, u
}

func TestCollectorsAreListed(t *testing.T) {
	t.Parallel()
	h, c, _ := gateways(t)
	page := get(t, h, "/collectors", 200).Body.String()
	contains(t, words(page), "2 units are asked for", "gateway-1 its units only HB5-1…, HB5-2…, HB5-3…, 2 more 130 0 2 4211", "gateway-2 its units; others ask 0 2 0 12",
		"uploads not set up any unit: not set up", "Set up a collector")
	contains(t, page, `href="/collectors" aria-current="page"`)
	w := post(t, h, "/collectors", url.Values{"name": {" gateway-9 "}, "taking": {"first-come"}, "prefixes": {"K-\r\nL-, M-"}}, http.StatusSeeOther)
	if w.Header().Get("Location") != "/collectors/gateway-9?done=set" {
		t.Errorf("leads to %s", w.Header().Get("Location"))
	}
	if x := c.Known[3]; x.Name != "gateway-9" || x.Taking != analytics.TakesFirst || !slices.Equal(x.Prefixes, []string{"K-", "L-", "M-"}) {
		t.Errorf("set up: %+v", x)
	}
	again := post(t, h, "/collectors", url.Values{"name": {"gateway-9"}, "prefixes": {"<b>"}}, http.StatusUnprocessableEntity).Body.String()
	contains(t, words(again), `Taking is &#34;&#34;; give any, bound or first-come. Nothing was changed.`)
	contains(t, again, `value="gateway-9"`, "&lt;b&gt;")
}

func TestACollectorIsChanged(t *testing.T) {
	t.Parallel()
	h, c, _ := gateways(t)
	page := get(t, h, "/collectors/gateway-1", 200).Body.String()
	contains(t, words(page), "Units bound to it 130", "gateway-1.2", "HB5-20100", "More units")
	lacks(t, words(page), "HB5-20101")
	contains(t, words(get(t, h, "/collectors/gateway-1?after=HB5-20100", 200).Body.String()), "HB5-20101", "First page")
	found := words(get(t, h, "/collectors/gateway-1?find=HB5-2013", 200).Body.String())
	contains(t, found, "HB5-20130")
	lacks(t, found, "HB5-20129")
	contains(t, words(get(t, h, "/collectors/gateway-1?find=%3Cx", 200).Body.String()), "No unit that is bound to it begins with &lt;x.")
	get(t, h, "/collectors/none", http.StatusNotFound)

	post(t, h, "/collectors/uploads", url.Values{"taking": {"any"}}, http.StatusSeeOther)
	if c.Known[2].Taking != analytics.TakesAny {
		t.Errorf("set up: %+v", c.Known[2])
	}
	units := "/collectors/uploads/units"
	wrong := post(t, h, units, url.Values{"do": {"bind"}, "serials": {"HB5-90003 HB5-1"}}, http.StatusUnprocessableEntity).Body.String()
	contains(t, words(wrong), "Unit HB5-1: it is not registered. Nothing was changed.")
	contains(t, wrong, ">HB5-90003 HB5-1</textarea>")
	post(t, h, units, url.Values{"do": {"bind"}, "serials": {"HB5-90003,\nHB5-90002"}}, http.StatusSeeOther)
	if !slices.Equal(c.Units["uploads"], []analytics.Serial{"HB5-90002", "HB5-90003"}) {
		t.Errorf("bound: %v", c.Units["uploads"])
	}
	contains(t, words(post(t, h, units, url.Values{"do": {"let-go"}}, http.StatusUnprocessableEntity).Body.String()), "Tick the units that are to be let go first.")
	post(t, h, units, url.Values{"do": {"let-go"}, "unit": {"HB5-90002"}}, http.StatusSeeOther)
	if !slices.Equal(c.Units["uploads"], []analytics.Serial{"HB5-90003"}) {
		t.Errorf("let go: %v", c.Units["uploads"])
	}
}

func TestLoginsOfACollector(t *testing.T) {
	t.Parallel()
	h, c, _ := gateways(t)
	w := post(t, h, "/collectors/gateway-1/logins", nil, http.StatusCreated)
	contains(t, words(w.Body.String()), "INVENTEDPASSWORD", "gateway-1.3", "telemetry.gateway-1", "telemetry/gateway-1", "Its earlier logins hold on.")
	if w.Header().Get("Cache-Control") != "no-store" {
		t.Errorf("the password may be kept: %s", w.Header().Get("Cache-Control"))
	}
	lacks(t, get(t, h, "/collectors/gateway-1", 200).Body.String(), "INVENTEDPASSWORD")
	post(t, h, "/collectors/none/logins", nil, http.StatusNotFound)
	drop := "/collectors/gateway-1/logins/drop"
	for range 2 { // sent twice it changes nothing
		post(t, h, drop, url.Values{"user": {"gateway-1"}}, http.StatusSeeOther)
	}
	post(t, h, drop, url.Values{"user": {"gateway-2"}}, http.StatusNotFound)
	if n := len(c.Known[0].Logins); n != 2 {
		t.Errorf("%d logins are left", n)
	}
}

func TestWhatIsAskedForIsDecided(t *testing.T) {
	t.Parallel()
	h, c, _ := gateways(t)
	contains(t, words(get(t, h, "/collectors/asking", 200).Body.String()), "HB5-90001 gateway-2 1180", "HB5-90002 gateway-2 60", "nobody", "gateway-1")
	path := "/collectors/asking"
	contains(t, words(post(t, h, path, url.Values{"do": {"approved"}}, http.StatusUnprocessableEntity).Body.String()), "Tick the units that you mean first.")
	post(t, h, path, url.Values{"do": {"burn"}, "ask": {"gateway-2/HB5-90001"}}, http.StatusBadRequest)
	gone := post(t, h, path, url.Values{"do": {"approved"}, "ask": {"gateway-2/HB5-1"}}, http.StatusUnprocessableEntity).Body.String()
	contains(t, words(gone), "Unit HB5-1: the collector does not ask for it. Nothing was changed.")
	w := post(t, h, path, url.Values{"do": {"approved"}, "ask": {"gateway-2/HB5-90001"}}, http.StatusSeeOther)
	contains(t, words(get(t, h, w.Header().Get("Location"), 200).Body.String()), "The units are bound.")
	post(t, h, path, url.Values{"do": {"refused"}, "ask": {"gateway-2/HB5-90002"}}, http.StatusSeeOther)
	if !slices.Equal(c.Decided, []string{"approve gateway-2 HB5-90001", "refuse gateway-2 HB5-90002"}) {
		t.Errorf("decided: %v", c.Decided)
	}
	contains(t, words(get(t, h, path, 200).Body.String()), "Nothing waits for approval.")
}

func TestAProfileIsTriedAndKept(t *testing.T) {
	t.Parallel()
	h, _, _ := gateways(t)
	path := "/collectors/uploads/profile"
	tried := words(post(t, h, path, url.Values{"do": {"try"}, "profile": {"a: b"}, "lines": {"unit,time\n1,2\n"}}, 200).Body.String())
	contains(t, tried, "Tried, not kept.", "2 rows can be read.", "1 row would be held: bad-value.", "seems to be flipped")
	wrong := post(t, h, path, url.Values{"do": {"try"}, "profile": {"<none>"}}, http.StatusUnprocessableEntity).Body.String()
	contains(t, words(wrong), "Line 1: it is no mapping. Nothing was changed.")
	contains(t, wrong, "&lt;none&gt;")
	post(t, h, path, url.Values{"do": {"keep"}, "profile": {"a: b"}}, http.StatusSeeOther)
}

// TestWhoMayNotChangeCollectors: whoever sees the way in reads these pages, and
// finds no form on them; others find no page.
func TestWhoMayNotChangeCollectors(t *testing.T) {
	t.Parallel()
	c := webtest.Gateways()
	as := func(role analytics.Role) http.Handler {
		p := analytics.Principal{Kind: analytics.KindPerson, ID: 9, Name: "x", Role: role}
		if role == analytics.RoleInstaller {
			p.Organisation = "Northlight Electric"
		}
		return handler(t, web.Config{Ledger: webtest.Fleet(3), Collectors: c, Upkeep: &webtest.Upkeep{}, As: p})
	}
	for _, path := range []string{"/collectors", "/collectors/gateway-1", "/collectors/asking"} {
		for _, role := range []analytics.Role{analytics.RoleAuditor, analytics.RoleServiceManager} {
			page := get(t, as(role), path, 200).Body.String()
			if strings.Contains(page, `method="post" action="/collectors`) {
				t.Errorf("%s has a form for a %s", path, role)
			}
		}
		get(t, as(analytics.RoleInstaller), path, http.StatusForbidden)
	}
	for _, path := range []string{"/collectors", "/collectors/asking", "/collectors/gateway-1", "/collectors/gateway-1/units", "/collectors/gateway-1/logins", "/collectors/gateway-1/logins/drop", "/collectors/gateway-1/profile"} {
		post(t, as(analytics.RoleServiceManager), path, url.Values{"taking": {"any"}, "name": {"x"}, "do": {"approved"}, "ask": {"gateway-2/HB5-90001"}}, http.StatusForbidden)
	}
	if len(c.Known) != 3 || len(c.Decided) != 0 || len(c.Known[0].Logins) != 2 {
		t.Error("something was changed")
	}
}
