package main

import (
	"fmt"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"time"
)

// asks makes the requests that are more than an address: whoever may, succeeds
// with them. What they use up is made for them.
var asks = map[string]func(r *accessRig, who visitor, o object) call{
	"POST /sign-in": func(r *accessRig, who visitor, _ object) call {
		c := form("/sign-in", "login", r.auditor.login, "password", r.auditor.password, "to", "/units.csv")
		c.as = r.session(who)
		return c
	},
	"POST /sign-out": func(r *accessRig, who visitor, _ object) call {
		c := form("/sign-out")
		c.as = r.session(who)
		return c
	},
	"POST /welcome": func(r *accessRig, _ visitor, _ object) call {
		return form("/welcome", "code", r.newCode(r.somePerson()))
	},
	"POST /welcome/use": func(r *accessRig, who visitor, _ object) call {
		password := r.newPassword()
		c := form("/welcome/use", "code", r.newCode(r.somePerson()), "password", password, "again", password)
		c.as = r.session(who)
		return c
	},
	"POST /account/password": func(r *accessRig, who visitor, _ object) call {
		if who.cookie == "" {
			return form("/account/password", "old", "none", "password", "some other password", "again", "some other password")
		}
		somebody := r.newPerson(fmt.Sprintf("guest-%d", r.next()), who.role, who.organisation)
		password := r.newPassword()
		c := form("/account/password", "old", somebody.password, "password", password, "again", password)
		c.as = &somebody
		return c
	},
	"POST /account/sessions/end": func(r *accessRig, who visitor, _ object) call {
		r.session(who) // another one to be ended
		return form("/account/sessions/end")
	},

	"GET /units/{serial}/disputes/choice": func(r *accessRig, _ visitor, o object) call {
		return call{path: "/units/" + o.unit + "/disputes/choice?" + form("", r.choice(o)...).body}
	},
	"POST /units/{serial}/disputes/choice": func(r *accessRig, _ visitor, o object) call {
		return form("/units/"+o.unit+"/disputes/choice", r.choice(o)...)
	},
	"POST /units/{serial}/corrections/preview": func(r *accessRig, _ visitor, o object) call {
		return form("/units/"+o.unit+"/corrections/preview", r.span("what", "nothing", "why", "a test")...)
	},
	"POST /units/{serial}/corrections": func(r *accessRig, _ visitor, o object) call {
		// What is seen is the hash of no samples.
		return form("/units/"+o.unit+"/corrections", r.span("what", "nothing", "why", "a test", "seen", "e3b0c44298fc1c14")...)
	},
	"POST /api/v1/units/{unit}/corrections": func(r *accessRig, _ visitor, o object) call {
		s := r.span()
		return jsonCall(http.MethodPost, "/api/v1/units/"+o.unit+"/corrections", fmt.Sprintf(`{"from":%q,"to":%q,"why":"a test","samples":[]}`, s[1], s[3]))
	},
	"POST /api/v1/units/{unit}/corrections?why=csv": func(r *accessRig, _ visitor, o object) call {
		s := r.span()
		return call{method: http.MethodPost, kind: "text/csv", body: "unit,time,soc_pct\n" + o.unit + "," + s[1] + ",41\n",
			path: "/api/v1/units/" + o.unit + "/corrections?why=csv&from=" + s[1] + "&to=" + s[3]}
	},
	"GET /api/v1/units/{unit}/versions": func(_ *accessRig, _ visitor, o object) call {
		return call{path: "/api/v1/units/" + o.unit + "/versions?from=2026-01-01T00:00:00Z&to=2046-01-01T00:00:00Z"}
	},

	"POST /registry/import/preview": func(r *accessRig, _ visitor, _ object) call {
		return upload("/registry/import/preview", "file", "units.csv", r.newRow())
	},
	"POST /registry/import": func(r *accessRig, _ visitor, _ object) call { return r.previewed("units.csv", r.newRow()) },
	"POST /registry/units/new": func(r *accessRig, _ visitor, _ object) call {
		return form("/registry/units/new", "unit", fmt.Sprintf("KLN-%04d", 1000+r.next()), "model", "HB-5")
	},
	"POST /registry/units/{serial}/edit": func(_ *accessRig, _ visitor, o object) call {
		return form("/registry/units/"+o.unit+"/edit", "model", "HB-5", "terms", "HB-5 home 2026", "site", "site-n")
	},
	"POST /registry/sites/new": func(r *accessRig, _ visitor, _ object) call {
		return form("/registry/sites/new", "site", fmt.Sprintf("site-n-%d", r.next()), "installer", "crew-n")
	},
	"POST /registry/sites/{site}/edit": func(_ *accessRig, _ visitor, o object) call {
		return form("/registry/sites/"+o.site+"/edit", "installer", "crew-n")
	},
	"POST /api/v1/register?name=models.yaml": func(r *accessRig, _ visitor, _ object) call {
		return r.file("models.yaml", fmt.Sprintf("models:\n  - {name: M-%d, rated_kwh: 5.2, max_power_kw: 2.6}\n", r.next()))
	},
	"POST /api/v1/register?name=sites.csv": func(r *accessRig, _ visitor, _ object) call {
		return r.file("sites.csv", fmt.Sprintf("site,installer\nsite-n-%d,crew-n\n", r.next()))
	},
	"POST /api/v1/register?name=units.csv": func(r *accessRig, _ visitor, _ object) call {
		return r.file("units.csv", r.newRow())
	},
	"POST /api/v1/register": func(r *accessRig, _ visitor, _ object) call {
		return upload("/api/v1/register", "units.csv", "units.csv", r.newRow())
	},
	"POST /api/v1/register?dry_run=true": func(r *accessRig, _ visitor, _ object) call {
		return upload("/api/v1/register?dry_run=true", "units.csv", "units.csv", r.newRow())
	},

	"POST /api/v1/telemetry": func(r *accessRig, _ visitor, _ object) call {
		return jsonCall(http.MethodPost, "/api/v1/telemetry", fmt.Sprintf(`[{"unit":"KLA-0001","time":%d,"soc_pct":50}]`, time.Now().Unix()-int64(r.next())))
	},
	"POST /api/v1/telemetry?collector=c-a": telemetryOf("c-a"),
	"POST /api/v1/telemetry?collector=c-b": telemetryOf("c-b"),
	"GET /api/v1/deliveries/{sequence}": func(r *accessRig, _ visitor, _ object) call {
		return call{path: fmt.Sprintf("/api/v1/deliveries/%d", r.number(`SELECT min(sequence) FROM delivery WHERE collector = 'c-a'`))}
	},
	"POST /ingest/quarantine/release": func(r *accessRig, _ visitor, _ object) call {
		return form("/ingest/quarantine/release", "id", fmt.Sprint(r.newHeld()))
	},
	"POST /api/v1/quarantine/release": func(r *accessRig, _ visitor, _ object) call {
		return jsonCall(http.MethodPost, "/api/v1/quarantine/release", fmt.Sprintf(`{"ids":[%d]}`, r.newHeld()))
	},
	"POST /ingest/alarms/clear": func(r *accessRig, _ visitor, _ object) call {
		return form("/ingest/alarms/clear", "id", fmt.Sprint(r.newAlarm()))
	},
	"POST /api/v1/alarms/{alarm}/clear": func(r *accessRig, _ visitor, _ object) call {
		return jsonCall(http.MethodPost, fmt.Sprintf("/api/v1/alarms/%d/clear", r.newAlarm()), "")
	},

	"POST /collectors": func(r *accessRig, _ visitor, _ object) call {
		return form("/collectors", "name", fmt.Sprintf("c-new-%d", r.next()), "taking", "bound", "prefixes", "KLN-")
	},
	"POST /collectors/asking": func(r *accessRig, _ visitor, _ object) call {
		return form("/collectors/asking", "do", "approved", "ask", "c-first/"+r.newAsking())
	},
	"POST /collectors/{collector}": func(r *accessRig, _ visitor, _ object) call {
		name, _ := r.newCollector()
		return form("/collectors/"+name, "taking", "any")
	},
	"POST /collectors/{collector}/units": func(r *accessRig, _ visitor, _ object) call {
		return form("/collectors/c-n/units", "serials", r.newUnit())
	},
	"POST /collectors/{collector}/logins": func(r *accessRig, _ visitor, _ object) call {
		name, _ := r.newCollector()
		return form("/collectors/" + name + "/logins")
	},
	"POST /collectors/{collector}/logins/drop": func(r *accessRig, _ visitor, _ object) call {
		name, user := r.newCollector()
		return form("/collectors/"+name+"/logins/drop", "user", user)
	},
	"POST /collectors/{collector}/profile": func(r *accessRig, _ visitor, _ object) call {
		name, _ := r.newCollector()
		return form("/collectors/"+name+"/profile", "do", "keep", "profile", fmt.Sprintf("unit_prefix: P%d-\n", r.next()))
	},
	"PUT /api/v1/collectors/{collector}": func(r *accessRig, _ visitor, _ object) call {
		name, _ := r.newCollector()
		return jsonCall(http.MethodPut, "/api/v1/collectors/"+name, `{"taking":"any"}`)
	},
	"PUT /api/v1/collectors/{collector}/profile": func(r *accessRig, _ visitor, _ object) call {
		name, _ := r.newCollector()
		return call{method: http.MethodPut, path: "/api/v1/collectors/" + name + "/profile", kind: "application/yaml", body: fmt.Sprintf("unit_prefix: P%d-\n", r.next())}
	},
	"POST /api/v1/collectors/{collector}/units": func(r *accessRig, _ visitor, _ object) call {
		return jsonCall(http.MethodPost, "/api/v1/collectors/c-n/units", fmt.Sprintf(`{"units":[%q],"bind":true}`, r.newUnit()))
	},
	"POST /api/v1/collectors/{collector}/asking": func(r *accessRig, _ visitor, _ object) call {
		return jsonCall(http.MethodPost, "/api/v1/collectors/c-first/asking", fmt.Sprintf(`{"units":[%q],"approve":true}`, r.newAsking()))
	},
	"POST /api/v1/collectors/{collector}/logins": func(r *accessRig, _ visitor, _ object) call {
		name, _ := r.newCollector()
		return jsonCall(http.MethodPost, "/api/v1/collectors/"+name+"/logins", "")
	},
	"DELETE /api/v1/collectors/{collector}/logins/{user}": func(r *accessRig, _ visitor, _ object) call {
		name, user := r.newCollector()
		return call{method: http.MethodDelete, path: "/api/v1/collectors/" + name + "/logins/" + user}
	},

	"POST /people": func(r *accessRig, _ visitor, _ object) call {
		return form("/people", "login", fmt.Sprintf("guest-%d", r.next()), "name", "Guest", "role", "auditor")
	},
	"POST /people/{person}": func(r *accessRig, _ visitor, _ object) call {
		return form(fmt.Sprintf("/people/%d", r.somePerson()), "name", "Renamed", "role", "administrator")
	},
	"POST /people/{person}/disable": func(r *accessRig, _ visitor, _ object) call {
		return form(fmt.Sprintf("/people/%d/disable", r.somePerson()))
	},
	"POST /people/{person}/code": func(r *accessRig, _ visitor, _ object) call {
		return form(fmt.Sprintf("/people/%d/code", r.somePerson()))
	},
	"POST /people/{person}/sessions/end": func(r *accessRig, _ visitor, _ object) call {
		r.session(r.installerB)
		return form(fmt.Sprintf("/people/%d/sessions/end", r.number(`SELECT person_id FROM person WHERE login = $1`, r.installerB.login)))
	},
	"POST /tokens": func(r *accessRig, _ visitor, _ object) call {
		return form("/tokens", "name", fmt.Sprintf("made-%d", r.next()), "right", "see-units", "right", "manage-people", "days", "30")
	},
	"POST /tokens/{token}/revoke": func(r *accessRig, _ visitor, _ object) call {
		return form(fmt.Sprintf("/tokens/%d/revoke", r.someToken()))
	},
	"POST /api/v1/people": func(r *accessRig, _ visitor, _ object) call {
		return jsonCall(http.MethodPost, "/api/v1/people", fmt.Sprintf(`{"login":"guest-%d","name":"Guest","role":"administrator"}`, r.next()))
	},
	"POST /api/v1/people/{person}": func(r *accessRig, _ visitor, _ object) call {
		return jsonCall(http.MethodPost, fmt.Sprintf("/api/v1/people/%d", r.somePerson()), `{"name":"Renamed","role":"administrator"}`)
	},
	"POST /api/v1/people/{person}/disable": func(r *accessRig, _ visitor, _ object) call {
		return jsonCall(http.MethodPost, fmt.Sprintf("/api/v1/people/%d/disable", r.somePerson()), "")
	},
	"POST /api/v1/people/{person}/code": func(r *accessRig, _ visitor, _ object) call {
		return jsonCall(http.MethodPost, fmt.Sprintf("/api/v1/people/%d/code", r.somePerson()), "")
	},
	"POST /api/v1/tokens": func(r *accessRig, _ visitor, _ object) call {
		return jsonCall(http.MethodPost, "/api/v1/tokens", fmt.Sprintf(`{"name":"made-%d","rights":["manage-people"]}`, r.next()))
	},
	"POST /api/v1/tokens/{token}/revoke": func(r *accessRig, _ visitor, _ object) call {
		return jsonCall(http.MethodPost, fmt.Sprintf("/api/v1/tokens/%d/revoke", r.someToken()), "")
	},
	"POST /trail/check": func(*accessRig, visitor, object) call { return form("/trail/check") },
}

