package web

import (
	"net/http"
	"strings"

	"fadeledger/analytics"
	"fadeledger/web/api"
)

// entry is a field of a form with its label, and what is wrong with what was
// entered. A password is never shown back.
type entry struct {
	ID, Name, Label, Type, Value, Autocomplete string
	Note, Wrong                                string
	Required                                   bool
	Max                                        int
	// Options make it a choice, Suggest are values that it can be completed to.
	Options []option
	Suggest []string
}

// Described gives the IDs of what is said about the field.
func (e entry) Described() string {
	var ids []string
	if e.Note != "" {
		ids = append(ids, e.ID+"-note")
	}
	if e.Wrong != "" {
		ids = append(ids, e.ID+"-wrong")
	}
	return strings.Join(ids, " ")
}

// wrongs says of fields what is wrong with them.
type wrongs map[string]string

// wrongsOf keeps the first problem of each field.
func wrongsOf(list []api.FieldProblem) wrongs {
	w := wrongs{}
	for _, p := range list {
		w.add(p.Field, p.Message)
	}
	return w
}

// add notes a problem of a field that has none yet; an empty one is none.
func (w wrongs) add(field, message string) {
	if _, has := w[field]; !has && message != "" {
		w[field] = message
	}
}

// summary says above a form that something in it is wrong, empty for nothing.
func (w wrongs) summary() string {
	switch {
	case w["form"] != "":
		return w["form"]
	case len(w) == 1:
		return "One field is not right yet. Nothing was changed."
	case len(w) > 1:
		return count(int64(len(w))) + " fields are not right yet. Nothing was changed."
	}
	return ""
}

// smallForm reads a form that holds no file, and answers where it cannot.
func (s *site) smallForm(w http.ResponseWriter, r *http.Request) bool {
	r.Body = http.MaxBytesReader(w, r.Body, maxSmallForm)
	if err := r.ParseForm(); err != nil {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return false
	}
	return true
}

// secret keeps an answer out of every cache.
func secret(w http.ResponseWriter) { w.Header().Set("Cache-Control", "no-store") }

// personForm is a person as it stands in a form.
type personForm struct {
	analytics.Person
	wrong         wrongs
	organisations []string
	// prefix tells the forms of a page apart.
	prefix string
	isNew  bool
}

// personOf reads a person from a form.
func personOf(r *http.Request) analytics.Person {
	field := func(name string) string { return strings.TrimSpace(r.PostForm.Get(name)) }
	return analytics.Person{Login: field("login"), Name: field("name"), Email: field("email"),
		Role: analytics.Role(field("role")), Organisation: field("organisation")}
}

// entries lays the form out.
func (f *personForm) entries() []entry {
	at := func(name string) (id, wrong string) { return f.prefix + "-" + name, f.wrong[name] }
	var list []entry
	add := func(e entry) {
		e.ID, e.Wrong = at(e.Name)
		list = append(list, e)
	}
	if f.isNew {
		add(entry{Name: "login", Label: "Login", Type: "text", Value: f.Login, Required: true, Max: 64, Autocomplete: "off", Note: "What is typed to sign in. It stays."})
	}
	add(entry{Name: "name", Label: "Name", Type: "text", Value: f.Name, Required: true, Max: 200, Autocomplete: "off"})
	add(entry{Name: "email", Label: "Email", Type: "email", Value: f.Email, Max: 254, Autocomplete: "off", Note: "May stay empty. An identity provider goes by it."})
	roles := roleOptions(f.Role)
	if f.Role == "" {
		roles = append([]option{{"", "choose", true}}, roles...)
	}
	add(entry{Name: "role", Label: "Role", Options: roles, Required: true})
	add(entry{Name: "organisation", Label: "Organisation", Type: "text", Value: f.Organisation, Max: 200, Autocomplete: "off", Suggest: f.organisations,
		Note: "For installers alone, as sites name it. Others see all sites."})
	return list
}
