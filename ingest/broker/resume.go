package broker

import (
	"context"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go/jetstream"
)

// Resume gives the consumer of a partition to a worker that begins to read it.
// Deliveries that another worker took and never acknowledged would come again
// only after AckWait, behind newer ones, and make late samples of what was in
// order. So a consumer that waits for acknowledgements is made anew from the
// first delivery that is not acknowledged. Those acknowledged behind it come
// again too, and the ledger knows them.
//
// A consumer that is ahead of the stream, because the stream lost its end,
// would skip what is stored under those sequences next. It is made anew from
// the first delivery that the stream keeps.
func Resume(ctx context.Context, stream jetstream.Stream, p int) (jetstream.Consumer, error) {
	consumer, err := Consumer(ctx, stream, p)
	if err != nil {
		return nil, err
	}
	for {
		reading := consumer.CachedInfo().Name
		if consumer, err = resume(ctx, stream, consumer, p); err != nil {
			return nil, fmt.Errorf("resume partition %d: %w", p, err)
		}
		// A Rewind meanwhile has made another consumer: that is the one to
		// read from.
		current, err := Consumer(ctx, stream, p)
		if err != nil {
			return nil, err
		}
		if current.CachedInfo().Name == reading {
			return consumer, nil
		}
		consumer = current
	}
}

// resume gives a consumer as it is or made anew.
func resume(ctx context.Context, stream jetstream.Stream, consumer jetstream.Consumer, p int) (jetstream.Consumer, error) {
	info, err := consumer.Info(ctx)
	if err != nil {
		return nil, err
	}
	state, err := stream.Info(ctx)
	if err != nil {
		return nil, err
	}
	config := info.Config
	ahead := max(info.AckFloor.Stream, info.Delivered.Stream) > state.State.LastSeq
	switch {
	case ahead:
		config.DeliverPolicy, config.OptStartSeq = jetstream.DeliverAllPolicy, 0
	case info.NumAckPending > 0:
		config.DeliverPolicy, config.OptStartSeq = jetstream.DeliverByStartSequencePolicy, info.AckFloor.Stream+1
	default:
		return consumer, nil
	}
	if err := stream.DeleteConsumer(ctx, info.Name); err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
		return nil, err
	}
	config.Metadata = nil // the server writes its own
	return makeConsumer(ctx, stream, config)
}
