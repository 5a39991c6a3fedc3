package broker

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// The names on the way in.
const (
	// StreamName is the name of the stream that holds the deliveries.
	StreamName = "TELEMETRY"
	// subjectPrefix is followed by the collector where it is published, and by
	// the partition and the collector where it is stored.
	subjectPrefix = "telemetry."
	// epochKey holds an id made with the stream. Sequences are only comparable
	// within one epoch: a stream that was lost and made anew starts at 1.
	epochKey = "fadeledger_epoch"
	// partitionsKey holds the number of partitions.
	partitionsKey = "fadeledger_partitions"
	// readingKey holds an id made by Rewind, absent before the first: the
	// consumers that carry it in their names are those to read from.
	readingKey = "fadeledger_reading"
)

// Limits and defaults of the stream.
const (
	// MaxMessageBytes bounds headers and body of one delivery: some 9,000
	// samples as CSV. It is below the payload limit of 1 MiB that a server
	// has unless told otherwise.
	MaxMessageBytes = 512 << 10
	// DefaultMaxBytes is the size of the stream where Config names none.
	DefaultMaxBytes int64 = 16 << 30
	// DefaultPartitions is the number of partitions where Config names none:
	// room for as many workers at once. More cost a consumer each.
	DefaultPartitions = 16
	// MaxPartitions bounds Config.Partitions.
	MaxPartitions = 256
	// dedupeWindow is how long the server remembers message ids. It costs
	// memory by the id, and spares the workers what a publisher sends again
	// after an answer was lost, which is a matter of minutes.
	dedupeWindow = 10 * time.Minute
)

// Config says how the stream is to be. The zero value is a stream for one
// server.
type Config struct {
	// Replicas is the number of servers that hold the stream: 1 (0 means 1),
	// 3 or 5.
	Replicas int
	// MaxBytes bounds the stream, 0 means DefaultMaxBytes. A full stream
	// refuses new deliveries; it never drops stored ones.
	MaxBytes int64
	// Partitions is fixed once the stream is made; 0 means DefaultPartitions
	// for a new stream and any number for an existing one.
	Partitions int
}

func (c Config) validate() error {
	switch {
	case c.Replicas < 0 || c.Replicas > 5 || c.Replicas > 0 && c.Replicas%2 == 0:
		return fmt.Errorf("%d replicas: give 1, 3 or 5", c.Replicas)
	case c.MaxBytes < 0:
		return fmt.Errorf("a stream of %d bytes: give a positive size, or 0 for the default", c.MaxBytes)
	case c.Partitions < 0 || c.Partitions > MaxPartitions:
		return fmt.Errorf("%d partitions: give 1 to %d", c.Partitions, MaxPartitions)
	}
	return nil
}

// streamConfig spells out every setting with its reason.
func (c Config) streamConfig(partitions int, epoch string) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:        StreamName,
		Description: "telemetry as delivered, before it is counted",
		// One token: a collector is one name, and a subject with a partition
		// of the publisher's choice fits no stream.
		Subjects: []string{subjectPrefix + "*"},
		// The partition is the server's to compute (FNV-1a of the collector).
		SubjectTransform: &jetstream.SubjectTransformConfig{
			Source:      subjectPrefix + "*",
			Destination: fmt.Sprintf("%s{{partition(%d,1)}}.{{wildcard(1)}}", subjectPrefix, partitions),
		},
		// Deliveries stay after they are acknowledged, so that they can be
		// counted again; Trim takes away what a backup of the database holds.
		Retention: jetstream.LimitsPolicy,
		Storage:   jetstream.FileStorage,
		Replicas:  max(c.Replicas, 1),
		// A full stream says so to the publisher instead of dropping the
		// oldest, and nothing ever leaves by age or number.
		Discard:              jetstream.DiscardNew,
		DiscardNewPerSubject: false,
		MaxBytes:             c.maxBytes(),
		MaxAge:               0,
		MaxMsgs:              -1,
		MaxMsgsPerSubject:    -1,
		MaxMsgSize:           MaxMessageBytes,
		MaxConsumers:         -1,
		// A publisher must learn that its delivery is stored.
		NoAck:      false,
		Duplicates: dedupeWindow,
		// Nothing comes in by another way, nothing goes out again.
		Placement: nil, Mirror: nil, Sources: nil, RePublish: nil,
		Sealed: false,
		// Stored deliveries are evidence: none is cut out of the middle. Trim
		// needs purging.
		DenyDelete: true,
		DenyPurge:  false,
		// Headers of a publisher that would purge, expire, replace or repeat
		// stored messages are refused.
		AllowRollup:            false,
		AllowMsgTTL:            false,
		SubjectDeleteMarkerTTL: 0,
		AllowMsgCounter:        false,
		AllowMsgSchedules:      false,
		// Whole batches under one sync: what makes syncing always affordable.
		AllowAtomicPublish: true,
		// The other kind of batches stores what came before a failure and
		// answers once: then it is not known what was stored.
		AllowBatchPublish: false,
		// Any other mode acknowledges before the sync that the server is
		// told to do.
		PersistMode: jetstream.DefaultPersistMode,
		// Bodies come compressed where it matters.
		Compression:  jetstream.NoCompression,
		FirstSeq:     0,
		AllowDirect:  false,
		MirrorDirect: false,
		Metadata:     map[string]string{epochKey: epoch, partitionsKey: strconv.Itoa(partitions)},
	}
}

