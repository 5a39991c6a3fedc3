package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/analytics"
)

const consumerPrefix = "count-p"

// MaxUnacked is the number of deliveries of a partition that may be with a
// worker at once. A worker gathers many small ones for one transaction: 20
// samples of each of some hundred units come in as few as one sample each.
const MaxUnacked = 8192

// AckWait is how long a worker may keep a delivery before it is given to
// someone: several times the longest transaction. A worker that needs longer
// says so (jetstream.Msg.InProgress).
const AckWait = 60 * time.Second

// consumerName names the consumer of a partition under a reading. Another
// reading has consumers of other names, so that an acknowledgement which is
// still on its way from a worker of the one before does not count for a
// delivery that has the same sequence by now.
func consumerName(p int, reading string) string {
	name := fmt.Sprintf("%s%03d", consumerPrefix, p)
	if reading != "" {
		name += "-" + reading
	}
	return name
}

// filterOf gives the subjects of a partition.
func filterOf(p int) string { return fmt.Sprintf("%s%d.*", subjectPrefix, p) }

// isCurrent reports whether a consumer is one of a reading.
func isCurrent(name, reading string) bool {
	rest, ok := strings.CutPrefix(name, consumerPrefix)
	if !ok {
		return false
	}
	_, of, _ := strings.Cut(rest, "-")
	return of == reading
}

// readingOf asks the server for the reading that holds now.
func readingOf(ctx context.Context, stream jetstream.Stream) (string, error) {
	info, err := stream.Info(ctx)
	if err != nil {
		return "", err
	}
	return info.Config.Metadata[readingKey], nil
}

// consumerConfig spells out every setting with its reason.
func consumerConfig(p int, reading string) jetstream.ConsumerConfig {
	return jetstream.ConsumerConfig{
		Durable:     consumerName(p, reading),
		Name:        consumerName(p, reading),
		Description: fmt.Sprintf("workers of partition %d", p),
		// From the first delivery on: a consumer that was lost starts again,
		// and the database finds only duplicates.
		DeliverPolicy: jetstream.DeliverAllPolicy,
		ReplayPolicy:  jetstream.ReplayInstantPolicy,
		// Each delivery is acknowledged by itself, after the commit that holds
		// it: deliveries of one transaction need not be neighbours.
		AckPolicy: jetstream.AckExplicitPolicy,
		AckWait:   AckWait,
		// For ever: a delivery that cannot be counted is put into quarantine
		// and acknowledged by the worker, never given up by the server.
		MaxDeliver: -1,
		// None: the first of a list would replace AckWait.
		BackOff:       nil,
		MaxAckPending: MaxUnacked,
		FilterSubject: filterOf(p),
		// A few workers stand by for each partition, with one request each.
		MaxWaiting: 64,
		// A pull request is bounded by the worker that makes it.
		MaxRequestBatch: 0, MaxRequestExpires: 0, MaxRequestMaxBytes: 0,
		RateLimit:       0,
		SampleFrequency: "",
		// Bodies are what is counted.
		HeadersOnly: false,
		// Durable: stays while no worker asks.
		InactiveThreshold: 0,
		// As the stream, and on disk like it.
		Replicas:      0,
		MemoryStorage: false,
	}
}

func ensureConsumers(ctx context.Context, stream jetstream.Stream) error {
	for p := range Partitions(stream) {
		if _, err := ensureConsumer(ctx, stream, p); err != nil {
			return fmt.Errorf("consumer of partition %d: %w", p, err)
		}
	}
	return removeStale(ctx, stream)
}

// Consumer gives the durable pull consumer of a partition, from 0 to
// Partitions(stream)-1, making it anew if someone removed it.
func Consumer(ctx context.Context, stream jetstream.Stream, p int) (jetstream.Consumer, error) {
	if n := Partitions(stream); p < 0 || p >= n {
		return nil, fmt.Errorf("consumer of partition %d: the stream has partitions 0 to %d", p, n-1)
	}
	consumer, err := ensureConsumer(ctx, stream, p)
	if err != nil {
		return nil, fmt.Errorf("consumer of partition %d: %w", p, err)
	}
	return consumer, nil
}

