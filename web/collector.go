package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/go-chi/chi/v5"

	"fadeledger/analytics"
	"fadeledger/web/api"
)

// collectorsPage lists collectors.
type collectorsPage struct {
	Rows []collectorLine
	// Asking counts the units that wait for approval.
	Asking  int64
	Form    collectorForm
	Problem string
}

// collectorLine is a collector in the list.
type collectorLine struct {
	Name, Href, Taking       string
	Prefixes, Bound, Asking  string
	Logins, Last, LastTime   string
	Deliveries               string
	NotSetUp, Waits, NoLogin bool
}

// collectorForm is what a collector may deliver, as it stands in a form.
type collectorForm struct {
	Name     string
	Takings  []option
	Prefixes string
}

// collectorRoutes are the pages of collectors.
func (s *site) collectorRoutes(r chi.Router) {
	if s.cfg.Collectors == nil {
		return
	}
	see := r.With(s.may(analytics.RightSeeIngest))
	see.Get("/collectors", s.handleCollectors)
	see.Get("/collectors/asking", s.handleAsking)
	see.Get("/collectors/{collector}", s.handleCollector)
	change := r.With(s.may(analytics.RightCollect))
	change.Post("/collectors", s.handleNewCollector)
	change.Post("/collectors/asking", s.handleDecide)
	change.Post("/collectors/{collector}", s.handleSetUpCollector)
	change.Post("/collectors/{collector}/units", s.handleBindUnits)
	change.Post("/collectors/{collector}/logins", s.handleAddLogin)
	change.Post("/collectors/{collector}/logins/drop", s.handleDropLogin)
	if s.cfg.Upkeep != nil {
		change.Post("/collectors/{collector}/profile", s.handleSetProfile)
	}
}

func collectorHref(name string) string { return "/collectors/" + url.PathEscape(name) }

// takingWords says what a collector may deliver.
func takingWords(t analytics.CollectorTaking) string {
	switch t {
	case analytics.TakesAny:
		return "any unit"
	case analytics.TakesBound:
		return "its units only"
	case analytics.TakesFirst:
		return "its units; others ask"
	}
	return "any unit: not set up"
}

func takingOptions(chosen analytics.CollectorTaking) []option {
	list := []option{
		{string(analytics.TakesBound), "Its units only; what else it delivers is held", chosen == analytics.TakesBound},
		{string(analytics.TakesFirst), "Its units; what else it delivers is held and asks for approval", chosen == analytics.TakesFirst},
		{string(analytics.TakesAny), "Any unit, such as for files that staff hand in", chosen == analytics.TakesAny},
	}
	if chosen == "" {
		list = append([]option{{"", "choose", true}}, list...)
	}
	return list
}

func (s *site) collectorLineOf(c *analytics.Collector) collectorLine {
	row := collectorLine{
		Name: label(c.Name), Href: collectorHref(c.Name), Taking: takingWords(c.Taking), Prefixes: prefixWords(c.Prefixes),
		Bound: count(c.Bound), Asking: count(c.Asking), Logins: count(int64(len(c.Logins))), Deliveries: count(c.Deliveries), Last: "never",
		NotSetUp: c.Taking == "", Waits: c.Asking > 0, NoLogin: len(c.Logins) == 0,
	}
	if c.LastStored != nil {
		row.Last, row.LastTime = ago(*c.LastStored, s.cfg.Now()), machineTime(*c.LastStored)
	}
	return row
}

// prefixesShown is how many prefixes a list tells.
const prefixesShown = 3

func prefixWords(list []string) string {
	var told []string
	for i, p := range list {
		if i == prefixesShown {
			told = append(told, count(int64(len(list)-i))+" more")
			break
		}
		told = append(told, visible(p, 24)+"…")
	}
	return strings.Join(told, ", ")
}

// handleCollectors answers GET /collectors.
func (s *site) handleCollectors(w http.ResponseWriter, r *http.Request) {
	s.showCollectors(w, r, http.StatusOK, analytics.Collector{}, "")
}

func (s *site) showCollectors(w http.ResponseWriter, r *http.Request, status int, entered analytics.Collector, problem string) {
	list, err := s.cfg.Collectors.Collectors(r.Context())
	if err != nil {
		s.fail(w, r, "list collectors", err)
		return
	}
	p := collectorsPage{Problem: problem, Form: formOf(entered)}
	for i := range list {
		p.Rows = append(p.Rows, s.collectorLineOf(&list[i]))
		p.Asking += list[i].Asking
	}
	s.render(w, r, status, "collectors", view{Title: "Collectors", Section: "collectors", Page: p})
}

func formOf(c analytics.Collector) collectorForm {
	return collectorForm{Name: c.Name, Takings: takingOptions(c.Taking), Prefixes: strings.Join(c.Prefixes, "\n")}
}

// collectorOf reads a collector from a form; prefixes stand on a line each.
func collectorOf(r *http.Request, name string) analytics.Collector {
	return analytics.Collector{Name: name, Taking: analytics.CollectorTaking(r.PostForm.Get("taking")), Prefixes: words(r.PostForm.Get("prefixes"))}
}

// words splits what was typed at blanks, commas and semicolons.
func words(text string) []string {
	return strings.FieldsFunc(text, func(r rune) bool {
		return r == ',' || r == ';' || r == ' ' || r == '\t' || r == '\n' || r == '\r' || r == '\u00a0'
	})
}

