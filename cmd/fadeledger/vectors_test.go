package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
	"fadeledger/analytics/vectortest"
	"fadeledger/ingest/broker"
	"fadeledger/ingest/encode"
	"fadeledger/store"
)

// vectorFiles writes models.yaml for a vector and gives its path.
func vectorFiles(t testing.TB, v *vectortest.Vector) (models string) {
	t.Helper()
	terms := *v.AnalyticsTerms()
	terms.Model, terms.Years, terms.SoldFrom = v.AnalyticsModel().Name, 10, 20454 // 2026-01-01
	models = filepath.Join(t.TempDir(), "models.yaml")
	b := catalog.AppendModels(nil, []analytics.Model{*v.AnalyticsModel()}, []analytics.Terms{terms})
	if err := os.WriteFile(models, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return models
}

// telemetry writes samples of one unit as CSV with all columns, or as NDJSON.
func telemetry(samples []analytics.Sample, serial analytics.Serial, format string) []byte {
	if format == "ndjson" {
		return encode.AppendNDJSON(nil, serial, samples)
	}
	b := encode.AppendHeader(nil, analytics.Measured)
	return encode.AppendRows(b, serial, samples, analytics.Measured)
}

func TestCountReproducesTheVectors(t *testing.T) {
	for _, v := range vectortest.Load(t) {
		for _, format := range []string{"csv", "ndjson"} {
			t.Run(v.Name+"/"+format, func(t *testing.T) {
				t.Parallel()
				models := vectorFiles(t, &v)
				file := filepath.Join(t.TempDir(), "telemetry."+format)
				if err := os.WriteFile(file, telemetry(v.Deliveries(), "V-1", format), 0o600); err != nil {
					t.Fatal(err)
				}
				c := countCmd{Files: []string{file}, Models: models, UnitModel: v.AnalyticsModel().Name, Terms: v.AnalyticsTerms().Name, JSON: true}
				ledgers, bad, err := c.ledgers(t.Context())
				if err != nil || bad != 0 || len(ledgers) != 1 {
					t.Fatalf("%d ledgers, %d bad rows, %v", len(ledgers), bad, err)
				}
				var out bytes.Buffer
				if err := c.print(&out, ledgers[0]); err != nil {
					t.Fatal(err)
				}
				v.CompareJSON(t, out.Bytes())
			})
		}
	}
}

// TestVectorsThroughTheBroker publishes every vector in several orders and
// numbers of deliveries. The API must give the object that the vector expects;
// a delivery that is published again adds to the duplicates, and to nothing
// else.
func TestVectorsThroughTheBroker(t *testing.T) {
	ts := newService(t)
	publisher, err := broker.NewPublisher(ts.connection(t), broker.PublisherConfig{Logger: discard()})
	if err != nil {
		t.Fatal(err)
	}
	cases := []struct {
		name, format string
		size         int
		shuffle      bool
		times        int
	}{
		{"in-order", "csv", 500, false, 1},
		{"small", "ndjson", 97, false, 1},
		{"shuffled", "csv", 700, true, 1},
		{"twice", "ndjson", 400, true, 2},
	}
	type check struct {
		vector vectortest.Vector
		serial analytics.Serial
		times  int
	}
	var checks []check
	for n, v := range vectortest.Load(t) {
		terms := *v.AnalyticsTerms()
		terms.Name, terms.Model = fmt.Sprintf("terms %d", n), fmt.Sprintf("model %d", n)
		model := *v.AnalyticsModel()
		model.Name = terms.Model
		r := store.Registration{Models: []analytics.Model{model}, Terms: []analytics.Terms{terms}}
		for _, c := range cases {
			serial := analytics.Serial(fmt.Sprintf("V%d-%s", n, c.name))
			r.Units = append(r.Units, analytics.Unit{Serial: serial, Model: model.Name, Terms: terms.Name})
			checks = append(checks, check{v, serial, c.times})
		}
		if _, err := ts.web.Register(asConsole(t.Context()), r); err != nil {
			t.Fatal(err)
		}
		rng := rand.New(rand.NewPCG(uint64(n), 5))
		for i, c := range cases {
			pieces := slices.Collect(slices.Chunk(v.Deliveries(), c.size))
			pieces = slices.Repeat(pieces, c.times)
			if c.shuffle {
				rng.Shuffle(len(pieces), func(i, j int) { pieces[i], pieces[j] = pieces[j], pieces[i] })
			}
			for _, p := range pieces {
				contentType := map[string]string{"csv": "text/csv", "ndjson": "application/x-ndjson"}[c.format]
				// Two collectors: order across them is nobody's promise.
				_, err := publisher.Publish(t.Context(), fmt.Sprintf("c-%d", i%2), broker.Message{
					ContentType: contentType, Body: telemetry(p, checks[len(checks)-len(cases)+i].serial, c.format),
				})
				if err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	ts.startWorker(t)
	ts.idle(t)
	for _, c := range checks {
		b := ts.get(t, ledgerPath(c.serial))
		if c.times == 1 {
			c.vector.CompareJSON(t, b)
			continue
		}
		c.vector.CompareJSON(t, b, "duplicates")
		var l struct{ Duplicates, Samples, Conflicts int64 }
		decodeJSON(t, b, &l)
		// Every delivered row beyond the first of its content is a duplicate.
		distinct := map[analytics.Sample]bool{}
		for _, s := range c.vector.Deliveries() {
			distinct[s] = true
		}
		if want := int64(2*len(c.vector.Deliveries()) - len(distinct)); l.Duplicates != want {
			t.Errorf("%s: %d duplicates, want %d", c.serial, l.Duplicates, want)
		}
	}
}
