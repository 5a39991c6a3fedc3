package broker_test

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/ingest/broker"
)

func hashOf(subject string, _ nats.Header, body []byte) (out [16]byte) {
	sum := sha256.Sum256([]byte(subject + "\n" + string(body)))
	copy(out[:], sum[:])
	return out
}

// copyDir copies a directory. Of a broker that is running but idle it gives
// what a killed one leaves.
func copyDir(t *testing.T, from string) string {
	t.Helper()
	to := t.TempDir()
	if err := os.CopyFS(to, settled{os.DirFS(from)}); err != nil {
		t.Fatal(err)
	}
	return to
}

// settled leaves out what a running server is about to rename.
type settled struct{ fs.FS }

func (s settled) ReadDir(name string) ([]fs.DirEntry, error) {
	entries, err := fs.ReadDir(s.FS, name)
	return slices.DeleteFunc(entries, func(e fs.DirEntry) bool { return strings.HasSuffix(e.Name(), ".tmp") }), err
}

// streamDir is where the server keeps the stream.
func streamDir(dir string) string {
	return filepath.Join(dir, "jetstream", "$G", "streams", broker.StreamName)
}

// blocks gives the files that hold the deliveries, oldest first.
func blocks(t *testing.T, dir string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(streamDir(dir), "msgs", "*.blk"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no blocks in %s: %v", dir, err)
	}
	number := func(name string) (n int) {
		fmt.Sscanf(filepath.Base(name), "%d.blk", &n)
		return n
	}
	slices.SortFunc(names, func(a, b string) int { return number(a) - number(b) })
	return names
}

func remove(t *testing.T, path string) {
	t.Helper()
	if err := os.RemoveAll(path); err != nil {
		t.Fatal(err)
	}
}

