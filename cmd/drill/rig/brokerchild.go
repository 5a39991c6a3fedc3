package rig

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"time"

	"fadeledger/ingest/broker"
)

// childEnv makes the executable run as a broker.
const childEnv = "FADELEDGER_DRILL_BROKER"

// brokerChild says how the child runs.
type brokerChild struct {
	Dir       string `json:"dir"`
	Listen    string `json:"listen"`
	SyncLater bool   `json:"sync_later"`
}

// Child runs this process as a broker if it was started for that, and does not
// return then. A program that uses Run calls it first.
func Child() {
	text := os.Getenv(childEnv)
	if text == "" {
		return
	}
	if err := runBroker(text); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

// runBroker serves until the standard input ends, which it does with the
// harness.
func runBroker(text string) error {
	var c brokerChild
	if err := json.Unmarshal([]byte(text), &c); err != nil {
		return fmt.Errorf("read what the broker is to do: %w", err)
	}
	cfg := broker.EmbeddedConfig{
		DataDir: c.Dir, Listen: c.Listen, MaxStore: 1 << 30,
		Logger: slog.New(slog.NewTextHandler(os.Stderr, nil)),
	}
	if c.SyncLater {
		cfg.Sync = broker.SyncLater
	}
	e, err := broker.StartEmbedded(context.Background(), cfg)
	if err != nil {
		return err
	}
	_, _ = io.Copy(io.Discard, os.Stdin)
	ctx, cancel := context.WithTimeout(context.Background(), endWithin)
	defer cancel()
	return e.Shutdown(ctx)
}

// brokerProcess is the broker as a child process on a fixed port.
type brokerProcess struct {
	process
	dir, address string
}

// newBroker prepares a broker in a folder; its output goes to log.
func newBroker(dir string, syncLater bool, log *os.File) (*brokerProcess, error) {
	address, err := freeAddress()
	if err != nil {
		return nil, err
	}
	self, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("find the executable: %w", err)
	}
	text, err := json.Marshal(brokerChild{Dir: dir, Listen: address, SyncLater: syncLater})
	if err != nil {
		return nil, fmt.Errorf("write what the broker is to do: %w", err)
	}
	b := &brokerProcess{dir: dir, address: address}
	b.name, b.log = "broker", log
	b.command = func() *exec.Cmd {
		cmd := exec.Command(self)
		cmd.Env = append(os.Environ(), childEnv+"="+string(text))
		// The pipe's other end is ours as long as we live.
		if _, err := cmd.StdinPipe(); err != nil {
			cmd.Err = err
		}
		return cmd
	}
	return b, nil
}

// url is the broker's address without any proxy.
func (b *brokerProcess) url() string { return "nats://" + b.address }

// startReady starts the broker and waits until it takes connections.
func (b *brokerProcess) startReady(ctx context.Context) error {
	if err := b.start(); err != nil {
		return err
	}
	for deadline := time.Now().Add(startWithin); ; {
		conn, err := net.DialTimeout("tcp", b.address, time.Second)
		if err == nil {
			return conn.Close()
		}
		if ctx.Err() != nil || !b.running() || time.Now().After(deadline) {
			return fmt.Errorf("start the broker: %w", err)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// copyFiles copies the broker's files as they are at one moment: it stands
// still meanwhile.
func (b *brokerProcess) copyFiles(to string) error {
	if err := b.signal(syscall.SIGSTOP, false); err != nil {
		return fmt.Errorf("copy the broker's files: %w", err)
	}
	err := os.CopyFS(to, os.DirFS(b.dir))
	if err := b.signal(syscall.SIGCONT, false); err != nil {
		return fmt.Errorf("copy the broker's files: %w", err)
	}
	if err != nil {
		return fmt.Errorf("copy the broker's files: %w", err)
	}
	return nil
}

// putBack replaces the files of a broker that does not run.
func (b *brokerProcess) putBack(from string) error {
	if err := os.Rename(b.dir, b.dir+"-lost-"+filepath.Base(from)); err != nil {
		return fmt.Errorf("take the broker's files away: %w", err)
	}
	if err := os.Rename(from, b.dir); err != nil {
		return fmt.Errorf("put the broker's older files back: %w", err)
	}
	return nil
}

// freeAddress finds a port that nobody listens on, below those from which the
// system takes the ports of outgoing connections: while the broker is away,
// none of them may sit on its port, or even connect to itself.
func freeAddress() (string, error) {
	for range 200 {
		address := fmt.Sprintf("127.0.0.1:%d", 20_000+rand.IntN(12_000))
		listener, err := net.Listen("tcp", address)
		if err == nil {
			return address, listener.Close()
		}
	}
	return "", errors.New("no free port for the broker")
}