func (c Config) maxBytes() int64 {
	if c.MaxBytes == 0 {
		return DefaultMaxBytes
	}
	return c.MaxBytes
}

// EnsureStream gives the stream and its consumers, making what is absent. All of
// them must be set as this package would set them, as the server tells it after
// they are made: settings that are safe to change are changed, any other
// difference gives a *SettingsError that names them all. The error wraps
// ErrServerTooOld where the server is older than MinServerVersion.
func EnsureStream(ctx context.Context, js jetstream.JetStream, cfg Config) (jetstream.Stream, error) {
	if err := cfg.validate(); err != nil {
		return nil, fmt.Errorf("set up the stream: %w", err)
	}
	if err := checkServer(js.Conn().ConnectedServerVersion()); err != nil {
		return nil, fmt.Errorf("set up the stream: %w", err)
	}
	stream, err := openOrCreate(ctx, js, cfg)
	if err != nil {
		return nil, fmt.Errorf("set up the stream: %w", err)
	}
	stream, err = settle(ctx, js, stream, cfg)
	if err != nil {
		return nil, fmt.Errorf("set up the stream: %w", err)
	}
	if err := ensureConsumers(ctx, stream); err != nil {
		return nil, fmt.Errorf("set up the stream: %w", err)
	}
	return stream, nil
}

func openOrCreate(ctx context.Context, js jetstream.JetStream, cfg Config) (jetstream.Stream, error) {
	stream, err := js.Stream(ctx, StreamName)
	if !errors.Is(err, jetstream.ErrStreamNotFound) {
		return stream, err
	}
	partitions := cfg.Partitions
	if partitions == 0 {
		partitions = DefaultPartitions
	}
	stream, err = js.CreateStream(ctx, cfg.streamConfig(partitions, rand.Text()))
	if errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) {
		// Another process was faster, with an epoch of its own: take that.
		return js.Stream(ctx, StreamName)
	}
	return stream, err
}

// settle brings an existing stream to the wanted settings, or says why not.
func settle(ctx context.Context, js jetstream.JetStream, stream jetstream.Stream, cfg Config) (jetstream.Stream, error) {
	info := stream.CachedInfo()
	have := info.Config
	partitions := cfg.Partitions
	if partitions == 0 {
		partitions, _ = strconv.Atoi(have.Metadata[partitionsKey])
	}
	want := cfg.streamConfig(partitions, have.Metadata[epochKey])
	if cfg.MaxBytes == 0 || cfg.MaxBytes < have.MaxBytes && uint64(cfg.MaxBytes) < info.State.Bytes {
		// Nothing was asked for, or less than is stored: keep it as it is. The
		// server would take a lower limit and refuse every delivery at once.
		want.MaxBytes = have.MaxBytes
	}
	wrong, mendable := compare(streamSettings(), have, want)
	if len(wrong) > 0 {
		return nil, &SettingsError{Stream: StreamName, Differences: wrong}
	}
	if len(mendable) == 0 {
		return stream, nil
	}
	for key, value := range have.Metadata {
		want.Metadata[key] = value
	}
	updated, err := js.UpdateStream(ctx, want)
	if err != nil {
		return nil, fmt.Errorf("update: %w", err)
	}
	// What the server made of it counts, not what it was asked for.
	wrong, mendable = compare(streamSettings(), updated.CachedInfo().Config, want)
	if left := append(wrong, mendable...); len(left) > 0 {
		return nil, &SettingsError{Stream: StreamName, Differences: left}
	}
	return updated, nil
}

// Identity names the stream and its epoch, such as TELEMETRY/J7K…: sequences
// are comparable only under one identity.
func Identity(ctx context.Context, stream jetstream.Stream) (string, error) {
	info, err := stream.Info(ctx)
	if err != nil {
		return "", fmt.Errorf("identify the stream: %w", err)
	}
	epoch := info.Config.Metadata[epochKey]
	if epoch == "" {
		return "", fmt.Errorf("identify the stream %s: its metadata hold no %s", info.Config.Name, epochKey)
	}
	return info.Config.Name + "/" + epoch, nil
}

// Partitions gives the number of partitions of a stream that EnsureStream
// gave, 0 for any other.
func Partitions(stream jetstream.Stream) int {
	n, err := strconv.Atoi(stream.CachedInfo().Config.Metadata[partitionsKey])
	if err != nil {
		return 0
	}
	return n
}

// Trim removes the deliveries before a sequence, for good. The caller knows
// that they are counted and that a backup of the database holds them.
func Trim(ctx context.Context, stream jetstream.Stream, before uint64) error {
	if before <= 1 {
		return nil
	}
	if err := stream.Purge(ctx, jetstream.WithPurgeSequence(before)); err != nil {
		return fmt.Errorf("trim the stream before %d: %w", before, err)
	}
	return nil
}
