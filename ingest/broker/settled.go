package broker

import (
	"context"
	"fmt"

	"github.com/nats-io/nats.go/jetstream"
)

// Settled gives the first sequence that some partition still has to
// acknowledge: everything before it is counted, and nothing of it will be asked
// for again.
func Settled(ctx context.Context, stream jetstream.Stream) (uint64, error) {
	info, err := stream.Info(ctx)
	if err != nil {
		return 0, fmt.Errorf("state of the stream: %w", err)
	}
	consumers, err := currentConsumers(ctx, stream)
	if err != nil {
		return 0, err
	}
	first := info.State.LastSeq + 1
	for _, c := range consumers {
		if c.NumPending > 0 || c.NumAckPending > 0 {
			first = min(first, c.AckFloor.Stream+1)
		}
	}
	return first, nil
}
