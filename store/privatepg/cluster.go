package privatepg

import (
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// ErrInUse is returned when something else runs on the data directory.
var ErrInUse = errors.New("data directory is in use")

// orphanWait is how long a new start waits for a postmaster that the watcher
// of a killed process is still shutting down.
const orphanWait = 15 * time.Second

// cluster is a data directory that this process has locked, with what is needed
// to run commands on it.
type cluster struct {
	dir       string // absolute, links followed
	socketDir string
	durable   bool
	binaries  Binaries
	identity  identity
	lock      *os.File
}

// openCluster locks the directory and brings it to where postgres can start:
// made, owned by the right user, no stale lock file, socket directory there.
func openCluster(ctx context.Context, dataDir string, durable bool) (cluster, error) {
	dir, err := resolve(dataDir)
	if err != nil {
		return cluster{}, err
	}
	lock, err := lockFile(dir + ".lock")
	if err != nil {
		return cluster{}, err
	}
	cl := cluster{dir: dir, durable: durable, lock: lock}
	if err := cl.prepare(ctx); err != nil {
		cl.close()
		return cluster{}, err
	}
	return cl, nil
}

// close lets the directory go. The lock file stays: removing it would let two
// processes lock two different files of the same name.
func (cl cluster) close() {
	if cl.socketDir != "" {
		_ = os.Remove(cl.socketDir) // fails, rightly, if anything is left in it
	}
	_ = cl.lock.Close()
}

func (cl *cluster) prepare(ctx context.Context) error {
	var err error
	if cl.identity, err = chooseIdentity(cl.dir); err != nil {
		return err
	}
	if err := cl.identity.canReach(filepath.Dir(cl.dir)); err != nil {
		return err
	}
	major, err := clusterMajor(cl.dir)
	if err != nil {
		return err
	}
	if cl.binaries, err = defaultSearch().find(ctx, major); err != nil {
		return err
	}
	if major == 0 {
		if err := cl.initialise(ctx); err != nil {
			return err
		}
	}
	if err := cl.clearPIDFile(ctx); err != nil {
		return err
	}
	cl.socketDir, err = cl.makeSocketDir()
	return err
}

// resolve makes the directory's parents and returns its absolute path with
// links followed, which is what the kernel shows as a postmaster's directory.
func resolve(dataDir string) (string, error) {
	abs, err := filepath.Abs(dataDir)
	if err != nil {
		return "", fmt.Errorf("find the absolute path: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(abs), 0o755); err != nil {
		return "", fmt.Errorf("make the parent directory: %w", err)
	}
	parent, err := filepath.EvalSymlinks(filepath.Dir(abs))
	if err != nil {
		return "", fmt.Errorf("follow the parent directory: %w", err)
	}
	dir := filepath.Join(parent, filepath.Base(abs))
	if real, err := filepath.EvalSymlinks(dir); err == nil {
		return real, nil
	}
	return dir, nil
}

// lockFile takes the lock that keeps two processes off one directory. The
// kernel drops it with the process, so it is never stale.
func lockFile(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the lock file: %w", err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		_ = f.Close()
		return nil, fmt.Errorf("%w by another fadeledger (it holds %s): stop that one, or choose another directory", ErrInUse, path)
	}
	if err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("lock %s: %w", path, err)
	}
	return f, nil
}

// clusterMajor reads which major version made the cluster: 0 means that the
// directory is missing or empty. A directory with anything else in it is
// refused.
func clusterMajor(dir string) (int, error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) || (err == nil && len(entries) == 0) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("look into the data directory: %w", err)
	}
	text, err := os.ReadFile(filepath.Join(dir, "PG_VERSION"))
	if errors.Is(err, fs.ErrNotExist) {
		return 0, fmt.Errorf("%s is not empty and holds no Postgres cluster: choose another directory", dir)
	}
	if err != nil {
		return 0, fmt.Errorf("read the cluster's version: %w", err)
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0, fmt.Errorf("read the cluster's version: %w", err)
	}
	return major, nil
}