// harmless are requests that change nothing although they are no GET.
var harmless = map[string]bool{
	"POST /welcome": true, "POST /units/{serial}/corrections/preview": true,
	"POST /registry/import/preview": true, "POST /registry/units/new": true, "POST /registry/units/{serial}/edit": true,
	"POST /registry/sites/new": true, "POST /registry/sites/{site}/edit": true,
	"POST /api/v1/register?dry_run=true": true, "POST /trail/check": true,
}

// ask makes the request of a row about an object.
func (r *accessRig) ask(row accessRow, who visitor, o object) call {
	r.t.Helper()
	if build := asks[row.key()]; build != nil {
		c := build(r, who, o)
		c.method = row.method
		return c
	}
	if row.method != http.MethodGet {
		r.t.Fatalf("%s: nothing makes its request", row.key())
	}
	path := parameter.ReplaceAllStringFunc(row.asked, func(name string) string {
		switch name {
		case "{serial}", "{unit}":
			return o.unit
		case "{site}":
			return o.site
		case "{stack}":
			return o.stack
		case "{correction}":
			return fmt.Sprint(o.correction)
		case "{collector}":
			return "c-a"
		case "{person}":
			return fmt.Sprint(r.number(`SELECT min(person_id) FROM person`))
		case "{name}":
			return r.stylesheet()
		case "{model}":
			return "HB-5"
		case "{terms}":
			return "HB-5%20home%202026"
		}
		r.t.Fatalf("%s: no value for %s", row.key(), name)
		return ""
	})
	return call{path: path}
}

