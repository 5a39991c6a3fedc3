package catalog

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// object is a YAML mapping that knows which of its keys were asked for, so
// that the parser's own questions are the list of known keys.
type object struct {
	*report
	path  string
	line  int
	keys  []string
	nodes map[string]ast.Node
	asked []string
}

// The bounds of a text that is given to the YAML library: it recurses into
// what is nested, and no models.yaml is ten levels deep.
const (
	maxBytes = 4 << 20
	maxDepth = 100
)

// tooDeep gives the first line on which more than maxDepth brackets are open
// or more than maxDepth list entries begin; ok is false where there is none.
// It looks into quotes, too: no name holds a hundred of either.
func tooDeep(data []byte) (line int, ok bool) {
	open, dashes := 0, 0
	line = 1
	for i, c := range data {
		switch c {
		case '[', '{':
			open++
		case ']', '}':
			open--
		case '-', '?', ':':
			if i+1 < len(data) && (data[i+1] == ' ' || data[i+1] == '\t') {
				dashes++
			}
		case '\n':
			line, dashes = line+1, 0
		}
		if open > maxDepth || dashes > maxDepth {
			return line, true
		}
	}
	return 0, false
}

// parseRoot gives the top mapping of a file with one YAML document; nil when
// there is none, and then the report says why.
func parseRoot(r *report, data []byte) *object {
	if len(data) > maxBytes {
		r.add(0, "", fmt.Sprintf("the file has %d bytes, at most %d are read", len(data), maxBytes), "split it")
		return nil
	}
	if line, deep := tooDeep(data); deep {
		r.add(line, "", fmt.Sprintf("more than %d levels or entries on one line", maxDepth), "write one entry a line")
		return nil
	}
	file, err := parser.ParseBytes(data, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		line, message := 0, err.Error()
		var at yaml.Error
		if errors.As(err, &at) {
			message = at.GetMessage()
			if t := at.GetToken(); t != nil {
				line = t.Position.Line
			}
		}
		r.add(line, "", "not readable as YAML: "+message, "mend the line; indent with spaces, not with tabs")
		return nil
	}
	var body ast.Node
	for _, doc := range file.Docs {
		switch {
		case doc.Body == nil || doc.Body.Type() == ast.CommentType:
		case body != nil:
			r.add(lineOf(doc.Body), "", "a second YAML document", "keep one document in a file")
		default:
			body = doc.Body
		}
	}
	if body == nil {
		r.add(0, "", "the file is empty", "give models, terms, or both")
		return nil
	}
	return newObject(r, body, "")
}

// newObject reads a mapping; nil where the node is something else.
func newObject(r *report, node ast.Node, path string) *object {
	m, ok := node.(ast.MapNode)
	if !ok {
		r.add(lineOf(node), path, "want keys with values, not "+kindOf(node), "write one key: value a line")
		return nil
	}
	o := &object{report: r, path: path, line: lineOf(node), nodes: map[string]ast.Node{}}
	for it := m.MapRange(); it.Next(); {
		key := it.Key().GetToken().Value
		if it.Key().Type() == ast.MergeKeyType {
			r.add(lineOf(it.Key()), path, "a merge key", "write the values out; each model and terms stands for itself")
			continue
		}
		if _, ok := o.nodes[key]; ok {
			r.add(lineOf(it.Key()), o.at(key), "stands twice", "keep one of both")
			continue
		}
		o.keys = append(o.keys, key)
		o.nodes[key] = it.Value()
	}
	return o
}

func (o *object) at(key string) string {
	if o.path == "" {
		return key
	}
	return o.path + "." + key
}

// get gives the node of a key, nil where it is absent or null.
func (o *object) get(key string) ast.Node {
	o.asked = append(o.asked, key)
	if !o.has(key) {
		return nil
	}
	return o.nodes[key]
}

// has reports whether a key holds anything but null.
func (o *object) has(key string) bool {
	node := o.nodes[key]
	return node != nil && node.Type() != ast.NullType
}

// done refuses the keys that nobody asked for.
func (o *object) done() {
	for _, key := range o.keys {
		if !slices.Contains(o.asked, key) {
			o.add(lineOf(o.nodes[key]), o.at(key), "unknown key", "known here: "+strings.Join(o.asked, ", "))
		}
	}
}

// scalar gives the text of a plain value; quoted says whether it stood in
// quotes. ok is false where the key is absent or no plain value.
func (o *object) scalar(key string) (text string, quoted, ok bool) {
	node := o.get(key)
	if node == nil {
		return "", false, false
	}
	switch n := node.(type) {
	case *ast.StringNode:
		quoted := n.GetToken().Type == token.DoubleQuoteType || n.GetToken().Type == token.SingleQuoteType
		return n.Value, quoted, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return n.GetToken().Value, false, true
	case *ast.LiteralNode:
		return strings.TrimSpace(n.Value.Value), true, true
	}
	o.add(lineOf(node), o.at(key), "want one value, not "+kindOf(node), "write the value behind the colon")
	return "", false, false
}

// text reads a name; a missing one is a problem where it is required.
func (o *object) text(key string, required bool) string {
	text, _, ok := o.scalar(key)
	switch {
	case required && (!o.has(key) || ok && text == ""):
		o.add(o.line, o.at(key), "missing", "give the "+key)
	case ok && !validName(text):
		o.add(lineOf(o.nodes[key]), o.at(key), fmt.Sprintf("%q is not a name", text), nameRemedy)
	}
	return text
}