// cut shortens a file to a share of its size.
func cut(t *testing.T, name string, share float64) {
	t.Helper()
	info, err := os.Stat(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(name, int64(float64(info.Size())*share)); err != nil {
		t.Fatal(err)
	}
}

// blank overwrites a share of a file with zeros: what a file system may leave
// that had made the file longer, but not yet written.
func blank(t *testing.T, name string, from, to float64) {
	t.Helper()
	body, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	clear(body[int(float64(len(body))*from):int(float64(len(body))*to)])
	if err := os.WriteFile(name, body, 0o600); err != nil {
		t.Fatal(err)
	}
}

func last(names []string) string { return names[len(names)-1] }

// fill publishes n deliveries of random size of a few collectors and gives
// what is stored at each sequence.
func (b *bench) fill(t *testing.T, r *rand.Rand, label string, n int) {
	t.Helper()
	p := b.publisher(t, 0)
	for i := range n {
		body := fmt.Sprintf("%s %d\n", label, i) + strings.Repeat(string(rune('a'+i%26)), r.IntN(350<<10))
		publish(t, p, fmt.Sprintf("c-%02d", r.IntN(6)), csv("", body))
	}
}

// takeAll acknowledges what is to be had of a partition, at most so many, and
// gives the sequences.
func (b *bench) takeAll(t *testing.T, p, most int) (sequences []uint64) {
	t.Helper()
	c, err := broker.Resume(t.Context(), b.stream, p)
	if err != nil {
		t.Fatal(err)
	}
	for len(sequences) < most {
		batch, err := c.FetchNoWait(min(most-len(sequences), 50))
		if err != nil {
			t.Fatal(err)
		}
		before := len(sequences)
		for m := range batch.Messages() {
			meta, err := m.Metadata()
			if err != nil {
				t.Fatal(err)
			}
			if err := m.DoubleAck(t.Context()); err != nil {
				t.Fatal(err)
			}
			sequences = append(sequences, meta.Sequence.Stream)
		}
		if len(sequences) == before {
			break
		}
	}
	return sequences
}

// anchor gives the anchor of a sequence as it is stored now.
func (b *bench) anchor(t *testing.T, sequence uint64) broker.Anchor {
	t.Helper()
	m, err := b.stream.GetMsg(t.Context(), sequence)
	if err != nil {
		t.Fatal(err)
	}
	return broker.Anchor{Sequence: sequence, Hash: hashOf(m.Subject, m.Header, m.Data)}
}

// kept gives the sequences that the stream holds.
func (b *bench) kept(t *testing.T) (sequences []uint64) {
	t.Helper()
	info, err := b.stream.Info(t.Context(), jetstream.WithDeletedDetails(true))
	if err != nil {
		t.Fatal(err)
	}
	for s := max(info.State.FirstSeq, 1); s <= info.State.LastSeq; s++ {
		if !slices.Contains(info.State.Deleted, s) {
			sequences = append(sequences, s)
		}
	}
	if uint64(len(sequences)) != info.State.Msgs {
		t.Errorf("the stream says it holds %d, %d are there", info.State.Msgs, len(sequences))
	}
	return sequences
}

// places tells where the consumers are.
func (b *bench) places(t *testing.T) string {
	t.Helper()
	var out []string
	list := b.stream.ListConsumers(t.Context())
	for c := range list.Info() {
		out = append(out, fmt.Sprintf("%s delivered %d, acknowledged %d, pending %d", c.Name, c.Delivered.Stream, c.AckFloor.Stream, c.NumPending))
	}
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	slices.Sort(out)
	return strings.Join(out, "; ")
}

const (
	beforeCopy = 40
	afterCopy  = 25
	partitions = 2
	all        = 1 << 20
)

// TestLostEndIsNoticedAndReadAgain damages the files of a stopped or killed
// broker in ways that a power loss, a bad disk or a wrong restore does. The
// database holds the last acknowledged delivery of each partition.
func TestLostEndIsNoticedAndReadAgain(t *testing.T) {
	for _, tc := range []struct {
		name string
		// clean stops the broker in order before, otherwise it is killed.
		clean  bool
		damage func(t *testing.T, dir, older string)
		// noticed says that deliveries are lost which the database holds.
		noticed bool
	}{
		{"killed, nothing lost", false, func(*testing.T, string, string) {}, false},
		{"stopped, nothing lost", true, func(*testing.T, string, string) {}, false},
		{"killed, the index is lost", false, func(t *testing.T, dir, _ string) { remove(t, filepath.Join(streamDir(dir), "msgs", "index.db")) }, false},
		{"killed, the last block is cut", false, func(t *testing.T, dir, _ string) { cut(t, last(blocks(t, dir)), 0.4) }, true},
		{"stopped, the last block is cut", true, func(t *testing.T, dir, _ string) { cut(t, last(blocks(t, dir)), 0.4) }, true},
		{"stopped, the last block is cut and the index lost", true, func(t *testing.T, dir, _ string) {
			cut(t, last(blocks(t, dir)), 0.4)
			remove(t, filepath.Join(streamDir(dir), "msgs", "index.db"))
		}, true},
		{"killed, the last block is empty", false, func(t *testing.T, dir, _ string) { cut(t, last(blocks(t, dir)), 0) }, true},
		{"stopped, the last block is gone", true, func(t *testing.T, dir, _ string) { remove(t, last(blocks(t, dir))) }, true},
		{"killed, the end of the last block is blank", false, func(t *testing.T, dir, _ string) { blank(t, last(blocks(t, dir)), 0.4, 1) }, true},
		{"killed, the last two blocks are gone", false, func(t *testing.T, dir, _ string) {
			names := blocks(t, dir)
			remove(t, names[len(names)-1])
			remove(t, names[len(names)-2])
		}, true},
		{"stopped, all deliveries are gone", true, func(t *testing.T, dir, _ string) { remove(t, filepath.Join(streamDir(dir), "msgs")) }, true},
		{"an older copy is put back", true, func(t *testing.T, dir, older string) {
			remove(t, filepath.Join(dir, "jetstream"))
			if err := os.CopyFS(dir, onlyJetStream{os.DirFS(older)}); err != nil {
				t.Fatal(err)
			}
		}, true},
		{"an older copy of the deliveries alone is put back", true, func(t *testing.T, dir, older string) {
			msgs := filepath.Join(streamDir(dir), "msgs")
			remove(t, msgs)
			if err := os.CopyFS(msgs, os.DirFS(filepath.Join(streamDir(older), "msgs"))); err != nil {
				t.Fatal(err)
			}
		}, true},
		{"the consumers alone are lost", true, func(t *testing.T, dir, _ string) { remove(t, filepath.Join(streamDir(dir), "obs")) }, false},
	} {
		for seed := range uint64(2) {
			t.Run(fmt.Sprintf("%s, seed %d", tc.name, seed), func(t *testing.T) {
				t.Parallel()
				r := rand.New(rand.NewPCG(seed, 3))
				dir, anchors, identity := filledBroker(t, r, tc.clean, tc.damage)
				b := start(t, broker.EmbeddedConfig{DataDir: dir}, broker.Config{})
				if got, err := broker.Identity(t.Context(), b.stream); err != nil || got != identity {
					t.Fatalf("identity %s became %s, %v", identity, got, err)
				}
				info, err := b.stream.Info(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				t.Logf("after the start: %d to %d; %s", info.State.FirstSeq, info.State.LastSeq, b.places(t))
				b.check(t, anchors, tc.noticed)
				b.fill(t, r, "other", 40) // takes the lost sequences again, and more
				b.check(t, anchors, tc.noticed)
				b.rewindAndRead(t)
			})
		}
	}
}

// onlyJetStream leaves out the lock, which is at its place already.
type onlyJetStream struct{ fs.FS }

func (o onlyJetStream) ReadDir(name string) ([]fs.DirEntry, error) {
	entries, err := fs.ReadDir(o.FS, name)
	return slices.DeleteFunc(entries, func(e fs.DirEntry) bool { return e.Name() == "broker.lock" }), err
}

// filledBroker gives the damaged directory of a broker that held deliveries,
// and what a database holds of them.
func filledBroker(t *testing.T, r *rand.Rand, clean bool, damage func(t *testing.T, dir, older string)) (dir string, anchors []broker.Anchor, identity string) {
	t.Helper()
	b := start(t, broker.EmbeddedConfig{}, broker.Config{Partitions: partitions, MaxBytes: 30 << 20})
	b.fill(t, r, "first", beforeCopy)
	for p := range partitions {
		b.takeAll(t, p, 5)
	}
	older := copyDir(t, b.dir)
	b.fill(t, r, "first, later", afterCopy)
	for p := range partitions {
		taken := b.takeAll(t, p, all)
		anchors = append(anchors, b.anchor(t, taken[len(taken)-1]))
	}
	identity, err := broker.Identity(t.Context(), b.stream)
	if err != nil {
		t.Fatal(err)
	}
	if err := broker.CheckAnchors(t.Context(), b.stream, anchors, hashOf); err != nil {
		t.Fatalf("before the damage: %v", err)
	}
	// Consumers write where they are some hundred milliseconds late.
	time.Sleep(300 * time.Millisecond)
	if clean {
		dir = b.dir
		b.stop()
	} else {
		dir = copyDir(t, b.dir)
		b.stop()
	}
	if n := len(blocks(t, dir)); n < 3 {
		t.Fatalf("only %d blocks: the test needs more", n)
	}
	damage(t, dir, older)
	return dir, anchors, identity
}

// check looks for the anchors, of which the newest is lost if noticed says so.
func (b *bench) check(t *testing.T, anchors []broker.Anchor, noticed bool) {
	t.Helper()
	err := broker.CheckAnchors(t.Context(), b.stream, anchors, hashOf)
	if errors.Is(err, broker.ErrRolledBack) != noticed || !noticed && err != nil {
		t.Errorf("check: %v", err)
	}
	if noticed {
		t.Log(err)
		if err != nil && !strings.Contains(err.Error(), "the database holds ") {
			t.Errorf("%q does not say what was expected", err)
		}
	}
}

// rewindAndRead rewinds under a worker that waits for deliveries and one that
// holds one, and reads everything that is left.
func (b *bench) rewindAndRead(t *testing.T) {
	t.Helper()
	for p := range partitions {
		b.takeAll(t, p, all) // a worker went on before anybody noticed
	}
	c, err := broker.Resume(t.Context(), b.stream, 0)
	if err != nil {
		t.Fatal(err)
	}
	waiting, err := c.Messages(jetstream.PullMaxMessages(64), jetstream.PullExpiry(30*time.Second))
	if err != nil {
		t.Fatal(err)
	}
	defer waiting.Stop()
	ended := make(chan error, 1)
	go func() {
		_, err := waiting.Next()
		ended <- err
	}()
	time.Sleep(50 * time.Millisecond) // its request is with the server
	if err := broker.Rewind(t.Context(), b.js, b.stream); err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-ended:
		if !errors.Is(err, jetstream.ErrConsumerDeleted) {
			t.Errorf("the waiting worker got %v", err)
		}
	case <-time.After(5 * time.Second):
		t.Error("the waiting worker waits on")
	}
	var read []uint64
	for p := range partitions {
		read = append(read, b.takeAll(t, p, all)...)
	}
	slices.Sort(read)
	if want := b.kept(t); !slices.Equal(read, want) {
		t.Errorf("read %v, want %v", read, want)
	}
	if _, err := broker.Acked(t.Context(), b.stream, broker.Anchor{}, 10_000, hashOf); err != nil {
		t.Errorf("last acknowledged: %v", err)
	}
}

// TestLostStreamIsAnotherOne: no anchor of the one before applies.
func TestLostStreamIsAnotherOne(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 3))
	dir, anchors, identity := filledBroker(t, r, true, func(t *testing.T, dir, _ string) { remove(t, streamDir(dir)) })
	b := start(t, broker.EmbeddedConfig{DataDir: dir}, broker.Config{Partitions: partitions})
	if got, err := broker.Identity(t.Context(), b.stream); err != nil || got == identity {
		t.Errorf("identity %s, %v", got, err)
	}
	b.check(t, anchors, true) // had anyone asked for the wrong identity
	if err := broker.CheckAnchors(t.Context(), b.stream, nil, hashOf); err != nil {
		t.Error(err)
	}
	places, err := broker.Acked(t.Context(), b.stream, broker.Anchor{}, 10_000, hashOf)
	if err != nil || len(places) != 0 {
		t.Errorf("acknowledged %v, %v", places, err)
	}
}