var parameter = regexp.MustCompile(`\{[a-z]+\}`)

// stylesheet is the name of a static file, as pages name it.
func (r *accessRig) stylesheet() string {
	page := r.want(http.StatusOK, r.nobody, call{path: "/sign-in"}).body
	return regexp.MustCompile(`/static/(site\.[0-9a-f]+\.css)`).FindStringSubmatch(page)[1]
}

func telemetryOf(collector string) func(*accessRig, visitor, object) call {
	return func(r *accessRig, _ visitor, _ object) call {
		return call{method: http.MethodPost, kind: "text/csv", path: "/api/v1/telemetry?collector=" + collector,
			body: fmt.Sprintf("unit,time,soc_pct\nKLA-0001,%d,50\n", time.Now().Unix()-int64(r.next()))}
	}
}

// newRow is units.csv with a unit that is new.
func (r *accessRig) newRow() string {
	return fmt.Sprintf("%sKLN-%04d,HB-5,,,,,,\n", unitHead, 1000+r.next())
}

var hiddenField = regexp.MustCompile(`<input type="hidden" name="([a-z]+)" value="([^"]*)">`)

// previewed is the form of a registration's preview, as its page has it.
func (r *accessRig) previewed(name, text string) call {
	page := r.want(http.StatusOK, r.administrator, upload("/registry/import/preview", "file", name, text)).body
	var pairs []string
	for _, f := range hiddenField.FindAllStringSubmatch(page, -1) {
		pairs = append(pairs, f[1], html.UnescapeString(f[2]))
	}
	return form("/registry/import", pairs...)
}

