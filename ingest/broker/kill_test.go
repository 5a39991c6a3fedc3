package broker_test

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"strconv"
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/ingest/broker"
)

// victimDir names the variable that turns the test binary into a broker to be
// killed.
const victimDir = "FADELEDGER_TEST_VICTIM_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(victimDir); dir != "" {
		if err := victim(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	if dir := os.Getenv(limitDir); dir != "" {
		if err := limited(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// victim stores series of messages for ever and writes the number of those
// that are stored, a line each.
func victim(dir string) error {
	ctx := context.Background()
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
	if _, err := broker.EnsureStream(ctx, js, broker.Config{MaxBytes: e.StreamBytes(), Partitions: 1}); err != nil {
		return err
	}
	p, err := broker.NewPublisher(nc, broker.PublisherConfig{Logger: logger, BatchMessages: 50})
	if err != nil {
		return err
	}
	return p.PublishMany(ctx, "c-07", func(yield func(broker.Message, error) bool) {
		for i := 0; yield(csv("", strconv.Itoa(i)), nil); i++ {
		}
	}, func(i int, _ broker.Ack) { fmt.Println(i) })
}

func TestKilledBrokerKeepsWhatItAcknowledged(t *testing.T) {
	dir := t.TempDir()
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), victimDir+"="+dir)
	child.Stderr = os.Stderr
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	last := -1
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if last, err = strconv.Atoi(lines.Text()); err != nil {
			t.Fatal(err)
		}
		if last == 120 {
			if err := child.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := child.Wait(); err == nil || last < 120 {
		t.Fatalf("the victim ended by itself after %d: %v", last, err)
	}
	// Nobody holds the directory: the kernel dropped the lock.
	b := start(t, broker.EmbeddedConfig{DataDir: dir}, broker.Config{})
	for i, m := range b.take(t, 0, last+1) {
		if string(m.Data()) != strconv.Itoa(i) {
			t.Fatalf("message %d holds %q", i, m.Data())
		}
	}
	publish(t, b.publisher(t, 0), "c-07", csv("", "and on"))
	t.Logf("%d acknowledged before the kill, all there", last+1)
}
