package broker

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"maps"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// ErrRolledBack: the stream does not hold what it has acknowledged. It lost its
// end, as after a power loss or when an older copy of its files was put back,
// and may have stored other deliveries under the same sequences since. Rewind
// makes everything that is left come again; what is lost has to come from the
// collectors, which keep it until they have its receipt.
var ErrRolledBack = errors.New("the stream has lost deliveries")

// HashFunc tells a delivery, as it is stored, from any other one at its place.
type HashFunc func(subject string, header nats.Header, body []byte) [16]byte

// Anchor is a delivery that the database holds: the stream must hold it as
// well, unless it was trimmed.
type Anchor struct {
	// Sequence counts from 1 within the stream's Identity; 0 is no anchor.
	Sequence uint64
	Hash     [16]byte
}

// CheckAnchors looks for deliveries that the database holds under the stream's
// present Identity. The error wraps ErrRolledBack and names the first one that
// is not there as it should be; any other error says that it could not be
// looked for. Anchors before the first delivery that the stream keeps are taken
// for trimmed.
//
// A restart of the server is when a stream loses its end, so this is to be
// asked at the start and after every lost connection.
func CheckAnchors(ctx context.Context, stream jetstream.Stream, anchors []Anchor, hashOf HashFunc) error {
	info, err := stream.Info(ctx)
	if err != nil {
		return fmt.Errorf("check the stream against the database: %w", err)
	}
	first, last := info.State.FirstSeq, info.State.LastSeq
	for _, a := range anchors {
		if a.Sequence == 0 {
			continue
		}
		// Before the look at first: of an empty stream it is 0, or one more
		// than last.
		if a.Sequence > last {
			return fmt.Errorf("%w: the database holds delivery %d (%x), and the stream ends at %d", ErrRolledBack, a.Sequence, a.Hash, last)
		}
		if a.Sequence < first {
			continue
		}
		if err := checkAnchor(ctx, stream, a, hashOf); err != nil {
			return err
		}
	}
	return nil
}

// checkAnchor looks for one anchor between the ends of the stream.
func checkAnchor(ctx context.Context, stream jetstream.Stream, a Anchor, hashOf HashFunc) error {
	m, err := stream.GetMsg(ctx, a.Sequence)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		// Nobody can remove one from the middle: the disk did, or a trim since
		// the stream was asked for its ends.
		info, err := stream.Info(ctx)
		switch {
		case err != nil:
			return fmt.Errorf("check the stream against the database: %w", err)
		case a.Sequence < info.State.FirstSeq:
			return nil
		}
		return fmt.Errorf("%w: the database holds delivery %d (%x), and the stream has nothing at that place", ErrRolledBack, a.Sequence, a.Hash)
	}
	if err != nil {
		return fmt.Errorf("check delivery %d of the stream against the database: %w", a.Sequence, err)
	}
	if hash := hashOf(m.Subject, m.Header, m.Data); hash != a.Hash {
		return fmt.Errorf("%w: the database holds another delivery %d (%x) than the stream (%x, on %s, stored at %s)",
			ErrRolledBack, a.Sequence, a.Hash, hash, m.Subject, m.Time.UTC().Format("2006-01-02 15:04:05"))
	}
	return nil
}

// AckedPlace is the newest delivery of a partition that is acknowledged along
// with everything before it.
type AckedPlace struct {
	Partition int
	Sequence  uint64
	Hash      [16]byte
}

// LastAcked gives for each partition the newest of its deliveries up to which
// all are acknowledged. Deliveries are acknowledged after they are committed,
// so a database that does not hold one of these was restored to an older time:
// Rewind brings what it misses, as far as the stream still keeps it. Partitions
// that have nothing acknowledged, or nothing of it left, are absent.
//
// The error wraps ErrRolledBack where a partition is acknowledged beyond the
// end of the stream, and ErrResuming where a consumer is absent for a moment.
func LastAcked(ctx context.Context, stream jetstream.Stream, hashOf HashFunc) ([]AckedPlace, error) {
	consumers, err := currentConsumers(ctx, stream)
	if err != nil {
		return nil, fmt.Errorf("last acknowledged deliveries: %w", err)
	}
	info, err := stream.Info(ctx)
	if err != nil {
		return nil, fmt.Errorf("last acknowledged deliveries: %w", err)
	}
	byFilter := map[string]*jetstream.ConsumerInfo{}
	for _, c := range consumers {
		byFilter[c.Config.FilterSubject] = c
	}
	var places []AckedPlace
	for p := range Partitions(stream) {
		filter := filterOf(p)
		c := byFilter[filter]
		if c == nil {
			return nil, fmt.Errorf("last acknowledged deliveries: %w: partition %d", ErrResuming, p)
		}
		floor := c.AckFloor.Stream
		if floor > info.State.LastSeq {
			return nil, fmt.Errorf("%w: partition %d is acknowledged up to %d, and the stream ends at %d", ErrRolledBack, p, floor, info.State.LastSeq)
		}
		m, err := lastUpTo(ctx, stream, filter, max(info.State.FirstSeq, 1), floor)
		if err != nil {
			return nil, fmt.Errorf("last acknowledged delivery of partition %d: %w", p, err)
		}
		if m != nil {
			places = append(places, AckedPlace{p, m.Sequence, hashOf(m.Subject, m.Header, m.Data)})
		}
	}
	return places, nil
}