// file is the registration of one file.
func (r *accessRig) file(name, text string) call {
	return call{method: http.MethodPost, path: "/api/v1/register?name=" + name, kind: "text/csv", body: text}
}

// upload is a form that holds a file.
func upload(path, field, name, text string) call {
	const boundary = "xxxxxxxx"
	body := "--" + boundary + "\r\nContent-Disposition: form-data; name=\"" + field + "\"; filename=\"" + name + "\"\r\nContent-Type: text/csv\r\n\r\n" + text + "\r\n--" + boundary + "--\r\n"
	return call{method: http.MethodPost, path: path, kind: "multipart/form-data; boundary=" + boundary, body: body}
}

// newCode makes a one-time code for a person.
func (r *accessRig) newCode(person int64) string {
	a := r.want(http.StatusCreated, r.administrator, jsonCall(http.MethodPost, fmt.Sprintf("/api/v1/people/%d/code", person), ""))
	var made struct{ Code string }
	decodeJSON(r.t, []byte(a.body), &made)
	return made.Code
}

// someToken makes a token and gives its number.
func (r *accessRig) someToken() int64 {
	name := fmt.Sprintf("made-%d", r.next())
	r.newToken(fmt.Sprintf(`{"name":%q,"rights":["see-units"]}`, name))
	return r.number(`SELECT token_id FROM token WHERE name = $1`, name)
}

