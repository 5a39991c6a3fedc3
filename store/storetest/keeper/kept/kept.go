// Package kept is the folder through which test processes and the keeper of
// their shared server agree: its locks and the file with the server's URL. See
// package storetest for who holds what.
package kept

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// The locks of the folder.
const (
	StartLock  = "start.lock"
	UsersLock  = "users.lock"
	KeeperLock = "keeper.lock"
)

const urlFile = "server.url"

// Dir is the folder's path.
type Dir string

// Open makes the folder of the current user below temp. A folder of that name
// that belongs to somebody else, or a link, is refused: temp is open to all.
func Open(temp string) (Dir, error) {
	path := filepath.Join(temp, fmt.Sprintf("fadeledger-test-%d", os.Geteuid()))
	// 0755: the user who runs Postgres for root must pass through.
	if err := os.Mkdir(path, 0o755); err != nil && !errors.Is(err, fs.ErrExist) {
		return "", fmt.Errorf("make the shared folder: %w", err)
	}
	info, err := os.Lstat(path)
	if err != nil {
		return "", fmt.Errorf("check the shared folder: %w", err)
	}
	if !info.IsDir() || info.Mode().Perm()&0o022 != 0 || info.Sys().(*syscall.Stat_t).Uid != uint32(os.Geteuid()) {
		return "", fmt.Errorf("%s is not a folder of this user's that only this user can write: remove it", path)
	}
	return Dir(path), nil
}

// Lock takes one of the folder's locks with the operation how of flock(2);
// closing the file, or the end of the process, lets it go. With LOCK_NB, a lock
// that is held gives syscall.EWOULDBLOCK.
func (d Dir) Lock(name string, how int) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(string(d), name), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open a lock: %w", err)
	}
	for {
		err = syscall.Flock(int(f.Fd()), how)
		if !errors.Is(err, syscall.EINTR) {
			break
		}
	}
	if err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("lock %s: %w", name, err)
	}
	return f, nil
}

// ServerURL reads what the keeper announced.
func (d Dir) ServerURL() (string, error) {
	text, err := os.ReadFile(filepath.Join(string(d), urlFile))
	if err != nil {
		return "", fmt.Errorf("read the server's address: %w", err)
	}
	return string(text), nil
}

// Announce writes the server's URL, whole or not at all.
func (d Dir) Announce(url string) error {
	path := filepath.Join(string(d), urlFile)
	if err := os.WriteFile(path+".new", []byte(url), 0o600); err != nil {
		return fmt.Errorf("write the server's address: %w", err)
	}
	if err := os.Rename(path+".new", path); err != nil {
		return fmt.Errorf("announce the server: %w", err)
	}
	return nil
}

// Clear takes back the announcement of a keeper that is gone.
func (d Dir) Clear() error {
	err := os.Remove(filepath.Join(string(d), urlFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("clear the server's address: %w", err)
	}
	return nil
}
