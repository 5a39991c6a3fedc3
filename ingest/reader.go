package ingest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"fadeledger/analytics"
	"fadeledger/ingest/decode"
	"fadeledger/ingest/profile"
)

// Reasons for quarantine that a reader gives, beside those of package decode.
const (
	// ReasonCollectorMismatch: the envelope names another collector than the
	// one that published it.
	ReasonCollectorMismatch = "collector-mismatch"
	// ReasonProfileUnknown: the delivery names a profile that is not kept.
	ReasonProfileUnknown = "profile-unknown"
	// ReasonProfileUnreadable: the collector's profile cannot be read by this
	// version of the program.
	ReasonProfileUnreadable = "profile-unreadable"
	// ReasonCollectorName: the subject names no collector that can be.
	ReasonCollectorName = "collector-name"
	// ReasonNotCountable: counting the delivery fails whenever it is tried.
	ReasonNotCountable = "not-countable"
)

// Limits of one delivery from the broker. It holds at most half a megabyte, and
// what it may unpack to bounds what a worker needs for it.
const (
	maxUnpacked = 32 << 20
	maxRows     = 500_000
	maxBatch    = 128
)

// Profiles finds the profiles of collectors.
type Profiles interface {
	// Profile gives the profile that the collector has now, no body when it
	// has none.
	Profile(ctx context.Context, collector string) (body, hash []byte, err error)
	// ProfileByHash gives a kept profile; analytics.ErrNotFound if none.
	ProfileByHash(ctx context.Context, hash []byte) ([]byte, error)
}

// Envelope is a delivery as it came from the broker.
type Envelope struct {
	analytics.Delivery
	ContentType, ContentEncoding string
	// ProfileHash is the hexadecimal hash of the profile that the publisher
	// wants it read by, empty for the collector's own.
	ProfileHash string
	// Series and Number are the sender's count of its deliveries, 0 for none.
	Series string
	Number int64
	// Lines is H:N where the body is cut from a file: it begins with H header
	// lines and goes on with line N of the file.
	Lines string
	Body  []byte
}

// Reader reads deliveries into samples by unit. It is safe for concurrent use.
type Reader struct {
	Profiles Profiles

	mu      sync.Mutex
	parsed  map[string]*profile.Profile // by hash
	current map[string]currentProfile   // by collector
	idle    map[source][]*decode.Decoder
}

// currentProfile is what a collector's profile was a moment ago.
type currentProfile struct {
	profile *profile.Profile
	until   time.Time
}

// profileTTL is how long a changed profile may go unnoticed where a delivery
// does not name the one it wants.
const profileTTL = time.Second

// Read reads one delivery. What cannot be read is in the answer, ready for
// quarantine; the error is only for what may work another time: the profile
// could not be loaded, or ctx ended.
func (r *Reader) Read(ctx context.Context, e Envelope) (analytics.Incoming, error) {
	in := incomingOf(e)
	p, err := r.profile(ctx, e)
	switch {
	case errors.Is(err, analytics.ErrNotFound):
		whole(&in, ReasonProfileUnknown, fmt.Sprintf("the delivery names the profile %.64q, which is not kept", e.ProfileHash),
			"set the profile of the collector, then release the delivery", e.Body)
		return in, nil
	case errors.Is(err, errProfile):
		whole(&in, ReasonProfileUnreadable, err.Error(), "set the profile of the collector anew, then release the delivery", e.Body)
		return in, nil
	case err != nil:
		return in, err
	}
	g := &gather{in: &in, index: map[analytics.Serial]int{}}
	g.headerLines, g.firstLine = parseLines(e.Lines)
	report, err := r.decode(ctx, e, p, g)
	in.Header = report.Header
	for _, n := range report.Notes {
		in.Notes = append(in.Notes, analytics.DeliveryNote{Code: string(n.Code), Detail: n.Detail, Text: n.String(), Count: n.Count})
	}
	if report.Batch != "" && in.Batch == "" {
		in.Batch = shortBatch(report.Batch)
	}
	var refused *decode.Refused
	switch {
	case errors.As(err, &refused):
		whole(&in, refused.Reason, refused.Message, refused.Remedy, e.Body)
	case err != nil:
		return in, fmt.Errorf("read delivery %d of %s: %w", e.Sequence, e.Collector, err)
	case report.Collector != "" && report.Collector != e.Collector:
		whole(&in, ReasonCollectorMismatch,
			fmt.Sprintf("the envelope names the collector %q, but %q published it", report.Collector, e.Collector),
			"publish under the collector's own subject", e.Body)
	}
	return in, nil
}

// source is what decoders are kept apart by.
type source struct {
	contentType, contentEncoding string
	profile                      *profile.Profile
}

// maxSources bounds the kinds of decoders that are kept: the content type is
// the sender's to choose.
const maxSources = 64

// decode reads a body with a decoder that has its buffers from deliveries of
// the same kind before.
func (r *Reader) decode(ctx context.Context, e Envelope, p *profile.Profile, sink decode.Sink) (decode.Report, error) {
	key := source{e.ContentType, e.ContentEncoding, p}
	r.mu.Lock()
	var d *decode.Decoder
	if list := r.idle[key]; len(list) > 0 {
		d, r.idle[key] = list[len(list)-1], list[:len(list)-1]
	}
	r.mu.Unlock()
	if d == nil {
		d = decode.New(decode.Options{
			ContentType: e.ContentType, ContentEncoding: e.ContentEncoding, Profile: p,
			MaxUnpackedBytes: maxUnpacked, MaxRows: maxRows,
		})
	}
	report, err := d.Decode(ctx, bytes.NewReader(e.Body), sink)
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.idle == nil || len(r.idle) > maxSources {
		r.idle = map[source][]*decode.Decoder{}
	}
	if len(r.idle[key]) < 4 {
		r.idle[key] = append(r.idle[key], d)
	}
	return report, err
}

