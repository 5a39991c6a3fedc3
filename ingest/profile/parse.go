package profile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/big"
	"sort"
	"strings"
	"time"

	// Zones must be found on machines without zone files, too.
	_ "time/tzdata"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

	"fadeledger/analytics"
)

// MaxBytes is the largest profile that Parse reads.
const MaxBytes = 64 << 10

// file is the YAML form of a Profile.
type file struct {
	Unit               literal            `yaml:"unit"`
	UnitPrefix         literal            `yaml:"unit_prefix"`
	UnitLength         int                `yaml:"unit_length"`
	Rank               int8               `yaml:"rank"`
	Delimiter          string             `yaml:"delimiter"`
	DecimalComma       bool               `yaml:"decimal_comma"`
	Charset            string             `yaml:"charset"`
	Zone               string             `yaml:"zone"`
	TimeIs             string             `yaml:"time_is"`
	Start              string             `yaml:"start"`
	DateOrder          string             `yaml:"date_order"`
	PowerIs            string             `yaml:"power_is"`
	NumbersAsText      bool               `yaml:"numbers_as_text"`
	KeepSensorDefaults bool               `yaml:"keep_sensor_defaults"`
	Absent             []literal          `yaml:"absent"`
	Fields             map[string]mapping `yaml:"fields"`
	Ignore             []literal          `yaml:"ignore"`
}

type mapping struct {
	From   names   `yaml:"from"`
	Scale  literal `yaml:"scale"`
	Offset literal `yaml:"offset"`
	Sign   string  `yaml:"sign"`
}

// literal is a text as it stands in the file. The YAML library would read the
// serial 000123 as an octal number and give 83.
type literal string

// UnmarshalYAML takes the text of a scalar.
func (l *literal) UnmarshalYAML(node ast.Node) error {
	switch n := node.(type) {
	case *ast.StringNode:
		*l = literal(n.Value)
	case *ast.LiteralNode:
		*l = literal(n.Value.Value)
	case *ast.NullNode:
		*l = ""
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		*l = literal(n.GetToken().Value)
	default:
		return fmt.Errorf("line %d: a text is expected", node.GetToken().Position.Line)
	}
	return nil
}

// texts gives the texts of a list.
func texts(list []literal) []string {
	var out []string
	for _, l := range list {
		out = append(out, string(l))
	}
	return out
}

// names is a text or a list of texts.
type names []literal

// UnmarshalYAML reads one text or a list of texts.
func (n *names) UnmarshalYAML(unmarshal func(any) error) error {
	var one literal
	if err := unmarshal(&one); err == nil {
		*n = names{one}
		return nil
	}
	return unmarshal((*[]literal)(n))
}

// Parse reads a profile from YAML. The name serves messages only. Unknown
// keys, a second document and settings that contradict each other are
// refused; an empty text is the plain contract.
func Parse(name string, text []byte) (*Profile, error) {
	if len(text) > MaxBytes {
		return nil, fmt.Errorf("profile %s: larger than %d bytes", name, MaxBytes)
	}
	f, err := readYAML(text)
	if err != nil {
		return nil, fmt.Errorf("profile %s: %w", name, err)
	}
	p, err := f.profile()
	if err != nil {
		return nil, fmt.Errorf("profile %s: %w", name, err)
	}
	p.Name = name
	return p, nil
}

// readYAML reads one document. The YAML library panics on some texts, such as
// a list with a tag of its own; profiles come from outside, so that must not
// end the process.
func readYAML(text []byte) (f *file, err error) {
	defer func() {
		if p := recover(); p != nil {
			f, err = nil, fmt.Errorf("unreadable YAML: %v", p)
		}
	}()
	if depth(text) > maxDepth {
		return nil, fmt.Errorf("nested deeper than %d", maxDepth)
	}
	f = new(file)
	dec := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict())
	if err := dec.Decode(f); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	var second any
	if err := dec.Decode(&second); !errors.Is(err, io.EOF) {
		return nil, errors.New("more than one document")
	}
	return f, nil
}

// maxDepth bounds opening brackets, and list and map signs in one line, so that the recursion of the YAML library
// stays small.
const maxDepth = 100

// depth counts the brackets that are opened and not closed, at their most, and
// the signs of lists and maps in one line. It
// looks into quotes, too: no profile has a hundred of them.
func depth(text []byte) int {
	open, signs, most := 0, 0, 0
	for i, c := range text {
		switch c {
		case '\n':
			signs = 0
		case '-', '?', ':':
			if i+1 < len(text) && (text[i+1] == ' ' || text[i+1] == '\t') {
				signs++
				most = max(most, signs)
			}
		case '[', '{':
			open++
			most = max(most, open)
		case ']', '}':
			open--
		}
	}
	return most
}

// profile checks every setting and gives the Profile.
func (f *file) profile() (*Profile, error) {
	p := &Profile{
		Unit: analytics.Serial(f.Unit), UnitPrefix: string(f.UnitPrefix), UnitLength: f.UnitLength, Rank: f.Rank,
		DecimalComma: f.DecimalComma, NumbersAsText: f.NumbersAsText,
		KeepSensorDefaults: f.KeepSensorDefaults, Absent: texts(f.Absent), Ignore: texts(f.Ignore),
	}
	for _, step := range []func(*Profile) error{f.setText, f.setTime, f.setUnit, f.setFields} {
		if err := step(p); err != nil {
			return nil, err
		}
	}
	return p, nil
}

