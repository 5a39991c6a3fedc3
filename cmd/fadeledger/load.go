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
	"strconv"
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
	// lostWait is how long nothing may move before load asks whether anything
	// is still on its way; mostPasses is how often a file is sent.
	lostWait   = 4 * time.Second
	mostPasses = 10
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
	l := &loading{
		loadCmd: c, path: path, file: f, size: size, profile: profileHash, comma: comma, notes: map[string]bool{},
		batch: batchName(path, fmt.Sprintf("%d-%s%s", cutRule, hex.EncodeToString(content.Sum(nil))[:16], profileHash[:min(8, len(profileHash))])),
	}
	return l.run(ctx)
}

// loading is a file on its way. The file itself is what is kept until there is a
// receipt for all of it.
type loading struct {
	loadCmd
	path    string
	file    *os.File
	size    int64
	batch   string
	profile string
	comma   byte
	notes   map[string]bool
}

func (l *loading) run(ctx context.Context) (sum analytics.DeliveryTally, err error) {
	for pass := 1; ; pass++ {
		names, err := l.sendMissing(ctx, pass)
		if err != nil {
			return sum, err
		}
		if pass == 1 {
			for _, n := range slices.Sorted(maps.Keys(l.notes)) {
				fmt.Fprintf(os.Stderr, "%s: note: %s\n", filepath.Base(l.path), n)
			}
		}
		if l.NoWait {
			return sum, nil
		}
		sum, err = l.await(ctx, l.batch, names)
		if errors.Is(err, errLost) && pass < mostPasses {
			fmt.Fprintf(os.Stderr, "%s: %v; sending that again\n", filepath.Base(l.path), err)
			continue
		}
		if err != nil {
			return sum, err
		}
		return sum, l.tell(l.path, sum)
	}
}

// sendMissing sends the pieces that are not counted, and gives the names of all.
func (l *loading) sendMissing(ctx context.Context, pass int) (names []string, err error) {
	known, err := l.batches(ctx, l.batch)
	if err == nil {
		_, err = l.file.Seek(0, io.SeekStart)
	}
	if err != nil {
		return nil, err
	}
	bar := newProgress(filepath.Base(l.path), l.size)
	defer bar.end()
	err = cutFile(l.file, l.comma, func(p piece) error {
		name := fmt.Sprintf("%s/%06d-%s", l.batch, len(names), p.hash())
		names = append(names, name)
		if _, ok := known[name]; !ok {
			if err := l.send(ctx, name, len(names), pass, p); err != nil {
				return err
			}
		}
		bar.at(p.end)
		return nil
	})
	return names, err
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

// send sends a piece under its number.
func (l *loading) send(ctx context.Context, name string, number, pass int, p piece) error {
	var receipt struct{ Notes []string }
	err := l.call(ctx, http.MethodPost, "/api/v1/telemetry?collector="+url.QueryEscape(l.Collector), map[string]string{
		"Content-Type": p.contentType,
		// Another one in each pass: the broker may know the id of what it lost.
		"Nats-Msg-Id":        messageID(l.Collector, name, strconv.Itoa(pass)),
		"Fadeledger-Batch":   name,
		"Fadeledger-Profile": l.profile,
		"Fadeledger-Lines":   p.lines,
		"Fadeledger-Series":  "load-" + messageID(l.batch)[:24],
		"Fadeledger-Number":  strconv.Itoa(number),
	}, p.body, &receipt)
	for _, n := range receipt.Notes {
		l.notes[n] = true
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
	last, since, wasIdle := -1, time.Now(), false
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
			last, since, wasIdle = done, time.Now(), false
		}
		if time.Since(since) > lostWait {
			idle, err := c.idle(ctx)
			if err != nil {
				return sum, err
			}
			if idle && wasIdle {
				return sum, fmt.Errorf("%w: %d of %d pieces", errLost, len(names)-done, len(names))
			}
			wasIdle = idle // what was counted in between shows next time
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

// errLost: pieces were stored, are not counted, and the broker has nothing left
// that is to be counted.
var errLost = errors.New("the broker has lost what it had stored")

// idle reports whether the broker holds nothing that is still to be counted.
func (c loadCmd) idle(ctx context.Context) (bool, error) {
	var answer struct {
		Stream *struct{ Pending, Unacked uint64 }
	}
	if err := c.call(ctx, http.MethodGet, "/api/v1/ingest", nil, nil, &answer); err != nil {
		return false, fmt.Errorf("ask what waits to be counted: %w", err)
	}
	return answer.Stream != nil && answer.Stream.Pending+answer.Stream.Unacked == 0, nil
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
