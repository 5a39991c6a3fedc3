package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"strings"
	"text/tabwriter"
	"time"
)

// versionAnswer is a version of a sample as the service tells it.
type versionAnswer struct {
	Sample    map[string]any `json:"sample"`
	Disputed  bool           `json:"disputed"`
	Collector string         `json:"collector"`
	Sequence  uint64         `json:"sequence"`
	Line      int32          `json:"line"`
}

type disputeAnswer struct {
	At       time.Time
	Versions []versionAnswer
}

func unitPath(unit string) string { return "/api/v1/units/" + url.PathEscape(unit) }

func (s server) disputes(ctx context.Context, unit string) ([]disputeAnswer, error) {
	var answer struct{ Disputes []disputeAnswer }
	if err := s.call(ctx, http.MethodGet, unitPath(unit)+"/disputes?limit=500", nil, nil, &answer); err != nil {
		return nil, fmt.Errorf("list disputes: %w", err)
	}
	return answer.Disputes, nil
}

type disputesCmd struct {
	server
	Unit string `arg:"" help:"Serial number."`
}

// Run prints the instants of a unit at which versions differ.
func (c disputesCmd) Run(ctx context.Context) error {
	list, err := c.disputes(ctx, c.Unit)
	if err != nil {
		return err
	}
	if len(list) == 0 {
		_, err := fmt.Printf("no sample of unit %s is in dispute\n", c.Unit)
		return err
	}
	w := tabwriter.NewWriter(os.Stdout, 0, 8, 2, ' ', 0)
	for _, d := range list {
		fmt.Fprintf(w, "%s\n", d.At.Format(time.RFC3339Nano))
		for i, v := range d.Versions {
			fmt.Fprintf(w, "  %d\t%s\t%s\n", i+1, v.source(), v.values())
		}
	}
	return w.Flush()
}

// source says where a version came from.
func (v versionAnswer) source() string {
	switch {
	case v.Collector == "":
		return "counted before the dispute"
	case v.Line == 0:
		return fmt.Sprintf("%s, delivery %d", v.Collector, v.Sequence)
	}
	return fmt.Sprintf("%s, delivery %d, line %d", v.Collector, v.Sequence, v.Line)
}

// values writes what the version says.
func (v versionAnswer) values() string {
	fields := map[string]any{}
	for k, x := range v.Sample {
		if k != "time" && k != "unit" && x != nil {
			fields[k] = x
		}
	}
	b, err := json.Marshal(fields)
	if err != nil {
		return err.Error()
	}
	return string(b)
}

type settleCmd struct {
	server
	Why     string    `help:"Why. Who decides it is whoever the token is of." required:"" placeholder:"TEXT"`
	Unit    string    `arg:"" help:"Serial number."`
	Time    time.Time `arg:"" help:"Instant in dispute, as the command disputes tells it."`
	Version int       `help:"Number of the version that is right, as the command disputes tells it; 0: none, nothing counts there." required:"" placeholder:"N"`
}

// Run chooses a version.
func (c settleCmd) Run(ctx context.Context) error {
	list, err := c.disputes(ctx, c.Unit)
	if err != nil {
		return err
	}
	for _, d := range list {
		if !d.At.Equal(c.Time) {
			continue
		}
		samples := []any{}
		if c.Version < 0 || c.Version > len(d.Versions) {
			return fmt.Errorf("the dispute has versions 1 to %d", len(d.Versions))
		}
		if c.Version > 0 {
			samples = append(samples, d.Versions[c.Version-1].Sample)
		}
		body, err := json.Marshal(map[string]any{
			"from": d.At, "to": d.At.Add(time.Millisecond), "why": c.Why, "samples": samples,
		})
		if err != nil {
			return fmt.Errorf("write the correction: %w", err)
		}
		return c.correct(ctx, c.Unit, "", map[string]string{"Content-Type": "application/json"}, body)
	}
	return fmt.Errorf("unit %s has no dispute at %s; fadeledger disputes %s lists them", c.Unit, c.Time.Format(time.RFC3339Nano), c.Unit)
}

// correct sends a correction and tells what was made of it.
func (s server) correct(ctx context.Context, unit, query string, header map[string]string, body []byte) error {
	var made struct {
		ID       int64
		From, To time.Time
		Samples  int
	}
	if err := s.call(ctx, http.MethodPost, unitPath(unit)+"/corrections"+query, header, body, &made); err != nil {
		return fmt.Errorf("correct unit %s: %w", unit, err)
	}
	_, err := fmt.Printf("correction %d is made: from %s to before %s %d samples of unit %s count; what was there stays readable\n",
		made.ID, made.From.Format(time.RFC3339Nano), made.To.Format(time.RFC3339Nano), made.Samples, unit)
	return err
}

