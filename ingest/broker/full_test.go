package broker_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/ingest/broker"
)

// smallDisk gives a directory on a disk in memory, ok is false where mounting
// is not permitted; TestFileThatCannotGrow needs none.
func smallDisk(t *testing.T, bytes int) (dir string, ok bool) {
	t.Helper()
	dir = t.TempDir()
	if err := syscall.Mount("none", dir, "tmpfs", 0, fmt.Sprintf("size=%d", bytes)); err != nil {
		t.Logf("no disk can be mounted here, a limit on files has to do: %v", err)
		return "", false
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	return dir, true
}

// ballast takes room on the disk of a directory until so much is left.
func ballast(t *testing.T, dir string, left uint64) {
	t.Helper()
	file, err := os.OpenFile(filepath.Join(dir, "ballast"), os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	var disk syscall.Statfs_t
	if err := syscall.Statfs(dir, &disk); err != nil {
		t.Fatal(err)
	}
	if _, err := file.Write(make([]byte, disk.Bavail*uint64(disk.Bsize)-left)); err != nil {
		t.Fatal(err)
	}
}

// untilFull publishes until it is refused and gives how many were acknowledged.
func (b *bench) untilFull(t *testing.T, p *broker.Publisher) (n int, err error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for ; err == nil; n++ {
		_, err = p.Publish(ctx, "c-07", csv("", numbered(n)))
	}
	return n - 1, err
}

// numbered gives a body of 100 kB that tells its number.
func numbered(n int) string { return fmt.Sprintf("%d\n", n) + strings.Repeat("x", 100<<10) }

// readNumbered takes deliveries 0 to n-1 in order, and no more.
func (b *bench) readNumbered(t *testing.T, n int) {
	t.Helper()
	for i, m := range b.take(t, 0, n) {
		if string(m.Data()) != numbered(i) {
			t.Fatalf("delivery %d is another", i)
		}
		if err := m.DoubleAck(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	state, err := broker.State(t.Context(), b.stream)
	if err != nil || state.Pending != 0 || state.Unacked != 0 {
		t.Errorf("state %+v, %v", state, err)
	}
}

// isHealthy checks which errors the health is to be; none is nil.
func (b *bench) isHealthy(t *testing.T, when string, want ...error) {
	t.Helper()
	err := broker.Healthy(t.Context(), b.stream, b.embedded)
	t.Logf("%s: %v", when, err)
	if len(want) == 0 && err != nil {
		t.Errorf("%s: %v", when, err)
	}
	for _, w := range want {
		if !errors.Is(err, w) {
			t.Errorf("%s: %v, want %v", when, err, w)
		}
	}
}

// TestDiskThatFillsUp: the publisher, wherever it is, is told that the stream
// is full; workers go on; once there is room everything goes on by itself.
func TestDiskThatFillsUp(t *testing.T) {
	disk, ok := smallDisk(t, 192<<20)
	if !ok {
		return
	}
	b := startAs(t, broker.EmbeddedConfig{DataDir: filepath.Join(disk, "data")}, broker.Config{Partitions: 1})
	b.isHealthy(t, "empty")
	_, limit, err := broker.Fullness(t.Context(), b.stream)
	if err != nil {
		t.Fatal(err)
	}
	ballast(t, disk, broker.LowDisk+4<<20)
	n, err := b.untilFull(t, b.publisher(t, 0))
	if !errors.Is(err, broker.ErrFull) || n < 30 {
		t.Fatalf("after %d: %v", n, err)
	}
	t.Logf("%d acknowledged, then: %v", n, err)
	b.isHealthy(t, "full", broker.ErrFull)
	// What came in while the limit was being set may lie above it.
	if bytes, most, err := broker.Fullness(t.Context(), b.stream); err != nil || bytes < most {
		t.Errorf("holds %d of %d, %v", bytes, most, err)
	}
	b.readNumbered(t, n)
	if err := os.Remove(filepath.Join(disk, "ballast")); err != nil {
		t.Fatal(err)
	}
	p := b.publisher(t, 0)
	for deadline := time.Now().Add(10 * time.Second); ; {
		if _, err = p.Publish(t.Context(), "c-07", csv("", "on")); err == nil || time.Now().After(deadline) {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	if err != nil {
		t.Errorf("with room again: %v", err)
	}
	if _, most, err := broker.Fullness(t.Context(), b.stream); err != nil || most != limit {
		t.Errorf("the limit is %d, was %d, %v", most, limit, err)
	}
	b.isHealthy(t, "with room again")
}

// TestDiskThatIsFullAtOnce lets the disk fill up faster than anybody looks. The
// server answers no publisher from then on, and has to be restarted.
func TestDiskThatIsFullAtOnce(t *testing.T) {
	disk, ok := smallDisk(t, 192<<20)
	if !ok {
		return
	}
	data := filepath.Join(disk, "data")
	cfg := broker.EmbeddedConfig{DataDir: data, Sync: broker.SyncAlways, DiskCheck: -1}
	b := startAs(t, cfg, broker.Config{Partitions: 1})
	ballast(t, disk, 5<<20)
	p, err := broker.NewPublisher(b.nc, broker.PublisherConfig{Logger: quiet(t), AckWait: 500 * time.Millisecond,
		Health: func(ctx context.Context) error { return broker.Healthy(ctx, b.stream, b.embedded) }})
	if err != nil {
		t.Fatal(err)
	}
	n, err := b.untilFull(t, p)
	if !errors.Is(err, broker.ErrFull) || !errors.Is(err, broker.ErrFrozen) || n < 20 {
		t.Fatalf("after %d: %v", n, err)
	}
	t.Logf("%d acknowledged, then: %v", n, err)
	b.readNumbered(t, n) // workers go on meanwhile
	b.stop()

	// Started without room it does no harm.
	b = startAs(t, cfg, broker.Config{Partitions: 1})
	b.isHealthy(t, "started without room", broker.ErrFull)
	b.stop()

	if err := os.Remove(filepath.Join(disk, "ballast")); err != nil {
		t.Fatal(err)
	}
	b = startAs(t, cfg, broker.Config{Partitions: 1})
	b.isHealthy(t, "started with room")
	state, err := broker.State(t.Context(), b.stream)
	if err != nil || state.Messages < uint64(n) || state.LastSequence < uint64(n) {
		t.Fatalf("%d were acknowledged, state %+v, %v", n, state, err)
	}
	for i := range n {
		if m, err := b.stream.GetMsg(t.Context(), uint64(i+1)); err != nil || string(m.Data) != numbered(i) {
			t.Fatalf("delivery %d is lost: %v", i, err)
		}
	}
	publish(t, b.publisher(t, 0), "c-07", csv("", "on"))
	t.Logf("consumers after it: %s", b.places(t))
}

// limitDir names the variable that turns the test binary into a broker whose
// files cannot grow above 2 MiB.
const limitDir = "FADELEDGER_TEST_LIMIT_DIR"

// limited stores deliveries until that fails, and writes the number of each
// that is stored and then what it got.
func limited(dir string) error {
	// The write is to fail, not to end the process.
	signal.Ignore(syscall.SIGXFSZ)
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: 2 << 20, Max: 2 << 20}); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	logger := slog.New(slog.DiscardHandler)
	e, err := broker.StartEmbedded(ctx, broker.EmbeddedConfig{DataDir: dir, Logger: logger, MaxStore: 1 << 30})
	if err != nil {
		return err
	}
	nc, err := e.Connect(ctx)
	if err != nil {
		return err
	}
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	stream, err := broker.EnsureStream(ctx, js, broker.Config{MaxBytes: e.StreamBytes(), Partitions: 1})
	if err != nil {
		return err
	}
	p, err := broker.NewPublisher(nc, broker.PublisherConfig{Logger: logger, AckWait: 500 * time.Millisecond,
		Health: func(ctx context.Context) error { return broker.Healthy(ctx, stream, e) }})
	if err != nil {
		return err
	}
	for n := 0; ; n++ {
		if _, err := p.Publish(ctx, "c-07", csv("", numbered(n))); err != nil {
			fmt.Println("frozen", errors.Is(err, broker.ErrFrozen), err)
			return nil
		}
		fmt.Println(n)
	}
}

// TestFileThatCannotGrow makes writing fail by a limit on the size of files,
// which any user can set: another failure than a full disk, and everything that
// was acknowledged is there after a restart.
func TestFileThatCannotGrow(t *testing.T) {
	dir := t.TempDir()
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), limitDir+"="+dir)
	child.Stderr = os.Stderr
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	n, end := 0, ""
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if i, err := strconv.Atoi(lines.Text()); err == nil {
			n = i + 1
		} else {
			end = lines.Text()
		}
	}
	if err := child.Wait(); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d acknowledged, then: %s", n, end)
	if n < 10 || !strings.HasPrefix(end, "frozen true ") || !strings.Contains(end, "file too large") || !strings.Contains(end, "then restart") {
		t.Errorf("ended after %d with %q", n, end)
	}
	b := start(t, broker.EmbeddedConfig{DataDir: dir}, broker.Config{})
	b.isHealthy(t, "restarted")
	state, err := broker.State(t.Context(), b.stream)
	if err != nil || state.Messages < uint64(n) {
		t.Fatalf("%d were acknowledged, state %+v, %v", n, state, err)
	}
	for i, m := range b.take(t, 0, n) {
		if string(m.Data()) != numbered(i) {
			t.Fatalf("delivery %d is another", i)
		}
	}
	publish(t, b.publisher(t, 0), "c-07", csv("", "on"))
}

func TestFullness(t *testing.T) {
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: 1, MaxBytes: 1 << 20})
	p := b.publisher(t, 0)
	b.isHealthy(t, "empty")
	if _, err := b.untilFull(t, p); !errors.Is(err, broker.ErrFull) {
		t.Fatal(err)
	}
	bytes, most, err := broker.Fullness(t.Context(), b.stream)
	if err != nil || most != 1<<20 || bytes < most*8/10 || bytes > most {
		t.Errorf("%d of %d, %v", bytes, most, err)
	}
	b.isHealthy(t, "full", broker.ErrFull)
	if err := broker.Healthy(t.Context(), b.stream, nil); !errors.Is(err, broker.ErrFull) {
		t.Errorf("as an external one: %v", err)
	}
	if err := broker.Trim(t.Context(), b.stream, 8); err != nil {
		t.Fatal(err)
	}
	b.isHealthy(t, "trimmed")
	e := b.embedded
	b.stop()
	if err := broker.Healthy(t.Context(), b.stream, e); err == nil {
		t.Error("a stopped broker is healthy")
	}
}