// initialise makes the cluster under another name and renames it, so that one
// cut short is never taken for a whole one.
func (cl *cluster) initialise(ctx context.Context) error {
	fresh := cl.dir + ".new"
	if err := os.RemoveAll(fresh); err != nil {
		return fmt.Errorf("remove an unfinished cluster: %w", err)
	}
	if err := os.Mkdir(fresh, 0o700); err != nil {
		return fmt.Errorf("make the data directory: %w", err)
	}
	if err := cl.identity.own(fresh); err != nil {
		return err
	}
	args := []string{"-D", fresh, "-A", "trust", "-U", UserName, "-E", "UTF8",
		"--locale=" + defaultLocale, "--no-instructions"}
	if !cl.durable {
		args = append(args, "--no-sync")
	}
	cmd := cl.command(ctx, cl.binaries.path("initdb"), args...)
	cmd.WaitDelay = 5 * time.Second // its own children may hold the output when it is killed
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("run initdb: %w: %s", err, strings.TrimSpace(string(out)))
	}
	if err := os.Remove(cl.dir); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("replace the empty data directory: %w", err)
	}
	if err := os.Rename(fresh, cl.dir); err != nil {
		return fmt.Errorf("put the new cluster in place: %w", err)
	}
	return nil
}

// clearPIDFile removes a postmaster.pid whose process no longer runs here.
// Postgres does so itself unless the number is taken: by a zombie, which a
// container's first process may never reap, or by another program of the same
// user. The caller holds the directory's lock.
func (cl *cluster) clearPIDFile(ctx context.Context) error {
	path := filepath.Join(cl.dir, "postmaster.pid")
	deadline := time.Now().Add(orphanWait)
	for {
		pid, _, err := readPIDFile(path)
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil {
			return err
		}
		if !postmasterRuns(pid, cl.dir) {
			break
		}
		if time.Now().After(deadline) {
			return fmt.Errorf("%w by a Postgres that was not started here: end it with `kill -INT %d`", ErrInUse, pid)
		}
		if err := sleep(ctx, 20*time.Millisecond); err != nil {
			return fmt.Errorf("wait for process %d to end: %w", pid, err)
		}
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("remove a stale lock file: %w", err)
	}
	return nil
}

// readPIDFile returns the process number and the state of a postmaster.pid:
// its first line, and its eighth, which says "ready" once connections are
// taken. A file too short for a number gives 0.
func readPIDFile(path string) (pid int, state string, err error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return 0, "", fmt.Errorf("read postmaster.pid: %w", err)
	}
	lines := strings.Split(string(text), "\n")
	pid, _ = strconv.Atoi(strings.TrimSpace(lines[0]))
	if len(lines) > 7 {
		state = strings.TrimSpace(lines[7])
	}
	return pid, state, nil
}

func socketDirOf(dir string) string {
	return fmt.Sprintf("/tmp/flpg-%08x", crc32.ChecksumIEEE([]byte(dir)))
}

// makeSocketDir makes the directory that alone guards the cluster. Its name is
// short, since a socket's path is limited to about 100 bytes, and follows from
// the data directory, so that restarts leave nothing behind. /tmp is open to
// all: a directory that is already there is used only if it is the right
// user's, closed to everybody else, and no link.
func (cl *cluster) makeSocketDir() (string, error) {
	dir := socketDirOf(cl.dir)
	err := os.Mkdir(dir, 0o700)
	if err == nil {
		if err := cl.identity.own(dir); err != nil {
			return "", err
		}
	} else if !errors.Is(err, fs.ErrExist) {
		return "", fmt.Errorf("make the socket directory: %w", err)
	}
	info, err := os.Lstat(dir)
	if err != nil {
		return "", fmt.Errorf("check the socket directory: %w", err)
	}
	if info.Mode() != fs.ModeDir|0o700 || ownerOf(info) != cl.identity.uid {
		return "", fmt.Errorf("socket directory %s is not a directory of user %s with mode 0700: remove it", dir, cl.identity.name)
	}
	return dir, nil
}

// command prepares a program to run as the cluster's user, away from the
// terminal's signals (a Ctrl-C must reach us first), in a directory that always
// can be entered, and with none of our secrets in its environment. It is killed
// when ctx ends.
func (cl *cluster) command(ctx context.Context, program string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Dir = "/"
	cmd.Env = childEnv()
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Credential: cl.identity.credential()}
	return cmd
}

// childEnv is all that Postgres is given of our environment. PG* and LC_*
// variables would change what initdb makes.
func childEnv() []string {
	env := []string{"LC_ALL=C"}
	for _, name := range []string{"PATH", "LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH"} {
		if value, ok := os.LookupEnv(name); ok {
			env = append(env, name+"="+value)
		}
	}
	return env
}

func sleep(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}