func (f *file) setText(p *Profile) error {
	switch {
	case f.Delimiter == "" || f.Delimiter == ",":
	case f.Delimiter == "tab" || f.Delimiter == "\t":
		p.Delimiter = '\t'
	case len(f.Delimiter) == 1 && strings.Contains(";|:^~", f.Delimiter):
		p.Delimiter = f.Delimiter[0]
	default:
		return fmt.Errorf("delimiter %q: want one of , ; | : ^ ~ or tab", f.Delimiter)
	}
	if p.DecimalComma && p.Comma() == ',' {
		return errors.New("decimal_comma: needs a delimiter other than the comma")
	}
	charset, err := choice("charset", f.Charset, charsets)
	p.Charset = Charset(charset)
	if err != nil {
		return err
	}
	mean, err := choice("power_is", f.PowerIs, []string{"instant", "interval-mean"})
	p.PowerIsMean = mean == 1
	return err
}

func (f *file) setTime(p *Profile) error {
	kind, err := choice("time_is", f.TimeIs, timeKinds)
	if err != nil {
		return err
	}
	order, err := choice("date_order", f.DateOrder, dateOrders)
	if err != nil {
		return err
	}
	p.Time, p.DateOrder = TimeKind(kind), DateOrder(order)
	if f.Zone != "" {
		if f.Zone == "Local" {
			return errors.New("zone Local: want an IANA name such as Europe/Helsinki")
		}
		if p.Zone, err = time.LoadLocation(f.Zone); err != nil {
			return fmt.Errorf("zone: %w", err)
		}
	}
	relative := p.Time == TimeRelativeSeconds
	if relative != (f.Start != "") {
		return errors.New("start: goes together with time_is: relative-s")
	}
	if relative {
		start, err := time.Parse(time.RFC3339Nano, f.Start)
		if err != nil {
			return fmt.Errorf("start %q: want RFC 3339 with zone", f.Start)
		}
		p.Start = analytics.InstantOf(start)
	}
	return nil
}

func (f *file) setUnit(p *Profile) error {
	if f.UnitLength < 0 || f.UnitLength > MaxSerialLength {
		return fmt.Errorf("unit_length %d: want 1 to %d", f.UnitLength, MaxSerialLength)
	}
	if f.Unit != "" && p.CheckSerial(string(f.Unit)) != SerialOK {
		return fmt.Errorf("unit %q: not a serial that this profile allows", f.Unit)
	}
	return nil
}

func (f *file) setFields(p *Profile) error {
	keys := make([]string, 0, len(f.Fields))
	for key := range f.Fields {
		keys = append(keys, key)
	}
	sort.Strings(keys)
	var carried [FieldCount]string
	taken := map[string]string{}
	for _, name := range p.Ignore {
		taken[name] = "ignore"
	}
	for _, key := range keys {
		m, err := f.Fields[key].mapping(key, p.Time)
		if err != nil {
			return fmt.Errorf("fields: %s: %w", key, err)
		}
		field := m.Column.Field
		if carried[field] != "" {
			return fmt.Errorf("fields: %s and %s are the same quantity", carried[field], key)
		}
		carried[field] = key
		for _, from := range m.From {
			if taken[from] != "" {
				return fmt.Errorf("fields: header %q is named by %s and by %s", from, taken[from], key)
			}
			taken[from] = key
		}
		p.Fields = append(p.Fields, m)
	}
	return nil
}

func (m mapping) mapping(key string, kind TimeKind) (Mapping, error) {
	col, verdict := named(key)
	switch verdict {
	case Known:
	case Ambiguous:
		return Mapping{}, errors.New("the suffix can mean milli or mega; name another unit and a scale")
	default:
		return Mapping{}, fmt.Errorf("no field of telemetry; want one of %s", strings.Join(Names(), ", "))
	}
	from := m.From
	if len(from) == 0 {
		from = names{literal(key)}
	}
	scale, offset, err := m.numbers()
	if err != nil {
		return Mapping{}, err
	}
	converts := m.Scale != "" || m.Offset != "" || m.Sign != ""
	relative := col.Field == Time && kind == TimeRelativeSeconds
	switch {
	case relative:
		col.Conv = Linear{Num: 1000, Den: 1}
	case converts && (col.Field == Unit || col.Field == Time):
		return Mapping{}, errors.New("takes no scale, offset or sign")
	}
	if col.Conv, err = col.Conv.after(scale, offset); err != nil {
		return Mapping{}, err
	}
	return Mapping{From: texts(from), Column: col}, nil
}

// numbers gives the scale (with the sign) and the offset of a mapping.
func (m mapping) numbers() (scale, offset *big.Rat, err error) {
	scale, offset = big.NewRat(1, 1), new(big.Rat)
	if m.Scale != "" {
		if scale, err = parseRatio(string(m.Scale)); err != nil {
			return nil, nil, fmt.Errorf("scale: %w", err)
		}
	}
	if m.Offset != "" {
		if offset, err = parseRatio(string(m.Offset)); err != nil {
			return nil, nil, fmt.Errorf("offset: %w", err)
		}
	}
	sign, err := choice("sign", m.Sign, []string{"same", "flipped"})
	if sign == 1 {
		scale = new(big.Rat).Neg(scale)
	}
	return scale, offset, err
}

// choice gives the index of text in options; empty text is the first.
func choice(key, text string, options []string) (int, error) {
	if text == "" {
		return 0, nil
	}
	for i, option := range options {
		if option == text {
			return i, nil
		}
	}
	return 0, fmt.Errorf("%s %q: want one of %s", key, text, strings.Join(options, ", "))
}
