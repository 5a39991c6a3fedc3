package broker

import (
	"context"
	"fmt"
	"strings"

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
	first, seen := info.State.LastSeq+1, 0
	list := stream.ListConsumers(ctx)
	for c := range list.Info() {
		if !strings.HasPrefix(c.Name, consumerPrefix) {
			continue
		}
		seen++
		if c.NumPending > 0 || c.NumAckPending > 0 {
			first = min(first, c.AckFloor.Stream+1)
		}
	}
	if err := list.Err(); err != nil {
		return 0, fmt.Errorf("state of the stream's consumers: %w", err)
	}
	if n := Partitions(stream); seen != n {
		return 0, fmt.Errorf("%w: %d of %d consumers are there", ErrResuming, seen, n)
	}
	return first, nil
}
