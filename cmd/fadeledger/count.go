package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
	"fadeledger/ingest/decode"
	"fadeledger/ingest/profile"
)

type countCmd struct {
	Files     []string `arg:"" name:"file" help:"CSV, JSON or NDJSON telemetry, packed or not." type:"existingfile"`
	Models    string   `help:"File with models and terms." required:"" type:"existingfile" placeholder:"models.yaml"`
	UnitModel string   `help:"Model of all units in the files." placeholder:"NAME"`
	Terms     string   `help:"Terms of all units in the files." placeholder:"NAME"`
	Units     string   `help:"File that says which unit is of which model and has which terms." type:"existingfile" placeholder:"units.csv"`
	Profile   string   `help:"File that says how the files differ from the telemetry contract." type:"existingfile" placeholder:"FILE"`
	JSON      bool     `help:"Print one JSON object a unit and line instead of text."`
}

// Help tells what an offline count cannot know.
func (countCmd) Help() string {
	return "Files may be of any size. The rule of the service that refuses samples from the future asks when a delivery came; files do not tell, so it is not applied here."
}

// offlineLimits let files be of any size, since nobody else waits for the
// memory: the limits of a line stay, and packed bytes must not unpack to more
// than any telemetry does.
func offlineLimits() decode.Options {
	return decode.Options{MaxRows: math.MaxInt64, MaxUnpackedBytes: math.MaxInt64, MaxRatio: 1000}
}

// Run counts the files and prints the ledgers in order of serial.
func (c countCmd) Run(ctx context.Context) error {
	ledgers, bad, err := c.ledgers(ctx)
	if err != nil {
		return err
	}
	for _, l := range ledgers {
		if err := c.print(os.Stdout, l); err != nil {
			return err
		}
	}
	if bad > 0 {
		fmt.Fprintf(os.Stderr, "%d rows could not be counted; each is named above with its file and line\n", bad)
	}
	if len(ledgers) == 0 {
		return errors.New("no row could be counted")
	}
	return nil
}

// ledgers counts the files: the ledgers in order of serial, and the number of
// rows that cannot be counted. Most files hold the rows of a unit in order of
// time: those units are counted as they come. The others need all of their rows
// at once, which a second reading gathers.
func (c countCmd) ledgers(ctx context.Context) (list []analytics.Ledger, bad int, err error) {
	look, err := c.lookup()
	if err != nil {
		return nil, 0, err
	}
	ordered := &orderedSink{look: look, units: map[analytics.Serial]*running{}}
	sets := map[analytics.Serial]*analytics.SampleSet{}
	if ordered.gather = c.onlyOnce(); ordered.gather {
		ordered.sets = sets
	}
	if bad, err = c.read(ctx, ordered); err != nil {
		return nil, 0, err
	}
	if ordered.disordered > 0 && !ordered.gather {
		if _, err := c.read(ctx, &setSink{sets: sets, wanted: ordered.isDisordered}); err != nil {
			return nil, 0, err
		}
	}
	for _, serial := range slices.Sorted(maps.Keys(ordered.units)) {
		u := ordered.units[serial]
		var l analytics.Ledger
		if u.disordered {
			l = countSet(u.model, u.terms, sets[serial])
			delete(sets, serial)
		} else {
			l = analytics.LedgerOf(u.model, u.terms, &u.Counter, u.Excursions, u.Events, analytics.Versions{})
		}
		l.Unit = serial
		list = append(list, l)
	}
	return list, bad, nil
}

// onlyOnce reports whether a file, such as a pipe, cannot be read a second time.
func (c countCmd) onlyOnce() bool {
	return slices.ContainsFunc(c.Files, func(name string) bool {
		info, err := os.Stat(name)
		return err == nil && !info.Mode().IsRegular()
	})
}

// countSet counts the deliveries of one unit.
func countSet(m *analytics.Model, t *analytics.Terms, set *analytics.SampleSet) analytics.Ledger {
	r := set.Resolve()
	a := analytics.Count(m, r.Counting)
	return analytics.LedgerOf(m, t, &a.Counter, a.Excursions, a.Events, analytics.Versions{
		Duplicates: r.Duplicates, Conflicts: r.Conflicts, Superseded: r.Superseded,
	})
}