// lastUpTo finds the newest delivery under a filter from first to last, nil if
// there is none. The server only looks forward from a sequence, so it is found
// by halving: some forty questions for a stream of any length.
func lastUpTo(ctx context.Context, stream jetstream.Stream, filter string, first, last uint64) (*jetstream.RawStreamMsg, error) {
	if last < first {
		return nil, nil
	}
	// Most often everything is acknowledged, and one question does.
	m, err := stream.GetLastMsgForSubject(ctx, filter)
	switch {
	case errors.Is(err, jetstream.ErrMsgNotFound):
		return nil, nil
	case err != nil:
		return nil, err
	case m.Sequence <= last:
		return m, nil
	}
	var found *jetstream.RawStreamMsg
	for first <= last {
		middle := first + (last-first)/2
		m, err := stream.GetMsg(ctx, middle, jetstream.WithGetMsgSubject(filter))
		switch {
		case err != nil && !errors.Is(err, jetstream.ErrMsgNotFound):
			return nil, err
		case err == nil && m.Sequence <= last:
			found, first = m, m.Sequence+1
		case middle == 0:
			return found, nil
		default:
			last = middle - 1
		}
	}
	return found, nil
}

// Rewind makes all partitions be read from the first delivery that the stream
// keeps. Workers that read at this moment get an error and Resume; what they
// acknowledge afterwards counts for nothing. It may be called while others
// work, and again if it fails half way.
func Rewind(ctx context.Context, js jetstream.JetStream, stream jetstream.Stream) error {
	before, err := readingOf(ctx, stream)
	if err != nil {
		return fmt.Errorf("rewind the stream: %w", err)
	}
	for range 5 {
		if err := newReading(ctx, js, stream); err != nil {
			return fmt.Errorf("rewind the stream: %w", err)
		}
		if err := ensureConsumers(ctx, stream); err != nil {
			return fmt.Errorf("rewind the stream: %w", err)
		}
		// Another change of the stream's settings, made from what they were
		// before, takes the new reading away again.
		if now, err := readingOf(ctx, stream); err != nil {
			return fmt.Errorf("rewind the stream: %w", err)
		} else if now != before {
			return nil
		}
	}
	return errors.New("rewind the stream: its settings are changed by others all the time; stop them and try again")
}

// newReading begins a reading: from here on whoever resumes makes consumers of
// it.
func newReading(ctx context.Context, js jetstream.JetStream, stream jetstream.Stream) error {
	info, err := stream.Info(ctx)
	if err != nil {
		return err
	}
	config := info.Config
	config.Metadata = maps.Clone(config.Metadata)
	// Short enough to be a part of a name.
	config.Metadata[readingKey] = strings.ToLower(rand.Text()[:10])
	_, err = js.UpdateStream(ctx, config)
	return err
}

// removeStale removes the consumers of earlier readings.
func removeStale(ctx context.Context, stream jetstream.Stream) error {
	reading, err := readingOf(ctx, stream)
	if err != nil {
		return err
	}
	list := stream.ConsumerNames(ctx)
	var stale []string
	for name := range list.Name() {
		if strings.HasPrefix(name, consumerPrefix) && !isCurrent(name, reading) {
			stale = append(stale, name)
		}
	}
	if err := list.Err(); err != nil {
		return fmt.Errorf("list the consumers: %w", err)
	}
	for _, name := range stale {
		if err := stream.DeleteConsumer(ctx, name); err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
			return fmt.Errorf("remove consumer %s: %w", name, err)
		}
	}
	return nil
}