// handleNewCollector answers POST /collectors.
func (s *site) handleNewCollector(w http.ResponseWriter, r *http.Request) {
	if !s.smallForm(w, r) {
		return
	}
	c := collectorOf(r, strings.TrimSpace(r.PostForm.Get("name")))
	if err := s.cfg.Collectors.SetUp(r.Context(), c); err != nil {
		if problem := mistake(err); problem != "" {
			s.showCollectors(w, r, http.StatusUnprocessableEntity, c, problem)
			return
		}
		s.fail(w, r, "set up a collector", err)
		return
	}
	http.Redirect(w, r, collectorHref(c.Name)+"?done=set", http.StatusSeeOther)
}

// mistake says what is wrong with what was entered, empty for another error.
func mistake(err error) string {
	for _, kind := range []error{analytics.ErrInvalid, analytics.ErrNotFound, analytics.ErrConflict} {
		if errors.Is(err, kind) {
			text := err.Error()
			// The chain is for the log; what helps stands behind the kind.
			if _, after, found := strings.Cut(text, kind.Error()+": "); found {
				if kind == analytics.ErrNotFound {
					before, _, _ := strings.Cut(text, ": "+kind.Error())
					after = before[strings.LastIndex(before, ": ")+1:] + ": " + after
				}
				text = strings.TrimSpace(after)
			}
			text = visible(text, 400)
			return strings.ToUpper(text[:1]) + text[1:] + ". Nothing was changed."
		}
	}
	return ""
}

// askingPage lists what collectors ask for.
type askingPage struct {
	Rows    []askingRow
	More    bool
	Done    string
	Problem string
}

type askingRow struct {
	// Key names the row in the form: the collector, a slash, the serial.
	Key, Serial, SerialHref, Collector, CollectorHref string
	Samples, First, FirstTime, Last, LastTime, Others string
	Checked                                           bool
}

// askingShown is how many rows the page of what is asked for has.
const askingShown = 200

// decided says what was decided, by the word that led back.
var decided = map[string]string{
	"approved": "The units are bound. What was held of them is counted within some seconds.",
	"refused":  "Refused. What was held of the units stays in quarantine, and is not asked for again.",
}

// handleAsking answers GET /collectors/asking.
func (s *site) handleAsking(w http.ResponseWriter, r *http.Request) {
	s.showAsking(w, r, http.StatusOK, nil, "")
}

func (s *site) showAsking(w http.ResponseWriter, r *http.Request, status int, checked []string, problem string) {
	list, err := s.cfg.Collectors.Asking(r.Context(), askingShown+1)
	if err != nil {
		s.fail(w, r, "list what collectors ask for", err)
		return
	}
	p := askingPage{Done: decided[r.URL.Query().Get("done")], Problem: problem, More: len(list) > askingShown}
	now := s.cfg.Now()
	for _, b := range list[:min(len(list), askingShown)] {
		row := askingRow{
			Key: b.Collector + "/" + string(b.Serial), Serial: label(b.Serial), SerialHref: unitHref(b.Serial, ""),
			Collector: label(b.Collector), CollectorHref: collectorHref(b.Collector), Samples: count(b.Samples),
			First: ago(b.FirstAt, now), FirstTime: machineTime(b.FirstAt), Last: ago(b.LastAt, now), LastTime: machineTime(b.LastAt),
		}
		row.Checked = slices.Contains(checked, row.Key)
		var others []string
		for _, o := range b.Others {
			others = append(others, label(o))
		}
		row.Others = strings.Join(others, ", ")
		p.Rows = append(p.Rows, row)
	}
	s.render(w, r, status, "collector_asking", view{Title: "Asked for", Section: "collectors", Page: p})
}

// maxDecisions bounds the form of decisions: a page of long serials.
const maxDecisions = 1 << 20

// handleDecide answers POST /collectors/asking with what is to be approved or
// refused.
func (s *site) handleDecide(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxDecisions)
	if err := r.ParseForm(); err != nil {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return
	}
	what := r.PostForm.Get("do")
	if decided[what] == "" {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return
	}
	asked := r.PostForm["ask"]
	if len(asked) == 0 {
		s.showAsking(w, r, http.StatusUnprocessableEntity, nil, "Tick the units that you mean first. Nothing was changed.")
		return
	}
	byCollector := map[string][]analytics.Serial{}
	var order []string
	for _, key := range asked {
		collector, serial, found := strings.Cut(key, "/")
		if !found {
			s.writeErrorPage(w, r, http.StatusBadRequest)
			return
		}
		if byCollector[collector] == nil {
			order = append(order, collector)
		}
		byCollector[collector] = append(byCollector[collector], analytics.Serial(serial))
	}
	for i, collector := range order {
		err := s.cfg.Collectors.Decide(r.Context(), collector, byCollector[collector], what == "approved")
		if err == nil {
			continue
		}
		if problem := mistake(err); problem != "" {
			if i > 0 {
				problem = "Decided for " + plural(int64(i), "collector", "collectors") + ". For " + label(collector) + ": " + problem
			}
			s.showAsking(w, r, http.StatusUnprocessableEntity, asked, problem)
			return
		}
		s.fail(w, r, "decide what a collector asks for", err)
		return
	}
	http.Redirect(w, r, "/collectors/asking?done="+what, http.StatusSeeOther)
}

// tools gives what the port can do beside, nil for nothing.
func (s *site) tools() api.CollectorTools {
	t, _ := s.cfg.Collectors.(api.CollectorTools)
	return t
}
