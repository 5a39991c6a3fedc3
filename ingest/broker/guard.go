package broker

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// defaultDiskCheck is how often the room on the disk is looked at: LowDisk
// lasts for longer even at a gigabyte a second.
const defaultDiskCheck = 50 * time.Millisecond

// diskGuard keeps the server from ever meeting a full disk, after which it
// would have to be restarted. While less than LowDisk is left it takes what the
// stream holds for its limit, so that publishers are told that it is full, and
// gives it back the limit that it had once there is room.
type diskGuard struct {
	e  *Embedded
	js jetstream.JetStream
	// room gives the bytes that are left on the disk of a directory.
	room func(dir string) (uint64, error)
	// before is the limit of the stream to give back, 0 while it has it; set
	// is the one that this guard gave it.
	before, set int64
	// told is the last error that was logged, so that each is told once.
	told string
}

// startGuard looks at the disk until the given function is called.
func (e *Embedded) startGuard(every time.Duration) (stop func(), err error) {
	nc, err := e.Connect(context.Background())
	if err != nil {
		return nil, err
	}
	js, err := jetstream.New(nc)
	if err != nil {
		nc.Close()
		return nil, fmt.Errorf("guard the disk: %w", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(every)
		defer tick.Stop()
		for g := (&diskGuard{e: e, js: js, room: roomLeft}); ; {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				g.report(ctx, g.look(ctx))
			}
		}
	}()
	return func() { cancel(); <-done; closeQuietly(nc) }, nil
}

// closeQuietly closes a connection whose end is nobody's concern.
func closeQuietly(nc *nats.Conn) {
	nc.SetDisconnectErrHandler(nil)
	nc.Close()
}

func (g *diskGuard) report(ctx context.Context, err error) {
	text := ""
	if err != nil && ctx.Err() == nil {
		text = err.Error()
	}
	if text != "" && text != g.told {
		g.e.logger.Error("the disk is not guarded", "err", err)
	}
	g.told = text
}

// look limits the stream or gives its limit back, as the room on the disk is.
func (g *diskGuard) look(ctx context.Context) error {
	free, err := g.room(g.e.dir)
	if err != nil {
		return err
	}
	// Some more before it goes on, or it would be limited again at once.
	if low := free < LowDisk; !low && (g.before == 0 || free < LowDisk+LowDisk/4) {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, healthyWithin)
	defer cancel()
	stream, err := g.js.Stream(ctx, StreamName)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("guard the disk: %w", err)
	}
	config := stream.CachedInfo().Config
	if free >= LowDisk {
		return g.giveBack(ctx, config)
	}
	holds := max(int64(stream.CachedInfo().State.Bytes), 1)
	if config.MaxBytes == holds {
		return nil
	}
	if g.before == 0 || config.MaxBytes != g.set {
		// Not ours, or somebody gave it another since.
		g.before = config.MaxBytes
		g.e.logger.Warn("the disk is nearly full: the stream takes nothing until there is room", "dir", g.e.dir, "left_bytes", free)
	}
	config.MaxBytes = holds
	if _, err := g.js.UpdateStream(ctx, config); err != nil {
		return fmt.Errorf("limit the stream to what it holds: %w", err)
	}
	g.set = holds
	return nil
}

func (g *diskGuard) giveBack(ctx context.Context, config jetstream.StreamConfig) error {
	if config.MaxBytes == g.set {
		config.MaxBytes = g.before
		if _, err := g.js.UpdateStream(ctx, config); err != nil {
			return fmt.Errorf("give the stream its limit back: %w", err)
		}
	}
	g.before, g.set = 0, 0
	g.e.logger.Info("there is room on the disk again: the stream takes deliveries", "dir", g.e.dir)
	return nil
}