// choice reads one word of a list; absent gives the first.
func (o *object) choice(key string, words ...string) string {
	text, _, ok := o.scalar(key)
	if ok && !slices.Contains(words, text) {
		o.add(lineOf(o.nodes[key]), o.at(key), fmt.Sprintf("%q is not known", text), "use "+strings.Join(words, " or "))
	}
	if !ok || !slices.Contains(words, text) {
		return words[0]
	}
	return text
}

// want says which numbers a key takes. The limits are in the kept unit.
type want struct {
	required bool
	min, max int64
	what     string
}

// quantity reads the integer of a key under one of its unit suffixes; ok is
// false where it is absent or refused.
func (o *object) quantity(stem string, scales []scale, w want) (n int64, ok bool) {
	given := ""
	for _, s := range scales {
		key := stem + s.suffix
		text, quoted, present := o.scalar(key)
		if !present {
			continue
		}
		line := lineOf(o.nodes[key])
		if given != "" {
			o.add(line, o.at(key), "given as "+given+" too", "keep one of both")
			continue
		}
		given = key
		n, ok = s.apply(text)
		switch {
		case quoted:
			o.add(line, o.at(key), fmt.Sprintf("%q is text", text), "take the quotes away")
			ok = false
		case !ok:
			o.add(line, o.at(key), fmt.Sprintf("%q is not a decimal number", text), "write it like 5.2")
		case n < w.min || n > w.max:
			o.add(line, o.at(key), text+" is out of range", "give "+w.what)
			ok = false
		}
	}
	if given == "" && w.required && !o.bad(stem, scales) {
		o.add(o.line, o.at(stem+scales[0].suffix), "missing", "give "+w.what)
	}
	return n, ok
}

// bad reports whether a key of the quantity holds something that scalar has
// already refused.
func (o *object) bad(stem string, scales []scale) bool {
	for _, s := range scales {
		if o.has(stem + s.suffix) {
			return true
		}
	}
	return false
}

// whole reads a whole number.
func (o *object) whole(key string, w want) int {
	text, _, present := o.scalar(key)
	if !present {
		if w.required && !o.has(key) {
			o.add(o.line, o.at(key), "missing", "give "+w.what)
		}
		return 0
	}
	n, err := strconv.ParseInt(text, 10, 32)
	if err != nil || n < w.min || n > w.max || !decimalText.MatchString(text) {
		o.add(lineOf(o.nodes[key]), o.at(key), fmt.Sprintf("%q is not usable", text), "give "+w.what)
		return 0
	}
	return int(n)
}

// float reads a decimal as the nearest float64 in (low, high] or, where
// closed, [low, high].
func (o *object) float(key string, low, high float64, closed bool, what string) (float64, bool) {
	text, _, present := o.scalar(key)
	if !present {
		return 0, false
	}
	f, ok := decimalFloat(text)
	if !ok || f > high || f < low || f == low && !closed {
		o.add(lineOf(o.nodes[key]), o.at(key), fmt.Sprintf("%q is not usable", text), "give "+what)
		return 0, false
	}
	return f, true
}

// rows gives the mappings of a list; absent gives none. label names the path
// of row i (counted from 0) of the list.
func (o *object) rows(key string, label func(i int, node ast.Node) string) []*object {
	node := o.get(key)
	if node == nil {
		return nil
	}
	list, ok := node.(*ast.SequenceNode)
	if !ok {
		o.add(lineOf(node), o.at(key), "want a list, not "+kindOf(node), "begin each entry with a dash")
		return nil
	}
	var rows []*object
	for i, entry := range list.Values {
		if row := newObject(o.report, entry, o.at(key)+"["+label(i, entry)+"]"); row != nil {
			rows = append(rows, row)
		}
	}
	return rows
}

// byNumber labels rows 1, 2, 3.
func byNumber(i int, _ ast.Node) string { return strconv.Itoa(i + 1) }

// byName labels a row by its name, or its number where it has none.
func byName(i int, node ast.Node) string {
	if m, ok := node.(ast.MapNode); ok {
		for it := m.MapRange(); it.Next(); {
			if s, ok := it.Value().(*ast.StringNode); ok && it.Key().GetToken().Value == "name" && validName(s.Value) {
				return s.Value
			}
		}
	}
	return byNumber(i, node)
}

func lineOf(node ast.Node) int {
	if m, ok := node.(*ast.MappingNode); ok && len(m.Values) > 0 && !m.IsFlowStyle {
		return lineOf(m.Values[0].Key)
	}
	if v, ok := node.(*ast.MappingValueNode); ok {
		return lineOf(v.Key)
	}
	if s, ok := node.(*ast.SequenceNode); ok && len(s.Values) > 0 && !s.IsFlowStyle {
		return lineOf(s.Values[0])
	}
	if t := node.GetToken(); t != nil {
		return t.Position.Line
	}
	return 0
}

func kindOf(node ast.Node) string {
	switch node.Type() {
	case ast.MappingType, ast.MappingValueType:
		return "keys with values"
	case ast.SequenceType:
		return "a list"
	case ast.NullType:
		return "nothing"
	case ast.AliasType, ast.AnchorType:
		return "a YAML anchor"
	case ast.TagType:
		return "a YAML tag"
	}
	return fmt.Sprintf("%q", node.GetToken().Value)
}