// lookup gives the function that finds a unit's model and terms.
func (c countCmd) lookup() (func(analytics.Serial) (*analytics.Model, *analytics.Terms, error), error) {
	b, err := os.ReadFile(c.Models)
	if err != nil {
		return nil, fmt.Errorf("read models: %w", err)
	}
	cat, err := catalog.ParseModels(c.Models, b)
	if err != nil {
		return nil, err
	}
	units := map[analytics.Serial]analytics.Unit{}
	if c.Units != "" {
		b, err := os.ReadFile(c.Units)
		if err != nil {
			return nil, fmt.Errorf("read units: %w", err)
		}
		list, err := catalog.ParseUnits(c.Units, b)
		if err != nil {
			return nil, err
		}
		for _, u := range list.Units {
			units[u.Serial] = u
		}
	}
	return func(serial analytics.Serial) (*analytics.Model, *analytics.Terms, error) {
		u := units[serial]
		name, terms := u.Model, u.Terms
		if c.UnitModel != "" {
			name = c.UnitModel
		}
		if c.Terms != "" {
			terms = c.Terms
		}
		if name == "" {
			return nil, nil, fmt.Errorf("unit %s: its model is not known; name it with --unit-model or list the unit in --units", serial)
		}
		m, ok := cat.Model(name)
		if !ok {
			return nil, nil, fmt.Errorf("unit %s: %s holds no model %q", serial, c.Models, name)
		}
		if terms == "" {
			return &m, nil, nil
		}
		t, ok := cat.TermsNamed(terms)
		if !ok {
			return nil, nil, fmt.Errorf("unit %s: %s holds no terms %q", serial, c.Models, terms)
		}
		if t.Model != m.Name {
			return nil, nil, fmt.Errorf("unit %s: the terms %q are for the model %q, the unit is of model %q", serial, terms, t.Model, m.Name)
		}
		return &m, &t, nil
	}, nil
}

// rowSink takes the rows of files.
type rowSink interface {
	Row(decode.Row) error
	// quiet: what cannot be counted was told before.
	quiet() bool
}

// read reads all files and gives how many rows cannot be counted; each is told
// on stderr.
func (c countCmd) read(ctx context.Context, rows rowSink) (bad int, err error) {
	opt := offlineLimits()
	if c.Profile != "" {
		b, err := os.ReadFile(c.Profile)
		if err != nil {
			return 0, fmt.Errorf("read profile: %w", err)
		}
		if opt.Profile, err = profile.Parse(c.Profile, b); err != nil {
			return 0, err
		}
	}
	for _, name := range c.Files {
		f, err := os.Open(name)
		if err != nil {
			return 0, fmt.Errorf("open telemetry: %w", err)
		}
		sink := &fileSink{rowSink: rows, name: name}
		report, err := decode.Decode(ctx, f, opt, sink)
		f.Close()
		var refused *decode.Refused
		if errors.As(err, &refused) {
			return 0, fmt.Errorf("%s: %w; %s", name, err, refused.Remedy)
		}
		if err != nil {
			return 0, fmt.Errorf("read %s: %w", name, err)
		}
		bad += sink.bad
		for _, n := range report.Notes {
			if !rows.quiet() {
				fmt.Fprintf(os.Stderr, "%s: note: %s\n", filepath.Base(name), n)
			}
		}
	}
	return bad, nil
}

// fileSink hands on the rows of a file and tells of those that cannot be
// counted.
type fileSink struct {
	rowSink
	name string
	bad  int
}

// Problem tells of a row that cannot be counted.
func (s *fileSink) Problem(p decode.Problem) error {
	s.bad++
	if s.quiet() {
		return nil
	}
	field := p.Field
	if field == "" {
		field = "row"
	}
	fmt.Fprintf(os.Stderr, "%s:%d: %s: %s (%s); %s\n", s.name, p.Line, field, p.Message, p.Reason, p.Remedy)
	return nil
}

// running is a unit that is counted as its rows come.
type running struct {
	analytics.Account
	model      *analytics.Model
	terms      *analytics.Terms
	disordered bool
}

// orderedSink counts units as long as each of their rows is newer than the one
// before. Of the others it only notes that they are not.
type orderedSink struct {
	look       func(analytics.Serial) (*analytics.Model, *analytics.Terms, error)
	units      map[analytics.Serial]*running
	disordered int
	// gather: all rows go into sets, since they cannot be read again.
	gather bool
	sets   map[analytics.Serial]*analytics.SampleSet
}

