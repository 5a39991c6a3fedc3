package broker

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// ErrDirInUse is returned when another broker has the data directory.
var ErrDirInUse = errors.New("the data directory is in use")

// dirLock is an advisory lock on a directory. JetStream has none of its own,
// and two servers on one directory destroy each other's streams. The kernel
// drops the lock when the process dies, however it dies.
type dirLock struct{ file *os.File }

func lockDir(dir string) (*dirLock, error) {
	path := filepath.Join(dir, "broker.lock")
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open lock: %w", err)
	}
	if err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		holder, _ := io.ReadAll(io.LimitReader(file, 32))
		file.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("%w: %s is held by process %s; stop that one, or give another directory",
				ErrDirInUse, dir, strings.TrimSpace(string(holder)))
		}
		return nil, fmt.Errorf("lock %s: %w", path, err)
	}
	// The number only helps a reader of the message above: the lock holds
	// without it.
	if err := file.Truncate(0); err == nil {
		_, _ = file.WriteAt([]byte(fmt.Sprintf("%d\n", os.Getpid())), 0)
	}
	return &dirLock{file}, nil
}

// unlock lets go. The file stays: removing it would let two others lock two
// different files of the same name.
func (l *dirLock) unlock() error { return l.file.Close() }