type correctCmd struct {
	server
	Why       string    `help:"Why. Who decides it is whoever the token is of." required:"" placeholder:"TEXT"`
	Unit      string    `arg:"" help:"Serial number."`
	File      string    `arg:"" optional:"" help:"CSV with the samples that are to count; none: nothing counts in the span." type:"existingfile"`
	From      time.Time `help:"First instant of the span." required:"" placeholder:"TIME"`
	To        time.Time `help:"First instant after the span." required:"" placeholder:"TIME"`
	Collector string    `help:"Collector whose profile the file is read by; the telemetry contract unless given."`
}

// Run replaces the samples of a span. A correction that was made is not made
// again when the answer was lost: the service would make it twice, which changes
// no number, but the history would tell of two.
func (c correctCmd) Run(ctx context.Context) error {
	if !c.From.Before(c.To) {
		return errors.New("the span is empty: --from must be before --to")
	}
	body := []byte("unit,time\n")
	if c.File != "" {
		b, err := os.ReadFile(c.File)
		if err != nil {
			return fmt.Errorf("read samples: %w", err)
		}
		body = b
	}
	q := url.Values{
		"from": {c.From.UTC().Format(time.RFC3339Nano)}, "to": {c.To.UTC().Format(time.RFC3339Nano)},
		"why": {c.Why},
	}
	if c.Collector != "" {
		q.Set("collector", c.Collector)
	}
	return c.correct(ctx, c.Unit, "?"+q.Encode(), map[string]string{"Content-Type": "text/csv"}, body)
}

type heldCmd struct {
	server
	Reason string `help:"Only rows of this reason."`
}

// heldPage is how many rows are asked for at once.
const heldPage = 200

// Run lists the quarantine.
func (c heldCmd) Run(ctx context.Context) error {
	w := tabwriter.NewWriter(os.Stdout, 0, 8, 2, ' ', 0)
	fmt.Fprintln(w, "ID\tROWS\tCOLLECTOR\tBATCH\tLINE\tFIELD\tREASON\tUNIT\tWHAT IS WRONG, AND WHAT HELPS")
	for after, rows := int64(0), 0; ; {
		var answer struct {
			Rows []struct {
				ID, Rows                                               int64
				Line                                                   int
				Collector, Batch, Field, Reason, Message, Remedy, Unit string
			}
			Next int64
		}
		path := fmt.Sprintf("/api/v1/quarantine?limit=%d&after=%d&reason=%s", heldPage, after, url.QueryEscape(c.Reason))
		if err := c.call(ctx, http.MethodGet, path, nil, nil, &answer); err != nil {
			return fmt.Errorf("list quarantine: %w", err)
		}
		for _, r := range answer.Rows {
			rows++
			fmt.Fprintf(w, "%d\t%d\t%s\t%s\t%d\t%s\t%s\t%s\t%s; %s\n", r.ID, r.Rows, r.Collector, r.Batch, r.Line, r.Field, r.Reason, r.Unit, r.Message, r.Remedy)
		}
		if after = answer.Next; after == 0 {
			if rows == 0 {
				_, err := fmt.Println("the quarantine is empty")
				return err
			}
			return w.Flush()
		}
	}
}

type releaseCmd struct {
	server
	IDs    []int64 `arg:"" optional:"" name:"id" help:"Entries to release, as the command held lists them."`
	Reason string  `help:"Release all entries of this reason."`
}

// Run releases entries. Releasing one twice changes nothing.
func (c releaseCmd) Run(ctx context.Context) error {
	if (len(c.IDs) == 0) == (c.Reason == "") {
		return errors.New("name the entries to release, or all of a reason with --reason")
	}
	var sum struct {
		Rows, Samples, Kept int
		Problems            []string
	}
	body, err := json.Marshal(map[string]any{"ids": c.IDs, "reason": c.Reason})
	if err != nil {
		return fmt.Errorf("write the request: %w", err)
	}
	if err := c.call(ctx, http.MethodPost, "/api/v1/quarantine/release", map[string]string{"Content-Type": "application/json"}, body, &sum); err != nil {
		return fmt.Errorf("release: %w", err)
	}
	if _, err := fmt.Printf("%d entries released, %d samples of them accepted, %d kept\n", sum.Rows, sum.Samples, sum.Kept); err != nil {
		return err
	}
	if len(sum.Problems) > 0 {
		_, err = fmt.Println(strings.Join(sum.Problems, "\n"))
	}
	return err
}
