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
	"fadeledger/ingest/profile"
)

type loadCmd struct {
	server
	Files     []string `arg:"" name:"file" help:"CSV, JSON or NDJSON telemetry, packed or not." type:"existingfile"`
	Collector string   `help:"Collector in whose name the files are sent." default:"files"`
	Profile   string   `help:"File that says how the files differ from the telemetry contract; it becomes the collector's." type:"existingfile" placeholder:"FILE"`
	NoWait    bool     `help:"Do not wait until everything is counted."`
}

const (
	// countedWait is how long load waits for the counting to go on.
	countedWait = 2 * time.Minute
	// askFirst and askMost are the pauses between two questions how far the
	// counting has come.
	askFirst = 200 * time.Millisecond
	askMost  = 2 * time.Second
	// exitNothing is the exit code when nothing of all files was taken.
	exitNothing = 3
)

// counted is what became of a batch.
type counted struct {
	Batch string `json:"batch"`
	analytics.DeliveryTally
}

// Run sends the files in pieces. A piece is named by the file, the rule by
// which it is cut, its number and its own content, and one that is counted
// already is not sent again.
func (c loadCmd) Run(ctx context.Context) error {
	if err := c.check(); err != nil {
		return err
	}
	hash, comma, err := c.setProfile(ctx)
	if err != nil {
		return err
	}
	var sum analytics.DeliveryTally
	for _, name := range c.Files {
		tally, err := c.load(ctx, name, hash, comma)
		if errors.Is(err, errStopped) || err != nil && ctx.Err() != nil {
			return errors.New("stopped; load the same files again to go on, nothing is counted twice")
		}
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		sum.Add(tally)
	}
	if !c.NoWait && sum.Accepted+sum.Duplicates+sum.Superseded == 0 {
		return &exitError{exitNothing, errors.New("no sample was accepted, and none was known already")}
	}
	return nil
}

// setProfile makes the profile, if one is given, the collector's. It gives its
// hash, and the delimiter of CSV; 0 says that no profile was given.
func (c loadCmd) setProfile(ctx context.Context) (hash string, comma byte, err error) {
	if c.Profile == "" {
		return "", 0, nil
	}
	b, err := os.ReadFile(c.Profile)
	if err != nil {
		return "", 0, fmt.Errorf("read profile: %w", err)
	}
	parsed, err := profile.Parse(c.Profile, b)
	if err != nil {
		return "", 0, err
	}
	var set struct{ Hash string }
	if err := c.call(ctx, http.MethodPut, "/api/v1/collectors/"+url.PathEscape(c.Collector)+"/profile",
		map[string]string{"Content-Type": "application/yaml"}, b, &set); err != nil {
		return "", 0, fmt.Errorf("set profile %s: %w", c.Profile, err)
	}
	return set.Hash, parsed.Comma(), nil
}

func (c loadCmd) load(ctx context.Context, path, profileHash string, comma byte) (sum analytics.DeliveryTally, err error) {
	f, err := os.Open(path)
	if err != nil {
		return sum, fmt.Errorf("open: %w", err)
	}
	defer f.Close()
	content := sha256.New()
	size, err := io.Copy(content, f)
	if err == nil {
		_, err = f.Seek(0, io.SeekStart)
	}
	if err != nil {
		return sum, fmt.Errorf("read: %w", err)
	}
	batch := batchName(path, fmt.Sprintf("%d-%s%s", cutRule, hex.EncodeToString(content.Sum(nil))[:16], profileHash[:min(8, len(profileHash))]))
	known, err := c.batches(ctx, batch)
	if err != nil {
		return sum, err
	}
	bar := newProgress(filepath.Base(path), size)
	defer bar.end()
	var names []string
	notes := map[string]bool{}
	err = cutFile(f, comma, func(p piece) error {
		name := fmt.Sprintf("%s/%06d-%s", batch, len(names), p.hash())
		names = append(names, name)
		if _, ok := known[name]; !ok {
			if err := c.send(ctx, name, profileHash, p, notes); err != nil {
				return err
			}
		}
		bar.at(p.end)
		return nil
	})
	if err != nil {
		return sum, err
	}
	bar.end()
	for _, n := range slices.Sorted(maps.Keys(notes)) {
		fmt.Fprintf(os.Stderr, "%s: note: %s\n", filepath.Base(path), n)
	}
	if c.NoWait {
		return sum, nil
	}
	if sum, err = c.await(ctx, batch, names); err != nil {
		return sum, err
	}
	return sum, c.tell(path, sum)
}

// hash tells a piece by all that the service reads of it.
func (p piece) hash() string {
	h := sha256.New()
	fmt.Fprintf(h, "%s\n%s\n", p.contentType, p.lines)
	h.Write(p.body)
	return hex.EncodeToString(h.Sum(nil))[:8]
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
		"Content-Type":       p.contentType,
		"Nats-Msg-Id":        messageID(c.Collector, name),
		"Fadeledger-Batch":   name,
		"Fadeledger-Profile": profile,
		"Fadeledger-Lines":   p.lines,
	}, p.body, &receipt)
	for _, n := range receipt.Notes {
		notes[n] = true
	}
	return err
}

// messageID makes an id of a message from what it is, so that the same message
// sent twice has the same; a header has room for it.
func messageID(parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	return hex.EncodeToString(sum[:20])
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

// await waits until all pieces are counted and sums what became of the rows.
func (c loadCmd) await(ctx context.Context, batch string, names []string) (sum analytics.DeliveryTally, err error) {
	last, since := -1, time.Now()
	for pause := askFirst; ; pause = min(2*pause, askMost) {
		known, err := c.batches(ctx, batch)
		if err != nil {
			return sum, err
		}
		sum, done := analytics.DeliveryTally{}, 0
		for _, name := range names {
			if b, ok := known[name]; ok {
				sum.Add(b.DeliveryTally)
				done++
			}
		}
		if done == len(names) {
			return sum, nil
		}
		if done != last {
			last, since = done, time.Now()
		}
		if time.Since(since) > countedWait {
			return sum, fmt.Errorf("all %d pieces are stored, but only %d are counted and nothing moves: does a worker run? Load the file again later; nothing is counted twice", len(names), done)
		}
		select {
		case <-ctx.Done():
			return sum, errStopped
		case <-time.After(pause):
		}
	}
}

func (c loadCmd) tell(path string, sum analytics.DeliveryTally) error {
	if sum.Read == 0 {
		_, err := fmt.Printf("%s: no row in it, only a header\n", path)
		return err
	}
	_, err := fmt.Printf("%s: %d rows read: %d accepted, %d duplicates, %d in dispute, %d superseded, %d quarantined\n",
		path, sum.Read, sum.Accepted, sum.Duplicates, sum.Disputed, sum.Superseded, sum.Quarantined)
	if err == nil && sum.Quarantined > 0 {
		_, err = fmt.Printf("each quarantined row is kept with its line, field and reason: %s/ingest/quarantine\n", strings.TrimRight(c.Server, "/"))
	}
	return err
}
