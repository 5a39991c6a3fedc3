package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
	"fadeledger/analytics/household"
	"fadeledger/ingest/encode"
)

type simulateCmd struct {
	Out       string        `help:"Folder for the files: registration, telemetry by collector, and the truth." default:"simulated" type:"path"`
	Units     int           `help:"Number of units." default:"20"`
	Days      int           `help:"Longest history in days." default:"60"`
	Seed      uint64        `help:"The same seed gives the same fleet." default:"1"`
	Until     string        `help:"Day at whose beginning the history ends, YYYY-MM-DD; today unless given." placeholder:"DAY"`
	Cadence   time.Duration `help:"Time from one sample to the next." default:"5m"`
	Format    string        `help:"Format of the telemetry: csv or ndjson." enum:"csv,ndjson" default:"csv"`
	Batch     int           `help:"Samples in one delivery." default:"500"`
	Fault     []string      `help:"What is wrong with every unit: ${faults}. May be given several times." enum:"heavy-cycling,cold-charging,outage,counter-reset,sign-flip,stuck-sensor,silence" placeholder:"KIND"`
	Copies    float64       `help:"Share of deliveries that come twice." default:"0"`
	Late      float64       `help:"Share of deliveries that come up to six hours late." default:"0"`
	Overwrite bool          `help:"Write into a folder that is not empty; telemetry of an earlier run is removed first."`
	Publish   string        `help:"Also send everything to a running service, delivery by delivery." placeholder:"URL"`
	TokenFile string        `help:"File with the token that lets you in there, or its text in FADELEDGER_TOKEN." env:"FADELEDGER_TOKEN_FILE" placeholder:"FILE"`
}

// faultNames lists what --fault takes.
const faultNames = "heavy-cycling, cold-charging, outage, counter-reset, sign-flip, stuck-sensor, silence"

// simulatedTruth is the truth about a simulated fleet.
type simulatedTruth struct {
	Seed  uint64                         `json:"seed"`
	Roles map[analytics.Serial]string    `json:"roles"`
	Feeds map[string]household.FeedTruth `json:"collectors"`
}

// server gives the service to publish to.
func (c simulateCmd) server() server { return server{Server: c.Publish, TokenFile: c.TokenFile} }

// Run simulates, writes and, if asked to, publishes.
func (c simulateCmd) Run(ctx context.Context) error {
	end := analytics.InstantOf(time.Now()).Day().Start()
	if c.Until != "" {
		day, err := analytics.ParseDay(c.Until)
		if err != nil {
			return err
		}
		end = day.Start()
	}
	if c.Publish != "" {
		if err := c.server().check(); err != nil {
			return err
		}
	}
	fleet, err := household.NewFleet(c.Seed, c.Units, end, c.Days, analytics.Millis(c.Cadence.Milliseconds()))
	if err != nil {
		return fmt.Errorf("invent the fleet: %w", err)
	}
	c.inject(fleet)
	if err := c.prepare(); err != nil {
		return err
	}
	files := registrationFiles(fleet)
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(c.Out, name), b, 0o644); err != nil {
			return fmt.Errorf("write registration: %w", err)
		}
	}
	if c.Publish != "" {
		paths := []string{filepath.Join(c.Out, "models.yaml"), filepath.Join(c.Out, "sites.csv"), filepath.Join(c.Out, "units.csv")}
		if err := (registerCmd{server: c.server(), Files: paths}).Run(ctx); err != nil {
			return err
		}
	}
	truth := simulatedTruth{Seed: c.Seed, Roles: map[analytics.Serial]string{}, Feeds: map[string]household.FeedTruth{}}
	for _, h := range fleet.Homes {
		truth.Roles[h.Unit.Serial] = string(h.Role)
	}
	for _, collector := range fleet.Collectors() {
		if truth.Feeds[collector], err = c.collector(ctx, fleet, collector); err != nil {
			return fmt.Errorf("collector %s: %w", collector, err)
		}
	}
	b, err := json.MarshalIndent(truth, "", "  ")
	if err == nil {
		err = os.WriteFile(filepath.Join(c.Out, "truth.json"), append(b, '\n'), 0o644)
	}
	if err != nil {
		return fmt.Errorf("write truth: %w", err)
	}
	_, err = fmt.Printf("%d units at %d collectors in %s; the truth is in truth.json\n", len(fleet.Homes), len(truth.Feeds), c.Out)
	return err
}

// prepare makes the folder. Old telemetry would be taken for this fleet's.
func (c simulateCmd) prepare() error {
	entries, err := os.ReadDir(c.Out)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("look into folder: %w", err)
	}
	if len(entries) > 0 && !c.Overwrite {
		return fmt.Errorf("%s is not empty; name another folder with --out, or replace what an earlier run wrote with --overwrite", c.Out)
	}
	for _, e := range entries {
		if old, _ := filepath.Match("telemetry-*", e.Name()); old && e.Type().IsRegular() {
			if err := os.Remove(filepath.Join(c.Out, e.Name())); err != nil {
				return fmt.Errorf("remove old telemetry: %w", err)
			}
		}
	}
	if err := os.MkdirAll(c.Out, 0o755); err != nil {
		return fmt.Errorf("make folder: %w", err)
	}
	return nil
}

