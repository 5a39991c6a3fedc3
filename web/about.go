package web

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
	"fadeledger/web/api"
)

// handleNumbers answers GET /about/numbers.
func (s *site) handleNumbers(w http.ResponseWriter, r *http.Request) {
	s.render(w, r, http.StatusOK, "numbers", view{Title: "How the numbers are made", Section: "numbers"})
}

// operationGroup is the operations of one tag.
type operationGroup struct {
	Tag        string
	Operations []operation
}

// operation is one operation of the JSON interface as the reference page
// shows it.
type operation struct {
	ID, Method, Path, Summary, Description string
	Right                                  analytics.Right
	Params                                 []field
	Bodies                                 []string
	Answer                                 string
	Fields                                 []field
	Errors                                 []string
}

// field is a parameter or a field of an answer; Depth counts the objects it
// stands in.
type field struct {
	Name, Type, Text string
	Depth            int
}

// referencePage is the reference of the JSON interface.
type referencePage struct {
	Groups   []operationGroup
	Document string
}

// handleReference answers GET /api.
func (s *site) handleReference(w http.ResponseWriter, r *http.Request) {
	s.render(w, r, http.StatusOK, "reference", view{Title: "JSON interface", Section: "api",
		Page: referencePage{Groups: s.operation, Document: api.Base + "/openapi.json"}})
}

// reference turns the OpenAPI document into what the page shows.
func reference(doc *huma.OpenAPI) []operationGroup {
	var groups []operationGroup
	paths := make([]string, 0, len(doc.Paths))
	for p := range doc.Paths {
		paths = append(paths, p)
	}
	slices.Sort(paths)
	for _, p := range paths {
		item := doc.Paths[p]
		for _, op := range []*huma.Operation{item.Get, item.Put, item.Post, item.Patch, item.Delete} {
			if op == nil {
				continue
			}
			tag := op.Tags[0]
			k := slices.IndexFunc(groups, func(g operationGroup) bool { return g.Tag == tag })
			if k < 0 {
				groups = append(groups, operationGroup{Tag: tag})
				k = len(groups) - 1
			}
			groups[k].Operations = append(groups[k].Operations, operationOf(doc, op))
		}
	}
	slices.SortFunc(groups, func(a, b operationGroup) int { return strings.Compare(a.Tag, b.Tag) })
	return groups
}

func operationOf(doc *huma.OpenAPI, op *huma.Operation) operation {
	o := operation{ID: op.OperationID, Method: op.Method, Path: op.Path, Summary: op.Summary, Description: op.Description}
	o.Right, _ = api.RightOf(op)
	for _, p := range op.Parameters {
		text := p.Description
		if p.Schema != nil && text == "" {
			text = p.Schema.Description
		}
		o.Params = append(o.Params, field{Name: p.Name + " (" + p.In + ")", Type: typeWords(p.Schema), Text: text})
	}
	if op.RequestBody != nil {
		for kind := range op.RequestBody.Content {
			o.Bodies = append(o.Bodies, kind)
		}
		slices.Sort(o.Bodies)
	}
	for status, resp := range op.Responses {
		body := resp.Content["application/json"]
		switch {
		case status == "default":
			continue
		case body == nil || !strings.HasPrefix(status, "2"):
			o.Errors = append(o.Errors, status)
			continue
		}
		o.Answer = status
		o.Fields = fieldsOf(doc, body.Schema, 0, nil)
	}
	slices.Sort(o.Errors)
	return o
}

// fieldsOf lists the fields of an object, those of its objects below it.
func fieldsOf(doc *huma.OpenAPI, s *huma.Schema, depth int, list []field) []field {
	s = resolved(doc, s)
	if s == nil || depth > 4 {
		return list
	}
	if s.Type == huma.TypeArray {
		return fieldsOf(doc, s.Items, depth, list)
	}
	names := make([]string, 0, len(s.Properties))
	for name := range s.Properties {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		p := resolved(doc, s.Properties[name])
		text := s.Properties[name].Description
		if text == "" {
			text = p.Description
		}
		list = append(list, field{Name: name, Type: typeWords(p), Text: text, Depth: depth})
		list = fieldsOf(doc, p, depth+1, list)
	}
	return list
}

// resolved follows a reference to its schema.
func resolved(doc *huma.OpenAPI, s *huma.Schema) *huma.Schema {
	if s != nil && s.Ref != "" {
		return doc.Components.Schemas.SchemaFromRef(s.Ref)
	}
	return s
}

func typeWords(s *huma.Schema) string {
	if s == nil {
		return ""
	}
	text := s.Type
	if s.Format != "" && s.Type == huma.TypeString {
		text = s.Format
	}
	if s.Type == huma.TypeArray && s.Items != nil && s.Items.Type != "" && s.Items.Type != huma.TypeObject {
		text = "list of " + s.Items.Type
	} else if s.Type == huma.TypeArray {
		text = "list"
	}
	if len(s.Enum) > 0 {
		var values []string
		for _, v := range s.Enum {
			if b, err := json.Marshal(v); err == nil {
				values = append(values, strings.Trim(string(b), `"`))
			}
		}
		text = strings.Join(values, " | ")
	}
	if s.Nullable {
		text += " or null"
	}
	return text
}