func (s *orderedSink) quiet() bool { return false }

func (s *orderedSink) isDisordered(serial analytics.Serial) bool { return s.units[serial].disordered }

// Row counts a sample.
func (s *orderedSink) Row(r decode.Row) error {
	u := s.units[r.Serial]
	if u == nil {
		m, t, err := s.look(r.Serial)
		if err != nil {
			return err
		}
		u = &running{model: m, terms: t, disordered: s.gather}
		s.units[r.Serial] = u
	}
	if s.gather {
		return add(s.sets, r)
	}
	switch {
	case u.disordered:
	case u.Counter.Samples() > 0 && r.Sample.Time <= u.Counter.Last().Time:
		*u = running{model: u.model, terms: u.terms, disordered: true}
		s.disordered++
	default:
		u.Counter.Step(u.model, r.Sample, &u.Effects)
		u.Days = u.Days[:0] // nobody asks for them
	}
	return nil
}

// setSink gathers the rows of units.
type setSink struct {
	sets   map[analytics.Serial]*analytics.SampleSet
	wanted func(analytics.Serial) bool
}

func (s *setSink) quiet() bool { return true }

// Row takes a sample.
func (s *setSink) Row(r decode.Row) error {
	if !s.wanted(r.Serial) {
		return nil
	}
	return add(s.sets, r)
}

func add(sets map[analytics.Serial]*analytics.SampleSet, r decode.Row) error {
	set := sets[r.Serial]
	if set == nil {
		set = &analytics.SampleSet{}
		sets[r.Serial] = set
	}
	set.Add(r.Sample)
	return nil
}

func (c countCmd) print(w io.Writer, l analytics.Ledger) error {
	if c.JSON {
		b, err := json.Marshal(l)
		if err != nil {
			return fmt.Errorf("write ledger: %w", err)
		}
		_, err = fmt.Fprintf(w, "%s\n", b)
		return err
	}
	_, err := io.WriteString(w, ledgerText(l))
	return err
}

// ledgerText writes a ledger for people.
func ledgerText(l analytics.Ledger) string {
	var b strings.Builder
	fmt.Fprintf(&b, "unit %s (%s)\n", l.Unit, l.Model)
	fmt.Fprintf(&b, "  samples      %d counted, %d duplicates, %d instants in dispute\n", l.Samples, l.Duplicates, l.Conflicts)
	if l.First == nil {
		return b.String()
	}
	coverage := 0.0
	if l.Elapsed > 0 {
		coverage = 100 * l.Covered / l.Elapsed
	}
	fmt.Fprintf(&b, "  time         %.1f days, %.1f %% covered\n", l.Elapsed/86400, coverage)
	fmt.Fprintf(&b, "  energy       %.3f kWh charged, %.3f kWh discharged, %.2f equivalent full cycles\n", l.Charge.KWh(), l.Discharge.KWh(), l.EFC)
	for basis, e := range l.ByBasis {
		if e != [2]analytics.MilliwattHours{} {
			fmt.Fprintf(&b, "    by %-8s %.3f kWh charged, %.3f kWh discharged\n", analytics.Basis(basis), e[0].KWh(), e[1].KWh())
		}
	}
	for _, m := range l.Measures {
		fmt.Fprintf(&b, "  spent        %.4f %% by %s\n", m.Spent*100, m.Measure)
	}
	for _, e := range l.Events {
		fmt.Fprintf(&b, "  event        %s %s %s\n", e.At.Time().Format("2006-01-02T15:04:05Z"), e.Kind, e.Field)
	}
	for _, x := range l.Excursions {
		fmt.Fprintf(&b, "  excursion    %s %s, %s, %d samples", x.Start.Time().Format("2006-01-02T15:04:05Z"), x.Kind, x.Length().Duration(), x.Samples)
		if x.HasTemp {
			fmt.Fprintf(&b, ", %.2f to %.2f °C", x.MinTemp.Celsius(), x.MaxTemp.Celsius())
		}
		fmt.Fprintf(&b, ", %.3f kWh charged\n", x.Charge.Round().KWh())
	}
	return b.String()
}