// inject gives every home the faults that were asked for.
func (c simulateCmd) inject(fleet *household.Fleet) {
	for i := range fleet.Homes {
		cfg := &fleet.Homes[i].Config
		from := cfg.Start
		at := func(share float64) analytics.Instant {
			return from + analytics.Instant(share*float64(fleet.End-from))
		}
		for _, f := range c.Fault {
			switch household.FaultKind(f) {
			case household.HeavyCycling:
				cfg.Habits.TradesPerDay = 2.2
			case household.ColdCharging:
				cfg.Faults.ColdCharging = true
				cfg.Placement = analytics.ExteriorWall
			case household.Outage:
				cfg.Faults.Outages = household.RandomOutages(cfg.Seed, from, fleet.End, 12, 2*analytics.Hour, 10*analytics.DayLength)
			case household.CounterReset:
				cfg.Faults.Resets = []analytics.Instant{at(0.4), at(0.8)}
			case household.SignFlip:
				when := at(0.5)
				cfg.Faults.SignFlip = &when
			case household.StuckSensor:
				cfg.Faults.Stuck = &household.Stuck{
					Fields: analytics.HasTemp | analytics.HasTempMax,
					Span:   household.Span{From: at(0.6), Length: 2 * analytics.DayLength},
				}
			case household.Silence:
				when := at(0.9)
				cfg.Faults.Silent = &when
			}
		}
	}
}

// registrationFiles writes the fleet as the files that register takes.
func registrationFiles(fleet *household.Fleet) map[string][]byte {
	units := make([]analytics.Unit, len(fleet.Homes))
	for i, h := range fleet.Homes {
		units[i] = h.Unit
	}
	return map[string][]byte{
		"models.yaml": catalog.AppendModels(nil, fleet.Models, fleet.Terms),
		"sites.csv":   catalog.AppendSites(nil, fleet.Sites),
		"units.csv":   catalog.AppendUnits(nil, units),
	}
}

// collector writes the deliveries of one collector in the order in which they
// come.
func (c simulateCmd) collector(ctx context.Context, fleet *household.Fleet, name string) (truth household.FeedTruth, err error) {
	feed, err := fleet.Feed(household.FeedConfig{
		Collector: name, Batch: c.Batch, Until: fleet.End, CopyShare: c.Copies, LateShare: c.Late,
	})
	if err != nil {
		return truth, err
	}
	f, err := os.Create(filepath.Join(c.Out, "telemetry-"+name+"."+c.Format))
	if err != nil {
		return truth, fmt.Errorf("write telemetry: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	w := bufio.NewWriterSize(f, 1<<20)
	if c.Format == "csv" {
		if _, err := w.Write(encode.AppendHeader(nil, analytics.Measured)); err != nil {
			return truth, err
		}
	}
	var buffer []byte
	for {
		if err := ctx.Err(); err != nil {
			return truth, err
		}
		d, ok := feed.Next()
		if !ok {
			break
		}
		if err := c.deliver(ctx, w, d, &buffer); err != nil {
			return truth, err
		}
	}
	return feed.Truth(), w.Flush()
}

func (c simulateCmd) deliver(ctx context.Context, w io.Writer, d household.Delivery, buffer *[]byte) error {
	*buffer = appendReadings((*buffer)[:0], d.Readings, c.Format)
	if _, err := w.Write(*buffer); err != nil {
		return fmt.Errorf("write telemetry: %w", err)
	}
	if c.Publish == "" {
		return nil
	}
	body, kind := *buffer, "application/x-ndjson"
	if c.Format == "csv" {
		body, kind = append(encode.AppendHeader(nil, analytics.Measured), *buffer...), "text/csv"
	}
	return c.server().call(ctx, http.MethodPost, "/api/v1/telemetry?collector="+url.QueryEscape(d.Collector), map[string]string{
		"Content-Type": kind, "Fadeledger-Batch": d.Batch,
		// A repeated attempt is no second delivery; a copy is.
		"Nats-Msg-Id": messageID("simulate", d.Collector, d.Batch, string(d.Nature), string(body)),
	}, body, nil)
}

// appendReadings writes the readings of a delivery: CSV rows without a header,
// or lines of JSON.
func appendReadings(b []byte, readings []household.Reading, format string) []byte {
	one := make([]analytics.Sample, 1)
	for i := range readings {
		one[0] = readings[i].Sample
		if format == "csv" {
			b = encode.AppendRows(b, readings[i].Serial, one, analytics.Measured)
		} else {
			b = encode.AppendNDJSON(b, readings[i].Serial, one)
		}
	}
	return b
}