// span gives a span of a minute that was not corrected before, as a form has it.
func (r *accessRig) span(more ...string) []string {
	from := morning().Add(7*time.Hour + time.Duration(r.next())*time.Minute)
	return append([]string{"from", from.Format(time.RFC3339), "to", from.Add(time.Minute).Format(time.RFC3339)}, more...)
}

var versionChoice = regexp.MustCompile(`name="version" value="([0-9a-f]{16})"`)

// choice settles the newest dispute of an object's unit.
func (r *accessRig) choice(o object) []string {
	var list struct {
		Disputes []struct{ At string }
	}
	decodeJSON(r.t, []byte(r.want(http.StatusOK, r.administrator, call{path: "/api/v1/units/" + o.unit + "/disputes?limit=1"}).body), &list)
	if len(list.Disputes) == 0 {
		r.t.Fatalf("unit %s is not in dispute", o.unit)
	}
	page := r.want(http.StatusOK, r.administrator, call{path: "/units/" + o.unit + "/disputes"}).body
	found := versionChoice.FindStringSubmatch(page)
	if found == nil {
		r.t.Fatalf("no version to choose in\n%s", page)
	}
	return []string{"at", list.Disputes[0].At, "version", found[1], "why", "a test"}
}

// replaced takes an object's names out of a text, however they are written.
func (o object) replaced(text string) string {
	for _, name := range []string{o.unit, o.site, o.stack} {
		text = strings.ReplaceAll(text, name, "·")
		text = strings.ReplaceAll(text, url.QueryEscape(name), "·")
	}
	return text
}
