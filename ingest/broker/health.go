package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"syscall"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go/jetstream"
)

// ErrFrozen: writing to the disk failed once, and the server takes nothing
// until it is restarted: it cannot know how much of that write is there. What
// it acknowledged is on the disk.
var ErrFrozen = errors.New("the broker takes nothing until it is restarted")

// LowDisk is the room on the disk below which an embedded broker is not
// healthy. It is some seconds of a busy collector, so that somebody is told
// before the disk is full.
const LowDisk = 64 << 20

// healthyWithin bounds a question to the server.
const healthyWithin = 5 * time.Second

// Fullness gives how many bytes the stream holds and how many it may hold. It
// refuses deliveries above that, so somebody should be told at 60 % and called
// at 80 %.
func Fullness(ctx context.Context, stream jetstream.Stream) (bytes, most uint64, err error) {
	info, err := stream.Info(ctx)
	if err != nil {
		return 0, 0, fmt.Errorf("fullness of the stream: %w", err)
	}
	return info.State.Bytes, uint64(max(info.Config.MaxBytes, 0)), nil
}

// Healthy reports whether the stream takes deliveries, nil if so. Otherwise it
// says what is wrong and what helps. The error wraps ErrFull where room has to
// be made, and ErrFrozen where the server has to be restarted, after the room
// is made if it wraps both.
//
// e is the embedded server, nil for an external one. Of an external server it
// can only be told whether it answers and whether the stream is full; that its
// disk failed stands in its own health check.
func Healthy(ctx context.Context, stream jetstream.Stream, e *Embedded) error {
	if e != nil {
		if err := e.healthy(); err != nil {
			return err
		}
	}
	ctx, cancel := context.WithTimeout(ctx, healthyWithin)
	defer cancel()
	bytes, most, err := Fullness(ctx, stream)
	if err != nil {
		return fmt.Errorf("the broker does not answer: %w", err)
	}
	if most > 0 && bytes+MaxMessageBytes > most {
		return fmt.Errorf("%w: it holds %d of %d bytes; let it be trimmed to what a backup of the database lacks, or give it more", ErrFull, bytes, most)
	}
	return nil
}

// healthy asks the server in this process.
func (e *Embedded) healthy() error {
	health := e.server.Healthz(&server.HealthzOptions{})
	free, err := roomLeft(e.dir)
	switch {
	case err != nil:
		return err
	case health.Error != "" && (free < LowDisk || strings.Contains(health.Error, "no space left")):
		return fmt.Errorf("%w: %w: %s; %d MiB are left on the disk of %s: make room there, then restart", ErrFull, ErrFrozen, health.Error, free>>20, e.dir)
	case health.Error != "":
		return fmt.Errorf("%w: %s; look after the disk of %s, then restart", ErrFrozen, health.Error, e.dir)
	case free < LowDisk:
		return fmt.Errorf("%w: %d MiB are left on the disk of %s, at least %d must be; make room there, which needs no restart as long as some is left", ErrFull, free>>20, e.dir, LowDisk>>20)
	}
	return nil
}

// roomLeft gives the bytes that may still be written to a directory.
func roomLeft(dir string) (uint64, error) {
	var disk syscall.Statfs_t
	if err := syscall.Statfs(dir, &disk); err != nil {
		return 0, fmt.Errorf("room on the broker's disk: %w", err)
	}
	return disk.Bavail * uint64(disk.Bsize), nil
}