// ensureConsumer makes a consumer, or brings it to its settings. Where it
// began to read cannot be changed, and Resume may have moved that.
func ensureConsumer(ctx context.Context, stream jetstream.Stream, p int) (jetstream.Consumer, error) {
	reading, err := readingOf(ctx, stream)
	if err != nil {
		return nil, err
	}
	want := consumerConfig(p, reading)
	consumer, err := stream.Consumer(ctx, want.Durable)
	if errors.Is(err, jetstream.ErrConsumerNotFound) {
		return makeConsumer(ctx, stream, want)
	}
	if err != nil {
		return nil, err
	}
	have := consumer.CachedInfo().Config
	wrong, mendable := compare(consumerSettings(), have, want)
	if len(wrong) > 0 {
		return nil, &SettingsError{Stream: StreamName, Consumer: want.Name, Differences: wrong}
	}
	if len(mendable) == 0 {
		return consumer, nil
	}
	want.DeliverPolicy, want.OptStartSeq, want.Metadata = have.DeliverPolicy, have.OptStartSeq, have.Metadata
	if consumer, err = stream.UpdateConsumer(ctx, want); err != nil {
		return nil, fmt.Errorf("update: %w", err)
	}
	return consumer, asserted(consumer, want)
}

// makeConsumer makes a consumer and looks at what the server made.
func makeConsumer(ctx context.Context, stream jetstream.Stream, want jetstream.ConsumerConfig) (jetstream.Consumer, error) {
	consumer, err := stream.CreateConsumer(ctx, want)
	if err != nil {
		return nil, err
	}
	return consumer, asserted(consumer, want)
}

// asserted compares what the server made with what it was asked for.
func asserted(consumer jetstream.Consumer, want jetstream.ConsumerConfig) error {
	wrong, mendable := compare(consumerSettings(), consumer.CachedInfo().Config, want)
	if left := append(wrong, mendable...); len(left) > 0 {
		return &SettingsError{Stream: StreamName, Consumer: want.Name, Differences: left}
	}
	return nil
}

// CollectorOf gives the collector and the partition of a stored subject; ok is
// false for any other subject.
func CollectorOf(subject string) (collector string, p int, ok bool) {
	rest, ok := strings.CutPrefix(subject, subjectPrefix)
	if !ok {
		return "", 0, false
	}
	number, collector, ok := strings.Cut(rest, ".")
	if !ok || number == "" || collector == "" || strings.Contains(collector, ".") {
		return "", 0, false
	}
	for _, c := range number {
		if c < '0' || c > '9' || p > MaxPartitions {
			return "", 0, false
		}
		p = p*10 + int(c-'0')
	}
	return collector, p, true
}

// ErrResuming: a partition has no consumer at this moment, because a worker is
// about to resume it. What waits there is known again right after.
var ErrResuming = errors.New("a partition is being resumed")

// State tells how much the stream holds and how much of it waits, summed over
// the partitions. ErrResuming: not now.
func State(ctx context.Context, stream jetstream.Stream) (analytics.StreamState, error) {
	info, err := stream.Info(ctx)
	if err != nil {
		return analytics.StreamState{}, fmt.Errorf("state of the stream: %w", err)
	}
	state := analytics.StreamState{
		Name: info.Config.Name, Messages: info.State.Msgs, Bytes: info.State.Bytes, MaxBytes: uint64(max(info.Config.MaxBytes, 0)), LastSequence: info.State.LastSeq,
	}
	if info.State.LastSeq > 0 && !info.State.LastTime.IsZero() {
		at := analytics.InstantOf(info.State.LastTime)
		state.LastStoredAt = &at
	}
	consumers, err := currentConsumers(ctx, stream)
	if err != nil {
		return analytics.StreamState{}, err
	}
	for _, c := range consumers {
		state.Pending += c.NumPending
		state.Unacked += uint64(max(c.NumAckPending, 0))
	}
	return state, nil
}

// currentConsumers gives all consumers of the reading that holds now.
// ErrResuming: one of them is not there.
func currentConsumers(ctx context.Context, stream jetstream.Stream) ([]*jetstream.ConsumerInfo, error) {
	reading, err := readingOf(ctx, stream)
	if err != nil {
		return nil, fmt.Errorf("state of the stream: %w", err)
	}
	var consumers []*jetstream.ConsumerInfo
	list := stream.ListConsumers(ctx)
	for c := range list.Info() {
		if isCurrent(c.Name, reading) {
			consumers = append(consumers, c)
		}
	}
	if err := list.Err(); err != nil {
		return nil, fmt.Errorf("state of the stream's consumers: %w", err)
	}
	if seen, n := len(consumers), Partitions(stream); seen < n {
		return nil, fmt.Errorf("state of the stream's consumers: %w: %d of %d are there", ErrResuming, seen, n)
	}
	return consumers, nil
}
