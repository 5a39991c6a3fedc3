package broker

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

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

// ackedChunk is how many deliveries are fetched at once while they are looked
// through: half a megabyte at most each.
const ackedChunk = 64

// Acked gives the deliveries behind mark that are acknowledged along with
// everything before them in the stream, in order, at most most of them. They are
// acknowledged after they are committed, so a database that does not hold one of
// them was restored to an older time: Rewind brings what it misses, as far as
// the stream still keeps it. To look at the last one alone would not do: what
// was acknowledged out of order lies behind it unseen.
//
// Where the stream does not hold mark (its zero value never is), it begins with
// the first delivery that is kept. The error wraps ErrRolledBack where a
// partition is acknowledged beyond the end of the stream, and ErrResuming where
// a consumer is absent for a moment.
func Acked(ctx context.Context, stream jetstream.Stream, mark Anchor, most int, hashOf HashFunc) ([]Anchor, error) {
	info, err := stream.Info(ctx)
	if err != nil {
		return nil, fmt.Errorf("look through what is acknowledged: %w", err)
	}
	floors, highest, err := ackFloors(ctx, stream, info.State.LastSeq)
	if err != nil {
		return nil, err
	}
	from := max(info.State.FirstSeq, 1)
	if mark.Sequence >= from {
		if err := checkAnchor(ctx, stream, mark, hashOf); err == nil {
			from = mark.Sequence + 1
		} else if !errors.Is(err, ErrRolledBack) {
			return nil, err
		}
	}
	var acked []Anchor
	for from <= highest && len(acked) < most {
		n := int(min(uint64(ackedChunk), uint64(most-len(acked)), highest-from+1))
		chunk, goOn, err := ackedFrom(ctx, stream, from, n, floors, hashOf)
		if err != nil {
			return nil, fmt.Errorf("look through what is acknowledged: %w", err)
		}
		acked = append(acked, chunk...)
		if !goOn {
			break
		}
		from = acked[len(acked)-1].Sequence + 1
	}
	return acked, nil
}

// ackFloors gives for each partition up to where it is acknowledged, and the
// highest of them.
func ackFloors(ctx context.Context, stream jetstream.Stream, last uint64) (floors []uint64, highest uint64, err error) {
	consumers, err := currentConsumers(ctx, stream)
	if err != nil {
		return nil, 0, err
	}
	floors = make([]uint64, Partitions(stream))
	for p := range floors {
		i := slices.IndexFunc(consumers, func(c *jetstream.ConsumerInfo) bool { return c.Config.FilterSubject == filterOf(p) })
		if i < 0 {
			return nil, 0, fmt.Errorf("look through what is acknowledged: %w: partition %d", ErrResuming, p)
		}
		floors[p] = consumers[i].AckFloor.Stream
		if floors[p] > last {
			return nil, 0, fmt.Errorf("%w: partition %d is acknowledged up to %d, and the stream ends at %d", ErrRolledBack, p, floors[p], last)
		}
		highest = max(highest, floors[p])
	}
	return floors, highest, nil
}

// ackedFrom looks at up to n deliveries from a sequence on. goOn is false where
// one is not acknowledged, or the stream holds no more.
func ackedFrom(ctx context.Context, stream jetstream.Stream, from uint64, n int, floors []uint64, hashOf HashFunc) (acked []Anchor, goOn bool, err error) {
	consumer, err := stream.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: from, InactiveThreshold: time.Minute,
	})
	if err != nil {
		return nil, false, err
	}
	batch, err := consumer.Fetch(n, jetstream.FetchMaxWait(5*time.Second))
	if err != nil {
		return nil, false, err
	}
	goOn = true
	for m := range batch.Messages() {
		meta, err := m.Metadata()
		if err != nil {
			return nil, false, err
		}
		_, p, ok := CollectorOf(m.Subject())
		if ok && p < len(floors) && meta.Sequence.Stream > floors[p] {
			goOn = false
		}
		if goOn {
			acked = append(acked, Anchor{meta.Sequence.Stream, hashOf(m.Subject(), m.Headers(), m.Data())})
		}
	}
	if err := batch.Error(); err != nil && !errors.Is(err, nats.ErrTimeout) {
		return nil, false, err
	}
	return acked, goOn && len(acked) > 0, nil
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
