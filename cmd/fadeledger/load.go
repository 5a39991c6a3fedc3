package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"fadeledger/analytics"
)

type loadCmd struct {
	server
	Files     []string `arg:"" name:"file" help:"CSV, JSON or NDJSON telemetry, packed or not." type:"existingfile"`
	Collector string   `help:"Collector in whose name the files are sent." default:"files"`
	Profile   string   `help:"File that says how the files differ from the telemetry contract; it becomes the collector's." type:"existingfile" placeholder:"FILE"`
	NoWait    bool     `help:"Do not wait until everything is counted."`
}

// countedWait is how long load waits for the counting to go on.
const countedWait = 2 * time.Minute

// counted is what became of a batch.
type counted struct {
	Batch string `json:"batch"`
	analytics.DeliveryTally
}

// Run sends the files in pieces. A piece is named by the file's content and its
// number, and one that is counted already is not sent again.
func (c loadCmd) Run(ctx context.Context) error {
	hash := ""
	if c.Profile != "" {
		b, err := os.ReadFile(c.Profile)
		if err != nil {
			return fmt.Errorf("read profile: %w", err)
		}
		var set struct{ Hash string }
		if err := c.call(ctx, http.MethodPut, "/api/v1/collectors/"+url.PathEscape(c.Collector)+"/profile",
			map[string]string{"Content-Type": "application/yaml"}, b, &set); err != nil {
			return fmt.Errorf("set profile %s: %w", c.Profile, err)
		}
		hash = set.Hash
	}
	for _, name := range c.Files {
		if err := c.load(ctx, name, hash); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}

func (c loadCmd) load(ctx context.Context, path, profile string) error {
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("open: %w", err)
	}
	defer f.Close()
	sum := sha256.New()
	size, err := io.Copy(sum, f)
	if err == nil {
		_, err = f.Seek(0, io.SeekStart)
	}
	if err != nil {
		return fmt.Errorf("read: %w", err)
	}
	batch := batchName(path, hex.EncodeToString(sum.Sum(nil))[:16]+profile[:min(8, len(profile))])
	known, err := c.batches(ctx, batch)
	if err != nil {
		return err
	}
	bar := newProgress(filepath.Base(path), size)
	defer bar.end()
	sent := 0
	notes := map[string]bool{}
	err = cutFile(f, func(p piece) error {
		name := fmt.Sprintf("%s/%06d", batch, sent)
		sent++
		if _, ok := known[name]; !ok {
			if err := c.send(ctx, name, profile, p, notes); err != nil {
				return err
			}
		}
		bar.at(p.end)
		return nil
	})
	if err != nil {
		return err
	}
	bar.end()
	for _, n := range slices.Sorted(maps.Keys(notes)) {
		fmt.Fprintf(os.Stderr, "%s: note: %s\n", filepath.Base(path), n)
	}
	if c.NoWait {
		return nil
	}
	return c.await(ctx, path, batch, sent)
}

// batchName makes a name of a file that fits a header.
func batchName(path, content string) string {
	base := strings.Map(func(r rune) rune {
		if r > ' ' && r < 0x7f && r != '/' {
			return r
		}
		return '_'
	}, filepath.Base(path))
	return base[:min(len(base), 60)] + "@" + content
}

// send sends a piece; notes gathers what is worth telling of it.
func (c loadCmd) send(ctx context.Context, name, profile string, p piece, notes map[string]bool) error {
	var receipt struct{ Notes []string }
	err := c.call(ctx, http.MethodPost, "/api/v1/telemetry?collector="+url.QueryEscape(c.Collector), map[string]string{
		"Content-Type": p.contentType, "Content-Encoding": p.contentEncoding,
		"Nats-Msg-Id":        c.Collector + "/" + name,
		"Fadeledger-Batch":   name,
		"Fadeledger-Profile": profile,
		"Fadeledger-Lines":   p.lines,
	}, p.body, &receipt)
	for _, n := range receipt.Notes {
		notes[n] = true
	}
	return err
}

// batches gives what was counted of a file's pieces, by their names.
func (c loadCmd) batches(ctx context.Context, batch string) (map[string]counted, error) {
	var answer struct{ Batches []counted }
	path := "/api/v1/collectors/" + url.PathEscape(c.Collector) + "/batches?prefix=" + url.QueryEscape(batch+"/")
	if err := c.call(ctx, http.MethodGet, path, nil, nil, &answer); err != nil {
		return nil, fmt.Errorf("ask which pieces are counted: %w", err)
	}
	out := make(map[string]counted, len(answer.Batches))
	for _, b := range answer.Batches {
		out[b.Batch] = b
	}
	return out, nil
}

// await waits until all pieces are counted and says what became of the rows.
func (c loadCmd) await(ctx context.Context, path, batch string, sent int) error {
	last, since := -1, time.Now()
	for {
		known, err := c.batches(ctx, batch)
		if err != nil {
			return err
		}
		if len(known) >= sent {
			return c.tell(path, known)
		}
		if len(known) != last {
			last, since = len(known), time.Now()
		}
		if time.Since(since) > countedWait {
			return fmt.Errorf("all %d pieces are stored, but only %d are counted and nothing moves: does a worker run? Load the file again later; nothing is counted twice", sent, len(known))
		}
		select {
		case <-ctx.Done():
			return errors.New("stopped; load the file again to go on, nothing is counted twice")
		case <-time.After(300 * time.Millisecond):
		}
	}
}

func (c loadCmd) tell(path string, known map[string]counted) error {
	var sum analytics.DeliveryTally
	for _, b := range known {
		sum.Add(b.DeliveryTally)
	}
	_, err := fmt.Printf("%s: %d rows read: %d accepted, %d duplicates, %d in dispute, %d superseded, %d quarantined\n",
		path, sum.Read, sum.Accepted, sum.Duplicates, sum.Disputed, sum.Superseded, sum.Quarantined)
	if err == nil && sum.Quarantined > 0 {
		_, err = fmt.Printf("each quarantined row is kept with its line, field and reason: %s/ingest/quarantine\n", strings.TrimRight(c.Server, "/"))
	}
	return err
}
