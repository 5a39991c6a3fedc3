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
func Resume(ctx context.Context, stream jetstream.Stream, p int) (jetstream.Consumer, error) {
	consumer, err := Consumer(ctx, stream, p)
	if err != nil {
		return nil, err
	}
	info, err := consumer.Info(ctx)
	if err != nil {
		return nil, fmt.Errorf("resume partition %d: %w", p, err)
	}
	if info.NumAckPending == 0 {
		return consumer, nil
	}
	if err := stream.DeleteConsumer(ctx, consumerName(p)); err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
		return nil, fmt.Errorf("resume partition %d: %w", p, err)
	}
	config := consumerConfig(p)
	config.DeliverPolicy = jetstream.DeliverByStartSequencePolicy
	config.OptStartSeq = info.AckFloor.Stream + 1
	consumer, err = stream.CreateConsumer(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("resume partition %d: %w", p, err)
	}
	return consumer, nil
}