// whole turns a delivery into one quarantined item: nothing of it counts.
func whole(in *analytics.Incoming, reason, message, remedy string, body []byte) {
	in.Units = nil
	in.Refused = []analytics.Quarantined{{Reason: reason, Message: message, Remedy: remedy, Raw: body}}
}

// hashOf tells a delivery from another one at the same place of a stream that
// lost its end.
func hashOf(e Envelope) (out [16]byte) {
	h := sha256.New()
	for _, part := range []string{e.Collector, e.ContentType, e.ContentEncoding, e.ProfileHash, e.Batch} {
		fmt.Fprintf(h, "%d:%s", len(part), part)
	}
	if e.Number > 0 {
		fmt.Fprintf(h, "%d:%s:%d;", len(e.Series), e.Series, e.Number)
	}
	h.Write(e.Body)
	copy(out[:], h.Sum(nil))
	return out
}

// errProfile: a kept profile cannot be read.
var errProfile = errors.New("the profile cannot be read")

// shortBatch bounds the name of a batch, which the database indexes. A long one
// keeps its beginning and a hash that tells it from others.
func shortBatch(name string) string {
	if len(name) <= maxBatch {
		return name
	}
	sum := sha256.Sum256([]byte(name))
	return strings.ToValidUTF8(name[:maxBatch-20], "") + "~" + hex.EncodeToString(sum[:8])
}

// profile finds the profile to read a delivery by, nil for the plain contract.
func (r *Reader) profile(ctx context.Context, e Envelope) (*profile.Profile, error) {
	if e.ProfileHash == "" {
		return r.currentOf(ctx, e.Collector)
	}
	hash, err := hex.DecodeString(e.ProfileHash)
	if err != nil {
		return nil, fmt.Errorf("profile %q: %w", e.ProfileHash, analytics.ErrNotFound)
	}
	r.mu.Lock()
	p := r.parsed[string(hash)]
	r.mu.Unlock()
	if p != nil {
		return p, nil
	}
	body, err := r.Profiles.ProfileByHash(ctx, hash)
	if err != nil {
		return nil, err
	}
	return r.parse(body, hash)
}

func (r *Reader) currentOf(ctx context.Context, collector string) (*profile.Profile, error) {
	r.mu.Lock()
	c, ok := r.current[collector]
	r.mu.Unlock()
	if ok && time.Now().Before(c.until) {
		return c.profile, nil
	}
	body, hash, err := r.Profiles.Profile(ctx, collector)
	if err != nil {
		return nil, err
	}
	var p *profile.Profile
	if len(body) > 0 {
		if p, err = r.parse(body, hash); err != nil {
			return nil, err
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.current == nil {
		r.current = map[string]currentProfile{}
	}
	r.current[collector] = currentProfile{p, time.Now().Add(profileTTL)}
	return p, nil
}

// parse gives the profile of a text, the same one for the same hash, so that
// decoders that were made for it serve on.
func (r *Reader) parse(body, hash []byte) (*profile.Profile, error) {
	r.mu.Lock()
	p := r.parsed[string(hash)]
	r.mu.Unlock()
	if p != nil {
		return p, nil
	}
	p, err := profile.Parse(fmt.Sprintf("profile %.4x", hash), body)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errProfile, err)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.parsed == nil {
		r.parsed = map[string]*profile.Profile{}
	}
	r.parsed[string(hash)] = p
	return p, nil
}

// gather sorts what a decoder gives by unit.
type gather struct {
	in    *analytics.Incoming
	index map[analytics.Serial]int
	last  int
	// Line headerLines+1 of the body is line firstLine of its file.
	headerLines, firstLine int
}

// maxLine bounds the line numbers that a sender may name.
const maxLine = 1 << 30

// parseLines reads H:N, and takes anything else for a body that is not cut from
// a file.
func parseLines(text string) (header, first int) {
	if _, err := fmt.Sscanf(text, "%d:%d", &header, &first); err != nil || header < 0 || first < 1 || header > maxLine || first > maxLine {
		return 0, 1
	}
	return header, first
}

// line gives the line in the file for a line of the body.
func (g *gather) line(line int) int {
	if line <= g.headerLines {
		return line
	}
	return line - g.headerLines - 1 + g.firstLine
}

// Row takes a sample.
func (g *gather) Row(row decode.Row) error {
	units := g.in.Units
	// Rows of one unit usually follow each other.
	if g.last >= len(units) || units[g.last].Serial != row.Serial {
		i, ok := g.index[row.Serial]
		if !ok {
			i = len(units)
			g.index[row.Serial] = i
			units = append(units, analytics.UnitSamples{Serial: row.Serial})
			g.in.Units = units
		}
		g.last = i
	}
	u := &units[g.last]
	u.Samples = append(u.Samples, row.Sample)
	u.Lines = append(u.Lines, int32(g.line(row.Line)))
	return nil
}

// Problem takes a row that cannot be counted.
func (g *gather) Problem(p decode.Problem) error {
	g.in.Refused = append(g.in.Refused, analytics.Quarantined{
		Line: g.line(p.Line), Field: p.Field, Reason: p.Reason, Message: p.Message, Remedy: p.Remedy,
		Serial: p.Serial, Raw: p.Raw,
	})
	return nil
}

// samples counts what a delivery holds, for the size of transactions.
func samples(in *analytics.Incoming) int {
	n := len(in.Refused)
	for i := range in.Units {
		n += len(in.Units[i].Samples)
	}
	return n
}
